//! Pictures and tables, for people.

pub mod summary;
pub mod table;
