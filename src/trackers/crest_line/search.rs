//! The watcher for partial shade: when a search is worth its price.
//!
//! Model: bypass diodes give a shaded row several crests. The one that is followed tells of it. When
//! part of the row is shaded, the current falls as under a cloud, but the crest lies far above the
//! line: the lit part is nearly at open circuit. When shade leaves a part that was bypassed, the current
//! hardly changes and the crest moves far up. So the sign is a crest that stays away from where it was
//! expected; while there is shade, any lasting change of the current is one, too, and another crest may
//! have grown unseen, so that it looks again after growing waits.
//!
//! Searches are paid from an account that fills slowly, so that false signs can't cost more than a
//! fixed share of the energy.
//!
//! Rejected: searching by the clock alone (what is cheap comes too late), and the irradiance sensor as
//! a witness (stuck or late it calls for searches, and the signs do without it).

use super::line::Line;
use super::scan::Scan;

/// Current at low voltage over that at the crest, above which there is shade: 1.25 for the flattest
/// unshaded curve (EN 50530 thin film), 1.06 to 1.12 for others (computed).
const ROOM: f64 = 1.3;
/// Also where it has grown so much (factor).
const FULLER: f64 = 1.18;
/// Crests lie at this share of Voc or above when nothing is shaded: 0.7 and more (section 1 of the
/// project's facts), hot ones included.
const UNSHADED: f64 = 0.6;
/// A crest so much above the expected one (share) is a sign, beside its standard deviation; cooling by
/// 10 K does the same.
const ODD: f64 = 0.04;
/// While there is shade: a change of the current by so much (logarithm).
const CHANGED: f64 = 0.08;
/// For so many turns in a row.
const STAYS: u32 = 5;
/// The account, in turns of full power: what a turn adds without and with shade, the most it holds,
/// what it begins with. Without shade the income is what it may cost at most; a scan takes 0.7 to 3.
const INCOME: f64 = 2e-4;
const SHADE_INCOME: f64 = 2e-2;
const ALERT_INCOME: f64 = 1e-3;
const SAVINGS: f64 = 8.0;
const START: f64 = 4.0;
/// What must be there for a search.
const PRICE: f64 = 0.7;
/// Without any sign, a look after so many turns.
const SOMETIMES: u32 = 20_000;
/// While there is shade, turns until the next search without a sign: at first, and at most.
const FIRST_WAIT: u32 = 200;
const LONGEST_WAIT: u32 = 1600;
/// It stays alert for so many turns after shade: what looks like none may be shade of the whole.
const ALERT: u32 = 36_000;
/// A doubtful look is repeated after so many turns.
const SOON: u32 = 50;
/// A memory of the line is taken after so many turns without a sign.
const MEMORY: u32 = 300;
/// A line that differs so much (share) from the memory may be one of shade: it replaces it only after
/// so many turns.
const LEAP: f64 = 0.025;
const FORGETS: u32 = 6000;
/// A crest so near the line that held before the shade is that line's (share).
const FITS: f64 = 0.08;
/// And learned at a current that differs by no more than this (logarithm): a factor of five, or shade of
/// four parts in five.
const ALIKE: f64 = 1.6;
/// How much less certain that line is than it was (factor of the variances).
const DOUBT: f64 = 4.0;
/// Standard deviation of a crest that a scan found (share of Voc): its gaps' half.
const FOUND: f64 = 0.02;

/// Watches for signs of shade.
#[derive(Clone, Debug)]
pub(super) struct Watch {
    /// Where the crest is expected, and its current then; none until the first search.
    expected: Option<(Line, f64)>,
    /// The line some time ago and longer ago, without shade, and the crest's current then.
    memories: [Option<(Line, f64)>; 2],
    remembered: u32,
    shaded: bool,
    odd: u32,
    account: f64,
    since: u32,
    wait: u32,
    /// The least current at low voltage over that at the crest so far.
    fill: f64,
    /// Whether the last look found more than that, and wants another.
    suspect: bool,
    /// So many turns yet since there was shade.
    alert: u32,
}

impl Watch {
    pub(super) fn new() -> Self {
        Self {
            expected: None,
            memories: [None, None],
            remembered: 0,
            shaded: false,
            odd: 0,
            account: START,
            since: 0,
            wait: FIRST_WAIT,
            fill: ROOM,
            suspect: false,
            alert: 0,
        }
    }

    /// Forgets what it expected: the next turn searches.
    pub(super) fn forget(&mut self) {
        self.expected = None;
    }

    /// Another turn at the crest; whether to search now.
    pub(super) fn turn(&mut self, line: &Line, crest: f64) -> bool {
        self.since = self.since.saturating_add(1);
        let income = match (self.shaded, self.alert) {
            (true, _) => SHADE_INCOME,
            (false, 0) => INCOME,
            _ => ALERT_INCOME,
        };
        self.account = (self.account + income).min(SAVINGS);
        let Some((expected, current)) = &self.expected else { return true };
        let point = expected.at(crest);
        let above = line.at(crest).volts - point.volts;
        let room = ODD * point.volts + expected.deviation(&point);
        let moved = above > room || above < -2.0 * room;
        let changed = (crest / current).ln().abs() > CHANGED;
        let odd = moved || self.shaded && changed;
        self.odd = if odd { self.odd + 1 } else { 0 };
        if !(odd || self.shaded) {
            self.remember(line, crest);
        }
        let wait = if self.shaded || self.alert > 0 { self.wait } else { SOMETIMES };
        self.alert = self.alert.saturating_sub(1);
        let wait = if self.suspect { SOON } else { wait };
        self.account >= PRICE && (!self.suspect && self.odd >= STAYS || self.since >= wait)
    }

    fn remember(&mut self, line: &Line, crest: f64) {
        self.remembered += 1;
        let volts = line.at(crest).volts;
        let leaps = |known: &Line| (known.at(crest).volts / volts - 1.0).abs() > LEAP;
        let doubtful = self.memories[0].as_ref().is_some_and(|(known, _)| leaps(known));
        if self.remembered >= if doubtful { FORGETS } else { MEMORY } {
            self.remembered = 0;
            self.memories.swap(0, 1);
            self.memories[0] = Some((line.clone(), crest));
        }
        // What is expected sharpens with what is known, so often and no more: it must not follow a
        // shadow that creeps.
        if let Some((expected, current)) = &mut self.expected {
            let certain = line.deviation(&line.at(crest));
            let same = (crest / *current).ln().abs() < CHANGED;
            if same && certain < 0.5 * expected.deviation(&expected.at(crest)) {
                (*expected, *current) = (line.clone(), crest);
            }
        }
    }

    /// Whether a crest may lie above the one that is held: not where that is the highest.
    pub(super) fn looks_up(&self) -> bool {
        self.shaded || self.alert > 0 || self.expected.is_none()
    }

    /// A scan is over, `open` the open-circuit voltage. `line` goes to the better crest, or to the line
    /// that held before the shade where that fits. Answers the crest's current.
    pub(super) fn over(&mut self, line: &mut Line, scan: &Scan, open: f64, crest: f64) -> f64 {
        // The first one is how every day begins.
        if self.expected.is_some() {
            self.account -= scan.cost();
        }
        let signs = self.odd >= STAYS;
        (self.odd, self.since) = (0, 0);
        let better = scan.better();
        let (volts, amps) = better.unwrap_or((line.at(crest).volts, crest));
        let shaded = self.is_shade(scan.low_amps() / amps, (volts, amps), open);
        let Some(shaded) = shaded else { return crest };
        let near = |line: &Line, share: f64| (line.at(amps).volts / volts - 1.0).abs() < share;
        let home = self.home(amps);
        match home.filter(|home| !shaded && self.shaded && near(home, FITS) && !near(line, LEAP)) {
            Some(home) => {
                *line = home.clone();
                line.doubt(DOUBT);
            }
            None if better.is_some() => line.anchor(volts, amps, FOUND),
            None => {}
        }
        if shaded {
            self.alert = ALERT;
        }
        self.wait =
            if better.is_some() || signs { FIRST_WAIT } else { (self.wait * 2).min(LONGEST_WAIT) };
        self.shaded = shaded;
        self.expected = Some((line.clone(), amps));
        amps
    }

    /// The line that held before the shade, if it was learned in light like that of a crest of `amps`:
    /// dawn's says little of noon.
    fn home(&self, amps: f64) -> Option<&Line> {
        let alike = |current: f64| (amps / current).ln().abs() < ALIKE;
        self.memories[1].as_ref().filter(|(_, current)| alike(*current)).map(|(line, _)| line)
    }

    /// Whether there is shade when the best crest is there and `fill` is the current at low voltage over
    /// the crest's; none when that has to be looked at once more.
    fn is_shade(&mut self, fill: f64, (volts, amps): (f64, f64), open: f64) -> Option<bool> {
        let elsewhere = match self.home(amps) {
            Some(home) => {
                let point = home.at(amps);
                (point.volts - volts).abs() > FITS * volts + 2.0 * home.deviation(&point)
            }
            None => volts < UNSHADED * open,
        };
        let fuller = fill > self.fill * FULLER;
        if fill > ROOM || elsewhere || fuller && (self.shaded || self.suspect) {
            self.suspect = false;
            return Some(true);
        }
        self.suspect = fuller;
        if fuller {
            return None;
        }
        self.fill = self.fill.min(fill);
        Some(false)
    }

    /// Somebody else has just found the crest, and `line` goes through it.
    pub(super) fn told(&mut self, line: &Line, crest: f64) {
        self.expected = Some((line.clone(), crest));
    }
}
