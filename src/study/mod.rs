//! Which tracker, which step: trackers tried against each other in virtual time.
//!
//! Model: a [`Trial`] is one tracker on one bench and one device through one scene; its [`Outcome`] is
//! what the plant itself knows. There is no clock and no thread here: a shell may run many trials at
//! once.
//!
//! A [`Plan`] names trackers ([`Contender`]), benches, devices ([`Plant`]), [`Scenario`]s and seeds; each
//! cell of that product is one trial. A [`Comparison`] is all their results, to be read in pairs: two
//! trackers meet the same scene, the same noise and the same seed.
//!
//! Rejected: a library of statistics (a mean and an interval are twenty lines), and ranks without
//! intervals.

mod comparison;
mod contender;
mod outcome;
mod plan;
mod plant;
mod scenario;
mod sensed;
mod settings;
mod statistics;
mod trial;

pub use comparison::{
    BenchRow, Cell, Comparison, FORMAT, JoinError, Place, PlantRow, ScenarioRow, Shard, Summary,
    TrackerRow,
};
pub use contender::{Contender, ContenderError};
pub use outcome::Outcome;
pub use plan::{Plan, PlanError, Prepared};
pub use plant::Plant;
pub use scenario::{DYNAMIC, START, STATIC, Scenario, scenarios};
pub use settings::{AMPS_SCALE, BenchSettings, SensorFault, SensorSettings, VOLTS_SCALE};
pub use statistics::Estimate;
pub use trial::{Moment, Trial, TrialError};
