//! The run's own time: what the wall clock shows, unless that can't be.
//!
//! Model: the wall clock is the monotonic clock plus an offset. From one look to the next the offset
//! drifts by far less than a second; a larger change means that the wall clock was set. Then:
//!
//! - A time before this program was written can't be, once it was later: the run goes on with its own
//!   (the last offset), until the wall clock shows something that can be.
//! - Where the run began at a time that can't be right (before the program, or before the log's last
//!   row), as boards without a battery clock do, all since the beginning was labelled wrong, and is
//!   put right.
//! - Where the wall clock returns to what it would show had it never been set, and was away for less
//!   time than it had been there before, what it showed in between is put right.
//! - Anything else is believed from then on.
//!
//! Rejected: correcting what came before every step (a campaign's weeks would move because somebody set
//! the clock to summer time), never going back (labels would lie for as long as the step was), asking
//! the time service whether it is in step (each has its own way to say so).

use super::record::Happening;
use crate::time::{Instant, Stamp, Utc};
use std::time::Duration;

/// This program was written after 2026-01-01T00:00:00Z; no run of it can be earlier.
pub const WRITTEN: Utc = Utc::from_micros(1_767_225_600_000_000);

/// Least change between the clocks that is a step (us, 1 s): far above what crystals drift (0.1 ms a
/// second) and time services slew (0.5 ms a second) from one look to the next, and below what matters
/// for finding rows by time.
pub(super) const STEP: u64 = 1_000_000;

/// How far a wall clock drifts from the monotonic one at most (1/2000 of the time: what a time service
/// slews; from memory, the kernel's limit is 500 ppm).
const DRIFT: u64 = 2000;

/// A span in which the wall clock was not set.
#[derive(Clone, Copy, Debug)]
struct Epoch {
    since: Instant,
    /// What the wall clock is ahead of the monotonic one (us), as last seen.
    offset: i64,
    /// Whether its time can't be right.
    doubtful: bool,
}

/// Keeps the run's time. Pure: both clocks come in as values.
///
/// ```
/// use cresthold::control::{Timekeeper, record::Happening};
/// use cresthold::time::{Instant, Stamp, Utc};
/// use std::time::Duration;
/// let began: Utc = "2026-06-15T12:00:00Z".parse().unwrap();
/// let mut keeper = Timekeeper::new(Stamp { mono: Instant::ZERO, utc: began }, Utc::default());
/// let (s, hour) = (Duration::from_secs, Duration::from_secs(3600));
/// let now = Stamp { mono: Instant::ZERO + s(60), utc: began + s(60) + hour };
/// let (seen, told) = keeper.look(now);
/// assert_eq!((seen, told), (now, Some(Happening::ClockSet { by: 3_600_000_000, corrects: None })));
/// // A minute later it is put right again: its minute of summer time was wrong.
/// let now = Stamp { mono: Instant::ZERO + s(80), utc: began + s(80) };
/// let since = Some(Instant::ZERO + s(60));
/// let back = Happening::ClockSet { by: -3_600_000_000, corrects: since };
/// assert_eq!(keeper.look(now), (now, Some(back)));
/// ```
#[derive(Clone, Debug)]
pub struct Timekeeper {
    now: Epoch,
    before: Option<Epoch>,
    /// No time before this can be right.
    earliest: Utc,
    /// What a wall clock that is not believed is ahead (us).
    refused: Option<i64>,
}

impl Timekeeper {
    /// Both clocks at the beginning of the run; no time before `earliest` can be right.
    #[must_use]
    pub fn new(first: Stamp, earliest: Utc) -> Self {
        let now = Epoch {
            since: first.mono,
            offset: first.offset_micros(),
            doubtful: first.utc < earliest,
        };
        Self { now, before: None, earliest, refused: None }
    }

    /// The log holds rows up to `newest`: a run that began before them began at a wrong time.
    pub fn note_newest(&mut self, newest: Utc) {
        let began = shown(self.now.since, self.now.offset);
        self.now.doubtful |= began < newest;
    }

    /// Whether the time may be right, as far as anybody knows.
    #[must_use]
    pub const fn is_trusted(&self) -> bool {
        !self.now.doubtful
    }

    /// Takes a look at both clocks; answers the run's time, and what happened if the wall clock was
    /// set since the last look.
    pub fn look(&mut self, raw: Stamp) -> (Stamp, Option<Happening>) {
        let offset = raw.offset_micros();
        let by = offset.saturating_sub(self.now.offset);
        if by.unsigned_abs() < STEP {
            (self.now.offset, self.refused) = (offset, None);
            return (raw, None);
        }
        let own = Stamp { utc: shown(raw.mono, self.now.offset), ..raw };
        if raw.utc < self.earliest && own.utc >= self.earliest {
            let told = self.refused.replace(offset);
            let again = told.is_some_and(|told| told.abs_diff(offset) < STEP);
            return (own, (!again).then_some(Happening::ClockDoubted { by }));
        }
        let corrects = self.set(raw, offset);
        (raw, Some(Happening::ClockSet { by, corrects }))
    }

    /// The wall clock was set and is believed; answers since when it was wrong, where that is known.
    fn set(&mut self, raw: Stamp, offset: i64) -> Option<Instant> {
        self.refused = None;
        let was = self.now;
        let new = Epoch { since: raw.mono, offset, doubtful: raw.utc < self.earliest };
        if was.doubtful {
            // Still wrong, perhaps: then the next step puts right all of it.
            self.now = Epoch { since: if new.doubtful { was.since } else { raw.mono }, ..new };
            self.before = None;
            return Some(was.since);
        }
        let away = raw.mono.saturating_since(was.since);
        if let Some(before) = self.before.take()
            && before.offset.abs_diff(offset) < STEP + micros(away) / DRIFT
            && away < was.since.saturating_since(before.since)
        {
            self.now = Epoch { since: before.since, ..new };
            return Some(was.since);
        }
        (self.now, self.before) = (new, Some(was));
        None
    }
}

/// When a minute began that was opened as `start` with the wall clock `offset` (us) ahead and is closed
/// `now`: if the clock was set meanwhile, by its new time, and not behind the minute that follows.
pub(crate) fn began_by_now(start: Utc, offset: i64, now: Stamp) -> Utc {
    let step = now.offset_micros().saturating_sub(offset);
    if step.unsigned_abs() < STEP {
        return start;
    }
    let moved = Utc::from_micros(start.as_micros().saturating_add(step));
    moved.min(now.utc.minute_start())
}

/// What a wall clock with this offset (us) shows.
fn shown(mono: Instant, offset: i64) -> Utc {
    let past = mono.saturating_since(Instant::ZERO);
    let base = Utc::from_micros(offset);
    base + past
}

fn micros(span: Duration) -> u64 {
    u64::try_from(span.as_micros()).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const HOUR: i64 = 3_600_000_000;
    const YEARS: i64 = 40 * 8766 * HOUR;

    fn began() -> Utc {
        "2026-06-15T00:00:00Z".parse().unwrap()
    }

    /// Second `s` of a run whose wall clock is `off` (us) ahead of the true time.
    fn at(s: u64, off: i64) -> Stamp {
        let mono = Instant::ZERO + Duration::from_secs(s);
        Stamp { mono, utc: shown(mono, began().as_micros() + off) }
    }

    fn set(by: i64, corrects: Option<u64>) -> Option<Happening> {
        let corrects = corrects.map(|s| Instant::ZERO + Duration::from_secs(s));
        Some(Happening::ClockSet { by, corrects })
    }

    #[test]
    fn a_time_before_the_program_is_not_believed_and_told_once() {
        let mut keeper = Timekeeper::new(at(0, 0), WRITTEN);
        let told = keeper.look(at(10, -YEARS));
        assert_eq!(told, (at(10, 0), Some(Happening::ClockDoubted { by: -YEARS })));
        assert_eq!(keeper.look(at(11, -YEARS)), (at(11, 0), None));
        assert_eq!(keeper.look(at(86_400, -YEARS)), (at(86_400, 0), None));
        // To another such time, and back to what the run has kept.
        assert!(keeper.look(at(86_401, -YEARS - HOUR)).1.is_some());
        assert_eq!(keeper.look(at(86_402, 2000)), (at(86_402, 2000), None));
        assert!(keeper.is_trusted());
    }

    #[test]
    fn a_board_without_a_battery_clock_is_told_the_time() {
        let mut keeper = Timekeeper::new(at(0, -YEARS), WRITTEN);
        assert!(!keeper.is_trusted());
        // From the wrong into the wrong: all since the beginning is still to be put right.
        assert_eq!(keeper.look(at(5, HOUR - YEARS)).1, set(HOUR, Some(0)));
        assert_eq!(keeper.look(at(30, 0)).1, set(YEARS - HOUR, Some(0)));
        assert!(keeper.is_trusted());
        assert_eq!(keeper.look(at(40, HOUR)).1, set(HOUR, None));
    }

    #[test]
    fn a_run_that_begins_before_the_logs_last_row_began_at_a_wrong_time() {
        let mut keeper = Timekeeper::new(at(0, -10 * HOUR), WRITTEN);
        keeper.note_newest(shown(Instant::ZERO, began().as_micros() - HOUR));
        assert!(!keeper.is_trusted());
        assert_eq!(keeper.look(at(300, 0)).1, set(10 * HOUR, Some(0)));
        assert!(keeper.is_trusted());
    }

    #[test]
    fn only_the_shorter_of_two_times_is_put_right() {
        let mut keeper = Timekeeper::new(at(0, 0), WRITTEN);
        assert_eq!(keeper.look(at(100, HOUR)).1, set(HOUR, None));
        assert_eq!(keeper.look(at(1000, 0)).1, set(-HOUR, None), "it was away for longer");
        let mut keeper = Timekeeper::new(at(0, 0), WRITTEN);
        assert_eq!(keeper.look(at(100, YEARS)).1, set(YEARS, None));
        assert_eq!(keeper.look(at(110, 0)).1, set(-YEARS, Some(100)));
        assert_eq!(keeper.look(at(120, YEARS)).1, set(YEARS, None));
        assert_eq!(keeper.look(at(130, 0)).1, set(-YEARS, Some(120)));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// Drift below the limit is followed to the microsecond and never told.
        #[test]
        fn drift_is_followed(ppm in -500_i64..=500, looks in prop::collection::vec(1_u64..1000, 1..200)) {
            let mut keeper = Timekeeper::new(at(0, 0), WRITTEN);
            let mut s = 0;
            for pause in looks {
                s += pause;
                let now = at(s, i64::try_from(s).unwrap() * ppm);
                prop_assert_eq!(keeper.look(now), (now, None));
            }
        }

        /// Whatever the wall clock does: each time is told or followed, never an impossible one, and
        /// what is put right lies in the past.
        #[test]
        fn no_wall_clock_upsets_it(
            first in -2 * YEARS..2 * YEARS,
            looks in prop::collection::vec((0_u64..100_000, -2 * YEARS..2 * YEARS), 1..50),
        ) {
            let mut keeper = Timekeeper::new(at(0, first), WRITTEN);
            let (mut s, mut believed) = (0, at(0, first).utc >= WRITTEN);
            for (pause, off) in looks {
                s += pause;
                let (seen, told) = keeper.look(at(s, off));
                prop_assert_eq!(seen.mono, at(s, off).mono);
                prop_assert!(!believed || seen.utc >= WRITTEN);
                believed |= seen.utc >= WRITTEN;
                prop_assert_eq!(believed, keeper.is_trusted());
                if let Some(Happening::ClockSet { corrects: Some(since), .. }) = told {
                    prop_assert!(since <= seen.mono);
                }
                let (again, told) = keeper.look(at(s, off));
                prop_assert_eq!((again, told), (seen, None), "a second look says the same");
            }
        }
    }
}
