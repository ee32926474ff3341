//! How much a single look's current can be trusted.
//!
//! Model: the uneven part of four looks (see [`super::past`]) has a quarter of the standard deviation
//! of one look's current, and neither a ramp nor the dither is in it. Its median size is followed by
//! small steps up and down, so that a cloud's edge now and then doesn't count; flicker that stays does.

use super::within;

/// Standard deviation of one look over that of the uneven part: 1 / sqrt(4 / 64).
const SPREAD: f64 = 4.0;
/// The median of a normal deviate's size.
const MEDIAN: f64 = 0.6745;
/// Relative step of following it, and how much larger it is at first, over the number of looks.
const STEP: f64 = 0.01;
const FIRST_STEP: f64 = 0.4;
/// Looks whose mean square it begins with.
const FIRST: u32 = 4;
/// Bounds, as a share of the current: meters have a last digit, and beyond a quarter of it nothing
/// can be learned anyway.
const LEAST: f64 = 1e-5;
const MOST: f64 = 0.25;

/// The noise of one look.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Noise {
    /// Standard deviation (A).
    amps: f64,
    squares: f64,
    seen: u32,
}

impl Noise {
    /// Whether it is known.
    pub(super) fn is_known(self) -> bool {
        self.seen >= FIRST
    }

    /// Standard deviation (A).
    pub(super) fn amps(self) -> f64 {
        self.amps
    }

    /// As a share of a crest current.
    pub(super) fn share(self, crest: f64) -> f64 {
        within(self.amps / crest, LEAST, MOST)
    }

    /// Another uneven part, as a share of the crest current `mean` (A).
    pub(super) fn note(&mut self, uneven: f64, mean: f64) {
        let size = SPREAD * uneven.abs() * mean;
        if !size.is_finite() {
            return;
        }
        self.seen = self.seen.saturating_add(1);
        if self.seen <= FIRST {
            self.squares += size * size;
            self.amps = (self.squares / f64::from(self.seen)).sqrt();
        } else {
            let step = 1.0 + STEP + FIRST_STEP / f64::from(self.seen);
            self.amps *= if size > MEDIAN * self.amps { step } else { 1.0 / step };
        }
        self.amps = within(self.amps, LEAST * mean, MOST * mean);
    }
}
