//! Looks at other crests while one is held, and when they are worth their price.
//!
//! Model: under shade another crest can grow without a sign: what is bypassed, and what is nearly at
//! open circuit, hardly shows in the crest that is held. So it is looked at, one turn at each of a few
//! places: the rungs ([`super::rungs`]); the shoulder of the held crest, where no higher crest can be
//! better unless the current is above what is left there of the held one's; and, for humps that nobody
//! has met, two places further down. A look costs what its power lacks for one turn, c. Each second of
//! not looking costs more and more: with w the power that a second of waiting adds to what is lost,
//! looks every T seconds cost c / T + w T / 2, least at T = sqrt(2 c / w). So crests that are nearly as
//! good are looked at often and for next to nothing, and dark ones seldom.
//!
//! A crest that has been growing from look to look, or that the held one falls below, is looked at when
//! it is expected to be better.
//!
//! w is what looks have found so far, over the time it took ([`Worth`]): in shade that stays they become
//! rare, in shade that moves frequent. It is told apart for looks up and down, and shared by the places
//! of a side.
//!
//! Rejected: equal intervals (too dear for dark crests, too slow for bright ones), and a full search
//! each time (some ten turns in place of one).

use super::rungs::{Rung, Rungs};
use super::scan::{Reading, Scan, power};
use super::shape::Shape;
use super::signs::Moment;

/// A look costs no less than this share of a turn: the load moves there and back.
const LEAST_COST: f64 = 0.04;
/// What looks are worth before anything is known: so much power found (share) in so long (s).
const PRIOR: (f64, f64) = (0.03, 60.0);
/// How long what was found is remembered (s).
const REMEMBERS: f64 = 1800.0;
/// What is expected of a look's current may be passed by this factor.
const AGREES: f64 = 1.04;
/// Where the crest of the whole row lies at most, as a share of Voc; there is none above one that is
/// held beyond this share of it.
const TOP: f64 = 0.84;
const AT_TOP: f64 = 0.93;
/// How the shoulder is moved (share of the voltage), so that what is left there of the held crest's
/// current is just below what a higher crest must have; at most.
const MOVES: f64 = 0.02;
const MOVED: f64 = 0.08;
/// Where it looks further down (shares of the voltage held).
const DOWN: [f64; 2] = [0.62, 0.3];
/// Crests of two humps lie at least so far apart (factor).
const GAP: f64 = 1.1;
/// A crest that was held for so long (s) and is known so well (share) is a rung.
pub(super) const SETTLES: f64 = 2.0;
const SURE: f64 = 0.01;
/// After so many thorough searches in shade that came across no new rung, only rungs are searched, but
/// for every so many searches.
const LEARNED: u32 = 4;
const THOROUGH: u32 = 4;
/// What is expected to be better by now is looked at, but not more often (s).
const HASTE: f64 = 2.0;
/// While there is no shade, only some time after it, looks are so much more seldom (factor).
const RARE: f64 = 3.0;
/// So are those at places that are no rungs, where there are rungs.
const STRANGE: f64 = 3.0;

/// What looks are worth.
#[derive(Clone, Copy, Debug, Default)]
struct Worth {
    /// What was found, as shares of the power, and in how long (s); both fade.
    found: f64,
    time: f64,
}

impl Worth {
    fn pass(&mut self, seconds: f64) {
        let fades = 1.0 - (seconds / REMEMBERS).min(1.0);
        self.found *= fades;
        self.time = self.time * fades + seconds;
    }

    /// A look found so much more power (share).
    fn found(&mut self, gain: f64) {
        self.found += gain;
    }

    /// How long to wait (s) for a look at a place with this share of the power that is held, one of
    /// `places`, turns being `seconds` apart.
    fn wait(self, share: f64, places: usize, seconds: f64) -> f64 {
        let cost = (1.0 - share).max(LEAST_COST) * seconds;
        let each = (self.found + PRIOR.0) / (self.time + PRIOR.1) / places.max(1) as f64;
        (2.0 * cost / each).sqrt()
    }
}

/// What was looked at: a rung, the shoulder, or a place further down, by their index.
#[derive(Clone, Copy, Debug)]
enum Asked {
    Rung(usize),
    Shoulder,
    Below(usize),
}

/// A look: at which voltage (share of Voc), and the current above which it is a surprise (A).
pub(super) type Look = (f64, f64);

/// The places to look at.
#[derive(Clone, Debug)]
pub(super) struct Looks {
    rungs: Rungs,
    /// The shoulder, as a share beyond where it is by the shape; and further down.
    shoulder: Rung,
    below: [Rung; 2],
    /// Down and up.
    worth: [Worth; 2],
    asked: Asked,
    /// The time between turns (s).
    period: f64,
    /// Whether the crest that is held is among the rungs.
    noted: bool,
    /// Searches since a thorough one, thorough ones in a row without a new rung.
    quick: u32,
    learned: u32,
}

impl Looks {
    pub(super) fn new() -> Self {
        Self {
            rungs: Rungs::default(),
            shoulder: Rung::default(),
            below: [Rung::default(); 2],
            worth: [Worth::default(); 2],
            asked: Asked::Shoulder,
            period: 0.0,
            noted: false,
            quick: 0,
            learned: 0,
        }
    }

    /// Time passes (s).
    pub(super) fn pass(&mut self, seconds: f64) {
        if seconds > 0.0 {
            self.period = seconds;
        }
        self.worth.iter_mut().for_each(|worth| worth.pass(seconds));
        let rungs = self.rungs.all_mut().iter_mut();
        let others = self.below.iter_mut().chain([&mut self.shoulder]);
        rungs.chain(others).for_each(|place| place.age += seconds);
    }

    /// There is shade where there was none: what was found before says nothing.
    pub(super) fn begin(&mut self) {
        self.worth = [Worth::default(); 2];
    }

    /// The crest at `volts` has been held for a while, known to `deviation`.
    pub(super) fn hold(&mut self, volts: f64, deviation: f64) {
        if !self.noted && deviation < SURE * volts {
            self.noted = true;
            self.rungs.note(volts, true);
        }
    }

    /// The look that is worth its price now, if one is; in shade, or `rare`ly.
    pub(super) fn due(&mut self, seen: &Moment, rare: bool) -> Option<Look> {
        let held = seen.crest;
        let top = TOP * seen.open;
        let is_highest = held.0 > AT_TOP * top;
        let near = held.0 / GAP..held.0 * GAP;
        let is_place =
            |rung: &Rung| !(near.contains(&rung.volts) || is_highest && rung.volts > held.0);
        let rungs = self.rungs.all();
        let above = rungs.iter().any(|rung| rung.volts >= near.end);
        let below = rungs.iter().any(|rung| rung.volts <= near.start);
        let places = rungs.iter().filter(|rung| is_place(rung)).count()
            + usize::from(!is_highest && !above)
            + if below { 0 } else { DOWN.len() };
        let rare = if rare { RARE } else { 1.0 };
        let is_due = |place: &Rung, at: Reading, strange: bool| {
            if place.expected() > power(held) && place.age > HASTE {
                return true;
            }
            let worth = self.worth[usize::from(at.0 > held.0)];
            let wait = worth.wait(power(at) / power(held), places, self.period);
            place.age > rare * wait * if strange { STRANGE } else { 1.0 }
        };
        for (index, rung) in rungs.iter().enumerate().filter(|(_, rung)| is_place(rung)) {
            if is_due(rung, (rung.volts, rung.amps), false) {
                self.asked = Asked::Rung(index);
                return Some((rung.next(), f64::INFINITY));
            }
        }
        // The current that the highest crest must have.
        let enough = power(held) / top;
        let reach = Shape::default().reach(enough / held.1);
        let shoulder = held.0 * (1.0 + reach) * (1.0 + self.shoulder.volts);
        if !is_highest && is_due(&self.shoulder, (shoulder, enough), above) {
            self.asked = Asked::Shoulder;
            return Some((shoulder, AGREES * enough.max(self.shoulder.amps)));
        }
        for (index, place) in self.below.iter().enumerate() {
            let volts = DOWN[index] * held.0;
            if is_due(place, (volts, place.amps.max(held.1)), below) {
                self.asked = Asked::Below(index);
                return Some((volts, AGREES * place.amps.max(GAP * held.1)));
            }
        }
        None
    }

    /// A look is over that showed nothing better than what is `held`.
    pub(super) fn looked(&mut self, seen: Reading, held: Reading, open: f64) {
        let enough = power(held) / (TOP * open);
        match self.asked {
            Asked::Rung(index) => {
                self.rungs.looked(index, seen);
                // With less than that nothing further up is better, or nothing up to the held crest.
                let up = seen.0 > held.0;
                let (least, until) =
                    if up { (enough, f64::INFINITY) } else { (GAP * held.1, held.0) };
                let others = self.rungs.all_mut().iter_mut().filter(|rung| {
                    seen.1 < least && rung.age > 0.0 && (seen.0..until).contains(&rung.volts)
                });
                others.for_each(|rung| rung.bounded(rung.amps.min(seen.1)));
            }
            Asked::Shoulder => {
                let shoulder = &mut self.shoulder;
                (shoulder.amps, shoulder.age) = (seen.1, 0.0);
                if seen.1 > enough {
                    shoulder.volts = (shoulder.volts + MOVES).min(MOVED);
                }
            }
            Asked::Below(index) => self.below[index].bounded(seen.1),
        }
    }

    /// Whether this is so low that shade would show there, while `held` is held.
    pub(super) fn is_low(&self, volts: f64, held: f64) -> bool {
        let lowest = self.rungs.all().first().is_none_or(|rung| volts < GAP * rung.volts);
        lowest && volts < GAP * DOWN[0] * held
    }

    /// What a search has shown; `held` is held from now on, and there is shade or not.
    pub(super) fn searched(&mut self, scan: &Scan, held: Reading, shaded: bool) {
        if let (true, Some(first), Some(_)) = (scan.surprised(), scan.first(), scan.better()) {
            self.worth[usize::from(first.0 > scan.held().0)].found(scan.gain());
        }
        let mut new = false;
        for rival in scan.rivals(held).into_iter().flatten() {
            new |= self.rungs.note(rival.0, false);
        }
        if !scan.was_thorough() {
            self.quick += 1;
        } else {
            self.quick = 0;
            self.learned = if new { 0 } else { self.learned + u32::from(shaded) };
        }
        for rung in self.rungs.all_mut().iter_mut().filter(|rung| scan.covers(rung.volts)) {
            rung.bounded(scan.amps_at(rung.volts));
        }
        for (place, share) in self.below.iter_mut().zip(DOWN) {
            if scan.covers(share * held.0) {
                place.bounded(scan.amps_at(share * held.0));
            }
        }
        if scan.better().is_some() {
            self.shoulder = Rung::default();
        } else if let (true, Some(first)) = (scan.surprised(), scan.first()) {
            // A surprise that led to nothing is none the next time.
            match self.asked {
                Asked::Shoulder => self.shoulder.amps = first.1,
                Asked::Below(index) => self.below[index].amps = first.1,
                Asked::Rung(_) => {}
            }
        }
        self.noted = false;
    }

    /// The rungs, and whether there are no others.
    pub(super) fn rungs(&self) -> (Rungs, bool) {
        let learned = self.learned >= LEARNED && self.quick < THOROUGH;
        (self.rungs, learned && self.rungs.all().len() > 1 && !self.rungs.is_full())
    }
}
