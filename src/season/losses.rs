//! From what the light offered down to what was measured.
//!
//! Model: the reference energy of a minute is `P0 G t / (1000 W/m2)`, what the device would give at standard
//! conditions with an efficiency that never changed. Temperature takes (or gives) `1 - C` of it, with
//! `C = 1 + gamma (T_cell - 25 degC)`. Of what is then left, a minute in which the channel slept, started or
//! was out loses all but what it delivered; a minute in which it held the device loses the share that is
//! missing from the integral (an outage), what sweeps cost, and
//!
//! - low light: `1 - e`, with the efficiency `e` at 25 degC against that at 1000 W/m2, as the channel's own
//!   power matrix tells it. What changes all light alike, as dirt does, is not in that quotient;
//! - the tracker: of what was delivered `1 / s - 1`, with the share `s` of the crest that it takes: on a plant by
//!   the day, exactly; in the field as the curves show it, which the log takes beside the minutes ([`Tracked`]);
//! - the rest: spectrum, dirt, shade, and every error of rating, coefficient and sensor, and low light and tracker
//!   where they are not known. These can't be told apart from a log alone, and nothing here pretends to.
//!
//! Only minutes whose irradiance and power both count are in it.

use super::minute::Minute;
use crate::control::record::Activity;
use crate::quantities::WattHours;

/// The terms (Wh); a loss is positive.
///
/// `reference - temperature - low light - tracker - rest - sweeps - asleep - outages = measured`, to rounding.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Losses {
    /// What the rating would give in this light.
    pub reference: WattHours,
    /// By the cells' temperature, against 25 degC; none without a coefficient.
    pub temperature: Option<WattHours>,
    /// By weak light, against 1000 W/m2; none where the power matrix doesn't tell.
    pub low_light: Option<WattHours>,
    /// By the tracker, against the crest; none where nothing tells.
    pub tracker: Option<WattHours>,
    /// Spectrum, dirt, shade and errors together; and temperature, low light and tracker, too, where those are not
    /// known.
    pub rest: WattHours,
    /// By sweeps.
    pub sweeps: WattHours,
    /// Asleep or starting, in whatever light.
    pub asleep: WattHours,
    /// Let go, locked off, stopped, without a link, or missing from the integral.
    pub outages: WattHours,
    /// What was delivered.
    pub measured: WattHours,
    /// Reference energy of minutes whose temperature is not known (Wh).
    pub temperature_unknown: WattHours,
}

/// The share of the crest that a tracker takes, as curves show it: power over irradiance in the minute before a
/// curve, over that at the curve's crest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tracked {
    /// The median share.
    pub share: f64,
    /// Its standard error, from the curves' scatter.
    pub error: f64,
    /// Of so many curves.
    pub curves: usize,
}

impl Tracked {
    /// Fewer curves tell nothing.
    pub const LEAST: usize = 10;

    /// From the quotients of the curves, each a share of the crest with noise; none of fewer than
    /// [`Tracked::LEAST`].
    ///
    /// ```
    /// use cresthold::season::Tracked;
    /// // Nine at 0.99 to 1.00 about 0.995, and a cloud that came between.
    /// let shares = [0.99, 0.991, 0.992, 0.994, 0.995, 0.996, 0.998, 0.999, 1.0, 1.3];
    /// let found = Tracked::of(shares.to_vec()).unwrap();
    /// assert!((found.share - 0.9955).abs() < 1e-12);
    /// // Median distance 0.0035: 1.4826 x 0.0035 is a deviation; 1.2533 of it over the root of ten.
    /// assert!((found.error - 1.2533 * 1.4826 * 0.0035 / 10_f64.sqrt()).abs() < 1e-6);
    /// ```
    #[must_use]
    pub fn of(shares: Vec<f64>) -> Option<Self> {
        let curves = shares.len();
        if curves < Self::LEAST {
            return None;
        }
        let share = median(shares.clone());
        let apart = median(shares.into_iter().map(|one| (one - share).abs()).collect());
        // A normal distribution's deviation by its median distance, and a median's standard error by that.
        let error = 1.2533 * 1.4826 * apart / (curves as f64).sqrt();
        Some(Self { share, error, curves })
    }
}

/// Of one value or more.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 {
        values[middle]
    } else {
        f64::midpoint(values[middle - 1], values[middle])
    }
}

/// What is known of one minute beside its record.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known {
    /// What the rating would give (Wh).
    pub(super) reference: f64,
    /// What part of it is in the books.
    pub(super) booked: f64,
    /// `C`.
    pub(super) correction: Option<f64>,
    /// Efficiency in this light against that in 1000 W/m2.
    pub(super) efficiency: Option<f64>,
    /// Share of the crest that the tracker takes.
    pub(super) tracked: Option<f64>,
}

impl Losses {
    /// Of one minute; `swept` is what sweeps cost in it.
    pub(super) fn of(
        minute: &Minute,
        known: &Known,
        (delivered, swept): (WattHours, WattHours),
    ) -> Self {
        let Known { reference, booked, correction, efficiency, tracked } = *known;
        let offered = reference * correction.unwrap_or(1.0);
        let lost = WattHours(offered) - delivered;
        let mut losses = Self {
            reference: WattHours(reference),
            temperature: correction.map(|_| WattHours(reference - offered)),
            measured: delivered,
            ..Self::default()
        };
        if correction.is_none() {
            losses.temperature_unknown = losses.reference;
        }
        match minute.activity {
            Activity::Tracking | Activity::Sweeping => {
                let held = if booked > 0.0 { (minute.share() / booked).min(1.0) } else { 0.0 };
                losses.outages = WattHours(offered * (1.0 - held));
                losses.sweeps = swept;
                losses.low_light = efficiency.map(|share| WattHours(offered * (1.0 - share)));
                losses.tracker = tracked.map(|share| delivered * (1.0 / share - 1.0));
                let told =
                    losses.low_light.unwrap_or_default() + losses.tracker.unwrap_or_default();
                losses.rest = lost - losses.outages - swept - told;
            }
            Activity::Asleep | Activity::Starting => losses.asleep = lost,
            Activity::Connecting | Activity::Resting | Activity::LockedOff | Activity::Stopped => {
                losses.outages = lost;
            }
        }
        losses
    }

    pub(super) fn add(&mut self, other: &Self) {
        let sum = |a: Option<WattHours>, b: Option<WattHours>| match (a, b) {
            (Some(a), Some(b)) => Some(a + b),
            (a, b) => a.or(b),
        };
        self.temperature = sum(self.temperature, other.temperature);
        self.low_light = sum(self.low_light, other.low_light);
        self.tracker = sum(self.tracker, other.tracker);
        self.reference += other.reference;
        self.rest += other.rest;
        self.sweeps += other.sweeps;
        self.asleep += other.asleep;
        self.outages += other.outages;
        self.measured += other.measured;
        self.temperature_unknown += other.temperature_unknown;
    }
}
