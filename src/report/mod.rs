//! Pictures and tables, for people.

mod day;
pub mod picture;
pub mod summary;
pub mod table;
