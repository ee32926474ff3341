//! The log: SQLite, one file, one writer.
//!
//! Model: the channels offer [`Record`](crate::control::record::Record)s to a [`WriterHandle`]; a
//! thread of its own takes them from a bounded queue and writes them through the one [`Log`], one
//! transaction per [`COMMIT_INTERVAL`]. A [`Reader`] looks at the same file at any time without
//! stopping the writer (write-ahead log). The file explains itself: the table `quantity` gives
//! symbol, unit and meaning of every column, and the views `sample_view`, `minute_view`,
//! `sensor_minute_view`,
//! `event_view` and `day_total` show names, words and ISO 8601 times to a plain SQLite shell.
//!
//! Every row carries the boot and the monotonic clock beside the wall clock, so that rows keep
//! their order and their identity when the wall clock steps. Rows are never rewritten, except a
//! day's totals by newer ones.
//!
//! Size: a sample row with every column filled takes 67 bytes (measured), so one channel at one
//! sample a second takes 1.1 GB for a year of daylight (4380 h), and 2.1 GB day and night.
//!
//! Rejected: text files (no transaction, no index, damaged by every cut), a time-series server (a
//! second program to keep alive on a roof), real numbers in the sample table (a third larger).

mod error;
mod log;
mod open;
mod quantity;
mod queue;
mod reader;
mod results;
mod rows;
mod schema;
mod sensors;
mod writer;

pub use error::StoreError;
pub use log::{COMMIT_INTERVAL, ChannelFacts, Log, Note, OpenFacts, Rows};
pub use queue::{QUEUE_LENGTH, Status, WriterHandle};
pub use reader::{
    BootRow, ChannelRow, CurvePointRow, CurveRow, DayRow, EventRow, MinuteRow, Reader, SampleRow,
    StoredChannel,
};
pub use results::{CurveResult, Expanded, StatedRow, UNCERTAIN};
pub use schema::{APPLICATION_ID, SCHEMA_VERSION};
pub use sensors::SensorFacts;
pub use writer::{Totals, Writer};
