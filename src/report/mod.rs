//! Pictures, drawings and tables, for people.

mod chart;
pub mod comparison;
pub mod comparison_page;
mod comparison_pictures;
mod comparison_words;
pub mod curve;
pub mod curve_budget;
mod curve_change;
pub mod curve_log;
pub mod curve_picture;
pub mod curve_result;
pub mod curve_trend;
mod day;
mod page;
pub mod picture;
mod raster;
pub mod season;
pub mod season_doubts;
pub mod season_log;
pub mod season_page;
mod season_pictures;
pub mod summary;
pub mod table;
pub mod tuning;
pub mod tuning_page;
pub mod wiring;
pub mod yields;
