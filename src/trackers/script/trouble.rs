//! What a tracker from outside can do wrong, as values for the log.

use super::engine::{DEPTH, OPERATIONS, SIZE, TEXT};
use std::fmt;

/// What a script did wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Fault {
    /// It ran for too long.
    Operations,
    /// It let a value grow too large.
    Size,
    /// Its functions called each other too deeply.
    Depth,
    /// It answered with something that is no wish.
    NoWish,
    /// It wished for infinite volts, or for none that can be told.
    NotANumber,
    /// It overwrote its memory with something else.
    Forgot,
    /// It did what the language doesn't have, or gave up by itself.
    Mistake,
    /// The interpreter failed.
    Interpreter,
}

impl Fault {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::Operations,
        Self::Size,
        Self::Depth,
        Self::NoWish,
        Self::NotANumber,
        Self::Forgot,
        Self::Mistake,
        Self::Interpreter,
    ];

    /// What happened, in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Operations => "more operations than a step may have",
            Self::Size => "a list, a map or a text outgrew its limit",
            Self::Depth => "functions called each other too deeply",
            Self::NoWish => "an answer that is neither volts nor open_circuit()",
            Self::NotANumber => "an answer that is no finite number of volts",
            Self::Forgot => "`this` was overwritten by something that is no map",
            Self::Mistake => "a mistake in the script, or a throw of its own",
            Self::Interpreter => "the interpreter failed",
        }
    }

    /// What bounds it, where something does.
    #[must_use]
    pub const fn bound(self) -> Option<u64> {
        match self {
            Self::Operations => Some(OPERATIONS),
            Self::Size => Some(if SIZE < TEXT { SIZE } else { TEXT } as u64),
            Self::Depth => Some(DEPTH as u64),
            _ => None,
        }
    }
}

/// Something that a tracker from outside did wrong, told once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trouble {
    /// What.
    pub fault: Fault,
    /// In which line of the script (1..); 0 where it isn't known.
    pub line: u32,
    /// How many times in a row, when another tracker takes over; 0 for the first time.
    pub replaced_after: u32,
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.fault.words())?;
        if let Some(bound) = self.fault.bound() {
            write!(f, " ({bound})")?;
        }
        match self.line {
            0 => Ok(()),
            line => write!(f, ", line {line}"),
        }
    }
}
