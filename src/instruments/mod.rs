//! Instruments: the lines to them and the operations on them.
//!
//! Model: a [`link::Link`] exchanges one message for one reply and refuses to go on once a reply
//! failed to come, until it has proven that question and answer are in step again. On top of it a
//! [`Load`] and a [`Supply`] know the commands, and verify what they set by reading it back.
//! The codec is [`crate::scpi`].
//!
//! Rejected: a common trait for loads and supplies (they share four lines, which are in one place,
//! and differ in everything that matters).

mod commands;
mod error;
pub mod link;
mod load;
mod meter;
mod session;
mod supply;

pub use commands::{LoadCommands, SupplyCommands};
pub use error::{Exchange, InstrumentError};
pub use load::{Load, LoadSetup};
pub use meter::{Meter, MeterSetup};
pub use supply::{Supply, SupplySetup};
