//! I-V curves as records: points, and how the curve ended.
//!
//! Model: points are told one by one as they are measured; the curve itself is told when it ends,
//! whole or broken off. A curve that was never told to have ended whole isn't one. Keeping the
//! points back until the end was rejected: a power cut would lose them, and the core would need room
//! for them all.

use super::record::ChannelId;
use crate::quantities::{Amps, Celsius, Irradiance, Volts, WattHours};
use crate::time::Stamp;

/// Which way a sweep goes. Each begins with a look at open circuit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum SweepDirection {
    /// From open circuit to short circuit.
    #[default]
    Down,
    /// From short circuit to open circuit.
    Up,
    /// Down, then up.
    Both,
}

impl SweepDirection {
    /// All of them, in the order of [`SweepDirection::NAMES`].
    pub const ALL: [Self; 3] = [Self::Down, Self::Up, Self::Both];
    /// The words in the station file and in the log.
    pub const NAMES: [&'static str; 3] = ["down", "up", "both"];

    /// The word in the station file and in the log.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Down => Self::NAMES[0],
            Self::Up => Self::NAMES[1],
            Self::Both => Self::NAMES[2],
        }
    }
}

/// Why a curve ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum CurveEnd {
    /// All its points were taken.
    Whole,
    /// A limit was passed: see the event of the same moment.
    LetGo,
    /// The link failed.
    LinkLost,
    /// It became too dark.
    Dark,
    /// The run ended.
    Stopped,
}

impl CurveEnd {
    /// All of them.
    pub const ALL: [Self; 5] =
        [Self::Whole, Self::LetGo, Self::LinkLost, Self::Dark, Self::Stopped];

    /// The word in the log.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Whole => "whole",
            Self::LetGo => "let go",
            Self::LinkLost => "link lost",
            Self::Dark => "dark",
            Self::Stopped => "stopped",
        }
    }
}

/// One point of an I-V curve: one reading, taken after the load had settled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurvePoint {
    /// Which channel.
    pub channel: ChannelId,
    /// Which of the channel's curves of this run, from one.
    pub curve: u32,
    /// Which point of it, in the order they were taken, from zero: the one at open circuit.
    pub index: u16,
    /// The middle of its measurement window.
    pub at: Stamp,
    /// Device voltage (V).
    pub volts: Volts,
    /// Device current (A).
    pub amps: Amps,
    /// Device voltage asked for (V).
    pub setpoint: Volts,
    /// Irradiance on the device (W/m2), where fresh.
    pub irradiance: Option<Irradiance>,
    /// Back-of-module temperature (degC), where fresh.
    pub module_temperature: Option<Celsius>,
}

/// An I-V curve that has ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Curve {
    /// Which channel.
    pub channel: ChannelId,
    /// Which of the channel's curves of this run, from one.
    pub curve: u32,
    /// When it began: the setpoint of its first point was asked for.
    pub began: Stamp,
    /// When it ended.
    pub at: Stamp,
    /// How many points were told.
    pub points: u16,
    /// Which way it went.
    pub direction: SweepDirection,
    /// Why it ended.
    pub end: CurveEnd,
    /// Energy missed by it (Wh): the power at the crest before and after it (their mean; before it
    /// alone, where it was broken off) for the time it took, less the energy delivered meanwhile.
    /// Signed, so that light that changes meanwhile averages out over many.
    pub missed: WattHours,
}
