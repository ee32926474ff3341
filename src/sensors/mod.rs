//! Sensors: what a raw answer means, and which sensor's word counts.
//!
//! Model: a raw number (a register, a meter's volts or ohms, a channel's amps) becomes a value by a
//! [`Meaning`]: scale and offset, a [`Conversion`], the [`Calibration`]'s temperature correction, the
//! valid range. A [`Board`] keeps the latest value of each sensor with its age, chooses for each
//! channel and quantity the first sensor in the order of trust whose value is fresh, and tells once
//! when one is lost, stale, stuck, out of range or in disagreement, and once when that ends.
//! Everything is pure: time comes in as an argument, and no line is touched.
//!
//! A value is right or it is absent. It is never repeated, never made up from a neighbour,
//! and never used without the correction that was stated for it.
//!
//! Rejected: averaging several sensors (one that drifts would spoil the mean without a trace); using
//! a value uncorrected when its temperature sensor fails (a step in the record that nobody sees).

mod board;
mod calibration;
mod conversion;
mod quantity;
mod resistance;
mod sensor;
mod thermocouple;
mod trouble;

pub use board::{Board, SensorMinute, Told};
pub use calibration::{Calibration, Dependence, Reference};
pub use conversion::{Conversion, Meaning, Unusable};
pub use quantity::Quantity;
pub use resistance::{resistance_of, temperature_of};
pub use sensor::{Disagreement, Sensor, SensorId};
pub use thermocouple::Thermocouple;
