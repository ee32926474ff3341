//! Modbus: the codec, for both ends of the line; never a port.
//!
//! Model: a [`Request`] becomes a frame, [`Framing::Rtu`] with its CRC or [`Framing::Tcp`] with its
//! transaction number, and only a frame that fits the request in everything (unit, function, length,
//! CRC or transaction) becomes an [`Answer`]. Registers become numbers by a [`Format`]. Addresses
//! are the protocol's own, from zero; the "4xxxx" numbers of some manuals count from one behind a
//! leading digit.
//!
//! After the Modbus Application Protocol Specification V1.1b3, the Modbus over Serial Line guide
//! V1.02 and the Messaging on TCP/IP guide V1.0b (from memory); CRC and frames are checked against
//! published values in the tests.
//!
//! Rejected: the crate rmodbus (its client tells neither another unit's answer from a bad CRC nor
//! knows the diagnostics echo, which proves an RTU line in step; its server wants all registers in
//! one store, while a virtual sensor computes them when asked); a client with a socket inside (its
//! buffers then decide what a late reply is taken for).

mod format;
mod frame;
mod reply;
mod request;

pub use format::{Format, Kind, WordOrder};
pub use frame::{Framing, MAX_FRAME, crc};
pub use reply::{Answer, Exception, ReplyError};
pub use request::{Function, Heard, Request, RequestError, Table};
