//! Pictures, drawings and tables, for people.

mod day;
pub mod picture;
pub mod summary;
pub mod table;
pub mod wiring;
