//! Faults drawn at random, the same from the same seed.
//!
//! Model: beginnings are a Poisson process (exponential intervals); place and kind are drawn evenly
//! among those that fit. All times are whole milliseconds, so that what is written can be played
//! again exactly.

use super::kind::{Fault, Lasting, Place, What};
use super::reply::Mishap;
use super::sensor::SensorFault;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Exp1};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::ops::RangeInclusive;
use std::time::Duration;

/// Most replies that one fault spoils.
const MOST_REPLIES: u32 = 5;
/// How long a fault of the line lasts (ms): below and above the deadlines that loggers have.
const SHORT: RangeInclusive<u64> = 200..=5_000;
/// How long a fault of an instrument lasts (ms).
const LONG: RangeInclusive<u64> = 1_000..=20_000;
/// How late a reply comes (ms).
const LATE: RangeInclusive<u64> = 50..=3_000;
/// How fast a sensor drifts (its unit per second): from unseen to plain.
const DRIFTS: [f64; 6] = [-10.0, -1.0, -0.1, 0.1, 1.0, 10.0];

/// An endless script; its faults come in the order of their beginnings.
#[derive(Clone, Debug)]
pub struct RandomFaults {
    random: Xoshiro256PlusPlus,
    mean: Duration,
    at: Duration,
    places: Vec<Place>,
}

impl RandomFaults {
    /// Faults at `places`, one in `mean` on average. Without places there are none.
    #[must_use]
    pub fn new(seed: u64, mean: Duration, places: &[Place]) -> Self {
        let random = Xoshiro256PlusPlus::seed_from_u64(seed);
        Self { random, mean, at: Duration::ZERO, places: places.to_vec() }
    }

    fn millis(&mut self, range: RangeInclusive<u64>) -> Duration {
        Duration::from_millis(self.random.random_range(range))
    }

    fn what(&mut self) -> (What, Lasting) {
        let short = Lasting::For(self.millis(SHORT));
        let long = Lasting::For(self.millis(LONG));
        let replies = Lasting::Replies(self.random.random_range(1..=MOST_REPLIES));
        let spoilt = if self.random.random_range(0..2) == 0 { short } else { replies };
        match self.random.random_range(0..What::NAMES.len()) {
            0 => (What::Replies(Mishap::Silent), spoilt),
            1 => (What::Replies(Mishap::Late(self.millis(LATE))), spoilt),
            2 => (What::Replies(Mishap::Garbled), spoilt),
            3 => (What::Replies(Mishap::Truncated(self.random.random_range(1..=6))), spoilt),
            4 => (What::Replies(Mishap::Doubled), spoilt),
            5 => (What::Closed, Lasting::Once),
            6 => (What::Refused, short),
            7 => (What::Renumbered, short),
            8 => (What::Dead, long),
            9 => (What::Sensor(SensorFault::Stuck), long),
            10 => {
                let per_second = DRIFTS[self.random.random_range(0..DRIFTS.len())];
                (What::Sensor(SensorFault::Drifting { per_second }), long)
            }
            11 => (What::Sensor(SensorFault::NotANumber), long),
            12 => (What::Tripped, if spoilt == short { Lasting::Once } else { long }),
            13 => (What::Collapsed, long),
            _ => (What::Restarted, long),
        }
    }
}

impl Iterator for RandomFaults {
    type Item = Fault;

    fn next(&mut self) -> Option<Fault> {
        if self.places.is_empty() {
            return None;
        }
        let share: f64 = Exp1.sample(&mut self.random);
        // A millisecond at least, so that time goes on.
        let wait = self.mean.mul_f64(share).max(Duration::from_millis(1));
        self.at += Duration::from_millis(u64::try_from(wait.as_millis()).unwrap_or(u64::MAX));
        let place = self.random.random_range(0..self.places.len());
        loop {
            // Replies can be spoilt anywhere, so this ends.
            let (what, lasting) = self.what();
            if what.fits(&self.places[place]).is_ok() {
                return Some(Fault { at: self.at, lasting, what, place });
            }
        }
    }
}
