//! A search over the voltages for the global crest.
//!
//! Model: current never rises with voltage, and no hump falls slower from its crest than the diode
//! law's [`super::shape`]. Between two points (Va, Ia) and (Vb, Ib), Va < Vb, a hump of current Ia can
//! have its crest no further right than where it would still fall to Ib at Vb; no crest of the gap has
//! more power than that place times Ia. The scan takes the gap with the largest such bound, looks at
//! its middle, or at its rung ([`super::rungs`]) where those are known, and ends when no gap can hold a
//! crest that is better by [`BETTER`]. Left of the lowest point the current is bounded by what the
//! brightest part can give, where that is known; else the first point is at low voltage, which shows
//! it. Right of the highest stands the open circuit.
//!
//! A look is a scan that ends with its first reading, unless that is a surprise. One at a place where a crest
//! was held before ends with a second reading beside it: the ratio of the two currents says by the diode law
//! where the crest is.
//!
//! Rejected: even steps over all voltages (twice as many points, the dearest among them), and the rule
//! that crests lie near multiples of 0.8 Voc (Patel & Agarwal 2008, from memory), which needs the
//! number of parts.

use super::looks::Look;
use super::rungs::Rungs;
use super::shape::Shape;
use super::within;

/// The first look where nothing is known of the current at low voltage, as a share of the voltage held:
/// left of every second crest of three parts or fewer, above the knee of usual loads.
const LOW: f64 = 0.3;
/// Where the gap down to no voltage is looked into, as a share of its upper end.
const DOWN: f64 = 0.6;
/// No look is lower (share of Voc): loads have a knee, and no usual row's crest is there.
const LOWEST: f64 = 0.06;
/// Gaps that leave less room than this for a crest (share of the voltage) aren't divided.
const NARROW: f64 = 0.04;
/// What a better crest must be able to have more, to be looked for: light changes within a scan. And
/// what one must have more to be gone to, on another hump and on the same, where the trim does the rest.
const BETTER: f64 = 1.01;
const ENOUGH: f64 = 1.004;
const SAME: f64 = 1.015;
/// Currents that differ by less (share) are one hump's: its crest has some 0.9 of its most.
const LEVEL: f64 = 0.08;
/// Voltages that differ by less (factor) are the same, those that differ by more lie on two humps.
const NEAR: f64 = 1.03;
const APART: f64 = 1.2;
/// A hump was found when it is no further to the next point (factor).
const FOUND: f64 = 1.3;
/// On the hump of a crest no current is larger than this many times the crest's.
pub(super) const PLATEAU: f64 = 1.12;
/// Beside a better crest it looks once more at this share of the voltage, down where the current falls
/// slowly; the crest lies no further than these shares from the two: the way up is the trim's, for beyond a
/// crest the power falls steeply, and a look that takes the line there is called back.
const ASIDE: f64 = 1.04;
const LEFT: f64 = 0.95;
const RIGHT: f64 = 1.02;
/// A point by so much (share) below the chord of those beside it is no unshaded device's: current falls ever
/// steeper there. The meters' noise is a tenth of that.
const HOLLOW: f64 = 0.015;
/// Halvings of the place between: a thousandth of it.
const HALVINGS: u32 = 10;
/// The points of a look and the one beside it.
const PASSING: usize = 4;
/// Points at most: whatever the light does meanwhile.
const MOST: usize = 24;

/// Voltage (share of Voc) and current (A).
pub(super) type Reading = (f64, f64);

/// A search under way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scan {
    /// In the order of their voltage; the highest has no current.
    points: [Reading; MOST],
    count: usize,
    /// Where it began.
    held: Reading,
    best: Reading,
    /// What it has cost so far, in turns of the best power.
    cost: f64,
    /// No current can be larger (A), where that is known.
    cap: Option<f64>,
    /// Where crests were, and whether they can be nowhere else.
    hints: Rungs,
    rungs: bool,
    /// A look: the current above which the reading is a surprise (A).
    expected: Option<f64>,
    surprised: bool,
    /// Whether a look that finds a better crest stays there.
    alone: bool,
    /// The current (A) that shows that what had passed is past.
    past: f64,
    /// It looks between these voltages only.
    side: (f64, f64),
    /// Its first reading.
    first: Option<Reading>,
}

impl Scan {
    /// Begins at a held point; `open` is the open-circuit voltage, and no current is above `cap` where
    /// that is known. Answers where to look first, if anywhere.
    pub(super) fn begin(
        held: Reading,
        open: f64,
        cap: Option<f64>,
        (hints, rungs): (Rungs, bool),
    ) -> (Self, Option<f64>) {
        let mut points = [(0.0, 0.0); MOST];
        points[0] = held;
        points[1] = (open.max(held.0), 0.0);
        let scan = Self {
            points,
            count: 2,
            held,
            best: held,
            cost: 0.0,
            cap,
            hints,
            rungs,
            expected: None,
            surprised: false,
            alone: false,
            past: f64::INFINITY,
            side: (0.0, f64::INFINITY),
            first: None,
        };
        let first = if cap.is_some() { scan.hint().or(scan.next()) } else { Some(LOW * held.0) };
        (scan, first)
    }

    /// The rung that was better than what is held now when it was looked at last.
    fn hint(&self) -> Option<f64> {
        let all = self.hints.all().iter();
        let most = all.max_by(|a, b| a.seen.total_cmp(&b.seen))?;
        let apart = (most.volts / self.held.0 - 1.0).abs() > NEAR - 1.0;
        (apart && most.seen > BETTER * power(self.held)).then_some(most.volts)
    }

    /// One look at `volts`: it goes on as a search if the reading is above `expected` (A), on that side
    /// of the held point, or beats what is held, everywhere.
    pub(super) fn look(mut self, (volts, expected, alone): Look) -> Self {
        self.expected = Some(expected);
        self.alone = alone;
        self.side =
            if volts > self.held.0 { (self.held.0, f64::INFINITY) } else { (0.0, self.held.0) };
        self
    }

    /// It ends with its first reading, too, if that shows a current above `amps` (A).
    pub(super) fn unless_past(mut self, amps: f64) -> Self {
        self.past = amps;
        self
    }

    /// Whether it was a look that showed what was expected.
    pub(super) fn was_look(&self) -> bool {
        self.expected.is_some()
    }

    /// Whether it was a look that had to become a search.
    pub(super) fn surprised(&self) -> bool {
        self.surprised
    }

    /// Whether it was a look that found a better crest and stays there.
    pub(super) fn stayed(&self) -> bool {
        self.surprised && self.alone
    }

    /// Whether it looked at that side of the held point.
    pub(super) fn covers(&self, volts: f64) -> bool {
        (self.side.0..=self.side.1).contains(&volts)
    }

    /// Whether it looked everywhere, and not at known places only.
    pub(super) fn was_thorough(&self) -> bool {
        !self.rungs && self.side.0 == 0.0 && self.side.1.is_infinite()
    }

    /// Where it began.
    pub(super) fn held(&self) -> Reading {
        self.held
    }

    /// Its first reading.
    pub(super) fn first(&self) -> Option<Reading> {
        self.first
    }

    /// A better point, if one was found.
    pub(super) fn better(&self) -> Option<Reading> {
        let apart = !(self.held.0 / APART..self.held.0 * APART).contains(&self.best.0);
        let enough = if apart { ENOUGH } else { SAME };
        (power(self.best) > enough * power(self.held)).then_some(self.best)
    }

    /// The current at `volts`, or the most that it can be (A).
    pub(super) fn amps_at(&self, volts: f64) -> f64 {
        let known = &self.points[..self.count];
        let left = known.iter().rev().find(|point| point.0 <= NEAR * volts);
        left.map_or(self.cap.unwrap_or(known[0].1), |point| point.1)
    }

    /// The best points above and below the crest `held` that lie on another hump.
    pub(super) fn rivals(&self, held: Reading) -> [Option<Reading>; 2] {
        let known = &self.points[..self.count];
        let mut found: [Option<Reading>; 2] = [None, None];
        for (index, point) in known.iter().enumerate() {
            let left = index.checked_sub(1).map_or((0.0, 0.0), |index| known[index]);
            let right = known.get(index + 1).copied().unwrap_or_default();
            let most = power(*point) > power(left).max(power(right)) && right.0 < FOUND * point.0;
            let far = point.0 > APART * held.0 || left.0 > NEAR * held.0;
            let side = if point.0 > held.0 && far && most {
                0
            } else if point.0 < held.0 && point.1 > PLATEAU * held.1 && most {
                1
            } else {
                continue;
            };
            if found[side].is_none_or(|other| power(*point) > power(other)) {
                found[side] = Some(*point);
            }
        }
        found
    }

    /// Whether the curve is hollow somewhere, as it is between two humps.
    pub(super) fn is_hollow(&self) -> bool {
        let known = &self.points[..self.count - 1];
        known.windows(3).any(|three| {
            let [left, middle, right] = three else { return false };
            let share = (middle.0 - left.0) / (right.0 - left.0);
            middle.1 < (1.0 - HOLLOW) * (left.1 + share * (right.1 - left.1))
        })
    }

    /// The current at the lowest voltage seen (A).
    pub(super) fn low_amps(&self) -> f64 {
        self.points[0].1.max(self.best.1)
    }

    /// What it has cost, in turns of the best power.
    pub(super) fn cost(&self) -> f64 {
        self.cost
    }

    /// A reading that has taken so many turns; where to look next, if anywhere.
    pub(super) fn read(&mut self, seen: Reading, turns: f64) -> Option<f64> {
        self.first = self.first.or(Some(seen));
        if power(seen) > power(self.best) {
            self.best = seen;
        }
        self.cost += turns * within(1.0 - power(seen) / power(self.best), 0.0, 1.0);
        let place = self.points[..self.count].iter().position(|point| point.0 > seen.0);
        let place = place.unwrap_or(self.count);
        self.points[place..=self.count].rotate_right(1);
        self.points[place] = seen;
        self.count += 1;
        if seen.1 > self.past && self.count <= PASSING {
            // As a look that found nothing.
            (self.best, self.expected, self.surprised) = (self.held, Some(seen.1), false);
            return None;
        }
        if let Some(expected) = self.expected {
            if seen.1 <= expected && self.better().is_none() {
                return None;
            }
            (self.expected, self.surprised) = (None, true);
            if self.alone {
                return Some(ASIDE * seen.0);
            }
        } else if self.alone {
            self.place(seen);
            return None;
        }
        if self.better().is_some() {
            self.side = (0.0, f64::INFINITY);
        }
        if self.count == MOST { None } else { self.next() }
    }

    /// Where the crest is between the better point and the second one beside it, if they are of one hump.
    fn place(&mut self, second: Reading) {
        let Some(first) = self.first else { return };
        let (left, right) = if first.0 < second.0 { (first, second) } else { (second, first) };
        let fall = right.1 / left.1;
        let shape = Shape::SHARP;
        let at = |volts: f64, crest: f64| shape.at(volts / crest - 1.0);
        // The ratio grows with the crest's voltage.
        let (mut low, mut high) = (left.0 * LEFT, right.0 * RIGHT);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if at(right.0, middle) / at(left.0, middle) < fall {
                low = middle
            } else {
                high = middle
            }
        }
        let amps = left.1 / at(left.0, low);
        self.best = (low, amps);
    }

    /// The place that can hide most.
    fn next(&self) -> Option<f64> {
        let mut most = BETTER * power(self.best);
        let mut next = None;
        let open = self.points[self.count - 1].0;
        let mut low = (0.0, self.cap.unwrap_or(0.0));
        for high in &self.points[..self.count] {
            let (from, amps) = low;
            low = *high;
            let left = high.1.max(0.0) / amps;
            let aside = from < self.side.0 || high.0 > self.side.1;
            let falls = left < 1.0 - LEVEL;
            if aside || !falls {
                continue;
            }
            let until = high.0 / (1.0 + Shape::SHARP.reach(left));
            let Some((target, bound)) = self.target(from, until, open) else { continue };
            if bound * amps > most {
                most = bound * amps;
                next = Some(target);
            }
        }
        next
    }

    /// Where to look between two voltages, and the highest that a crest can lie there.
    fn target(&self, from: f64, until: f64, open: f64) -> Option<(f64, f64)> {
        if self.rungs {
            let inside = |volts: &f64| *volts > NEAR * from && *volts < NEAR * until;
            let highest = self.hints.all().iter().map(|rung| rung.volts).rfind(inside);
            if highest.is_some() || self.hints.are_all_between(from, until) {
                return highest.map(|highest| (highest, highest));
            }
        }
        let target = if from > 0.0 { 0.5 * (from + until) } else { DOWN * until };
        let room = until - from > NARROW * until && target > LOWEST * open;
        room.then_some((target, until))
    }
}

pub(super) fn power(reading: Reading) -> f64 {
    reading.0 * reading.1.max(0.0)
}
