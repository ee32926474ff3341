//! Trackers: which device voltage to hold next.
//!
//! Model: a tracker sees one [`Observation`] per control period, taken after the load has settled
//! and a whole measurement window has passed, and answers with a [`Wish`]; one that wished for a glance
//! sees the next sooner. It never talks to the
//! load: the guard turns the wish into a setpoint, or holds it at the envelope's edge. Trackers are
//! pure like the core: no clock, no random number, no allocation after they are built (but for
//! [`script`], which allocates within bounds).
//!
//! They are chosen by name from a closed registry, [`TrackerConfig`], so that a station file can
//! name no tracker that does not exist and the studies can list them all. A registry of boxed
//! trait objects was rejected: it allocates, and nobody could say what is in it.

mod crest_line;
mod fractional_voc;
mod hold;
mod incremental_conductance;
mod perturb_and_observe;
mod ramp_separating;
pub mod script;
mod variable_step;

pub use crest_line::{CrestLine, CrestLineConfig};
pub use fractional_voc::{FractionalVoc, FractionalVocConfig};
pub use hold::{Hold, HoldConfig};
pub use incremental_conductance::{IncrementalConductance, IncrementalConductanceConfig};
pub use perturb_and_observe::{PerturbAndObserve, PerturbAndObserveConfig};
pub use ramp_separating::{RampSeparating, RampSeparatingConfig};
pub use script::{Fault, Script, ScriptConfig, ScriptError, Scripted, Trouble};
pub use variable_step::{VariableStep, VariableStepConfig};

use crate::quantities::{Amps, Celsius, Irradiance, Volts, Watts};
use crate::time::Instant;

/// Where trackers begin, as a share of the open-circuit voltage: crystalline and thin-film devices
/// have Vmp / Voc near 0.71 to 0.85 (Esram & Chapman 2007, IEEE TEC 22(2), from memory, and the
/// single-diode examples of the simulation).
pub const START_SHARE: f64 = 0.8;

/// What a tracker knows when it begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Start {
    /// When.
    pub at: Instant,
    /// The open-circuit voltage just measured (V).
    pub open_circuit: Volts,
    /// Where a sweep has just found the crest (V); none when nobody has looked.
    pub crest: Option<Volts>,
}

impl Start {
    /// Where a climber begins: where a sweep found the crest, else at [`START_SHARE`].
    #[must_use]
    pub fn foothold(&self) -> Volts {
        self.crest.unwrap_or(self.open_circuit * START_SHARE)
    }
}

/// One settled look at the device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation {
    /// When.
    pub at: Instant,
    /// Device voltage (V).
    pub volts: Volts,
    /// Device current (A).
    pub amps: Amps,
    /// The device voltage that was asked for (V); the guard may have moved the wish.
    pub setpoint: Volts,
    /// Irradiance on the device (W/m2), where fresh.
    pub irradiance: Option<Irradiance>,
    /// Back-of-module temperature (degC), where fresh.
    pub module_temperature: Option<Celsius>,
}

impl Observation {
    /// Device power (W).
    #[must_use]
    pub fn watts(&self) -> Watts {
        self.volts * self.amps
    }
}

/// What a tracker wants next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wish {
    /// Hold this device voltage (V).
    Hold(Volts),
    /// Go to this device voltage (V) for one reading only, as soon as the load has settled: the answer to
    /// that comes well within a period. What [`Tracker::start`] wishes for is held, though.
    Glance(Volts),
    /// Show me the open-circuit voltage: one period without current.
    OpenCircuit,
}

/// A way to find and follow the maximum power point.
pub trait Tracker {
    /// Begins: called whenever the channel starts tracking, also after a sweep.
    fn start(&mut self, from: &Start) -> Wish;

    /// One control period: what was seen, what is wished for next.
    fn step(&mut self, seen: &Observation) -> Wish;

    /// What went wrong inside the tracker since it was last asked, to be told in the log; only one
    /// from outside has anything to tell.
    fn trouble(&mut self) -> Option<Trouble> {
        None
    }
}

/// Which tracker, with its settings.
#[derive(Clone, Debug, PartialEq)]
pub enum TrackerConfig {
    /// Constant voltage; the null tracker.
    Hold(HoldConfig),
    /// A fixed share of the open-circuit voltage, measured now and then.
    FractionalVoc(FractionalVocConfig),
    /// Fixed-step perturb and observe.
    PerturbAndObserve(PerturbAndObserveConfig),
    /// Incremental conductance.
    IncrementalConductance(IncrementalConductanceConfig),
    /// Perturb and observe that tells ramps from its own steps.
    RampSeparating(RampSeparatingConfig),
    /// Hill climbing with a step after the slope.
    VariableStep(VariableStepConfig),
    /// Follows the crest's voltage over its current, learned.
    CrestLine(CrestLineConfig),
    /// One from outside.
    Script(ScriptConfig),
}

impl TrackerConfig {
    /// The names a station file may use, in the order of the registry.
    pub const NAMES: [&'static str; 8] = [
        "hold",
        "fractional-voc",
        "perturb-and-observe",
        "incremental-conductance",
        "ramp-separating",
        "variable-step",
        "crest-line",
        "script",
    ];

    /// The name in the station file.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Hold(_) => Self::NAMES[0],
            Self::FractionalVoc(_) => Self::NAMES[1],
            Self::PerturbAndObserve(_) => Self::NAMES[2],
            Self::IncrementalConductance(_) => Self::NAMES[3],
            Self::RampSeparating(_) => Self::NAMES[4],
            Self::VariableStep(_) => Self::NAMES[5],
            Self::CrestLine(_) => Self::NAMES[6],
            Self::Script(_) => Self::NAMES[7],
        }
    }

    /// The tracker itself.
    #[must_use]
    pub fn build(&self) -> AnyTracker {
        match *self {
            Self::Hold(config) => AnyTracker::Hold(Hold::new(config)),
            Self::FractionalVoc(config) => AnyTracker::FractionalVoc(FractionalVoc::new(config)),
            Self::PerturbAndObserve(config) => {
                AnyTracker::PerturbAndObserve(PerturbAndObserve::new(config))
            }
            Self::IncrementalConductance(config) => {
                AnyTracker::IncrementalConductance(IncrementalConductance::new(config))
            }
            Self::RampSeparating(config) => AnyTracker::RampSeparating(RampSeparating::new(config)),
            Self::VariableStep(config) => AnyTracker::VariableStep(VariableStep::new(config)),
            Self::CrestLine(config) => AnyTracker::CrestLine(CrestLine::new(config)),
            Self::Script(ref config) => AnyTracker::Script(Scripted::new(config)),
        }
    }
}

/// One of the registry's trackers, in place of a boxed one.
#[allow(clippy::large_enum_variant, reason = "a tracker may not allocate")]
#[derive(Clone, Debug)]
pub enum AnyTracker {
    /// See [`Hold`].
    Hold(Hold),
    /// See [`FractionalVoc`].
    FractionalVoc(FractionalVoc),
    /// See [`PerturbAndObserve`].
    PerturbAndObserve(PerturbAndObserve),
    /// See [`IncrementalConductance`].
    IncrementalConductance(IncrementalConductance),
    /// See [`RampSeparating`].
    RampSeparating(RampSeparating),
    /// See [`VariableStep`].
    VariableStep(VariableStep),
    /// See [`CrestLine`].
    CrestLine(CrestLine),
    /// See [`Scripted`].
    Script(Scripted),
}

impl AnyTracker {
    fn inner(&mut self) -> &mut dyn Tracker {
        match self {
            Self::Hold(tracker) => tracker,
            Self::FractionalVoc(tracker) => tracker,
            Self::PerturbAndObserve(tracker) => tracker,
            Self::IncrementalConductance(tracker) => tracker,
            Self::RampSeparating(tracker) => tracker,
            Self::VariableStep(tracker) => tracker,
            Self::CrestLine(tracker) => tracker,
            Self::Script(tracker) => tracker,
        }
    }
}

impl Tracker for AnyTracker {
    fn start(&mut self, from: &Start) -> Wish {
        self.inner().start(from)
    }

    fn step(&mut self, seen: &Observation) -> Wish {
        self.inner().step(seen)
    }

    fn trouble(&mut self) -> Option<Trouble> {
        self.inner().trouble()
    }
}
