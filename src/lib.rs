//! Cresthold holds photovoltaic devices at the crest of their power curve, outdoors and
//! unattended, and keeps the record.
//!
//! The house in one line: [`control`] and [`trackers`] decide and are pure; everything else brings
//! them readings and carries out what they say. See DEVELOPERS.md for the plan.

pub use cresthold_sim::{quantities, scpi, time};

pub mod control;
#[cfg(feature = "field")]
pub mod instruments;
#[cfg(feature = "field")]
pub mod store;
pub mod trackers;
