//! Pictures, drawings and tables, for people.

pub mod comparison;
pub mod curve;
pub mod curve_log;
pub mod curve_picture;
pub mod curve_result;
mod day;
pub mod picture;
mod raster;
pub mod summary;
pub mod table;
pub mod wiring;
