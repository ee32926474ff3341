//! Where a row's crests are.
//!
//! Model: bypass diodes let crests arise at few voltages only, whatever the shade: near k/n of the
//! whole row's crest for k of n parts. These rungs are learned, from the crests that were held and the
//! humps that searches came across. Where a crest was held, a look goes a little below it. Where there was
//! but a hump, the place is not known better than its last look; each look steps aside a little, and goes
//! on that way while it finds more.
//!
//! Rejected: the number of parts as a setting (nobody is asked for it), and rungs at equal distances
//! (parts differ, and what bypass diodes drop counts at the low ones).

use super::debt::Debt;
use super::scan::{Reading, power};

/// Most rungs: those of four modules with three bypass diodes each.
const MOST: usize = 12;
/// Crests nearer than this (share) are one: the upper ones of twelve parts are 0.09 apart.
const SAME: f64 = 0.05;
const MERGE: f64 = 0.045;
/// A hump that was only come across is no other than one that was held at less than this distance (share);
/// and by so much a crest moves with the light on its part.
const NEAR: f64 = 0.07;
/// How far a crest that is held draws its rung along.
const DRAWS: f64 = 0.3;
/// A gap of so many times the least one hides a rung that nobody has met.
const WIDE: f64 = 1.5;
/// The first and least step aside on a rung (share of the voltage).
const STEP: f64 = 0.03;
const LEAST_STEP: f64 = 0.008;
/// A crest that was held is looked at a little below, at this share: above it the power falls steeply.
const SAFE: f64 = 0.97;

/// A place where a crest can be.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rung {
    /// Share of Voc.
    pub(super) volts: f64,
    /// Whether a crest was held there, or a search came across a hump.
    pub(super) held: bool,
    /// The current that was seen there last, or the most that it can be (A).
    pub(super) amps: f64,
    /// How far from there the next look goes (share).
    step: f64,
    /// The power that a look found there; none while nobody looked (shares of Voc, A).
    pub(super) seen: f64,
    /// How much that grows in a second, and over how long that was seen (s).
    grows: f64,
    over: f64,
    /// Whether it is the one that was held last.
    pub(super) last: bool,
    /// What is owed to it.
    pub(super) debt: Debt,
}

impl Default for Rung {
    fn default() -> Self {
        Self {
            volts: 0.0,
            held: false,
            amps: 0.0,
            step: STEP,
            seen: 0.0,
            grows: 0.0,
            over: 0.0,
            last: false,
            debt: Debt::none(0.0),
        }
    }
}

impl Rung {
    /// Where to look next.
    pub(super) fn next(&self) -> f64 {
        match (self.held, self.seen > 0.0) {
            (true, _) => SAFE * self.volts,
            (false, true) => self.volts * (1.0 + self.step),
            (false, false) => self.volts,
        }
    }

    /// The power that it will have by now, or at most where nobody looked.
    pub(super) fn expected(&self) -> f64 {
        let seen = if self.seen > 0.0 { self.seen } else { self.volts * self.amps };
        seen + self.grows.max(0.0) * self.debt.age().min(self.over)
    }

    /// Nobody looked, but without shade it has the current of the crest that is held (A).
    pub(super) fn assume(&mut self, amps: f64, light: f64) {
        self.seen = self.volts * amps;
        self.debt.calm(light);
    }

    /// A look is over, in that light.
    fn looked(&mut self, seen: Reading, light: f64) {
        let (volts, watts, age) = (self.next(), power(seen), self.debt.age());
        let same = self.step == 0.0 && self.seen > 0.0 && age > 0.0;
        (self.grows, self.over) = (if same { (watts - self.seen) / age } else { 0.0 }, age);
        self.debt.settle(light);
        self.amps = seen.1;
        if self.held {
            self.seen = watts;
        } else if self.step == 0.0 || self.seen == 0.0 || watts > self.seen {
            // As asked: the load comes from one side, and is not quite there.
            (self.volts, self.seen) = (volts, watts);
        } else {
            self.step *= -0.5;
            if self.step.abs() < LEAST_STEP {
                self.step = 0.0;
            }
        }
    }

    /// Nobody looked, but the current can be no larger than `amps` (A) in that light.
    pub(super) fn bounded(&mut self, amps: f64, light: f64) {
        self.debt.settle(light);
        (self.amps, self.seen, self.grows) = (amps, 0.0, 0.0);
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

    /// Whether no crest can lie between these voltages but at rungs: crests lie about as far from each other as
    /// the lowest from zero, so a gap between rungs that is wide hides one in its middle.
    pub(super) fn are_all_between(&self, from: f64, until: f64) -> bool {
        let gaps = self.all().windows(2).map(|pair| pair[1].volts - pair[0].volts);
        let least = gaps.fold(f64::INFINITY, f64::min);
        let mut left = 0.0;
        let hides = self.all().iter().any(|rung| {
            let (low, high) = (std::mem::replace(&mut left, rung.volts), rung.volts);
            high - low > WIDE * least && until > low + 0.5 * least && from < high - 0.5 * least
        });
        least.is_finite() && !hides
    }

    pub(super) fn is_full(&self) -> bool {
        self.count == MOST
    }

    /// The one nearest to a voltage, and how far that is (share).
    fn nearest(&mut self, volts: f64) -> Option<(&mut Rung, f64)> {
        let away = |rung: &Rung| (rung.volts / volts - 1.0).abs();
        let nearest = self.all_mut().iter_mut().min_by(|a, b| away(a).total_cmp(&away(b)))?;
        let away = away(nearest);
        Some((nearest, away))
    }

    /// The one at this voltage.
    pub(super) fn index_at(&self, volts: f64) -> Option<usize> {
        self.all().iter().position(|rung| (rung.volts / volts - 1.0).abs() < SAME)
    }

    /// A crest was seen at `volts`, or held there for a while (`held`).
    pub(super) fn note(&mut self, volts: f64, held: bool) {
        let same = |rung: &Rung| if rung.held == held { SAME } else { NEAR };
        let known = self.nearest(volts).filter(|(rung, away)| *away < same(rung));
        if let Some((rung, _)) = known {
            if held {
                let draws = if rung.held { DRAWS } else { 1.0 };
                rung.volts += draws * (volts - rung.volts);
                (rung.step, rung.held) = (0.0, true);
            }
        } else if !self.is_full() {
            self.rungs[self.count] = Rung { volts, held, ..Rung::default() };
            self.count += 1;
        }
        self.merge();
    }

    /// A look at the rung of this index is over, in that light.
    pub(super) fn looked(&mut self, index: usize, seen: Reading, light: f64) {
        self.all_mut()[index].looked(seen, light);
        self.merge();
    }

    /// A crest that was held until now, in that light; `settled` if it had been held for a while.
    pub(super) fn left(&mut self, held: Reading, light: f64, settled: bool) -> Option<&mut Rung> {
        self.all_mut().iter_mut().for_each(|rung| rung.last = false);
        let (rung, _) = self.nearest(held.0).filter(|(_, away)| *away < NEAR)?;
        rung.last = true;
        if settled {
            rung.volts = held.0;
        }
        (rung.seen, rung.amps) = (power(held), held.1);
        (rung.step, rung.grows) = (0.0, 0.0);
        rung.debt.settle(light);
        Some(rung)
    }

    /// Puts them in order, and makes one of those that have come together.
    fn merge(&mut self) {
        self.all_mut().sort_unstable_by(|a, b| a.volts.total_cmp(&b.volts));
        let mut kept: usize = 0;
        for index in 0..self.count {
            let rung = self.rungs[index];
            match kept.checked_sub(1).map(|last| &mut self.rungs[last]) {
                Some(last) if rung.volts < last.volts * (1.0 + merge(&rung, last)) => {
                    let more = power((rung.volts, rung.amps)) > power((last.volts, last.amps));
                    if rung.held & !last.held || rung.held == last.held && more {
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

/// How near (share) these two are one.
fn merge(one: &Rung, other: &Rung) -> f64 {
    if one.held == other.held { MERGE } else { NEAR }
}
