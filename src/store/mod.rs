//! The log: SQLite, one writer, a file a month.
//!
//! Model: the channels offer [`Record`](crate::control::record::Record)s to a [`WriterHandle`]; a
//! thread of its own takes them from a bounded queue and commits them through the one [`Log`], once
//! per [`COMMIT_INTERVAL`]. A commit appends some tens of bytes to the tail beside the file and
//! syncs it; when 900 rows have gathered, and soon after an event, the tail is packed into the
//! tables. A
//! [`Reader`] looks at all files of the log at any time. The files explain themselves: the table
//! `quantity` gives symbol, unit and meaning of every column, and the views `sample_view`,
//! `minute_view`, `sensor_minute_view`, `event_view` and `day_total` show names, words and ISO 8601
//! times to a plain SQLite shell.
//!
//! Every row has a boot and a monotonic clock beside the wall clock, so that rows keep their order
//! and their identity when the wall clock steps. Rows are never rewritten, except a day's totals by
//! newer ones.
//!
//! What a [`Book`] does: a file that can't be written is left for a fresh one beside it, a month that
//! is over gets a file of its own, raw samples of old months are let go.
//!
//! Rejected: text files (no transaction, no index, damaged by every cut), a time-series server (a
//! second program to keep alive on a roof), real numbers in the sample table (a third larger), a
//! transaction of the database per commit (thirty times what is kept, on a flash card), samples
//! packed into blobs (half the size, but no plain SQLite shell could read them).

mod backup;
mod book;
mod boot;
mod correct;
mod error;
mod log;
mod op;
mod open;
mod pack;
mod quantity;
mod queue;
mod reader;
mod rebuild;
mod recovery;
mod results;
mod rows;
mod schema;
mod sensors;
mod tail;
mod thin;
mod unpacked;
mod writer;

pub use backup::backup;
pub use book::{Book, OpenTails, Opened, locked_tail, others};
pub use error::StoreError;
pub use log::{COMMIT_INTERVAL, ChannelFacts, DayBefore, Log, Note, OpenFacts, OpenTail, Rows};
pub use queue::{QUEUE_LENGTH, Status, WriterHandle};
pub use reader::{
    BootRow, ChannelRow, CurvePointRow, CurveRow, DayRow, Endless, EventRow, MinuteRow, Reader,
    RowsOf, SampleRow, SensorMinuteRow, SensorRow, StoredChannel,
};
pub use results::{Appraise, CurveResult, Expanded, StatedRow, UNCERTAIN};
pub use schema::{APPLICATION_ID, SCHEMA_VERSION};
pub use sensors::SensorFacts;
pub use tail::{Locked, TailFile, tail_path};
pub use thin::{Keep, Thinned, size};
pub use writer::{ByHand, Totals, Writer};
