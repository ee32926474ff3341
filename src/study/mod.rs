//! Which tracker, which step: trackers tried against each other in virtual time.
//!
//! Model: a [`Trial`] is one tracker on one bench and one device through one scene; its [`Outcome`] is
//! what the plant itself knows. There is no clock and no thread here: a shell may run many trials at
//! once.

mod outcome;
mod plant;
mod sensed;
mod settings;
mod trial;

pub use outcome::Outcome;
pub use plant::Plant;
pub use settings::{AMPS_SCALE, BenchSettings, SensorFault, SensorSettings, VOLTS_SCALE};
pub use trial::{Moment, Trial, TrialError};
