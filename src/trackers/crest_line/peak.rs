//! The most power of late, to notice that the line leads astray.
//!
//! Model: light that fades takes a crest's voltage down a little and never up. So when much less power is
//! left than a moment ago and the voltage has gone far, it may be the line that is wrong; one look at where
//! the power was shows it.

use super::scan::{Reading, power};

/// The line has led astray when less than this share is left of the power that there was at most within
/// so long (s), while the voltage fell or rose by more than these shares. By line a crest's voltage falls
/// by 6 % when half of the light goes (thin film, computed).
const LEFT: f64 = 0.85;
const LATE: f64 = 3.0;
const FALLS: f64 = 0.12;
const RISES: f64 = 0.05;

/// The most power of late.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Peak {
    volts: f64,
    watts: f64,
    age: f64,
}

impl Peak {
    /// Another turn, so long (s) after the last. Answers where to look once more.
    pub(super) fn turn(&mut self, held: Reading, seconds: f64) -> Option<f64> {
        self.age += seconds;
        let now = Self { volts: held.0, watts: power(held), age: 0.0 };
        if !(now.watts <= self.watts && self.age <= LATE) {
            *self = now;
            return None;
        }
        let way = now.volts / self.volts;
        let astray = now.watts < LEFT * self.watts && !(1.0 - FALLS..1.0 + RISES).contains(&way);
        let before = self.volts;
        if astray {
            *self = now;
        }
        astray.then_some(before)
    }
}
