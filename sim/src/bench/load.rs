//! What the electronic load and the boost supply are made of.

use super::meter::Meter;
use crate::quantities::{Amps, Volts, Watts};
use std::time::Duration;

/// A constant-voltage electronic load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoadParams {
    /// Time constant of its settling (s).
    pub settling: Duration,
    /// From a command on the line to its effect (s).
    pub latency: Duration,
    /// Measurement window (s).
    pub window: Duration,
    /// Largest terminal voltage (V); also the range of its voltmeter.
    pub volts_max: Volts,
    /// Largest current (A); also the range of its ammeter.
    pub amps_max: Amps,
    /// Largest power (W).
    pub watts_max: Watts,
    /// Below this terminal voltage it sinks less than its largest current, in proportion, down to
    /// nothing at 0 V (common practice, no source) (V).
    pub knee: Volts,
    /// Smallest step of its setpoint (V).
    pub set_resolution: Volts,
    /// Its voltmeter.
    pub volts_meter: Meter,
    /// Its ammeter.
    pub amps_meter: Meter,
}

impl LoadParams {
    /// A load of a usual size: 15 ms settling, 5 ms latency, 20 ms window, noise and resolution of
    /// 1e-4 and 1e-5 of full scale, no gain error (invented).
    #[must_use]
    pub fn usual(volts_max: Volts, amps_max: Amps, watts_max: Watts) -> Self {
        Self {
            settling: Duration::from_millis(15),
            latency: Duration::from_millis(5),
            window: Duration::from_millis(20),
            volts_max,
            amps_max,
            watts_max,
            knee: Volts(2.0),
            set_resolution: Volts(volts_max.0 * 1e-5),
            volts_meter: Meter::of_range(volts_max.0),
            amps_meter: Meter::of_range(amps_max.0),
        }
    }

    /// The largest current it can sink with `volts` at its terminals (A).
    #[must_use]
    pub fn sinkable(&self, volts: Volts) -> Amps {
        let knee = if self.knee > Volts::ZERO { (volts / self.knee).clamp(0.0, 1.0) } else { 1.0 };
        let power = if volts > Volts::ZERO { self.watts_max / volts } else { self.amps_max };
        (self.amps_max * knee).min(power)
    }

    /// The setpoint it really takes for a commanded one (V).
    #[must_use]
    pub fn settable(&self, volts: Volts) -> Volts {
        let volts = volts.max(Volts::ZERO).min(self.volts_max);
        if self.set_resolution > Volts::ZERO {
            self.set_resolution * (volts / self.set_resolution).round()
        } else {
            volts
        }
    }
}

/// A boost supply in series with the device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Boost {
    /// Output voltage (V).
    pub volts: Volts,
    /// Current limit (A): beyond it the supply gives up its voltage.
    pub limit: Amps,
}
