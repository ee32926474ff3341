//! Running mean, extremes and deviation of one quantity.
//!
//! Model: the updating formulas of Welford (1962, Technometrics 4(3), 419-420), which keep full
//! precision where the sum of squares would cancel.

use super::record::Spread;

/// Collects values and tells their [`Spread`].
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tally {
    count: u32,
    mean: f64,
    squares: f64,
    min: f64,
    max: f64,
}

impl Tally {
    /// Adds a value.
    ///
    /// ```
    /// use cresthold::control::Tally;
    /// let mut tally = Tally::default();
    /// for value in [2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0] {
    ///     tally.push(value);
    /// }
    /// let spread = tally.spread();
    /// // Sum 40 over 8; squared deviations sum to 32; 32 / 7 under the root.
    /// assert_eq!((spread.mean, spread.min, spread.max, spread.count), (5.0, 2.0, 9.0, 8));
    /// assert!((spread.deviation - (32.0_f64 / 7.0).sqrt()).abs() < 1e-12);
    /// ```
    pub fn push(&mut self, value: f64) {
        if self.count == 0 {
            self.min = value;
            self.max = value;
        } else {
            self.min = self.min.min(value);
            self.max = self.max.max(value);
        }
        self.count = self.count.saturating_add(1);
        let step = value - self.mean;
        self.mean += step / f64::from(self.count);
        self.squares += step * (value - self.mean);
    }

    /// How many values there were.
    #[must_use]
    pub fn count(&self) -> u32 {
        self.count
    }

    /// The mean, if there was any value.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then_some(self.mean)
    }

    /// All of it.
    #[must_use]
    pub fn spread(&self) -> Spread {
        let deviation = if self.count > 1 {
            (self.squares.max(0.0) / f64::from(self.count - 1)).sqrt()
        } else {
            0.0
        };
        Spread { count: self.count, mean: self.mean, min: self.min, max: self.max, deviation }
    }
}
