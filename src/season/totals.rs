//! What minutes come to.

use super::losses::Losses;
use crate::quantities::{Irradiation, WattHours, Watts};
use crate::yields::Sums;

/// Minutes of an hour.
pub(super) const PER_HOUR: f64 = 60.0;

/// Sums over a day, a month or all.
///
/// ```
/// use cresthold::quantities::{Irradiation, WattHours, Watts};
/// use cresthold::season::Totals;
/// use cresthold::yields::Sums;
/// // A 300 W device on a day of 5 kWh/m2, all of it counted: E/P0 = 1200/300 = 4 h, H/G = 5 h, 0.8.
/// let sums = Sums { plane: Irradiation(5000.0), energy: WattHours(1200.0), ..Sums::default() };
/// // At 45 degC and -0.4 %/K, C = 1 - 0.004 * 20 = 0.92: 0.8 / 0.92 = 0.8696.
/// let warm = Sums { plane: Irradiation(4600.0), ..sums };
/// let day = Totals { energy: WattHours(1200.0), hours: 24.0, counted: sums, corrected: Some(warm),
///     light: 700, worked: 686.0, complete: 693.0, ..Totals::default() };
/// assert_eq!(day.counted.performance_ratio(Watts(300.0)), Some(0.8));
/// assert!((day.corrected_ratio(Watts(300.0)).unwrap() - 0.8696).abs() < 1e-4);
/// // 1200 Wh of 300 W * 24 h: 1/6. 686 and 693 of 700 minutes: 98 %, 99 %.
/// assert_eq!(day.capacity_factor(Watts(300.0)), Some(1.0 / 6.0));
/// assert_eq!((day.availability(), day.completeness()), (Some(0.98), Some(0.99)));
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Totals {
    /// Energy delivered, as it was logged (Wh).
    pub energy: WattHours,
    /// How long the period is (h), nights and gaps with it.
    pub hours: f64,
    /// Irradiation and energy of the minutes whose irradiance and power both count.
    pub counted: Sums,
    /// Of these, the ones whose module temperature counts, too; its irradiation is weighted by
    /// `C = 1 + gamma (T_cell - 25 degC)`. None without a coefficient.
    pub corrected: Option<Sums>,
    /// Minutes of light.
    pub light: u32,
    /// Of these, the ones whose light was concluded from other days.
    pub presumed: u32,
    /// How long in the light the channel held the device (min), to the second.
    pub worked: f64,
    /// How long in the light there are readings of irradiance and power that count (min), to the second.
    pub complete: f64,
    /// Energy at the crest (Wh), where it is known for every day.
    pub crest: Option<WattHours>,
    /// Where the energy went; none without a rating.
    pub losses: Option<Losses>,
}

impl Totals {
    /// Performance ratio at 25 degC: `sum E / sum (C P0 G t / (1000 W/m2))` (IEC 61724-1, from memory).
    #[must_use]
    pub fn corrected_ratio(&self, rated: Watts) -> Option<f64> {
        self.corrected.and_then(|sums| sums.performance_ratio(rated))
    }

    /// Energy over what the rating would give around the clock.
    #[must_use]
    pub fn capacity_factor(&self, rated: Watts) -> Option<f64> {
        let most = rated.0 * self.hours;
        (most > 0.0).then(|| self.energy.0 / most)
    }

    /// Share of the light in which the channel held the device; time without a record is not known to be.
    #[must_use]
    pub fn availability(&self) -> Option<f64> {
        share(self.worked, self.light)
    }

    /// Share of the light that has readings of irradiance and power which count.
    #[must_use]
    pub fn completeness(&self) -> Option<f64> {
        share(self.complete, self.light)
    }

    /// Energy over energy at the crest.
    #[must_use]
    pub fn of_crest(&self) -> Option<f64> {
        self.crest.filter(|crest| crest.0 > 0.0).map(|crest| self.energy / crest)
    }

    /// Adds another period, which follows.
    pub(super) fn add(&mut self, other: &Self) {
        let first = self.hours == 0.0;
        self.crest = if first { other.crest } else { add(self.crest, other.crest) };
        self.corrected = match (self.corrected, other.corrected) {
            (Some(mut sums), Some(more)) => {
                sums.add(&more);
                Some(sums)
            }
            (sums, more) => sums.or(more),
        };
        self.losses = match (self.losses, other.losses) {
            (Some(mut losses), Some(more)) => {
                losses.add(&more);
                Some(losses)
            }
            (losses, more) => losses.or(more),
        };
        self.energy += other.energy;
        self.hours += other.hours;
        self.counted.add(&other.counted);
        self.light += other.light;
        self.presumed += other.presumed;
        self.worked += other.worked;
        self.complete += other.complete;
    }
}

/// The sums of one minute, of which so much is in the books.
pub(super) fn minute_sums(booked: f64, irradiation: f64, energy: WattHours) -> Sums {
    Sums { hours: booked / PER_HOUR, plane: Irradiation(irradiation), energy, ..Sums::default() }
}

fn add(a: Option<WattHours>, b: Option<WattHours>) -> Option<WattHours> {
    a.zip(b).map(|(a, b)| a + b)
}

fn share(minutes: f64, all: u32) -> Option<f64> {
    (all > 0).then(|| minutes / f64::from(all))
}
