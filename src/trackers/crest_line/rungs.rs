//! Where a row's crests are.
//!
//! Model: bypass diodes let crests arise at few voltages only, whatever the shade: near k/n of the
//! whole row's crest for k of n parts. These rungs are learned, from the crests that were held and the
//! humps that searches came across. A rung's place is not known better than its last look; each look
//! steps aside a little, and goes on that way while it finds more.
//!
//! Rejected: the number of parts as a setting (nobody is asked for it), and rungs at equal distances
//! (parts differ, and what bypass diodes drop counts at the low ones).

use super::scan::{Reading, power};

/// Most rungs: beyond, the row has crests nearly everywhere.
const MOST: usize = 8;
/// Crests nearer than this (share) are one.
const SAME: f64 = 0.07;
const MERGE: f64 = 0.06;
/// How far a crest that is held draws its rung along.
const DRAWS: f64 = 0.3;
/// The lowest rung has no more than this many times the distance of others below it.
const LOWEST: f64 = 1.5;
/// The first and least step aside on a rung (share of the voltage).
const STEP: f64 = 0.03;
const LEAST_STEP: f64 = 0.008;
/// A place where a crest can be.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Rung {
    /// Share of Voc.
    pub(super) volts: f64,
    /// The current that was seen there last, or the most that it can be (A).
    pub(super) amps: f64,
    /// How long ago (s).
    pub(super) age: f64,
    /// How far from there the next look goes (share).
    step: f64,
    /// The power that a look found there; none while nobody looked (shares of Voc, A).
    pub(super) seen: f64,
    /// How much that grows in a second.
    grows: f64,
}

impl Rung {
    /// Where to look next.
    pub(super) fn next(&self) -> f64 {
        if self.seen == 0.0 { self.volts } else { self.volts * (1.0 + self.step) }
    }

    /// The power that it will have by now; none where nobody looked.
    pub(super) fn expected(&self) -> f64 {
        self.seen + self.grows.max(0.0) * self.age
    }

    /// A look is over.
    fn looked(&mut self, seen: Reading) {
        let (volts, watts) = (self.next(), power(seen));
        let same = self.step == 0.0 && self.seen > 0.0 && self.age > 0.0;
        self.grows = if same { (watts - self.seen) / self.age } else { 0.0 };
        (self.age, self.amps) = (0.0, seen.1);
        if self.step == 0.0 || self.seen == 0.0 || watts > self.seen {
            // As asked: the load comes from one side, and is not quite there.
            (self.volts, self.seen) = (volts, watts);
        } else {
            self.step *= -0.5;
            if self.step.abs() < LEAST_STEP {
                self.step = 0.0;
            }
        }
    }

    /// Nobody looked, but the current can be no larger than `amps` (A).
    pub(super) fn bounded(&mut self, amps: f64) {
        (self.age, self.amps, self.seen, self.grows) = (0.0, amps, 0.0, 0.0);
    }
}

/// The rungs, in the order of their voltage.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Rungs {
    rungs: [Rung; MOST],
    count: usize,
}

impl Rungs {
    pub(super) fn all(&self) -> &[Rung] {
        &self.rungs[..self.count]
    }

    pub(super) fn all_mut(&mut self) -> &mut [Rung] {
        &mut self.rungs[..self.count]
    }

    /// Whether no crest can be below `volts` but at rungs: crests lie about as far from each other as the
    /// lowest from zero.
    pub(super) fn is_known_below(&self, volts: f64) -> bool {
        let between = self.all().windows(2).map(|pair| pair[1].volts - pair[0].volts);
        let least = between.fold(f64::INFINITY, f64::min);
        let lowest = self.all().first().map_or(1.0, |rung| rung.volts);
        volts > lowest * (1.0 + SAME) || lowest < LOWEST * least && least < 1.0
    }

    pub(super) fn is_full(&self) -> bool {
        self.count == MOST
    }

    /// A crest was seen at `volts`, or held there for a while (`held`). Answers whether that is new.
    pub(super) fn note(&mut self, volts: f64, held: bool) -> bool {
        let near = |rung: &&mut Rung| (rung.volts / volts - 1.0).abs() < SAME;
        let new = if let Some(rung) = self.all_mut().iter_mut().find(near) {
            if held {
                rung.volts += DRAWS * (volts - rung.volts);
                rung.step = 0.0;
            }
            false
        } else if self.is_full() {
            false
        } else {
            self.rungs[self.count] = Rung { volts, step: STEP, ..Rung::default() };
            self.count += 1;
            true
        };
        self.merge();
        new
    }

    /// A look at the rung of this index is over.
    pub(super) fn looked(&mut self, index: usize, seen: Reading) {
        self.all_mut()[index].looked(seen);
        self.merge();
    }

    /// Puts them in order, and makes one of those that have come together.
    fn merge(&mut self) {
        self.all_mut().sort_unstable_by(|a, b| a.volts.total_cmp(&b.volts));
        let mut kept: usize = 0;
        for index in 0..self.count {
            let rung = self.rungs[index];
            match kept.checked_sub(1).map(|last| &mut self.rungs[last]) {
                Some(last) if rung.volts < last.volts * (1.0 + MERGE) => {
                    if power((rung.volts, rung.amps)) > power((last.volts, last.amps)) {
                        *last = rung;
                    }
                }
                _ => {
                    self.rungs[kept] = rung;
                    kept += 1;
                }
            }
        }
        self.count = kept;
    }
}
