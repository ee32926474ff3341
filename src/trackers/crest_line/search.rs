//! The watcher for partial shade: when a search is worth its price.
//!
//! Model: bypass diodes give a shaded row several crests. The one that is followed shows [`super::signs`]
//! of it; what it can't show is looked at now and then ([`super::looks`]). A sign that stays calls for
//! a search ([`super::scan`]). So does a look that finds more than was known, where no crest is known yet;
//! where one is, it goes there. What strikes and passes ([`super::strikes`]) is waited for, and a line that
//! leads away from the power of a moment ago is called back ([`super::peak`]).
//!
//! Searches for signs are paid from an account that fills slowly, so that false ones can't cost more
//! than a fixed share of the energy. Without shade nothing is looked at but the very low voltages, now
//! and then; so a device that has none pays next to nothing.
//!
//! What it reaches in the simulation's scenes, 100 ms a turn, is in the README. What can be reached is
//! bounded by two things. A shadow that is past within a turn can't be followed: who sees the whole
//! curve, a turn late, loses 0.2 % to birds and nothing elsewhere. And what does not show must be looked
//! at: who is told the whole curve whenever the held power changes at all, and else pays one turn at the
//! best other place each 32 s, loses 0.05 % more (`seer` in `tests/study_crest_line.rs`). The rest of what
//! is lost is the price of finding out where the better crest is.
//!
//! Rejected: searching by the clock alone (what is cheap comes too late), and the irradiance sensor as
//! a witness (stuck or late it calls for searches, and the signs do without it).

use super::line::Line;
use super::looks::{Calm, Look, Looks, SETTLES};
use super::peak::Peak;
use super::rungs::Rungs;
use super::scan::{PLATEAU, Reading, Scan};
use super::shape::Shape;
use super::signs::{Expected, Moment, Signs};
use super::strikes::{Change, Strike, Strikes};

/// Current at low voltage over that at the crest, above which there is shade: 1.25 for the flattest
/// unshaded curve (EN 50530 thin film), 1.06 to 1.12 for others (computed).
const ROOM: f64 = 1.3;
/// Also where it has grown so much (factor) beyond what it is without shade; by less where a sign calls,
/// or there is shade already; and where it has not, no shade is left.
const FULLER: f64 = 1.18;
const SIGN_FULLER: f64 = 1.05;
const EVEN: f64 = 1.03;
/// How much each search without shade teaches of that: light that moves makes them differ.
const LEARNS: f64 = 0.7;
const FORGIVES: f64 = 0.05;
/// And it is no less: the squarest curves have 1.05.
const LEAST_FILL: f64 = 1.04;
/// Crests lie at this share of Voc or above when nothing is shaded: 0.7 and more (section 1 of the
/// project's facts), hot ones included.
const UNSHADED: f64 = 0.6;
/// The account, in turns of full power: what a turn adds without shade, with shade and for some time
/// after it, the most it holds, what it begins with. Without shade the income is what it may cost at
/// most; a scan takes 0.7 to 3.
const INCOME: f64 = 2e-4;
const SHADE_INCOME: f64 = 2e-2;
const ALERT_INCOME: f64 = 3e-3;
const SAVINGS: f64 = 8.0;
const START: f64 = 4.0;
/// What must be there for a search.
const PRICE: f64 = 0.7;
/// Without any sign, a search after so long (s).
const SOMETIMES: f64 = 2000.0;
/// A doubtful search is repeated after so long (s).
const SOON: f64 = 5.0;
/// It stays alert for so long after shade (s): what looks like none may be shade of the whole.
const ALERT: f64 = 3600.0;
/// And so long after what may have been none (s).
const DOUBTFUL: f64 = 60.0;
/// The largest current of late fades within so long (s).
const LATE: f64 = 3600.0;
/// A memory of the line is taken after so long without a sign (s).
const MEMORY: f64 = 30.0;
/// A line that differs so much (share) from the memory may be one of shade: it replaces it only after
/// so long (s).
const LEAP: f64 = 0.025;
const FORGETS: f64 = 600.0;
/// A line is learned in the light that it is expected for, down to this share of it.
const UNCHANGED: f64 = 0.97;
/// A crest so near the line that held before the shade is that line's (share).
const FITS: f64 = 0.08;
/// And learned at a current that differs by no more than this (logarithm): a factor of five, or shade of
/// four parts in five.
const ALIKE: f64 = 1.6;
/// Another crest than the one that was followed lies below this share of its voltage, for twelve parts or
/// fewer.
const BELOW: f64 = 0.94;
/// How much less certain that line is than it was (factor of the variances).
const DOUBT: f64 = 4.0;
/// A crest that is seen so far (share) from where it is may be that line's.
const AT_HOME: f64 = 0.05;
/// Steps of the inference of its current: each is right to a tenth of the one before.
const INFERENCES: u32 = 4;
/// Standard deviation of a crest that a scan found (share of Voc): its gaps' half.
const FOUND: f64 = 0.03;
/// A new crest is trimmed for so long (s); only looks that are so many times due come before.
const TRIMS: f64 = 0.8;
const URGENT: f64 = 4.0;
/// And those that are so many times due don't wait for light that stands still.
const CRYING: f64 = 10.0;

/// What a turn asks for.
#[derive(Clone, Copy, Debug)]
pub(super) enum Quest {
    /// To go on.
    Nothing,
    /// A new line: this one leads nowhere.
    Lost,
    /// A search.
    Search,
    /// A look.
    Look(Look),
}

/// Watches for signs of shade.
#[derive(Clone, Debug)]
pub(super) struct Watch {
    /// Where the crest is expected, and its current then; none until the first search.
    expected: Option<(Line, f64)>,
    /// The line some time ago and longer ago, without shade, and the crest's current then.
    memories: [Option<(Line, f64)>; 2],
    /// Since the last memory, and since the last search (s).
    remembered: f64,
    since: f64,
    shaded: bool,
    account: f64,
    /// The current at low voltage over that at the crest, without shade.
    fill: f64,
    /// Whether the last search found more than that, and wants another.
    suspect: bool,
    /// So long yet since there was shade (s).
    alert: f64,
    /// The largest current of late (A).
    most: f64,
    strikes: Strikes,
    peak: Peak,
    signs: Signs,
    looks: Looks,
}

impl Watch {
    pub(super) fn new() -> Self {
        Self {
            expected: None,
            memories: [None, None],
            remembered: 0.0,
            since: 0.0,
            shaded: false,
            account: START,
            fill: ROOM,
            suspect: false,
            alert: 0.0,
            most: 0.0,
            strikes: Strikes::default(),
            peak: Peak::default(),
            signs: Signs::default(),
            looks: Looks::new(),
        }
    }

    /// Forgets what it expected: the next turn searches.
    pub(super) fn forget(&mut self) {
        self.expected = None;
        self.signs.forget();
    }

    /// Whether there was a search since the line is followed.
    pub(super) fn has_searched(&self) -> bool {
        self.expected.is_some()
    }

    fn is_alert(&self) -> bool {
        self.shaded || self.alert > 0.0
    }

    /// Whether the current has just changed too suddenly for a cloud, from what it was to what it is.
    pub(super) fn struck(&mut self, before: f64, now: f64, seconds: f64) -> Strike {
        if self.since < TRIMS {
            return Strike::None;
        }
        let both = self.is_alert();
        self.strikes.turn(&Change { before, now, most: self.most, seconds, both })
    }

    /// The current at another crest that shows that what struck is past (A).
    pub(super) fn past(&mut self) -> f64 {
        self.strikes.past()
    }

    /// No current is above this, where that is known (A).
    pub(super) fn cap(&self) -> Option<f64> {
        self.is_alert().then_some(PLATEAU * self.most)
    }

    /// Where crests can be, and whether nowhere else.
    pub(super) fn rungs(&self) -> (Rungs, bool) {
        self.looks.rungs()
    }

    /// Another turn at the crest of `line`; what to do.
    pub(super) fn turn(&mut self, line: &Line, seen: &Moment) -> Quest {
        let (seconds, (volts, amps)) = (seen.seconds, seen.crest);
        self.since += seconds;
        self.looks.pass(seconds);
        self.most = seen.held.1.max(self.most * (1.0 - (seconds / LATE).min(1.0)));
        let income = match (self.shaded, self.alert > 0.0) {
            (true, _) => SHADE_INCOME,
            (false, true) => ALERT_INCOME,
            (false, false) => INCOME,
        };
        self.account = (self.account + income).min(SAVINGS);
        let Some((expected, current)) = &self.expected else {
            // The first crest is found more exactly by the trim.
            return if self.since > SETTLES { Quest::Search } else { Quest::Nothing };
        };
        let current = *current;
        let expected = Expected {
            line: expected,
            current,
            shaded: self.shaded,
            alert: self.alert > 0.0,
            most: self.most,
        };
        let odd = self.signs.turn(seen, &expected);
        if !(odd || self.shaded) {
            self.remember(line, seen);
        }
        self.alert = (self.alert - seconds).max(0.0);
        if self.signs.are_of_a_lost_line() {
            return Quest::Lost;
        }
        if let Some(volts) = self.peak.turn(seen.held, seconds) {
            return Quest::Look(self.looks.back(volts));
        }
        if let Some(look) = self.look(seen, current) {
            return Quest::Look(look);
        }
        if !self.signs.are_in_steady_light() {
            return Quest::Nothing;
        }
        if self.shaded && self.since > SETTLES {
            self.looks.hold(volts, line.deviation(&line.at(amps)));
        }
        let wait = if self.suspect { SOON } else { SOMETIMES };
        let calls = !self.suspect && self.signs.stay() || self.since >= wait;
        // What is held can't be compared with anything while it is not known whether that is past.
        if calls && self.account >= PRICE && !self.strikes.last() {
            return Quest::Search;
        }
        Quest::Nothing
    }

    /// The look that is due in this turn, if one is; `expected` is the current without shade (A).
    fn look(&mut self, seen: &Moment, expected: f64) -> Option<Look> {
        if !self.is_alert() {
            return None;
        }
        let rare = !self.shaded && !self.signs.are_of_a_strike();
        let even = rare && seen.crest.1 > UNCHANGED * expected;
        let calm = Calm { rare, even, cap: PLATEAU * self.most };
        let (look, times) = self.looks.due(seen, &calm)?;
        // The trim needs some turns in a row after a new crest.
        let urgent = times > if self.since < TRIMS { URGENT } else { 1.0 };
        let waits = self.strikes.last() && !self.signs.were_still();
        let still = self.signs.are_still() && !waits || times > CRYING;
        (urgent && still && !self.strikes.may_be_brief()).then_some(look)
    }

    /// Remembers the line of an unshaded device.
    fn remember(&mut self, line: &Line, seen: &Moment) {
        let (volts, amps) = seen.crest;
        self.remembered += seen.seconds;
        let leaps = |known: &Line| (known.at(amps).volts / volts - 1.0).abs() > LEAP;
        let doubtful = self.memories[0].as_ref().is_some_and(|(known, _)| leaps(known));
        if self.remembered >= if doubtful { FORGETS } else { MEMORY } {
            self.remembered = 0.0;
            self.memories.swap(0, 1);
            self.memories[0] = Some((line.clone(), amps));
        }
        // What is expected sharpens with what is known, so often and no more, and in no less light: it
        // must not follow a shadow that creeps.
        if let Some((expected, current)) = &mut self.expected {
            let certain = line.deviation(&line.at(amps));
            let same = amps > UNCHANGED * *current;
            if same && certain < 0.5 * expected.deviation(&expected.at(amps)) {
                (*expected, *current) = (line.clone(), amps);
            }
        }
    }

    /// A scan is over, `open` the open-circuit voltage. `line` goes to the better crest, or to the line
    /// that held before the shade where that fits. Answers the crest's current.
    pub(super) fn over(
        &mut self,
        line: &mut Line,
        scan: &Scan,
        (open, shape): (f64, Shape),
        crest: f64,
    ) -> f64 {
        let held = (line.at(crest).volts, crest);
        if let (true, Some(seen)) = (scan.was_look(), scan.first()) {
            self.looked(seen, held, open);
            return crest;
        }
        self.since = 0.0;
        let better = scan.better();
        let mut below = false;
        // The first one is how every day begins.
        if self.expected.is_some() {
            self.account -= scan.cost();
            below = better.is_some_and(|(volts, _)| volts < BELOW * held.0);
        }
        let at_home = better.and_then(|better| self.at_home(better, scan.low_amps(), shape));
        let (volts, amps) = at_home.or(better).unwrap_or(held);
        if scan.stayed() {
            self.looks.switched(scan, self.strikes.from());
        } else {
            self.looks.searched(scan, (volts, amps));
        }
        self.most = self.most.max(scan.low_amps());
        let fill = scan.low_amps() / amps;
        let shaded = if scan.stayed() {
            // Who has not looked at low voltages can't say that there is no shade.
            Some(at_home.is_none())
        } else {
            self.is_shade((fill, below || scan.is_hollow()), (volts, amps), open)
        };
        self.signs.followed(better.is_some());
        self.strikes.end();
        let Some(shaded) = shaded.or(better.map(|_| true)) else { return crest };
        let near = |line: &Line, share: f64| (line.at(amps).volts / volts - 1.0).abs() < share;
        let home = self.home(amps);
        match home.filter(|home| !shaded && self.shaded && near(home, FITS) && !near(line, LEAP)) {
            Some(home) => {
                *line = home.clone();
                line.doubt(DOUBT);
            }
            None if better.is_some() => {
                // What was learned while a shadow crept says nothing of another crest.
                if let Some((plain, _)) = &self.memories[1] {
                    *line = plain.clone();
                    line.scale(volts / line.at(amps).volts);
                }
                line.anchor(volts, amps, FOUND);
            }
            None => {}
        }
        if shaded {
            // Weak signs may be the light's, which moved during the search.
            let plain = fill > FULLER * self.fill || volts < UNSHADED * open;
            self.alert = self.alert.max(if plain { ALERT } else { DOUBTFUL });
        }
        self.shaded = shaded;
        self.expected = Some((line.clone(), amps));
        amps
    }

    /// A look is over that showed nothing better than what is `held`.
    fn looked(&mut self, seen: Reading, held: Reading, open: f64) {
        self.looks.looked(seen, held, open);
        // The highest crest is held, and the current is no larger further down: no shade.
        if self.looks.is_low(seen.0, held.0)
            && held.0 > UNSHADED * open
            && seen.1 / held.1 < self.fill * EVEN
        {
            self.shaded = false;
        }
    }

    /// The line that held before the shade, if it was learned in light like that of a crest of `amps`:
    /// dawn's says little of noon.
    fn home(&self, amps: f64) -> Option<&Line> {
        let alike = |current: f64| (amps / current).ln().abs() < ALIKE;
        self.memories[1].as_ref().filter(|(_, current)| alike(*current)).map(|(line, _)| line)
    }

    /// The crest of the device without shade, if what was seen near it and the current `low` at lower
    /// voltages both fit that.
    fn at_home(&self, (volts, amps): Reading, low: f64, shape: Shape) -> Option<Reading> {
        let (line, _) = self.memories[1].as_ref()?;
        let mut crest = amps;
        for _ in 0..INFERENCES {
            crest = amps / shape.at(volts / line.at(crest).volts - 1.0);
        }
        let home = line.at(crest).volts;
        let near = (home / volts - 1.0).abs() < AT_HOME;
        (near && low < PLATEAU * crest && low > crest).then_some((home, crest))
    }

    /// Whether there is shade when the best crest is there and `fill` is the current at low voltage over
    /// the crest's; none when that has to be looked at once more. It is `plain` where the curve has two humps, or
    /// the best crest lies below the one that was followed.
    fn is_shade(
        &mut self,
        (fill, plain): (f64, bool),
        (volts, amps): Reading,
        open: f64,
    ) -> Option<bool> {
        let elsewhere = match self.home(amps) {
            Some(home) => {
                let point = home.at(amps);
                (point.volts - volts).abs() > FITS * volts + 2.0 * home.deviation(&point)
            }
            None => volts < UNSHADED * open,
        };
        let likely = self.shaded || self.signs.stay();
        let fuller = fill > self.fill * if likely { SIGN_FULLER } else { FULLER };
        if plain || fill > ROOM || elsewhere || fuller && (likely || self.suspect) {
            self.suspect = false;
            return Some(true);
        }
        self.suspect = fuller;
        if fuller {
            return None;
        }
        let learns = if fill > self.fill { FORGIVES } else { LEARNS };
        self.fill = (self.fill + (fill - self.fill) * learns).max(LEAST_FILL);
        Some(false)
    }

    /// Somebody else has just found the crest, and `line` goes through it.
    pub(super) fn told(&mut self, line: &Line, crest: f64) {
        self.expected = Some((line.clone(), crest));
    }
}
