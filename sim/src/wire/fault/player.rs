//! Begins and ends faults when their time has come.

use super::kind::{Fault, Lasting};
use super::victim::Victim;
use crate::time::Instant;
use std::iter::Peekable;
use std::time::Duration;

/// How soon a counted fault is looked at again, and one that could not end is tried again.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

/// Where faults come from, the earliest first.
type Source = Peekable<Box<dyn Iterator<Item = Fault> + Send>>;

/// A fault began or ended.
#[derive(Clone, Debug, PartialEq)]
pub struct Notice {
    /// The fault.
    pub fault: Fault,
    /// Whether it began.
    pub begins: bool,
    /// What went wrong with the fault itself, as a port that somebody else took meanwhile.
    pub trouble: Option<String>,
}

struct Active {
    fault: Fault,
    ends: Option<Instant>,
    troubled: bool,
}

/// Plays faults; its time is the time since the start.
#[derive(Default)]
pub struct Player {
    sources: Vec<Source>,
    active: Vec<Active>,
}

impl Player {
    /// A player of nothing.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds faults, which must come in the order of their beginnings.
    pub fn add(&mut self, faults: impl Iterator<Item = Fault> + Send + 'static) {
        let boxed: Box<dyn Iterator<Item = Fault> + Send> = Box::new(faults);
        self.sources.push(boxed.peekable());
    }

    /// When [`Player::advance`] is to be called next; none when nothing is left.
    #[must_use]
    pub fn next(&mut self, now: Instant) -> Option<Instant> {
        let begins = self.sources.iter_mut().filter_map(Source::peek).map(begins).min();
        let ends = self.active.iter().map(|active| active.ends.unwrap_or(now + LOOK_AGAIN)).min();
        begins.into_iter().chain(ends).min()
    }

    /// Ends and begins what is due at `now`, the ends first.
    pub fn advance(&mut self, now: Instant, victims: &mut [Victim]) -> Vec<Notice> {
        let mut notices = Vec::new();
        let due = |active: &Active, victims: &[Victim]| {
            active.ends.is_some_and(|ends| ends <= now)
                || victims[active.fault.place].has_done(&active.fault)
        };
        self.end_where(now, victims, &mut notices, due);
        while let Some(fault) = self.take_due(now) {
            if fault.place >= victims.len() {
                continue;
            }
            self.end_where(now, victims, &mut notices, |active, _| {
                active.fault.place == fault.place && active.fault.what.slot() == fault.what.slot()
            });
            let begun = victims[fault.place].begin(&fault, now);
            let trouble = begun.err().map(|error| error.to_string());
            notices.push(Notice { fault, begins: true, trouble });
            let ends = match fault.lasting {
                Lasting::Once => Some(now),
                Lasting::For(span) => Some(begins(&fault) + span),
                Lasting::Replies(_) => None,
            };
            self.active.push(Active { fault, ends, troubled: false });
        }
        notices
    }

    /// Ends all that goes on, and begins nothing any more.
    pub fn finish(&mut self, now: Instant, victims: &mut [Victim]) -> Vec<Notice> {
        self.sources.clear();
        let mut notices = Vec::new();
        self.end_where(now, victims, &mut notices, |_, _| true);
        self.active.clear();
        notices
    }

    fn take_due(&mut self, now: Instant) -> Option<Fault> {
        let earliest = self
            .sources
            .iter_mut()
            .enumerate()
            .filter_map(|(index, source)| source.peek().map(|fault| (begins(fault), index)))
            .min()?;
        let (at, index) = earliest;
        if at <= now { self.sources[index].next() } else { None }
    }

    fn end_where(
        &mut self,
        now: Instant,
        victims: &mut [Victim],
        notices: &mut Vec<Notice>,
        due: impl Fn(&Active, &[Victim]) -> bool,
    ) {
        self.active.retain_mut(|active| {
            if !due(active, victims) {
                return true;
            }
            let fault = active.fault;
            let trouble = victims[fault.place].end(&fault, now).err().map(|e| e.to_string());
            let stays = trouble.is_some();
            if !(stays && active.troubled) && fault.lasting != Lasting::Once {
                notices.push(Notice { fault, begins: false, trouble });
            }
            (active.troubled, active.ends) = (stays, Some(now + LOOK_AGAIN));
            stays
        });
    }
}

fn begins(fault: &Fault) -> Instant {
    Instant::ZERO + fault.at
}
