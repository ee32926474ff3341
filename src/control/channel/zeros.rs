//! What the instruments show at night, when there is nothing to show.
//!
//! - With the input off no current flows: what the load says then is its offset (or a leak through an input
//!   that did not open).
//! - Without sun the irradiance is zero: what the sensor says then is its offset. A thermopile under a
//!   clear sky shows a little below zero, as its dome cools by radiation (zero offset a of ISO 9060).
//! - The device's volts are noted, but nothing is made of them: moon and lamps bring volts, though hardly
//!   amps.
//!
//! One event tells the night's means when the night ends. Nothing is subtracted from readings: the log
//! keeps what was read, and whoever works with it decides.
//!
//! Night is when the sun stands below the end of civil twilight. Where the wall clock can't be trusted
//! the shell tells no sun, and there is no check: a device may be asleep in the light, under snow.

use super::Channel;
use super::daylight::NIGHT;
use crate::control::conversation::Outbox;
use crate::control::ledger::Look;
use crate::control::record::{Happening, Zero};
use crate::control::spread::Tally;
use crate::control::surroundings::Fresh;
use crate::quantities::{Amps, Irradiance, Volts};
use crate::time::{Instant, Stamp};
use std::time::Duration;

/// Fewer looks make no mean: at the least, some noise is averaged out.
const LEAST: u32 = 30;
/// In a polar winter the night does not end; it is told so often (s).
const LONGEST: Duration = Duration::from_secs(12 * 3600);

/// One night's looks.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Zeros {
    since: Option<Instant>,
    amps: Tally,
    volts: Tally,
    irradiance: Tally,
}

impl Zeros {
    fn note(&mut self, look: &Look) {
        self.since.get_or_insert(look.at);
        self.amps.push(look.amps.0);
        self.volts.push(look.volts.0);
        if let Some(seen) = look.irradiance {
            self.irradiance.push(seen.0);
        }
    }

    /// The night's means, if there are enough looks.
    fn found(&self) -> Option<Zero> {
        let mean = |tally: &Tally| tally.mean().filter(|_| tally.count() >= LEAST);
        Some(Zero {
            looks: self.amps.count(),
            amps: Amps(mean(&self.amps)?),
            scatter: Amps(self.amps.spread().deviation),
            volts: Volts(mean(&self.volts)?),
            irradiance: mean(&self.irradiance).map(Irradiance),
        })
    }
}

impl Channel {
    /// A look with the input off: part of the night, or the first after it.
    pub(super) fn check_zeros(&mut self, now: Stamp, look: &Look, fresh: &Fresh, out: &mut Outbox) {
        let night = fresh.sun.is_some_and(|sun| sun < NIGHT);
        let long = self.zeros.since.is_some_and(|since| look.at.saturating_since(since) >= LONGEST);
        if !night || long {
            self.tell_zeros(now, out);
        }
        if night {
            self.zeros.note(look);
        }
    }

    /// Tells the night's zeros and forgets them.
    fn tell_zeros(&mut self, now: Stamp, out: &mut Outbox) {
        let Some(zero) = std::mem::take(&mut self.zeros).found() else { return };
        let limits = &self.config.daylight.zeros;
        let what = if zero.is_within(limits) {
            Happening::ZerosRead(zero)
        } else {
            Happening::ZerosOff(zero)
        };
        self.tell(now, what, out);
    }
}
