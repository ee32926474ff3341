//! The log: SQLite.
