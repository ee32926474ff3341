//! Sensors of irradiance and temperature: lag, gain, offset, drift, noise.
//!
//! Model: first-order lag, exact for an input that holds still between two looks, then a meter whose
//! gain drifts with time.

use super::meter::{Meter, Noise};
use crate::time::Instant;
use std::time::Duration;

const SECONDS_PER_DAY: f64 = 86_400.0;

/// What a sensor is made of. Values in the unit of what it senses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorParams {
    /// Time constant of its lag (s); zero follows at once.
    pub lag: Duration,
    /// Gain, offset, noise, resolution and range.
    pub meter: Meter,
    /// Change of the relative gain per day.
    pub drift_per_day: f64,
}

impl SensorParams {
    /// A thermopile pyranometer: 63 % after 1.7 s (95 % after 5 s, the usual size; common practice,
    /// no source), an offset of -1 W/m2, noise 0.3 W/m2.
    pub const PYRANOMETER: Self = Self {
        lag: Duration::from_millis(1700),
        meter: Meter { gain: 0.004, offset: -1.0, noise: 0.3, resolution: 0.1, range: 2000.0 },
        drift_per_day: -1.4e-5,
    };

    /// A reference cell: as fast as the device, noise 0.2 W/m2 (invented).
    pub const REFERENCE_CELL: Self = Self {
        lag: Duration::ZERO,
        meter: Meter { gain: -0.003, offset: 0.0, noise: 0.2, resolution: 0.1, range: 2000.0 },
        drift_per_day: -5e-6,
    };

    /// A resistance thermometer glued to the back: 20 s, 0.2 degC off, noise 0.02 degC (invented).
    pub const MODULE_THERMOMETER: Self = Self {
        lag: Duration::from_secs(20),
        meter: Meter { gain: 0.0, offset: 0.2, noise: 0.02, resolution: 0.01, range: 200.0 },
        drift_per_day: 0.0,
    };
}

/// A sensor at work.
#[derive(Clone, Debug)]
pub struct Sensor {
    params: SensorParams,
    noise: Noise,
    state: Option<(Instant, f64)>,
}

impl Sensor {
    /// A sensor that will begin at the first value it sees. `seed` feeds its noise.
    #[must_use]
    pub fn new(params: SensorParams, seed: u64) -> Self {
        Self { params, noise: Noise::new(seed), state: None }
    }

    /// What it shows at `now`, when the true value has been `value` since the last look.
    pub fn look(&mut self, now: Instant, value: f64) -> f64 {
        let lag = self.params.lag.as_secs_f64();
        let state = match self.state {
            Some((then, state)) if lag > 0.0 => {
                let span = now.saturating_since(then).as_secs_f64();
                value + (state - value) * (-span / lag).exp()
            }
            _ => value,
        };
        self.state = Some((now, state));
        let drift = self.params.drift_per_day * now.as_secs_f64() / SECONDS_PER_DAY;
        self.params.meter.read(state * (1.0 + drift), &mut self.noise)
    }
}
