//! The signs of shade that the crest which is followed shows by itself.
//!
//! Model: when part of the row is shaded, the current falls as under a cloud, but the crest lies far
//! above the line: the lit part is nearly at open circuit. When shade leaves a part that was bypassed, the
//! current rises a little and the crest moves far up. So one sign is a crest that stays away from where
//! it was expected. While there is shade, any lasting change of the current is another; and so it is
//! after a fall that is too sudden for a cloud.
//!
//! Where the shade was there before anybody searched, the crest is where it is expected. But while light
//! fades on the whole row its crest hardly rises: one that does is a sign, too.
//!
//! A search takes some turns and compares what it sees in each, so no sign is followed while the light
//! moves or flickers.

use super::line::Line;

/// A crest so much above the expected one (share) is a sign, beside its standard deviation; cooling by
/// 10 K does nearly the same. And for some time after shade, when a search is worth more.
const ODD: f64 = 0.03;
const ALERT_ODD: f64 = 0.02;
/// With less light no crest lies higher than by this factor: EN 50530's series resistance gives it 2 %
/// at half of the light (computed).
const RISES: f64 = 1.02;
/// When the current has fallen by [`CHANGED`] within so long (s), the crest is higher by less than this (share)
/// and so much for each e-fold of the fall, unless there is shade: series resistance gives 0.02 for each (EN
/// 50530's thin film, computed), and a module that cools by 2 K 0.8 %.
const SHORTLY: f64 = 60.0;
const UPWARD: f64 = 0.018;
const STEEP: f64 = 0.04;
/// A change of the current by so much (logarithm) is a sign while there is shade.
const CHANGED: f64 = 0.05;
/// Each sign that was followed in vain makes it larger, so many times at most: a fade is one change.
const PATIENCE: u32 = 3;
/// A fall by so much in a second, over the largest current of late, is no cloud's: edges of 450 W/m2/s
/// are the sharpest there are (section 4 of the project's facts).
pub(super) const STRUCK: f64 = 0.7;
/// It counts for so long (s).
const RINGS: f64 = 5.0;
/// Signs count that stay for so long (s), just after a sudden fall for so long, and for so many turns.
const STAYS: f64 = 0.5;
const STRUCK_STAYS: f64 = 0.15;
const STAY_TURNS: u32 = 2;
/// The light is steady while the current is within [`CHANGED`] of its mean over so long (s), unless it
/// has just fallen, and changes by no more than this from turn to turn (logarithm).
const USUAL: f64 = 1.0;
const STILL: f64 = 0.015;
/// And flickers by less than this from look to look (share).
const FLICKER: f64 = 0.003;
/// The mean follows by no more than this share in a turn, however long that is.
const FOLLOWS: f64 = 0.5;

/// A line on which the current changes by more than this (logarithm) turn after turn, so often, leads
/// to and fro.
const LEAPS: f64 = 0.4;
const TO_AND_FRO: u32 = 6;

/// What is seen in a turn.
#[derive(Clone, Copy, Debug)]
pub(super) struct Moment {
    /// Since the last turn (s); none after a search.
    pub(super) seconds: f64,
    /// How long a glance takes (turns).
    pub(super) glance: f64,
    /// The crest that is held: voltage (share of Voc) and current (A).
    pub(super) crest: (f64, f64),
    /// Voltage and current as they were measured.
    pub(super) held: (f64, f64),
    /// The open-circuit voltage (share).
    pub(super) open: f64,
    /// How much the current flickers from look to look (share).
    pub(super) flicker: f64,
}

/// Where the crest is expected, the current (A) that it had then, and how alert the watcher is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Expected<'a> {
    pub(super) line: &'a Line,
    pub(super) current: f64,
    pub(super) shaded: bool,
    pub(super) alert: bool,
    /// The largest current of late (A).
    pub(super) most: f64,
}

/// The crest at its brightest of late.
#[derive(Clone, Copy, Debug, Default)]
struct Brightest {
    volts: f64,
    amps: f64,
    age: f64,
}

impl Brightest {
    /// Another turn. Whether the crest has risen while its current fell.
    fn turn(&mut self, (volts, amps): (f64, f64), seconds: f64) -> bool {
        self.age += seconds;
        if !(amps < self.amps && self.age < SHORTLY) {
            *self = Self { volts, amps, age: 0.0 };
        }
        let fall = (self.amps / amps).ln();
        fall > CHANGED && volts / self.volts - 1.0 > UPWARD + STEEP * fall
    }
}

/// Signs so far.
#[derive(Clone, Debug, Default)]
pub(super) struct Signs {
    /// For how long there has been one (s), and for how many turns.
    odd: f64,
    turns: u32,
    /// The crest's current a turn ago, and its mean of late (A).
    before: f64,
    usual: f64,
    brightest: Brightest,
    steady: bool,
    still: bool,
    was_still: bool,
    /// For how long yet a sudden fall counts (s).
    struck: f64,
    /// Turns in a row with a leap of the current.
    leaps: u32,
    /// Signs in a row that were followed in vain.
    vain: u32,
}

impl Signs {
    /// Another turn. Whether there is a sign in it.
    pub(super) fn turn(&mut self, seen: &Moment, expected: &Expected) -> bool {
        let (seconds, amps) = (seen.seconds, seen.crest.1);
        self.usual += (amps - self.usual) * (seconds / USUAL).min(FOLLOWS);
        self.struck -= seconds;
        if self.before - amps > STRUCK * expected.most * seconds {
            self.struck = RINGS;
        }
        self.was_still = self.still;
        self.still = (amps / self.before).ln().abs() < STILL;
        let usual = self.struck > 0.0 || (amps / self.usual).ln().abs() < CHANGED;
        self.steady = self.still && usual && seen.flicker < FLICKER;
        let leaps = (amps / self.before).ln().abs() > LEAPS;
        self.leaps = if leaps { self.leaps + 1 } else { 0 };
        self.before = amps;
        let least = CHANGED * f64::from(1 + self.vain);
        let changed = (amps / expected.current).ln().abs() > least;
        let rises = self.brightest.turn(seen.crest, seconds) && !expected.shaded;
        let odd =
            has_moved(seen, expected) || (expected.shaded || self.struck > 0.0) && changed || rises;
        self.odd = if odd { self.odd + seconds } else { 0.0 };
        self.turns = if odd { self.turns + 1 } else { 0 };
        odd
    }

    /// Whether a sign has stayed.
    pub(super) fn stay(&self) -> bool {
        let stays = if self.struck > 0.0 { STRUCK_STAYS } else { STAYS };
        self.odd >= stays && self.turns >= STAY_TURNS
    }

    /// Whether the line leads to and fro.
    pub(super) fn are_of_a_lost_line(&self) -> bool {
        self.leaps >= TO_AND_FRO
    }

    /// Whether the light has just fallen, too suddenly for a cloud.
    pub(super) fn are_of_a_strike(&self) -> bool {
        self.struck > 0.0
    }

    /// Whether it was so a turn ago, too.
    pub(super) fn were_still(&self) -> bool {
        self.was_still
    }

    /// Whether the current was nearly the same a turn ago.
    pub(super) fn are_still(&self) -> bool {
        self.still
    }

    /// Whether the light is steady enough to compare one turn's power with the next one's.
    pub(super) fn are_in_steady_light(&self) -> bool {
        self.steady
    }

    /// A search is over, that found something better or not.
    pub(super) fn followed(&mut self, better: bool) {
        if better {
            self.vain = 0;
        } else if self.stay() {
            self.vain = (self.vain + 1).min(PATIENCE);
        }
        (self.odd, self.turns, self.leaps) = (0.0, 0, 0);
        self.brightest = Brightest::default();
    }

    /// The line is a new one.
    pub(super) fn forget(&mut self) {
        self.brightest = Brightest::default();
        (self.odd, self.turns, self.leaps) = (0.0, 0, 0);
    }
}

/// Whether the crest is not where it was expected.
fn has_moved(seen: &Moment, expected: &Expected) -> bool {
    let (volts, amps) = seen.crest;
    let line = expected.line;
    let mut point = line.at(amps);
    let mut usual = point.volts;
    // A line that was learned while a shadow crept may say anything of less light.
    let before = line.at(expected.current);
    if amps < expected.current && usual > RISES * before.volts {
        (usual, point) = (RISES * before.volts, before);
    }
    let odd = if expected.alert { ALERT_ODD } else { ODD };
    let room = odd * usual + line.deviation(&point);
    volts - usual > room || volts - usual < -2.0 * room
}
