//! What an instrument did that it should not, and what to do about it.

use super::link::{Excerpt, LinkError};
use crate::scpi::{Numeric, ResponseError};
use std::fmt;

/// Which instrument was asked what, and what it answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exchange {
    /// The instrument's name in the station.
    pub instrument: Box<str>,
    /// Its line's address.
    pub address: Box<str>,
    /// What was sent.
    pub command: Excerpt,
    /// What came back.
    pub reply: Excerpt,
}

impl fmt::Display for Exchange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { instrument, address, command, reply } = self;
        write!(f, "{instrument} at {address} answered {command} with {reply}")
    }
}

/// Why an operation failed.
#[derive(Debug, thiserror::Error)]
pub enum InstrumentError {
    /// The line failed.
    #[error("{instrument}: {source}")]
    Link {
        /// The instrument's name in the station.
        instrument: Box<str>,
        /// What failed.
        source: Box<LinkError>,
    },
    /// Another instrument is on the line.
    #[error(
        "{at}, but its identity should contain `{expected}`; nothing was set. Check that no two \
         cables are swapped, or state the new instrument's identity in the station"
    )]
    WrongIdentity {
        /// The exchange.
        at: Box<Exchange>,
        /// What the station states.
        expected: Box<str>,
    },
    /// A setting doesn't read back.
    #[error(
        "{at}, but {wanted} was set; check the instrument's ranges, limits, keyboard lock and \
         remote setting"
    )]
    Unverified {
        /// The exchange.
        at: Box<Exchange>,
        /// What was set.
        wanted: Box<str>,
    },
    /// A reply isn't what was asked for. The link is out of step.
    #[error("{at}: {why}; the link has to be resynchronised")]
    Unreadable {
        /// The exchange.
        at: Box<Exchange>,
        /// What is wrong with it.
        why: ResponseError,
    },
    /// A measurement gave infinity or "not a number".
    #[error("{at}: {quantity} {}; check range, leads and overload", describe(*value))]
    NoReading {
        /// The exchange.
        at: Box<Exchange>,
        /// Which quantity.
        quantity: &'static str,
        /// What came in place of a number.
        value: Numeric,
    },
    /// A value that is no number was to be set.
    #[error(
        "{instrument}: {value} was to be set, which is no number; nothing was sent. This is a fault \
         of the program, please report it"
    )]
    NoSetting {
        /// The instrument's name in the station.
        instrument: Box<str>,
        /// What was to be set.
        value: f64,
    },
    /// Its range doesn't reach that far, and can't be changed.
    #[error(
        "{instrument}: {wanted} A is beyond its range of {range} A, and the station describes no \
         command that changes it; choose the range at the instrument and state it"
    )]
    BeyondRange {
        /// The instrument's name in the station.
        instrument: Box<str>,
        /// What was asked for (A).
        wanted: f64,
        /// What is stated (A).
        range: f64,
    },
    /// It is off though it was switched on.
    #[error(
        "{at}, so it is off though it was switched on: one of its protections has tripped, or somebody \
         switched it off. Find out why before it is tried again: look for a short circuit, a wrong \
         polarity, a rating below the device's current, too much heat"
    )]
    IsOff {
        /// The exchange.
        at: Box<Exchange>,
    },
    /// A protection tripped.
    #[error(
        "{at}, so one of its protections has tripped; find out why before it is tried again: look \
         for a short circuit, a wrong polarity, a rating below the device's current"
    )]
    Tripped {
        /// The exchange.
        at: Box<Exchange>,
    },
    /// Commands were refused.
    #[error(
        "{at}: it refused a command ({count} errors in its queue, this is the first); check that \
         its command set and ranges are those the station states"
    )]
    Refused {
        /// The exchange that brought the first error.
        at: Box<Exchange>,
        /// How many errors there were.
        count: u32,
    },
    /// The error queue doesn't get empty.
    #[error("{at} after {limit} errors; switch the instrument off and on")]
    EndlessErrors {
        /// The last exchange.
        at: Box<Exchange>,
        /// How many were read.
        limit: u32,
    },
}

impl InstrumentError {
    /// Whether the line itself failed, so that it has to be resynchronised or opened again.
    #[must_use]
    pub const fn is_link(&self) -> bool {
        matches!(self, Self::Link { .. } | Self::Unreadable { .. })
    }

    /// Whether the line is gone and has to be opened again.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        matches!(
            self,
            Self::Link { source, .. }
                if matches!(
                    **source,
                    LinkError::Closed { .. } | LinkError::Hung { .. } | LinkError::Io { .. }
                )
        )
    }
}

fn describe(value: Numeric) -> &'static str {
    match value {
        Numeric::Value(_) => "is a number",
        Numeric::PositiveInfinity => "is beyond its range (plus infinity)",
        Numeric::NegativeInfinity => "is beyond its range (minus infinity)",
        Numeric::NotANumber => "has no reading (not a number)",
    }
}
