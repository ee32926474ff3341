//! The cells: which fault, where, on which line, in which phase; and what each of them promises.

use cresthold_sim::wire::fault::{Fault, Lasting, Mishap, SensorFault, What};
use std::fmt;
use std::time::Duration;

/// Where it happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Place {
    Load,
    Boost,
    Irradiance,
    /// The module's temperature, which a limit of the envelope needs.
    Temperature,
}

/// What is between it and the logger.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Link {
    /// SCPI on a serial line.
    Serial,
    /// SCPI on a socket.
    Tcp,
    /// SCPI in USB-TMC's messages.
    Usb,
    ModbusRtu,
    ModbusTcp,
    /// A multimeter with SCPI on a socket.
    Meter,
}

/// When it begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Phase {
    Waking,
    Tracking,
    Sweeping,
    Stopping,
}

impl Place {
    pub(crate) const ALL: [Self; 4] =
        [Self::Load, Self::Boost, Self::Irradiance, Self::Temperature];

    pub(crate) const fn is_sensor(self) -> bool {
        matches!(self, Self::Irradiance | Self::Temperature)
    }

    pub(crate) const fn links(self) -> [Link; 3] {
        match self {
            Self::Load | Self::Boost => [Link::Serial, Link::Tcp, Link::Usb],
            Self::Irradiance | Self::Temperature => [Link::ModbusRtu, Link::ModbusTcp, Link::Meter],
        }
    }

    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Load => "load",
            Self::Boost => "boost",
            Self::Irradiance => "irradiance",
            Self::Temperature => "temperature",
        }
    }
}

impl Link {
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Serial => "serial",
            Self::Tcp => "tcp",
            Self::Usb => "usb-tmc",
            Self::ModbusRtu => "modbus-rtu",
            Self::ModbusTcp => "modbus-tcp",
            Self::Meter => "meter-tcp",
        }
    }

    /// Whether it is a terminal, whose number may change.
    pub(crate) const fn is_serial(self) -> bool {
        matches!(self, Self::Serial | Self::ModbusRtu)
    }
}

impl Phase {
    pub(crate) const ALL: [Self; 4] =
        [Self::Waking, Self::Tracking, Self::Sweeping, Self::Stopping];

    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Waking => "waking",
            Self::Tracking => "tracking",
            Self::Sweeping => "sweeping",
            Self::Stopping => "stopping",
        }
    }
}

/// One cell of the matrix.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Cell {
    pub(crate) place: Place,
    pub(crate) link: Link,
    /// A word of [`What::NAMES`].
    pub(crate) kind: &'static str,
    pub(crate) phase: Phase,
}

impl fmt::Display for Cell {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { place, link, kind, phase } = self;
        write!(f, "{}/{}/{kind}/{}", place.word(), link.word(), phase.word())
    }
}

/// Why there is no such cell, if there is none.
fn is_possible(place: Place, link: Link, kind: &str) -> bool {
    let sensor = place.is_sensor();
    match kind {
        // A socket has an address; only nodes in /dev have numbers.
        "renumbered" => link.is_serial() || link == Link::Usb,
        // USB carries checksums and whole messages.
        "garbled" | "partial" => link != Link::Usb,
        "dead" | "stuck" | "drifting" | "not-a-number" => sensor,
        "tripped" => place == Place::Load,
        "collapsed" => place == Place::Boost,
        "restarted" => !sensor,
        _ => true,
    }
}

/// Every cell there is.
pub(crate) fn all() -> Vec<Cell> {
    let mut cells = Vec::new();
    for place in Place::ALL {
        for link in place.links() {
            for kind in What::NAMES.into_iter().filter(|kind| is_possible(place, link, kind)) {
                cells.extend(Phase::ALL.map(|phase| Cell { place, link, kind, phase }));
            }
        }
    }
    cells
}

/// SplitMix64 (Steele, Lea, Flood 2014, from memory).
pub(crate) struct Dice(u64);

impl Dice {
    /// From 0 to 1.
    pub(crate) fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) as f64 / u64::MAX as f64
    }

    /// From `low` to `high`, in whole milliseconds.
    pub(crate) fn span(&mut self, low: f64, high: f64) -> Duration {
        let seconds = low + (high - low) * self.roll();
        Duration::from_millis((1000.0 * seconds).round() as u64)
    }
}

impl Cell {
    /// Its seed: of the matrix and of its name, so that a cell runs alone as among the others.
    /// FNV-1a (Fowler, Noll, Vo, from memory).
    pub(crate) fn seed(&self, matrix: u64) -> u64 {
        let name = self.to_string();
        name.bytes().fold(0xcbf2_9ce4_8422_2325 ^ matrix, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        })
    }

    pub(crate) fn dice(&self, matrix: u64) -> Dice {
        Dice(self.seed(matrix))
    }

    /// What happens, and for how long, from `at` on.
    pub(crate) fn fault(&self, at: Duration, dice: &mut Dice) -> Fault {
        let lasting = match self.kind {
            "closed" => Lasting::Once,
            // Longer than the largest age of a value and the grace of a limit together.
            "dead" | "stuck" | "drifting" | "not-a-number" => Lasting::For(dice.span(7.0, 10.0)),
            _ => Lasting::For(dice.span(1.0, 8.0)),
        };
        let sign = if dice.roll() < 0.5 { -1.0 } else { 1.0 };
        let drift = if self.place == Place::Temperature { 4.0 } else { 35.0 };
        let bytes = 1 + (3.0 * dice.roll()) as usize;
        let what = match self.kind {
            "dropped" => What::Replies(Mishap::Silent),
            "late" => What::Replies(Mishap::Late(dice.span(0.2, 2.5))),
            "garbled" => What::Replies(Mishap::Garbled),
            "partial" => What::Replies(Mishap::Truncated(bytes)),
            "duplicated" => What::Replies(Mishap::Doubled),
            "closed" => What::Closed,
            "refused" => What::Refused,
            "renumbered" => What::Renumbered,
            "dead" => What::Dead,
            "stuck" => What::Sensor(SensorFault::Stuck),
            "drifting" => What::Sensor(SensorFault::Drifting { per_second: sign * drift }),
            "not-a-number" => What::Sensor(SensorFault::NotANumber),
            "tripped" => What::Tripped,
            "collapsed" => What::Collapsed,
            _ => What::Restarted,
        };
        Fault { at, lasting, what, place: self.place as usize }
    }

    /// How long after the fault's end (and its last late answer), at most, the channel is at its crest again and its samples
    /// are whole.
    ///
    /// A load or a supply: an attempt under way when the fault ends may still fail (5 s to open and
    /// align a silent line), then comes the longest wait between attempts (8 s after four failures)
    /// and a start (1 s to open again, 1.5 s to prepare both, 1 s for the boost supply to rise, a
    /// look every 2 s). Where the line only broke once there is no wait. A sensor: one more failed
    /// question (1 s) and the wait that has grown meanwhile (4 s); where the guard let go, the rest
    /// of 2 s, a look and a start.
    pub(crate) const fn promise(&self) -> Duration {
        Duration::from_secs(match (self.place.is_sensor(), self.kind.as_bytes()) {
            (_, b"closed") => 8,
            (true, _) => 12,
            (false, _) => 18,
        })
    }

    /// How long an end takes at most: two instruments that don't answer, one after the other.
    pub(crate) const LAST_WORDS: Duration = Duration::from_secs(31);
}
