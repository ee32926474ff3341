//! What the core tells the log: samples, one-minute records, day totals, events.
//!
//! Model: records are plain values without text, so that producing one allocates nothing. The
//! shell adds the boot number and, on the embedded plant, the truth that only the plant knows.

pub use super::curve::{Curve, CurveEnd, CurvePoint, SweepDirection};
pub use super::happening::{Event, Happening, Limit, Sense, Severity, Zero};
use crate::quantities::{Amps, Celsius, Irradiance, Irradiation, Volts, WattHours, Watts};
use crate::time::{Instant, Stamp, Utc};
use std::fmt;
use std::time::Duration;

/// Which channel of the station, in the station file's order, from zero.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChannelId(pub u16);

/// What a channel is doing, in plain words.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Activity {
    /// The link is being opened and the instruments are being identified and made safe.
    #[default]
    Connecting,
    /// Too dark to work: input off, boost off, looking up now and then.
    Asleep,
    /// Bringing the device from open circuit to the crest.
    Starting,
    /// Holding the device at the crest.
    Tracking,
    /// Let go after a breach of the envelope; waiting before the next try.
    Resting,
    /// Let go too often: off until a person has looked.
    LockedOff,
    /// Stopped by request: input off, boost off.
    Stopped,
    /// Taking an I-V curve: from open circuit to short circuit or back.
    Sweeping,
}

impl Activity {
    /// All activities, in the order of their codes in the log.
    pub const ALL: [Self; 8] = [
        Self::Connecting,
        Self::Asleep,
        Self::Starting,
        Self::Tracking,
        Self::Resting,
        Self::LockedOff,
        Self::Stopped,
        Self::Sweeping,
    ];

    /// The word for people, also stored in the log.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Connecting => "connecting",
            Self::Asleep => "asleep",
            Self::Starting => "starting",
            Self::Tracking => "tracking",
            Self::Resting => "resting",
            Self::LockedOff => "locked off",
            Self::Stopped => "stopped",
            Self::Sweeping => "sweeping",
        }
    }
}

impl fmt::Display for Activity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// One row of the sample table: the mean of `readings` readings since the row before, glances left out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Which channel.
    pub channel: ChannelId,
    /// When the last of the readings was taken.
    pub at: Stamp,
    /// What the channel was doing.
    pub activity: Activity,
    /// How many readings the means are over (1..).
    pub readings: u32,
    /// Mean device voltage (V).
    pub volts: Volts,
    /// Mean device current (A).
    pub amps: Amps,
    /// Mean device power (W); the mean of products, not the product of means.
    pub watts: Watts,
    /// The device voltage last asked for (V); absent while the input is off.
    pub setpoint: Option<Volts>,
    /// Mean plane-of-array (or direct, for a concentrator) irradiance (W/m2), where fresh.
    pub irradiance: Option<Irradiance>,
    /// Mean back-of-module temperature (degC), where fresh.
    pub module_temperature: Option<Celsius>,
    /// The exact power at the crest (W); only the embedded plant knows it.
    pub crest: Option<Watts>,
}

/// Mean, least, largest and standard deviation of one quantity over one minute.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    /// How many values (0 when the quantity was never fresh).
    pub count: u32,
    /// Mean.
    pub mean: f64,
    /// Least value.
    pub min: f64,
    /// Largest value.
    pub max: f64,
    /// Standard deviation of the sample (n - 1); zero for one value.
    pub deviation: f64,
}

/// A one-minute record (IEC 61724-1 asks for mean and extremes of each recorded quantity). Glances are left
/// out of these; the energy counts them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Minute {
    /// Which channel.
    pub channel: ChannelId,
    /// The start of the UTC minute.
    pub start: Utc,
    /// When the record was closed.
    pub at: Stamp,
    /// What the channel was doing when the record was closed.
    pub activity: Activity,
    /// Device voltage (V).
    pub volts: Spread,
    /// Device current (A).
    pub amps: Spread,
    /// Device power (W).
    pub watts: Spread,
    /// Irradiance (W/m2).
    pub irradiance: Spread,
    /// Module temperature (degC).
    pub module_temperature: Spread,
    /// Energy delivered by the device within the minute (Wh).
    pub energy: WattHours,
    /// Time covered by the energy integral.
    pub covered: Duration,
    /// Time missing from the integral while the channel was awake.
    pub missing: Duration,
}

/// Totals of one day ([`DaySplit`](super::DaySplit)); written again whenever they have grown.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DayTotal {
    /// Which channel.
    pub channel: ChannelId,
    /// Midnight of its date, by the time that days are counted by.
    pub day: Utc,
    /// When its book was begun, which no other of this channel and run shares: a step of the wall
    /// clock may rename the day.
    pub began: Instant,
    /// When the totals were taken.
    pub at: Stamp,
    /// Energy delivered (Wh).
    pub energy: WattHours,
    /// Energy an ideal tracker would have had (Wh); only the embedded plant knows it.
    pub available: Option<WattHours>,
    /// Irradiation (Wh/m2) while the sensor was fresh.
    pub irradiation: Irradiation,
    /// Largest power (W).
    pub peak: Watts,
    /// Time spent tracking.
    pub tracking: Duration,
    /// Time spent sweeping; its energy is counted, but the device was not at its crest.
    pub sweeping: Duration,
    /// Energy missed by sweeping (Wh): see [`Curve::missed`].
    pub sweep_missed: WattHours,
    /// Time covered by the energy integral.
    pub covered: Duration,
    /// Time missing from the integral while the channel was awake.
    pub missing: Duration,
    /// How many gaps make up the missing time.
    pub gaps: u32,
}

impl DayTotal {
    /// Share of the awake time that the energy integral covers (0..=1); none for a day without any.
    #[must_use]
    pub fn completeness(&self) -> Option<f64> {
        let awake = (self.covered + self.missing).as_secs_f64();
        (awake > 0.0).then(|| self.covered.as_secs_f64() / awake)
    }
}

/// One thing for the log.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Record {
    /// A sample.
    Sample(Sample),
    /// A one-minute record.
    Minute(Minute),
    /// Totals of a day so far.
    Day(DayTotal),
    /// An event.
    Event(Event),
    /// A point of an I-V curve.
    CurvePoint(CurvePoint),
    /// The end of an I-V curve, whole or broken off.
    Curve(Curve),
}
