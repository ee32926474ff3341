//! Crest line: the crest's voltage over its current, learned, and followed at once.
//!
//! Model: at the crest the voltage is a slowly moving function of the current, and the current is the
//! fastest irradiance sensor on the bench. Each turn
//!
//! 1. infers from current and voltage which current J the crest has now ([`shape`]: the same diode
//!    curve, wherever on it the device was read),
//! 2. wishes for the [`line`]'s voltage at the J that the middle of the next holding time will have,
//! 3. plus or minus a small dither of alternating sign, from whose answer ([`past`]) a Kalman filter
//!    learns the line: a ramp is no answer, and what the light does unevenly is distrusted ([`noise`]).
//!
//! The dither is a fixed share of the line's own standard deviation, so it widens when little is known
//! or something surprises, and quietens when light and temperature stay. In balance with the drift
//! that the filter expects, this is the size at which dither and error together cost least.
//!
//! [`follow`] does one turn of that. Under partial shade [`search`] watches for signs of a better crest and pays for looking.
//!
//! Sources: following a model's voltage with a trim after Cristaldi, Faifer, Rossi & Toscani 2014, IEEE
//! TIM 63(1) 63-71; looking at a step twice to tell it from a ramp, Sera et al. 2008 (all from memory);
//! the filter's law is the textbook's. How they are joined here is this program's own.
//!
//! Rejected: the dither's sign times the power, as extremum seeking does (the irradiance is in it), and
//! regressing on the voltage as measured instead of the dither as wished: noise in the current moves
//! the voltage of the next turn, correlates with it, and walks the line away at low light.

mod debt;
mod follow;
mod light;
mod line;
mod looks;
mod noise;
mod past;
mod peak;
mod rungs;
mod scan;
mod search;
mod shape;
mod signs;
mod strikes;

use super::{Observation, START_SHARE, Start, Tracker, Wish};
use crate::quantities::Volts;
use crate::time::Instant;
use line::Line;
use noise::Noise;
use past::Past;
use scan::Scan;
use search::Watch;
use shape::Shape;

/// Settings of [`CrestLine`]: there are none yet.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CrestLineConfig {}

/// Prior standard deviation of the crest (share of Voc): where nobody looked, and where a sweep did.
const BLIND: f64 = 0.05;
const SWEPT: f64 = 0.01;
/// The device is at open circuit when it stays so far below the setpoint (share) and its current below
/// this share of the crest's.
const SHORTFALL: f64 = 0.005;
const NOTHING: f64 = 0.05;
/// The line is not believed when a look at the foothold finds it so far off (share).
const IMPLAUSIBLE: f64 = 0.2;
/// Voc over current grows by at most this share per e-fold (0.04 to 0.17 times the shape of known
/// devices; the sum over a day is what counts), and cooling adds to it.
const VOC_SLOPE: f64 = 0.08;
/// The ceiling rises to so much above the highest voltage that is proven to lie below Voc: a Voc that
/// was measured at dawn says little of noon.
const ABOVE: f64 = 1.05;
/// While the light has not grown by so much (logarithm of the current), Voc is as it was measured.
const GROWN: f64 = 0.2;
/// No wish is closer to Voc.
const CEILING: f64 = 0.97;

/// What it does with the next reading.
#[allow(clippy::large_enum_variant, reason = "a tracker may not allocate")]
#[derive(Clone, Copy, Debug)]
enum Doing {
    /// It goes to a foothold, and trusts no line.
    Landing,
    /// It follows the line.
    Following,
    /// It searches.
    Searching(Scan),
}

/// Follows the crest line. See the module's head.
#[derive(Clone, Debug)]
pub struct CrestLine {
    /// The open-circuit voltage found first (V); all voltages inside are shares of it.
    scale: f64,
    /// The open-circuit voltage found last, as a share, and the crest current of that light.
    open: f64,
    open_at: Option<f64>,
    line: Option<Line>,
    shape: Shape,
    shaped: bool,
    past: Past,
    noise: Noise,
    /// How far the differences of late lean to one side, in standard deviations.
    leaning: f64,
    watch: Watch,
    doing: Doing,
    /// The sign of the next dither, and the dither in force.
    up: bool,
    dither: f64,
    wish: f64,
    /// The highest voltage that was seen with current: Voc lies above it.
    proven: f64,
    /// The crest's current before a search (A).
    sought: f64,
    /// When the last reading was, how long a turn takes (s), and a glance (turns).
    at: Instant,
    turn: f64,
    glance: f64,
    /// A crest that a sweep found and that no look has confirmed.
    swept: bool,
}

impl CrestLine {
    /// A tracker that knows nothing of its device.
    #[must_use]
    pub fn new(_config: CrestLineConfig) -> Self {
        Self {
            scale: 0.0,
            open: 1.0,
            open_at: None,
            line: None,
            shape: Shape::default(),
            shaped: false,
            past: Past::default(),
            noise: Noise::default(),
            leaning: 0.0,
            watch: Watch::new(),
            doing: Doing::Landing,
            up: true,
            dither: 0.0,
            wish: 0.0,
            proven: 0.0,
            sought: 0.0,
            at: Instant::ZERO,
            turn: 0.0,
            glance: 1.0,
            swept: false,
        }
    }

    /// Wishes for a voltage (share of the scale), inside what can be a crest.
    fn go(&mut self, volts: f64, crest: f64) -> Wish {
        // Not clamp: a voltage that is no number becomes the ceiling, the safe side.
        self.wish = volts.min(self.ceiling(crest)).max(0.0);
        Wish::Hold(Volts(self.wish * self.scale))
    }

    /// The same for a glance.
    fn glance(&mut self, volts: f64, crest: f64) -> Wish {
        self.go(volts, crest);
        Wish::Glance(Volts(self.wish * self.scale))
    }

    /// The highest wish while the crest's current is `crest`.
    fn ceiling(&self, crest: f64) -> f64 {
        let growth = self.open_at.map_or(0.0, |at| (crest / at).max(1.0).ln());
        let ceiling = CEILING * self.open * (1.0 + VOC_SLOPE * growth);
        if growth > GROWN { ceiling.max(ABOVE * self.proven) } else { ceiling }
    }

    /// A line that leads nowhere: back to a foothold, and a search from there.
    fn get_lost(&mut self) -> Wish {
        (self.line, self.doing) = (None, Doing::Landing);
        (self.dither, self.swept) = (0.0, false);
        self.watch.forget();
        self.go(START_SHARE * self.open, 0.0)
    }

    /// The first reading at a foothold.
    fn land(&mut self, volts: f64, amps: f64) -> Wish {
        self.past.clear();
        self.open_at = self.open_at.or(Some(amps));
        let spread = if self.swept { SWEPT } else { BLIND };
        let line = match self.line.take() {
            None => Line::new(volts, amps, spread),
            Some(mut line) => {
                let off = line.at(amps).volts / volts - 1.0;
                if self.swept || off.is_nan() || off.abs() >= IMPLAUSIBLE {
                    line.anchor(volts, amps, spread);
                }
                line
            }
        };
        if self.swept {
            self.watch.told(&line, amps);
        }
        self.doing = Doing::Following;
        let wish = self.ahead(&line, amps);
        self.line = Some(line);
        wish
    }

    /// One reading of a search.
    fn search(&mut self, mut scan: Scan, volts: f64, amps: f64) -> Wish {
        if let Some(next) = scan.read((volts, amps), self.glance) {
            self.doing = Doing::Searching(scan);
            return self.glance(next, 0.0);
        }
        let Some(line) = self.line.take() else { return self.get_lost() };
        self.found(line, &scan)
    }

    /// A search is over: on with the line that it leads to.
    fn found(&mut self, mut line: Line, scan: &Scan) -> Wish {
        let crest = self.watch.over(&mut line, scan, (self.open, self.shape), self.sought);
        self.past.clear();
        self.doing = Doing::Following;
        let wish = self.ahead(&line, crest);
        self.line = Some(line);
        wish
    }
}

/// Clamps; what is no number becomes the lower bound, where `f64::clamp` would hand it on.
fn within(value: f64, low: f64, high: f64) -> f64 {
    if value > low { value.min(high) } else { low }
}

impl Tracker for CrestLine {
    fn start(&mut self, from: &Start) -> Wish {
        let open = from.open_circuit.0;
        if !(open > 0.0 && open.is_finite()) {
            return Wish::Hold(Volts::ZERO);
        }
        if self.scale <= 0.0 {
            self.scale = open;
        }
        self.open = open / self.scale;
        (self.open_at, self.shaped) = (None, false);
        self.proven = 0.0;
        self.past.clear();
        self.doing = Doing::Landing;
        self.dither = 0.0;
        self.swept = from.crest.is_some();
        self.go(from.foothold().0 / self.scale, 0.0)
    }

    fn step(&mut self, seen: &Observation) -> Wish {
        let (volts, amps) = (seen.volts.0 / self.scale, seen.amps.0);
        if !(volts.is_finite() && amps.is_finite() && self.scale > 0.0) {
            self.past.clear();
            return Wish::Hold(Volts(self.wish * self.scale));
        }
        let set = seen.setpoint.0 / self.scale;
        let crest = self.past.last().map_or(0.0, |look| look.crest);
        let searching = matches!(self.doing, Doing::Searching(_));
        if !searching && (amps <= 0.0 || volts < set * (1.0 - SHORTFALL) && amps < NOTHING * crest)
        {
            // Open circuit: its voltage is seen for nothing.
            self.past.clear();
            self.doing = Doing::Landing;
            self.dither = 0.0;
            self.swept = false;
            return self.go(START_SHARE * volts.max(0.0), 0.0);
        }
        let seconds = seen.at.saturating_since(self.at).as_secs_f64();
        self.at = seen.at;
        if searching {
            self.glance = within(seconds / self.turn, 0.0, 1.0);
        }
        match self.doing {
            Doing::Landing => self.land(volts, amps),
            Doing::Following => self.follow(seen, volts, amps),
            Doing::Searching(search) => self.search(search, volts, amps),
        }
    }
}
