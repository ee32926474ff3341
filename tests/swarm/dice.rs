//! Dice with a seed.

use std::time::Duration;

/// SplitMix64 (Steele, Lea, Flood 2014, from memory).
#[derive(Clone, Debug)]
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(mixed(seed ^ 0x5eed))
    }

    pub(crate) fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        mixed(self.0)
    }

    /// From 0 to 1.
    pub(crate) fn share(&mut self) -> f64 {
        self.roll() as f64 / u64::MAX as f64
    }

    pub(crate) fn below(&mut self, bound: usize) -> usize {
        (self.roll() % bound.max(1) as u64) as usize
    }

    pub(crate) fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())]
    }

    pub(crate) fn chance(&mut self, share: f64) -> bool {
        self.share() < share
    }

    /// Between the two, evenly over their logarithm, in whole milliseconds.
    pub(crate) fn span(&mut self, low: f64, high: f64) -> Duration {
        let seconds = low * (high / low).powf(self.share());
        Duration::from_millis((1000.0 * seconds).round() as u64)
    }

    /// Until the next of what comes so often on average (exponential, never nothing).
    pub(crate) fn until_next(&mut self, mean: Duration) -> Duration {
        let wait = mean.mul_f64(-(1.0 - self.share()).max(1e-9).ln());
        Duration::from_millis(wait.as_millis() as u64 + 1)
    }
}

fn mixed(state: u64) -> u64 {
    let mut z = state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// Noise that only depends on place and seed, from 0 to 1, smooth from one whole number to the next.
pub(crate) fn smooth_noise(seed: u64, at: f64) -> f64 {
    let of = |whole: f64| mixed(seed ^ mixed(whole as i64 as u64)) as f64 / u64::MAX as f64;
    let (floor, part) = (at.floor(), at - at.floor());
    let weight = part * part * (3.0 - 2.0 * part);
    of(floor) * (1.0 - weight) + of(floor + 1.0) * weight
}
