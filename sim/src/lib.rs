//! The world Cresthold works in, simulated: photovoltaic devices, the sky above them, the bench
//! that loads them, and virtual instruments that speak the real protocols.
//!
//! This crate is the ground floor of the house. It knows nothing of the logger: no controller, no
//! tracker, no database. It is meant to be an honest oracle, so it contains effects that no
//! tracker's own model has (mismatch between substrings, sensor lag and drift, noise, settling).
//!
//! Everything here is deterministic: the same seed gives the same numbers, and time comes in as an
//! argument. Only [`wire`], which serves instruments on real lines, has threads and clocks.
//!
//! # Convention for quantities
//!
//! Public functions take and return the newtypes of [`quantities`]; numeric kernels compute with
//! bare `f64` in the SI unit named in the field's or argument's documentation.

pub mod bench;
pub mod device;
pub mod modbus;
pub mod quantities;
pub mod scene;
pub mod scpi;
pub mod sky;
pub mod thermal;
pub mod time;
#[cfg(feature = "wire")]
pub mod wire;
