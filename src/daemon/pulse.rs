//! Whether control still turns.
//!
//! Model: each channel's task says when its next turn is due, before it waits for it. While the task
//! lives, that time never lies back by more than one conversation takes; a task that hangs leaves it
//! where it is.

use crate::time::Instant;
use std::time::Duration;

/// A channel whose turn is overdue by more is stuck: no conversation with instruments that don't
/// answer, however long, takes half of it.
const STUCK: Duration = Duration::from_secs(60);

/// When each channel's next turn is due.
#[derive(Debug)]
pub(super) struct Pulse {
    due: Vec<Beat>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Beat {
    /// Not begun, or not driven at all.
    None,
    Due(Instant),
    Over,
}

impl Pulse {
    pub(super) fn new(channels: usize) -> Self {
        Self { due: vec![Beat::None; channels] }
    }

    /// A channel waits for its next turn.
    pub(super) fn waits(&mut self, index: usize, until: Instant) {
        self.due[index] = Beat::Due(until);
    }

    /// A channel has come to its end.
    pub(super) fn ends(&mut self, index: usize) {
        self.due[index] = Beat::Over;
    }

    /// Whether it has.
    pub(super) fn is_over(&self, index: usize) -> bool {
        self.due[index] == Beat::Over
    }

    /// Whether it has begun.
    pub(super) fn has_begun(&self, index: usize) -> bool {
        self.due[index] != Beat::None
    }

    /// How far its turn is overdue.
    pub(super) fn overdue(&self, index: usize, now: Instant) -> Duration {
        match self.due[index] {
            Beat::Due(due) => now.saturating_since(due),
            Beat::None | Beat::Over => Duration::ZERO,
        }
    }

    /// Whether no channel is stuck.
    pub(super) fn turns(&self, now: Instant) -> bool {
        (0..self.due.len()).all(|index| self.overdue(index, now) < STUCK)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Instant {
        Instant::ZERO + Duration::from_secs(seconds)
    }

    #[test]
    fn one_stuck_channel_stops_the_pulse() {
        let mut pulse = Pulse::new(3);
        assert!(pulse.turns(at(1000)) && !pulse.has_begun(0));
        pulse.waits(0, at(10));
        pulse.waits(1, at(500));
        assert!(pulse.turns(at(69)));
        assert_eq!(pulse.overdue(0, at(69)), Duration::from_secs(59));
        // The second waits for its turn, the first hangs in its own.
        assert!(!pulse.turns(at(70)));
        pulse.waits(0, at(71));
        assert!(pulse.turns(at(72)));
        pulse.ends(0);
        assert!(pulse.turns(at(400)) && pulse.is_over(0));
        assert!(!pulse.turns(at(560)), "the second");
    }
}
