//! Instruments: the lines to them and the operations on them.
//!
//! Model: a [`link::Link`] exchanges one message for one reply and refuses to go on once a reply
//! failed to come, until it has proven that question and answer are in step again. On top of it a
//! [`Load`] and a [`Supply`] know the commands, and verify what they set by reading it back.
//! The codec is [`crate::scpi`], and [`words`] is how an instrument with words of its own is
//! described. A [`Bench`] is the pair of one channel, opened when needed, carrying out the core's
//! commands.
//!
//! Rejected: a common trait for the operations of loads and supplies (they share four lines, which
//! are in one place, and differ in everything that matters).

mod bench;
mod commands;
mod error;
pub mod link;
mod load;
mod meter;
mod session;
mod supply;
pub mod words;

pub use bench::{Answer, Bench, BenchSetup};
pub use commands::{LIST_POINTS, ListCommands, LoadCommands, SetAndAsk, SupplyCommands};
pub use error::{Exchange, InstrumentError};
pub use load::{ListPoint, Load, LoadSetup};
pub use meter::{Meter, MeterSetup};
pub use supply::{Supply, SupplySetup};
