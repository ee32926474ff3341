//! Whether a channel's turns begin when they are due.
//!
//! Model: counters of the turns at the crest, which have a period to keep (glances have none). A turn
//! counts as late when it begins more than [`PUNCTUAL`] after its time, and so does each that was
//! skipped because the one before took too long. Late turns are told once an hour, if at all: the
//! shell feeds the counters, since only it knows when a turn began.
//!
//! Rejected: a histogram, whose classes nobody would look at as long as the share is right; a line
//! per late turn, which floods the log of a machine that is too slow.

use super::record::Happening;
use crate::time::Instant;
use std::time::Duration;

/// How much after its time a turn may begin (ms): a twentieth of the usual period of 100 ms, which
/// neither settling nor the energy integral feels.
pub const PUNCTUAL: Duration = Duration::from_millis(5);
/// One late turn in so many is borne without a word.
const BORNE: u64 = 1000;
/// How often late turns are told: often enough to find the cause, too seldom to flood the log.
const STRETCH: Duration = Duration::from_secs(3600);

/// Turns that had a period to keep.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Turns {
    /// How many were due.
    pub due: u64,
    /// How many of them began late or were skipped.
    pub late: u64,
    /// How much after its time the latest began.
    pub latest: Duration,
}

impl Turns {
    /// Both together.
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        let latest = self.latest.max(other.latest);
        Self { due: self.due + other.due, late: self.late + other.late, latest }
    }

    /// Share that began in time (0..=1); none where none was due.
    #[must_use]
    pub fn share_in_time(&self) -> Option<f64> {
        #[expect(clippy::cast_precision_loss, reason = "a share of counts far below 2^53")]
        (self.due > 0).then(|| 1.0 - self.late as f64 / self.due as f64)
    }
}

/// A channel's counters.
#[derive(Clone, Copy, Debug, Default)]
pub struct Punctuality {
    all: Turns,
    /// Those not yet judged, and since when.
    recent: Turns,
    since: Option<Instant>,
    /// When the turn before was due, and the period it kept.
    last: Option<(Instant, Duration)>,
}

impl Punctuality {
    /// A turn that was due at `due` begins `now`; `period` is what it keeps, none while the channel
    /// isn't at the crest.
    pub fn began(&mut self, due: Instant, now: Instant, period: Option<Duration>) {
        let before = std::mem::replace(&mut self.last, period.map(|period| (due, period)));
        let Some(period) = period else { return };
        let since = before.filter(|(_, kept)| *kept == period);
        let skipped = since.map_or(0, |(was, _)| {
            let periods = due.saturating_since(was).as_nanos() / period.as_nanos().max(1);
            u64::try_from(periods).unwrap_or(u64::MAX).saturating_sub(1)
        });
        let latest = now.saturating_since(due);
        let late = skipped + u64::from(latest > PUNCTUAL);
        let seen = Turns { due: skipped + 1, late, latest };
        self.all = self.all.with(seen);
        self.recent = self.recent.with(seen);
    }

    /// All turns so far.
    #[must_use]
    pub const fn turns(&self) -> Turns {
        self.all
    }

    /// What has to be told about the turns since the last time: asked each turn, it answers once an
    /// hour, and at the `end` of the run, if more than one turn in a thousand was late. A single
    /// one never is worth a word.
    pub fn complaint(&mut self, now: Instant, end: bool) -> Option<Happening> {
        let since = *self.since.get_or_insert(now);
        if !end && now.saturating_since(since) < STRETCH {
            return None;
        }
        self.since = Some(now);
        let Turns { due, late, latest } = std::mem::take(&mut self.recent);
        (late > (due / BORNE).max(1)).then_some(Happening::TurnsLate { due, late, latest })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PERIOD: Duration = Duration::from_millis(100);

    fn at(millis: u64) -> Instant {
        Instant::ZERO + Duration::from_millis(millis)
    }

    #[test]
    fn late_and_skipped_turns_are_counted() {
        let mut seen = Punctuality::default();
        seen.began(at(0), at(500), None); // no period to keep
        seen.began(at(600), at(605), Some(PERIOD));
        seen.began(at(700), at(706), Some(PERIOD));
        seen.began(at(1000), at(1001), Some(PERIOD)); // those of 800 and 900 were skipped
        let latest = Duration::from_millis(6);
        assert_eq!(seen.turns(), Turns { due: 5, late: 3, latest });
        // What lies between two spells at the crest is no turn.
        seen.began(at(1100), at(1100), None);
        seen.began(at(9000), at(9000), Some(PERIOD));
        assert_eq!(seen.turns(), Turns { due: 6, late: 3, latest });
        assert_eq!(seen.turns().share_in_time(), Some(0.5));
        let told = Happening::TurnsLate { due: 6, late: 3, latest };
        assert_eq!(seen.complaint(at(9000), false), None, "too early");
        assert_eq!(seen.complaint(at(9000) + STRETCH, false), Some(told));
        assert_eq!(seen.complaint(at(9000) + STRETCH, true), None, "told once");
    }

    #[test]
    fn one_in_a_thousand_is_borne() {
        let mut seen = Punctuality::default();
        for turn in 0..3000 {
            let late = if turn % 1000 == 7 { 50 } else { 0 };
            seen.began(at(turn * 100), at(turn * 100 + late), Some(PERIOD));
        }
        assert_eq!(seen.turns().late, 3);
        assert_eq!(seen.complaint(at(300_000), true), None);
    }
}
