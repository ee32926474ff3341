//! Pictures, drawings and tables, for people.

pub mod comparison;
pub mod curve;
mod curve_change;
pub mod curve_log;
pub mod curve_picture;
pub mod curve_result;
pub mod curve_trend;
mod day;
pub mod picture;
mod raster;
pub mod summary;
pub mod table;
pub mod wiring;
