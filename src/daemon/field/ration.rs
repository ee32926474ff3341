//! How many lines of one kind an operator is told, so that nothing floods standard error.
//!
//! Model: each kind of event of each channel has a span of its own, which begins with its first line. In a
//! span some lines are said, then one that says that there are more, then none; the first after the
//! span begins the next one. The first ones are the ones worth reading; all of them are in the log.

use crate::control::record::ChannelId;
use crate::time::Instant;
use std::collections::BTreeMap;
use std::time::Duration;

/// How long a span is.
pub(super) const SPAN: Duration = Duration::from_secs(600);
/// Lines of one kind in a span.
pub(super) const LINES: u32 = 5;

/// Between lines that tell how much there was of something that goes on.
const GOES_ON: Duration = Duration::from_secs(SPAN.as_secs() / LINES as u64);

/// What may be said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Leave {
    /// The line.
    Line,
    /// That there are more.
    More,
    /// Nothing.
    Nothing,
}

/// What was said in the span of one kind.
struct Spent {
    began: Instant,
    asked: u32,
}

/// The spans of all kinds; memory is taken for the first event of a kind alone.
#[derive(Default)]
pub(super) struct Ration {
    spent: BTreeMap<(Option<ChannelId>, &'static str), Spent>,
}

impl Ration {
    /// Whether one more line of this kind may be said now.
    pub(super) fn ask(
        &mut self,
        channel: Option<ChannelId>,
        code: &'static str,
        now: Instant,
    ) -> Leave {
        let fresh = || Spent { began: now, asked: 0 };
        let spent = self.spent.entry((channel, code)).or_insert_with(fresh);
        if now.saturating_since(spent.began) >= SPAN {
            *spent = fresh();
        }
        spent.asked = spent.asked.saturating_add(1);
        match spent.asked {
            0..=LINES => Leave::Line,
            asked if asked == LINES + 1 => Leave::More,
            _ => Leave::Nothing,
        }
    }
}

/// Counts what goes on, and tells now and then how much more there was.
#[derive(Debug, Default)]
pub(super) struct Tally {
    told: u64,
    next: Instant,
}

impl Tally {
    /// How many more of `all` there are than was told, where that may be said now; `last` where it is the
    /// last time.
    pub(super) fn ask(&mut self, all: u64, now: Instant, last: bool) -> Option<u64> {
        let more = all.saturating_sub(self.told);
        if more == 0 || (now < self.next && !last) {
            return None;
        }
        self.told = all;
        self.next = now + GOES_ON;
        Some(more)
    }
}

#[cfg(test)]
mod tests {
    use super::{LINES, Leave, Ration, SPAN, Tally};
    use crate::control::record::ChannelId;
    use crate::time::Instant;
    use std::time::Duration;

    fn at(seconds: u64) -> Instant {
        Instant::ZERO + Duration::from_secs(seconds)
    }

    #[test]
    fn a_flood_is_five_lines_and_one_more() {
        let mut ration = Ration::default();
        let flood = |ration: &mut Ration, from: u64| -> Vec<Leave> {
            (from..from + 500).map(|s| ration.ask(Some(ChannelId(0)), "let-go", at(s))).collect()
        };
        let said = flood(&mut ration, 0);
        assert!(said[..5].iter().all(|leave| *leave == Leave::Line), "{said:?}");
        assert_eq!(said[5], Leave::More);
        assert!(said[6..].iter().all(|leave| *leave == Leave::Nothing), "{said:?}");
        // The span counts from its first line, not from the last one asked for.
        assert_eq!(ration.ask(Some(ChannelId(0)), "let-go", at(599)), Leave::Nothing);
        assert_eq!(flood(&mut ration, 600), said, "the next span is like the first");
    }

    /// A disk that is too slow for an hour: 80 samples a second.
    #[test]
    fn what_goes_on_is_told_at_once_then_now_and_then_and_in_full() {
        let mut tally = Tally::default();
        assert_eq!(tally.ask(0, at(0), true), None, "nothing is no news");
        let told: Vec<u64> = (0..3600)
            .filter_map(|second| tally.ask(80 * (second + 1), at(second), false))
            .collect();
        assert_eq!(told.len(), usize::try_from(6 * LINES).unwrap(), "five in ten minutes");
        assert_eq!((told[0], told[1]), (80, 80 * 120));
        let rest = tally.ask(80 * 3600, at(3600), true);
        assert_eq!(told.iter().sum::<u64>() + rest.unwrap(), 80 * 3600);
        assert_eq!(tally.ask(80 * 3600, at(9000), true), None);
    }

    #[test]
    fn what_is_seldom_is_always_said() {
        let mut ration = Ration::default();
        let apart = SPAN.as_secs().div_ceil(u64::from(LINES));
        for n in 0..1000 {
            let leave = ration.ask(None, "clock-set", at(n * apart));
            assert_eq!(leave, Leave::Line, "number {n}");
        }
    }

    #[test]
    fn channels_and_codes_have_rations_of_their_own() {
        let mut ration = Ration::default();
        let kinds = [
            (Some(ChannelId(0)), "let-go"),
            (Some(ChannelId(1)), "let-go"),
            (Some(ChannelId(0)), "link-lost"),
            (None, "let-go"),
        ];
        for (channel, code) in kinds {
            for _ in 0..LINES {
                assert_eq!(ration.ask(channel, code, at(1)), Leave::Line, "{channel:?} {code}");
            }
        }
        for (channel, code) in kinds {
            assert_eq!(ration.ask(channel, code, at(2)), Leave::More, "{channel:?} {code}");
        }
    }
}
