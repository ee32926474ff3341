//! Photovoltaic devices: what the sun and the load see.
//!
//! Model: every device is made of [`single_diode`] parts scaled to the conditions of the moment
//! after De Soto et al. (2006), see [`desoto`]. A module is a row of substrings, each with its own
//! irradiance and a bypass diode; a string is a row of modules; a concentrator receiver is a cell
//! assembly driven by direct irradiance. All of them are rows of [`Substring`]s in series, so one
//! type, [`Device`], serves. [`examples`] holds invented ones.
//!
//! [`standard`] is the generator that the standards on tracking efficiency test with; a bench carries
//! either kind as a [`Source`].
//!
//! Device current is positive when the device delivers power; device voltage is positive forward.
//!
//! Rejected: a cell-by-cell network (twenty times the work for an effect that one irradiance per
//! substring already shows), two diodes per cell (no closed current, and no data sheet feeds it),
//! and avalanche breakdown of shaded cells (bypass diodes keep a substring above it).

mod climb;
pub mod columns;
pub mod desoto;
mod error;
pub mod examples;
mod lanes;
mod omega;
mod row;
mod segments;
pub mod single_diode;
mod source;
pub mod standard;

pub use error::ParameterError;
pub use row::{Bypass, Device, Substring};
pub use source::Source;
