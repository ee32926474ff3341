//! What can go wrong, where, and how it is written.

use super::reply::Mishap;
use super::sensor::SensorFault;
use std::fmt;
use std::time::Duration;

/// What a place is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// An electronic load.
    Load,
    /// A boost supply.
    Supply,
    /// A sensor.
    Sensor,
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Load => "load",
            Self::Supply => "boost supply",
            Self::Sensor => "sensor",
        })
    }
}

/// A place where faults happen: an instrument at the end of its line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// What it is called, as `slope-1 load`.
    pub name: String,
    /// What it is.
    pub role: Role,
    /// Whether it has a terminal whose number may change.
    pub terminal: bool,
}

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum What {
    /// Replies are spoilt.
    Replies(Mishap),
    /// The connection ends; the next one is welcome.
    Closed,
    /// The connection ends and for a while nobody can connect.
    Refused,
    /// The terminal gets another number at once; its stable name follows at the end.
    Renumbered,
    /// A sensor gives no reply.
    Dead,
    /// A sensor's value is wrong.
    Sensor(SensorFault),
    /// A load's input goes off by itself, with error -300 in its queue; until the end it can't be
    /// switched on.
    Tripped,
    /// A boost supply's voltage falls to nothing while its output stays on.
    Collapsed,
    /// The instrument loses its power: input or output off, silence until the end, then the
    /// settings of power-on.
    Restarted,
}

/// What a fault puts in the place of what another one did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Slot {
    Replies,
    Connection,
    Value,
    Input,
    Volts,
    Power,
}

/// Why a fault can't happen at a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unfit {
    /// It happens to instruments of another role only.
    #[error("it happens to a {0} only")]
    Role(Role),
    /// It happens to loads and supplies only.
    #[error("it happens to loads and boost supplies only")]
    NotASensor,
    /// It needs a terminal.
    #[error("only a pseudo-terminal has a number; serve with --terminals")]
    NoTerminal,
}

impl What {
    /// The words of a fault script, in the order of the variants.
    pub const NAMES: [&'static str; 15] = [
        "dropped",
        "late",
        "garbled",
        "partial",
        "duplicated",
        "closed",
        "refused",
        "renumbered",
        "dead",
        "stuck",
        "drifting",
        "not-a-number",
        "tripped",
        "collapsed",
        "restarted",
    ];

    /// Its word in a fault script.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        Self::NAMES[match self {
            Self::Replies(Mishap::Silent) => 0,
            Self::Replies(Mishap::Late(_)) => 1,
            Self::Replies(Mishap::Garbled) => 2,
            Self::Replies(Mishap::Truncated(_)) => 3,
            Self::Replies(Mishap::Doubled) => 4,
            Self::Closed => 5,
            Self::Refused => 6,
            Self::Renumbered => 7,
            Self::Dead => 8,
            Self::Sensor(SensorFault::Stuck) => 9,
            Self::Sensor(SensorFault::Drifting { .. }) => 10,
            Self::Sensor(SensorFault::NotANumber) => 11,
            Self::Tripped => 12,
            Self::Collapsed => 13,
            Self::Restarted => 14,
        }]
    }

    /// Whether it can happen at `place`.
    ///
    /// # Errors
    /// [`Unfit`], why not.
    pub fn fits(&self, place: &Place) -> Result<(), Unfit> {
        let only = |role| if place.role == role { Ok(()) } else { Err(Unfit::Role(role)) };
        match self {
            Self::Replies(_) | Self::Closed | Self::Refused => Ok(()),
            Self::Dead | Self::Sensor(_) => only(Role::Sensor),
            Self::Tripped => only(Role::Load),
            Self::Collapsed => only(Role::Supply),
            Self::Restarted if place.role == Role::Sensor => Err(Unfit::NotASensor),
            Self::Renumbered if !place.terminal => Err(Unfit::NoTerminal),
            Self::Restarted | Self::Renumbered => Ok(()),
        }
    }

    pub(super) const fn slot(&self) -> Slot {
        match self {
            Self::Replies(_) | Self::Dead => Slot::Replies,
            Self::Closed | Self::Refused | Self::Renumbered => Slot::Connection,
            Self::Sensor(_) => Slot::Value,
            Self::Tripped => Slot::Input,
            Self::Collapsed => Slot::Volts,
            Self::Restarted => Slot::Power,
        }
    }
}

/// How long a fault lasts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lasting {
    /// It is over when it happened.
    Once,
    /// So long.
    For(Duration),
    /// So many replies, at each of the place's lines.
    Replies(u32),
}

/// One fault of a script.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fault {
    /// When it begins, since the start.
    pub at: Duration,
    /// How long it lasts.
    pub lasting: Lasting,
    /// What happens.
    pub what: What,
    /// To which of the places or victims, counted from zero.
    pub place: usize,
}

impl Fault {
    /// As an entry of a fault script; `place` is the place's name.
    ///
    /// ```
    /// use cresthold_sim::wire::fault::{Fault, Lasting, Mishap, What};
    /// use std::time::Duration;
    /// let fault = Fault {
    ///     at: Duration::from_millis(12_500),
    ///     lasting: Lasting::Replies(3),
    ///     what: What::Replies(Mishap::Late(Duration::from_millis(700))),
    ///     place: 0,
    /// };
    /// assert_eq!(
    ///     fault.written("slope-1 load"),
    ///     r#"{ at_s = 12.5, what = "late", by_s = 0.7, replies = 3, where = "slope-1 load" }"#
    /// );
    /// ```
    #[must_use]
    pub fn written(&self, place: &str) -> String {
        let own = match self.what {
            What::Replies(Mishap::Late(by)) => format!(", by_s = {:?}", seconds(by)),
            What::Replies(Mishap::Truncated(bytes)) => format!(", bytes = {bytes}"),
            What::Sensor(SensorFault::Drifting { per_second }) => {
                format!(", per_s = {per_second:?}")
            }
            _ => String::new(),
        };
        let lasting = match self.lasting {
            Lasting::Once => String::new(),
            Lasting::For(span) => format!(", for_s = {:?}", seconds(span)),
            Lasting::Replies(replies) => format!(", replies = {replies}"),
        };
        let (at, what) = (seconds(self.at), self.what.name());
        format!("{{ at_s = {at:?}, what = \"{what}\"{own}{lasting}, where = {place:?} }}")
    }
}

/// Seconds that print with no digit more than their microseconds have.
#[expect(clippy::cast_precision_loss, reason = "2^53 microseconds are 285 years")]
fn seconds(span: Duration) -> f64 {
    span.as_micros() as f64 / 1e6
}
