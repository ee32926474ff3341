//! Shadows that strike, and those that are past before anything could be done.
//!
//! Model: no cloud's edge takes so much light in a turn as a bird that passes, or one that sits down. For a
//! moment neither is to be told from the other. So the voltage stays where it is and nothing is learned,
//! until the current is again what it was, or a moment has passed, or a look has found a better crest. There
//! is no search, either: it would compare what it sees with what the held crest has in the bird's shadow. Such
//! a look may come too late: where what is left of the row has its crest, the whole row has more current.
//!
//! Whether a look at once is worth it, the site tells: over a few metres birds are past within a turn or
//! two, and a look finds the light back; over a long row their shadows last. So it is learned how many of
//! the strikes are brief, and while most are, nobody looks before a strike has lasted longer than those.
//!
//! If that comes too often, it is no shadow but a line that leads to and fro.
//!
//! Rejected: following the line down (what is left of a row has its crest above that, and the way back
//! costs another turn), and one wait for all sites (what saves 0.07 % with birds over a module costs 0.03 %
//! over a string of four).

use super::signs::STRUCK;

/// So many strikes in a row are believed, and each turn without one makes up for so much of one.
const MANY: f64 = 5.0;
const CALMS: f64 = 0.1;
/// So long (s) it waits for what passes; and it has passed when the current is within this share of what
/// it was.
const WAITS: f64 = 0.5;
const RETURNED: f64 = 0.03;
/// A strike is brief if it is past by then (s): two or three turns of 100 ms. Nobody looks so early while
/// more than this share of them are brief; it is taken to be so before anything is known, and each strike
/// teaches so much of it.
const BRIEF: f64 = 0.25;
const MOSTLY: f64 = 0.5;
const PRIOR: f64 = 0.75;
const LEARNS: f64 = 0.1;
/// So it has when another crest, looked at a little below, has so much of that current: what is left of
/// the row has 1.03 there, the whole one 1.07 (computed).
const PAST: f64 = 1.05;

/// Whether the light has changed too suddenly for a cloud.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Strike {
    None,
    Lasts,
    IsPast,
}

/// What is seen in a turn.
#[derive(Clone, Copy, Debug)]
pub(super) struct Change {
    /// The current a turn ago and now, and the largest of late (A).
    pub(super) before: f64,
    pub(super) now: f64,
    pub(super) most: f64,
    /// Since the last turn (s).
    pub(super) seconds: f64,
    /// Whether light that comes back suddenly is one, too: without shade it may be a cloud's edge at dawn,
    /// when nothing is known of the most.
    pub(super) both: bool,
}

/// Strikes of late.
#[derive(Clone, Copy, Debug)]
pub(super) struct Strikes {
    count: f64,
    /// So long yet nothing is followed (s), and the current before (A).
    waits: f64,
    from: f64,
    /// The current two turns ago (A): what comes down on the row takes a while, and a turn can begin in it.
    earlier: f64,
    /// Whether another crest may show that it is past.
    may_pass: bool,
    /// Since it began (s), and whether it is among those that were counted.
    age: f64,
    counted: bool,
    /// Share of brief ones of late.
    brief: f64,
}

impl Default for Strikes {
    fn default() -> Self {
        Self {
            count: 0.0,
            waits: 0.0,
            from: 0.0,
            earlier: 0.0,
            may_pass: false,
            age: 0.0,
            counted: true,
            brief: PRIOR,
        }
    }
}

impl Strikes {
    pub(super) fn turn(&mut self, seen: &Change) -> Strike {
        let fall = seen.before - seen.now;
        let sudden = STRUCK * seen.most * seen.seconds;
        let strikes = fall > sudden || seen.both && -fall > sudden;
        self.count = (self.count - CALMS + if strikes { 1.0 } else { 0.0 }).max(0.0);
        let waited = self.last();
        self.waits -= seen.seconds;
        self.age += seen.seconds;
        if strikes && self.count < MANY {
            if !self.last() {
                (self.age, self.counted) = (0.0, false);
                (self.from, self.may_pass) = (seen.before.max(self.earlier), true);
            }
            self.waits = WAITS;
        }
        if (seen.now / self.from - 1.0).abs() < RETURNED {
            if waited {
                self.learn(true);
            }
            self.waits = 0.0;
        }
        if waited && self.age > BRIEF {
            self.learn(false);
        }
        self.earlier = seen.before;
        match (waited, self.last()) {
            (_, true) => Strike::Lasts,
            (true, false) => Strike::IsPast,
            (false, false) => Strike::None,
        }
    }

    /// The one that lasts was brief or not: each counts once.
    fn learn(&mut self, brief: bool) {
        if !std::mem::replace(&mut self.counted, true) {
            self.brief += LEARNS * (f64::from(u8::from(brief)) - self.brief);
        }
    }

    /// Whether one lasts that may well be brief.
    pub(super) fn may_be_brief(&self) -> bool {
        self.last() && self.age < BRIEF && self.brief > MOSTLY
    }

    /// Whether one lasts.
    pub(super) fn last(&self) -> bool {
        self.waits > 0.0
    }

    /// The current before the one that lasts (A).
    pub(super) fn from(&self) -> Option<f64> {
        self.last().then_some(self.from)
    }

    /// The current at another crest that shows that it is past (A). Once for each: if that was a mistake, it
    /// must not be made again.
    pub(super) fn past(&mut self) -> f64 {
        let may = std::mem::take(&mut self.may_pass) && self.last();
        if may { PAST * self.from } else { f64::INFINITY }
    }

    /// A crest was found: it has lasted so long at least.
    pub(super) fn end(&mut self) {
        if self.last() {
            self.learn(false);
        }
        self.waits = 0.0;
    }
}
