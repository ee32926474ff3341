//! The pure core: a channel's state machine, the guard, the energy meter, the records.
//!
//! What this module must NOT do: open a socket, file or port; read a clock; start a thread; draw a
//! random number; allocate once it runs; know SQLite, tokio or the simulated bench. Time, readings
//! and outcomes come in as values; commands and records go out as values. The field daemon and the
//! studies drive the very same code.
//!
//! Model: a [`Channel`] is told [`Input`]s and answers each with at most one [`Command`]; whoever
//! carries the command out reports its outcome as the next input. That makes a turn a plain
//! conversation, bounded by [`MAX_COMMANDS_PER_TURN`], that a test can write down line by line.
//! A queue of several commands per answer was rejected: what to do after a failed command depends
//! on which one failed, and that knowledge belongs here, not in the shells.

mod channel;
mod config;
mod conversation;
mod curve;
mod derating;
mod energy;
mod envelope;
mod guard;
mod happening;
mod ledger;
mod placement;
mod punctuality;
pub mod record;
mod spread;
mod steadiness;
mod surroundings;
mod sweep;
mod timekeeper;
mod wiring;

pub use channel::Channel;
pub use config::{ChannelConfig, DaySplit, Daylight, GLANCED_AFTER, Retry, ZeroLimits};
pub use conversation::{Command, Found, Input, MAX_COMMANDS_PER_TURN, Outbox, Reading};
pub use derating::{DeratedBy, Derating, DeratingError, DeratingPoint, MAX_DERATING_POINTS};
pub use energy::{EnergyMeter, Increment};
pub use envelope::{
    Capability, CapabilityError, CapabilityPoint, Envelope, MAX_CAPABILITY_POINTS, SensedLimits,
    Tolerances,
};
pub use guard::{Breach, Evidence, Guard, Setpoint};
pub use punctuality::{PUNCTUAL, Punctuality, Turns};
pub use spread::Tally;
pub use steadiness::Steady;
pub use surroundings::{Fresh, Observed, Surroundings};
pub use sweep::{
    MAX_SWEEP_POINTS, MAX_SWEEP_READINGS, MIN_SWEEP_POINTS, SweepBy, SweepConditions, SweepConfig,
};
pub(crate) use timekeeper::began_by_now;
pub use timekeeper::{Timekeeper, WRITTEN};
pub use wiring::SeriesPath;
