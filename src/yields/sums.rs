//! What the hours come to, by month and over all.
//!
//! Yields after IEC 61724-1 (from memory): final yield `E/P0`, reference yield `H/(1000 W/m2)`, performance
//! ratio their quotient.

use super::chain::Exposure;
use crate::quantities::{Irradiation, STC_IRRADIANCE, WattHours, Watts};

/// Sums over spans.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sums {
    /// How long the spans are together (h).
    pub hours: f64,
    /// Irradiation on the horizontal.
    pub horizontal: Irradiation,
    /// Irradiation on the plane; direct for a concentrator.
    pub plane: Irradiation,
    /// What of it reached the cells.
    pub effective: Irradiation,
    /// Energy at the crest.
    pub energy: WattHours,
}

impl Sums {
    /// One span of `hours` hours.
    #[must_use]
    pub fn of(exposure: &Exposure, watts: Watts, hours: f64) -> Self {
        Self {
            hours,
            horizontal: Irradiation(exposure.horizontal.0 * hours),
            plane: Irradiation(exposure.plane.0 * hours),
            effective: Irradiation(exposure.effective.0 * hours),
            energy: WattHours(watts.0 * hours),
        }
    }

    /// Adds other spans.
    pub fn add(&mut self, other: &Self) {
        self.hours += other.hours;
        self.horizontal += other.horizontal;
        self.plane += other.plane;
        self.effective += other.effective;
        self.energy += other.energy;
    }

    /// Final yield `E/P0` (h) of a device rated at `rated`.
    #[must_use]
    pub fn final_yield(&self, rated: Watts) -> f64 {
        self.energy.0 / rated.0
    }

    /// Reference yield `H/(1000 W/m2)` (h).
    #[must_use]
    pub fn reference_yield(&self) -> f64 {
        self.plane.0 / STC_IRRADIANCE.0
    }

    /// Performance ratio; none in the dark.
    ///
    /// ```
    /// use cresthold::quantities::{Irradiation, WattHours, Watts};
    /// use cresthold::yields::Sums;
    /// // 300 W, 5 kWh/m2: 1.5 kWh at best; 1.2 kWh were had.
    /// let day = Sums { plane: Irradiation(5000.0), energy: WattHours(1200.0), ..Sums::default() };
    /// assert_eq!(day.performance_ratio(Watts(300.0)), Some(0.8));
    /// ```
    #[must_use]
    pub fn performance_ratio(&self, rated: Watts) -> Option<f64> {
        let reference = self.reference_yield();
        (reference > 0.0 && rated.0 > 0.0).then(|| self.final_yield(rated) / reference)
    }
}

/// The yield of a device.
#[derive(Clone, Debug, PartialEq)]
pub struct Yield {
    /// Power at standard conditions.
    pub rated: Watts,
    /// How many years of 365 days the weather covers.
    pub years: f64,
    /// January to December.
    pub months: [Sums; 12],
    /// Over all.
    pub total: Sums,
    /// Every span: light and warmth, and power at the crest.
    pub hours: Vec<(Exposure, Watts)>,
    /// What part of a span each of them is (0..); empty where all are whole.
    pub shares: Vec<f64>,
}

impl Yield {
    /// Nothing yet.
    #[must_use]
    pub fn new(rated: Watts, years: f64) -> Self {
        let months = [Sums::default(); 12];
        Self { rated, years, months, total: Sums::default(), hours: Vec::new(), shares: Vec::new() }
    }

    /// What part of a span the one at `index` is.
    pub(super) fn share(&self, index: usize) -> f64 {
        self.shares.get(index).copied().unwrap_or(1.0)
    }

    /// Adds a span in a month (1..=12).
    pub(super) fn add(&mut self, month: u8, span: &Sums) {
        self.months[usize::from(month.clamp(1, 12)) - 1].add(span);
        self.total.add(span);
    }
}
