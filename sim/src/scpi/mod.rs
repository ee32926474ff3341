//! The language of bench instruments: program messages, response messages, numbers and errors
//! after IEEE 488.2-1992 and SCPI-1999 volume 1.
//!
//! Model: a pure codec for both ends of the line. Bytes in, borrowed values out; values in, bytes
//! appended to the caller's `Vec<u8>`. Nothing here allocates, touches a port or knows a command:
//! the instrument's end keeps its commands as [`Pattern`]s, the controller's end writes headers as
//! they are. What can be built can be emitted, and what was emitted parses to the same value.
//! Sections of the two standards are cited from memory throughout.
//!
//! Rejected: a parser generated from a grammar (the language has six shapes of data and one rule
//! for paths, and its error codes depend on where a message breaks off); a tree of command nodes
//! (a flat list of patterns says the same and reads as the instrument's manual does).
//!
//! ```
//! use cresthold_sim::scpi::{Path, Pattern, units};
//! const CURRENT: Pattern = Pattern("MEASure[:SCALar]:CURRent[:DC]");
//! let mut path = Path::root();
//! let mut last = None;
//! for unit in units(b"MEAS:VOLT?;CURR?") {
//!     last = Some(path.enter(&unit.unwrap().header).unwrap());
//! }
//! assert!(CURRENT.matches(last.unwrap().nodes())); // CURR? was read as MEAS:CURR?
//! ```

mod error;
mod header;
mod number;
mod param;
mod program;
mod response;
mod suffix;

pub use error::{ErrorEntry, EventBit, StandardError};
pub use header::{MAX_DEPTH, MAX_MNEMONIC, Path, Pattern, Resolved, mnemonic_matches};
pub use number::{INFINITY_CODE, NAN_CODE, NumberError, Numeric, emit_nr1, emit_nr2, emit_nr3};
pub use param::{Param, Params, Request, Text, emit_text};
pub use program::{Header, ProgramUnit, ProgramWriter, Units, units};
pub use response::{Field, ResponseError, ResponseUnit, ResponseWriter, numbers, response_units};
pub use suffix::Unit;

/// White space within a message (IEEE 488.2-1992, 7.4.1.2): every control code but newline, and
/// the blank.
#[must_use]
pub const fn is_white(byte: u8) -> bool {
    byte <= 0x20 && byte != b'\n'
}

/// `bytes` without white space at either end.
pub(crate) fn trim(mut bytes: &[u8]) -> &[u8] {
    while let [first, rest @ ..] = bytes
        && is_white(*first)
    {
        bytes = rest;
    }
    while let [rest @ .., last] = bytes
        && is_white(*last)
    {
        bytes = rest;
    }
    bytes
}

/// How many bytes at the start of `bytes` are white.
pub(crate) fn white_length(bytes: &[u8]) -> usize {
    bytes.iter().take_while(|byte| is_white(**byte)).count()
}
