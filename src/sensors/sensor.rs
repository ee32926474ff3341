//! A sensor, as the board is told of it.

use super::{Meaning, Quantity};
use crate::control::record::ChannelId;
use std::time::Duration;

/// Which sensor of the station, in the station file's order, from zero.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SensorId(pub u16);

/// When two sensors of the same quantity disagree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Disagreement {
    /// Share of the larger magnitude (%).
    pub percent: f64,
    /// Difference that is always allowed, in the quantity's unit.
    pub absolute: f64,
    /// How long it must last.
    pub after: Duration,
}

impl Disagreement {
    /// Whether two values lie too far apart.
    ///
    /// ```
    /// use cresthold::sensors::Disagreement;
    /// let limits =
    ///     Disagreement { percent: 5.0, absolute: 10.0, after: std::time::Duration::ZERO };
    /// assert!(!limits.between(1000.0, 951.0)); // 49 against 50
    /// assert!(limits.between(1000.0, 949.0));
    /// assert!(!limits.between(3.0, -4.0)); // 7 against 10, whatever the share
    /// ```
    #[must_use]
    pub fn between(&self, one: f64, other: f64) -> bool {
        const PERCENT: f64 = 100.0;
        let share = self.percent / PERCENT * one.abs().max(other.abs());
        (one - other).abs() > self.absolute.max(share)
    }
}

/// A sensor.
#[derive(Clone, Debug, PartialEq)]
pub struct Sensor {
    /// Name, unique among the station's sensors.
    pub name: String,
    /// What it measures.
    pub quantity: Quantity,
    /// The channels it serves; none for one that is only recorded.
    pub channels: Vec<ChannelId>,
    /// Order of trust among sensors of the same quantity and channel; 1 is trusted most, and of two
    /// with the same rank the first in the file.
    pub rank: u32,
    /// How often it is asked, or how often its channel gives a value.
    pub period: Duration,
    /// An older value is not used.
    pub max_age: Duration,
    /// What its raw number means.
    pub meaning: Meaning,
    /// When it disagrees with the one trusted before it; none for never.
    pub disagreement: Option<Disagreement>,
    /// How long the same raw number is believed while others of its quantity move; none for ever.
    pub stuck_after: Option<Duration>,
    /// Whether it has a line of its own. One that is read through a channel sleeps with it.
    pub polled: bool,
}

impl Sensor {
    /// Whether the two speak about the same thing.
    #[must_use]
    pub fn is_peer_of(&self, other: &Self) -> bool {
        self.quantity == other.quantity
            && self.channels.iter().any(|channel| other.channels.contains(channel))
    }
}
