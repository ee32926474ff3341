//! Cresthold holds photovoltaic devices at the crest of their power curve, outdoors and
//! unattended, and keeps the record.
//!
//! The house in one line: [`control`] and [`trackers`] decide and are pure; everything else brings
//! them readings and carries out what they say. See DEVELOPERS.md for the plan.

pub use cresthold_sim::{modbus, quantities, scpi, time};

#[cfg(feature = "field")]
pub mod cli;
#[cfg(feature = "field")]
pub mod commission;
pub mod control;
pub mod curve;
#[cfg(feature = "field")]
pub mod daemon;
#[cfg(feature = "field")]
pub mod export;
#[cfg(feature = "field")]
pub mod instruments;
#[cfg(feature = "field")]
pub mod recording;
pub mod rehearsal;
#[cfg(feature = "field")]
pub mod report;
pub mod season;
pub mod sensors;
#[cfg(feature = "field")]
pub mod station;
#[cfg(feature = "field")]
pub mod store;
#[cfg(feature = "field")]
pub mod study;
pub mod trackers;
pub mod yields;
