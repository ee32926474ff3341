//! What the instruments leave open: a budget after JCGM 100, and its check after JCGM 101.
//!
//! Model: one [`Analysis`] leads from readings to figures: readings, correction of each point to the
//! mean irradiance, correction to wanted conditions, parameters. Its inputs are of two kinds.
//!
//! - Common to all points: gain and offset of volts and amps, of irradiance, cell temperature,
//!   coefficients, area. They are fully correlated between points and may not be averaged away: each is
//!   moved by its standard uncertainty to both sides, for all points at once, and the whole analysis
//!   repeated (JCGM 100:2008, 5.1.3 note 2). Half the difference is its contribution, with its sign.
//! - New at each point: noise and resolution. They are led through the straight lines at the ends and
//!   through the quartic by the weights that least squares give each point.
//!
//! The choice of the crest's window adds a term of its own. Contributions of different inputs are
//! independent and add in squares; `U = k u`. [`monte_carlo`] draws all inputs together and repeats the
//! analysis: no linearity is assumed there.
//!
//! Rejected: treating the common inputs as new at each point (a hundred points would then seem to
//! make a calibration ten times better), and a budget from sensitivities known by heart.

mod analysis;
mod budget;
mod chance;
mod coverage;
mod stated;

pub use analysis::{Analysis, AnalysisError, Correction, Figures, Quantity};
pub use budget::{Budget, Kind, Line, Shape, budget};
pub use chance::{Simulated, monte_carlo};
pub use coverage::PROBABILITY;
pub use stated::{Row, Stated, UnknownRow};

/// What is known about an input's error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Spec {
    /// Within plus and minus this, any value alike (a manufacturer's limits): standard uncertainty
    /// half-width/sqrt(3) (JCGM 100:2008, 4.3.7).
    Limits(f64),
    /// A calibration's expanded uncertainty and its coverage factor: U/k (JCGM 100:2008, 4.3.3).
    Calibrated {
        /// U.
        expanded: f64,
        /// k.
        coverage: f64,
    },
    /// A standard uncertainty.
    Standard(f64),
}

impl Spec {
    /// No error at all.
    pub const NONE: Self = Self::Standard(0.0);

    /// Standard uncertainty, in the input's unit.
    ///
    /// ```
    /// use cresthold::curve::uncertainty::Spec;
    /// assert_eq!(Spec::Calibrated { expanded: 0.01, coverage: 2.0 }.standard(), 0.005);
    /// assert!((Spec::Limits(0.3).standard() - 0.3 / 3_f64.sqrt()).abs() < 1e-15);
    /// ```
    #[must_use]
    pub fn standard(&self) -> f64 {
        match self {
            Self::Limits(half) => half / 3_f64.sqrt(),
            Self::Calibrated { expanded, coverage } => expanded / coverage,
            Self::Standard(u) => *u,
        }
    }
}

/// An instrument for volts or amps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Instrument {
    /// Error proportional to the value (1).
    pub gain: Spec,
    /// Error of every value (V or A).
    pub offset: Spec,
    /// Smallest step of a reading (V or A); 0 for none.
    pub resolution: f64,
    /// Standard deviation of one reading's noise (V or A).
    pub noise: f64,
}

impl Instrument {
    /// Without any error.
    pub const PERFECT: Self =
        Self { gain: Spec::NONE, offset: Spec::NONE, resolution: 0.0, noise: 0.0 };

    /// Standard uncertainty of one reading that is new at each point: noise, and the step's
    /// rectangular distribution, step/sqrt(12).
    fn own(&self) -> f64 {
        (self.noise * self.noise + self.resolution * self.resolution / 12.0).sqrt()
    }
}

/// Everything that is uncertain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Inputs {
    /// Device voltage.
    pub volts: Instrument,
    /// Device current.
    pub amps: Instrument,
    /// How far the voltmeter reads above the device (V): the boost supply's voltage, which the
    /// voltmeter's gain acts on, too.
    pub raised: f64,
    /// The boost supply's voltage, which is taken off (V).
    pub boost: Spec,
    /// Resistance of the leads, whose drop is made good (ohm).
    pub leads: Spec,
    /// Irradiance (W/m2): calibration, spectrum, alignment go into the gain.
    pub irradiance: Instrument,
    /// How late the irradiance is beside volts and amps, beyond what the analysis makes good (s).
    pub delay: Spec,
    /// Cell temperature (K).
    pub cell: Spec,
    /// Temperature coefficient of Isc, relative to itself (1).
    pub alpha: Spec,
    /// Temperature coefficient of Voc, relative to itself (1).
    pub beta: Spec,
    /// Series resistance of the correction, relative to itself (1).
    pub series: Spec,
    /// Curve correction factor, relative to itself (1).
    pub kappa: Spec,
    /// Area, relative to itself (1).
    pub area: Spec,
}

impl Inputs {
    /// Nothing uncertain: a beginning to change fields of.
    pub const PERFECT: Self = Self {
        volts: Instrument::PERFECT,
        amps: Instrument::PERFECT,
        raised: 0.0,
        boost: Spec::NONE,
        leads: Spec::NONE,
        irradiance: Instrument::PERFECT,
        delay: Spec::NONE,
        cell: Spec::NONE,
        alpha: Spec::NONE,
        beta: Spec::NONE,
        series: Spec::NONE,
        kappa: Spec::NONE,
        area: Spec::NONE,
    };

    /// The common inputs in the order of [`COMMON`].
    fn common(&self) -> [Spec; COMMON.len()] {
        let mut copy = *self;
        copy.common_mut().map(|spec| *spec)
    }

    fn common_mut(&mut self) -> [&mut Spec; COMMON.len()] {
        [
            &mut self.volts.gain,
            &mut self.volts.offset,
            &mut self.amps.gain,
            &mut self.amps.offset,
            &mut self.irradiance.gain,
            &mut self.irradiance.offset,
            &mut self.cell,
            &mut self.alpha,
            &mut self.beta,
            &mut self.series,
            &mut self.kappa,
            &mut self.area,
            &mut self.boost,
            &mut self.leads,
            &mut self.delay,
        ]
    }
}

/// Names and units of the inputs common to all points.
const COMMON: [(&str, &str); 15] = [
    ("voltage, gain", "1"),
    ("voltage, offset", "V"),
    ("current, gain", "1"),
    ("current, offset", "A"),
    ("irradiance, gain", "1"),
    ("irradiance, offset", "W/m2"),
    ("cell temperature", "K"),
    ("alpha, relative", "1"),
    ("beta, relative", "1"),
    ("series resistance, relative", "1"),
    ("kappa, relative", "1"),
    ("area, relative", "1"),
    ("boost supply, voltage", "V"),
    ("leads, resistance", "ohm"),
    ("irradiance, delay", "s"),
];
