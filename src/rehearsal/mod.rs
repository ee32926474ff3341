//! The controller joined to the simulated plant, in virtual time.
//!
//! Model: a [`Yard`] owns the sky and one [`Stand`] per channel: device, bench, sensors and the
//! very [`Channel`](crate::control::Channel) that runs in the field. [`Yard::step`] jumps to the earliest wake-up and has that
//! channel's conversation with its bench; commands and measurements take the time they take on a
//! line. There is no clock and no thread here: a shell may step as fast as it can, or at a pace.
//!
//! Conditions are set anew at each turn and hold still until the next, so that the exact crest is
//! known at every control step.

#[cfg(feature = "field")]
mod build;
mod stand;
mod wired;

#[cfg(feature = "field")]
pub use build::{YardError, sky, stand_parts, yard};
pub use cresthold_sim::sky::plane::Mounting;
pub use stand::{Cover, Outage, Stand, StandParts};
pub use wired::{WallClock, Wired, World};

use crate::control::record::Record;
use crate::time::{Instant, Stamp, Utc};
use cresthold_sim::sky::Sky;

/// A sky and the stands under it.
pub struct Yard<S> {
    sky: S,
    began: Utc,
    stands: Vec<Stand>,
}

impl<S: Sky> Yard<S> {
    /// A yard whose run begins at wall time `began`.
    #[must_use]
    pub fn new(sky: S, began: Utc, stands: Vec<Stand>) -> Self {
        Self { sky, began, stands }
    }

    /// The stands, in the station's order.
    #[must_use]
    pub fn stands(&self) -> &[Stand] {
        &self.stands
    }

    /// The stands, to plan faults for them.
    pub fn stands_mut(&mut self) -> &mut [Stand] {
        &mut self.stands
    }

    /// Both clocks at `mono`.
    #[must_use]
    pub fn stamp(&self, mono: Instant) -> Stamp {
        Stamp { mono, utc: self.began + mono.saturating_since(Instant::ZERO) }
    }

    /// When the next stand wants to wake; none without stands.
    #[must_use]
    pub fn next_wake(&self) -> Option<Instant> {
        self.stands.iter().map(Stand::next_wake).min()
    }

    /// One turn of the stand whose turn comes first; its records go to `log`. Returns when that
    /// was.
    pub fn step(&mut self, log: &mut impl FnMut(Record)) -> Option<Instant> {
        let at = self.next_wake()?;
        let stamp = self.stamp(at);
        let stand = self.stands.iter_mut().find(|stand| stand.next_wake() == at)?;
        stand.turn(stamp, &mut self.sky, log);
        Some(at)
    }

    /// Turns until the next one would lie at or after `until`.
    pub fn run_until(&mut self, until: Instant, log: &mut impl FnMut(Record)) {
        while self.next_wake().is_some_and(|wake| wake < until) {
            self.step(log);
        }
    }

    /// Stops every channel at `at`: input off, boost off, books closed.
    pub fn stop(&mut self, at: Instant, log: &mut impl FnMut(Record)) {
        let stamp = self.stamp(at);
        for stand in &mut self.stands {
            stand.stop(stamp, &mut self.sky, log);
        }
    }
}
