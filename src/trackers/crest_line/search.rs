//! The watcher for partial shade, and the search that it pays for.
//!
//! Model: bypass diodes give a shaded row several crests. The one that is followed tells of it: when
//! part of the row is shaded, the current falls as under a cloud, but the crest lies far above the
//! line (the lit part is nearly at open circuit); when shade leaves a part that was bypassed, the
//! current hardly changes and the crest moves far up. So the sign is a crest that stays above where it
//! was expected. It justifies one *look* at low voltage, a single turn: the current there is that of
//! the brightest part, and a better crest can hide only where V `I_low` exceeds the power that is
//! held, that is above V = P / `I_low`. Where that leaves no room, nothing is searched. Else a *scan*
//! goes over what is left, and the best point is followed.
//!
//! Looks and scans are paid from an account that fills slowly, so that false signs can't cost more
//! than a fixed share of the energy. While there is shade, scans are repeated after growing waits: a
//! better crest may grow elsewhere unseen.
//!
//! Rejected: scanning by the clock alone (what is cheap comes too late), and the irradiance sensor as
//! a witness (stuck or late it calls for searches, and the signs do without it).

use super::line::Line;

/// Where the look goes, as a share of the voltage held: below every second crest of three parts or
/// fewer, above the knee of usual loads.
const LOW: f64 = 0.3;
/// Current at low voltage over that at the crest, above which another crest may hide: 1.25 for the
/// flattest unshaded curve (EN 50530 thin film), 1.06 to 1.12 for others (computed).
const ROOM: f64 = 1.3;
/// Crests lie at this share of Voc or above when nothing is shaded: 0.7 and more (section 1 of the
/// project's facts), hot ones included.
const UNSHADED: f64 = 0.6;
/// A scan's step and its top, as shares of Voc.
const STEP: f64 = 0.05;
pub(super) const TOP: f64 = 0.95;
/// What a better crest must have more, since light changes within a scan.
const BETTER: f64 = 1.01;
/// A crest so much above the expected one is a sign, beside its standard deviation; warming or
/// cooling by 10 K does the same.
const ODD: f64 = 0.04;
/// For so many turns in a row: a cloud's edge that passes along the row is over by then.
const STAYS: u32 = 5;
/// The account, in turns of full power: what a turn adds, the most it holds, what it begins with.
const INCOME: f64 = 2e-4;
const SAVINGS: f64 = 6.0;
const START: f64 = 3.0;
/// What a look and a point of a scan cost at most.
const LOOK_COST: f64 = 0.7;
/// Without any sign, a look after so many turns.
const SOMETIMES: u32 = 20_000;
/// While shaded, turns until the next scan: at first, and at most.
const FIRST_WAIT: u32 = 300;
const LONGEST_WAIT: u32 = 4800;
/// While shaded, a sign is answered at once only after so many turns.
const SOON: u32 = 50;
/// Points of a scan at most, whatever the light does meanwhile.
const MOST_POINTS: u32 = 40;
/// A crest so near the line that held before the shade is that line's.
const FITS: f64 = 0.08;
/// How much less certain that line is than it was (factor of the variances).
const DOUBT: f64 = 4.0;

/// Where the tracker stands when it asks.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    /// Voltage (share of the scale) and current held.
    pub(super) volts: f64,
    pub(super) amps: f64,
    /// Crest current.
    pub(super) crest: f64,
}

/// A search under way.
#[derive(Clone, Copy, Debug)]
pub(super) enum Search {
    /// Looks at low voltage.
    Low(Place),
    /// Goes from point to point.
    Scan(Scan),
}

impl Search {
    /// The crest's current where it began (A).
    pub(super) fn held(&self) -> f64 {
        match self {
            Self::Low(from) | Self::Scan(Scan { from, .. }) => from.crest,
        }
    }
}

/// A scan: first upward while anything above can be better, then downward likewise.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scan {
    from: Place,
    best: (f64, f64),
    better: bool,
    at: f64,
    up: bool,
    top: f64,
    low_amps: f64,
    points: u32,
}

/// What to do after a reading of a search.
#[derive(Clone, Copy, Debug)]
pub(super) enum Then {
    /// Look there.
    Go(Search, f64),
    /// It is over.
    Over(Result),
}

/// What a search found.
#[derive(Clone, Copy, Debug)]
pub(super) struct Result {
    /// Voltage and current of a better crest, about; none where the held one is best.
    pub(super) better: Option<(f64, f64)>,
    /// Whether the device is shaded in part.
    pub(super) shaded: bool,
}

/// Watches for signs of shade.
#[derive(Clone, Debug)]
pub(super) struct Watch {
    /// Where the crest is expected; none until the first look.
    expected: Option<Line>,
    /// The line without shade, while there is shade.
    home: Option<Line>,
    shaded: bool,
    odd: u32,
    account: f64,
    since: u32,
    wait: u32,
}

impl Watch {
    pub(super) fn new() -> Self {
        Self {
            expected: None,
            home: None,
            shaded: false,
            odd: 0,
            account: START,
            since: 0,
            wait: FIRST_WAIT,
        }
    }

    /// Another turn at the crest; whether to search now.
    pub(super) fn turn(&mut self, line: &Line, crest: f64) -> bool {
        self.since = self.since.saturating_add(1);
        self.account = (self.account + INCOME).min(SAVINGS);
        let Some(expected) = &self.expected else { return true };
        let point = expected.at(crest);
        let above = line.at(crest).volts - point.volts;
        let odd = above > ODD * point.volts + expected.deviation(&point);
        self.odd = if odd { self.odd + 1 } else { 0 };
        if self.shaded {
            return self.since >= self.wait || self.odd >= STAYS && self.since >= SOON;
        }
        self.account >= LOOK_COST && (self.odd >= STAYS || self.since >= SOMETIMES)
    }

    /// The search's first voltage.
    pub(super) fn begin(&mut self, from: Place) -> (Search, f64) {
        self.account -= LOOK_COST;
        (self.odd, self.since) = (0, 0);
        (Search::Low(from), LOW * from.volts)
    }

    /// The reading of a search; `top` is the highest voltage worth a look.
    pub(super) fn read(&mut self, search: Search, (volts, amps): (f64, f64), top: f64) -> Then {
        match search {
            Search::Low(from) => {
                let room = amps > ROOM * from.amps && volts < from.volts;
                if !(room || self.shaded) {
                    return Then::Over(Result { better: None, shaded: false });
                }
                let best = (from.volts, from.amps);
                let (at, up) = (from.volts, self.shaded);
                let low_amps = amps.max(from.amps);
                Self::go_on(Scan { from, best, better: false, at, up, top, low_amps, points: 0 })
            }
            Search::Scan(mut scan) => {
                if volts * amps > BETTER * scan.best.0 * scan.best.1 {
                    (scan.best, scan.better) = ((volts, amps), true);
                }
                // Above, the current only falls.
                if scan.up && scan.top * amps < scan.best.0 * scan.best.1 {
                    (scan.up, scan.at) = (false, scan.from.volts);
                }
                Self::go_on(scan)
            }
        }
    }

    fn go_on(mut scan: Scan) -> Then {
        scan.points += 1;
        if scan.up && scan.at + STEP > scan.top {
            (scan.up, scan.at) = (false, scan.from.volts);
        }
        scan.at += if scan.up { STEP } else { -STEP };
        let best = scan.best.0 * scan.best.1;
        let hopeless = !scan.up && scan.at * scan.low_amps < BETTER * best;
        if !hopeless && scan.points <= MOST_POINTS && scan.at > 0.0 {
            return Then::Go(Search::Scan(scan), scan.at);
        }
        let (volts, amps) = scan.best;
        let shaded = scan.low_amps > ROOM * amps || volts * TOP < UNSHADED * scan.top;
        Then::Over(Result { better: scan.better.then_some(scan.best), shaded })
    }

    /// The search is over. `line`, at the crest current `crest`, goes to the better crest, or to the line
    /// that held before the shade where that fits.
    pub(super) fn over(&mut self, line: &mut Line, result: &Result) {
        if result.shaded && !self.shaded {
            self.home = Some(line.clone());
        }
        self.wait = match result.better {
            None if self.shaded => (self.wait * 2).min(LONGEST_WAIT),
            _ => FIRST_WAIT,
        };
        if let Some((volts, amps)) = result.better {
            let home = self
                .home
                .take_if(|home| !result.shaded && (home.at(amps).volts / volts - 1.0).abs() < FITS);
            match home {
                Some(home) => {
                    *line = home;
                    line.doubt(DOUBT);
                }
                None => line.anchor(volts, amps, STEP / 2.0),
            }
        }
        self.shaded = result.shaded;
        self.expected = Some(line.clone());
    }

    /// Somebody else has just found the crest: `line` goes through it.
    pub(super) fn told(&mut self, line: &Line) {
        self.expected = Some(line.clone());
    }
}
