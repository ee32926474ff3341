//! A search over the voltages for the global crest.
//!
//! Model: current never rises with voltage. Between two points (Va, Ia) and (Vb, Ib), Va < Vb, no power
//! can exceed Vb Ia. The scan takes the gap with the largest such bound, looks at its middle, and ends
//! when no gap wider than [`NARROW`] can hold a crest that is better by [`BETTER`]. A staircase of three
//! humps takes six to ten points so, most of them near the best one, where they cost little. The first
//! point is at low voltage: it shows the current of the brightest part, and alone rules out most of
//! what an unshaded device could hide.
//!
//! Rejected: even steps over all voltages (twice as many points, the dearest among them), and the rule
//! that crests lie near multiples of 0.8 Voc (Patel & Agarwal 2008, from memory), which needs the
//! number of parts.

use super::within;

/// The first look, as a share of the voltage held: left of every second crest of three parts or
/// fewer, above the knee of usual loads.
const LOW: f64 = 0.3;
/// Gaps below this (share of Voc) aren't divided: a crest is some 0.1 wide.
const NARROW: f64 = 0.04;
/// What a better crest must have more: light changes within a scan, and the trim does the rest.
const BETTER: f64 = 1.015;
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
}

impl Scan {
    /// Begins at a held point; nothing above `top` is worth a look. Answers where to look first.
    pub(super) fn begin(held: Reading, top: f64) -> (Self, f64) {
        let mut points = [(0.0, 0.0); MOST];
        points[0] = held;
        points[1] = (top.max(held.0), 0.0);
        (Self { points, count: 2, held, best: held, cost: 0.0 }, LOW * held.0)
    }

    /// A better point, if one was found.
    pub(super) fn better(&self) -> Option<Reading> {
        (power(self.best) > BETTER * power(self.held)).then_some(self.best)
    }

    /// The current at the lowest voltage seen (A).
    pub(super) fn low_amps(&self) -> f64 {
        self.points[0].1.max(self.best.1)
    }

    /// What it has cost, in turns of the best power.
    pub(super) fn cost(&self) -> f64 {
        self.cost
    }

    /// A reading; where to look next, if anywhere.
    pub(super) fn read(&mut self, seen: Reading) -> Option<f64> {
        if power(seen) > power(self.best) {
            self.best = seen;
        }
        self.cost += within(1.0 - power(seen) / power(self.best), 0.0, 1.0);
        let place = self.points[..self.count].iter().position(|point| point.0 > seen.0);
        let place = place.unwrap_or(self.count);
        self.points[place..=self.count].rotate_right(1);
        self.points[place] = seen;
        self.count += 1;
        if self.count == MOST { None } else { self.next() }
    }

    /// The middle of the gap that can hide most.
    fn next(&self) -> Option<f64> {
        let known = &self.points[..self.count];
        let mut most = BETTER * power(self.best);
        let mut next = None;
        for pair in known.windows(2) {
            let [(low, amps), (high, _)] = *pair else { continue };
            if high - low > NARROW && high * amps > most {
                most = high * amps;
                next = Some(0.5 * (low + high));
            }
        }
        next
    }
}

fn power(reading: Reading) -> f64 {
    reading.0 * reading.1.max(0.0)
}
