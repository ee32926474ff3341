//! When a channel sleeps and wakes: the device's own volts and watts, the irradiance sensor and the height
//! of the sun, none of which is believed alone.
//!
//! - A device that yields power is not put to sleep by a sensor that says dark (covered by snow, a bird,
//!   a cap), unless the sun is well below the horizon.
//! - A device that yields nothing in the light (snow on it, an open lead) is let go, as at night, so that
//!   the load does not hunt for a crest that isn't there.
//! - With the sun well up, enough volts wake the channel though the sensor says dark.
//! - Whoever woke for nothing naps twice as long the next time; flicker at dawn and dusk, an eclipse or
//!   thawing snow cost a few switchings and no more. A nap ends early when the open-circuit voltage has
//!   risen.
//!
//! The sun can only ever help to wake: a site with a wrong sign, or lamps at night, must not keep a
//! channel from its light. Where the wall clock can't be trusted the shell tells no sun.

use super::{Channel, Look};
use crate::control::record::Happening;
use crate::control::surroundings::Fresh;
use crate::quantities::Volts;
use crate::time::Instant;
use std::time::Duration;

/// Below this the sun gives no light that counts (degrees: the end of civil twilight).
pub(super) const NIGHT: f64 = -6.0;
/// Above this it is day (degrees): a clear sky has some 150 W/m2 on the level, and the heaviest clouds of
/// the recorded day in the tests leave 4.
const DAY: f64 = 10.0;
/// So many times the least yield speak against a sensor that says dark: under heavy clouds a device yields
/// twice of it at what the sensor rightly calls dark.
const CLEAR: f64 = 20.0;
/// In the light so many dusk delays without yield are borne: the tracker finds the crest within one.
const BARREN: u32 = 5;
/// Awake for less than so many dusk delays was for nothing.
const SHORT: u32 = 10;
/// Naps double so many times: from a minute to half an hour.
const DOUBLINGS: u32 = 5;
/// The open-circuit voltage has risen when it is so many times as high: less than the 2.8 % that twice
/// the light gives (0.69 times 26 mV for each of sixty cells, of 38 V), more than a meter scatters.
const RISEN: f64 = 1.02;

/// What is remembered of sleep.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sleep {
    /// How many times in a row it woke for nothing.
    short: u32,
    woke: Instant,
    /// The nap lasts until then, or until the volts have risen.
    until: Instant,
    volts: Volts,
    /// Since when it yields nothing in the light.
    barren_since: Option<Instant>,
    /// Since when it yields though its sensor says dark, and whether that was told.
    doubted_since: Option<Instant>,
    told: bool,
}

impl Sleep {
    /// It wakes at this open-circuit voltage.
    pub(super) fn wakes(&mut self, now: Instant, volts: Volts) {
        self.woke = now;
        // Flicker brings the same volts again and again: only more than all of them is news.
        self.volts = if self.short > 0 { self.volts.max(volts) } else { volts };
        (self.barren_since, self.doubted_since) = (None, None);
    }

    /// It falls asleep; naps after short wakes grow.
    pub(super) fn begins(&mut self, now: Instant, dusk_delay: Duration) {
        let short = now.saturating_since(self.woke) < dusk_delay * SHORT;
        self.short = if short { self.short.saturating_add(1) } else { 0 };
        self.until = now + dusk_delay * (1 << self.short.min(DOUBLINGS));
    }

    /// Whether the nap is over at these volts.
    pub(super) fn is_over(&self, now: Instant, volts: Volts) -> bool {
        now >= self.until || volts >= self.volts * RISEN
    }
}

/// Why a channel goes to sleep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Tired {
    /// It is dark.
    Dark,
    /// It is light, and the device yields nothing.
    Barren,
}

impl Channel {
    /// Whether the device is to sleep, and why; what is doubtful about its sensor.
    pub(super) fn tired(
        &mut self,
        now: Instant,
        look: &Look,
        fresh: &Fresh,
    ) -> (Option<Tired>, Option<Happening>) {
        let daylight = &self.config.daylight;
        let watts = look.volts * look.amps;
        let (judges, yields) = (daylight.sleep_watts.0 > 0.0, watts >= daylight.sleep_watts);
        let says_dark = look.irradiance.filter(|seen| *seen < daylight.sleep_irradiance);
        let night = fresh.sun.is_some_and(|sun| sun < NIGHT);
        let dark = match look.irradiance {
            Some(_) => says_dark.is_some() && (!judges || !yields || night),
            None => !yields,
        };
        let delay = daylight.dusk_delay;
        let sleep = &mut self.sleep;
        let lasts = |since: &mut Option<Instant>, is: bool, span: Duration| {
            *since = if is { Some(since.unwrap_or(now)) } else { None };
            since.is_some_and(|since| now.saturating_since(since) >= span)
        };
        let barren = judges && !yields && look.irradiance.is_some() && says_dark.is_none();
        let barren = lasts(&mut sleep.barren_since, barren, delay * BARREN);
        let plenty = judges && watts >= daylight.sleep_watts * CLEAR;
        let doubt = plenty && fresh.sun.is_some_and(|sun| sun >= DAY);
        let doubtful = says_dark.filter(|_| doubt);
        let lasting = lasts(&mut sleep.doubted_since, doubtful.is_some(), delay * SHORT);
        sleep.told &= look.irradiance.is_none() || says_dark.is_some();
        let news = doubtful.filter(|_| lasting && !sleep.told).map(|irradiance| {
            sleep.told = true;
            Happening::SensorDoubted { irradiance, watts }
        });
        let tired = match self.dark_for_long(now, dark) {
            true => Some(Tired::Dark),
            false => barren.then_some(Tired::Barren),
        };
        (tired, news)
    }

    /// Whether it is light enough to work.
    pub(super) fn light(&self, look: &Look, fresh: &Fresh) -> bool {
        let daylight = &self.config.daylight;
        let says_light = |seen| seen >= daylight.wake_irradiance;
        look.volts >= daylight.wake_volts
            && (look.irradiance.is_none_or(says_light) || fresh.sun.is_some_and(|sun| sun >= DAY))
    }
}
