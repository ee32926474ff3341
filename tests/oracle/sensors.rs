//! The sensors of test yards. Noise is never twice the same, so that a stuck sensor can be told from a
//! steady one (invented).

use cresthold_sim::bench::{Meter, SensorParams};
use std::time::Duration;

/// Sensitivity of a pyranometer at the meter (V per W/m2).
pub(crate) const SENSITIVITY: f64 = 8.52e-6;

pub(crate) const PYRANOMETER: SensorParams = SensorParams {
    lag: Duration::ZERO,
    meter: Meter { gain: 0.0, offset: 0.0, noise: 0.3, resolution: 0.01, range: 2000.0 },
    drift_per_day: 0.0,
};

pub(crate) const THERMOMETER: SensorParams = SensorParams {
    lag: Duration::ZERO,
    meter: Meter { gain: 0.0, offset: 0.0, noise: 0.05, resolution: 0.001, range: 200.0 },
    drift_per_day: 0.0,
};
