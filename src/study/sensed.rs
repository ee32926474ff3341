//! What the station's sensors say in a trial, faults included.

use super::settings::{BenchSettings, SensorFault, SensorSettings};
use crate::control::{Observed, Surroundings};
use crate::quantities::{Celsius, Irradiance};
use crate::time::Instant;
use cresthold_sim::bench::Sensor;
use cresthold_sim::scene::Exposure;
use std::collections::VecDeque;
use std::time::Duration;

/// Apart from the meters' noise: the sensors' seeds are the trial's and these.
const IRRADIANCE_SALT: u64 = 0x9e37_79b9_7f4a_7c15;
const THERMOMETER_SALT: u64 = 0xc2b2_ae3d_27d4_eb4f;

/// The sensors beside a device.
pub(super) struct Sensed {
    irradiance: Option<(Sensor, SensorSettings)>,
    thermometer: Option<Sensor>,
    /// When faults begin that begin.
    fails: Instant,
    stuck: Option<f64>,
    /// What a late sensor has yet to say.
    late: VecDeque<(Instant, f64)>,
}

impl Sensed {
    pub(super) fn new(settings: &BenchSettings, setup: Duration, seed: u64) -> Self {
        let sensor = |params, salt: u64| Sensor::new(params, seed ^ salt);
        Self {
            irradiance: settings.irradiance.map(|one| (sensor(one.params, IRRADIANCE_SALT), one)),
            thermometer: settings.thermometer.map(|params| sensor(params, THERMOMETER_SALT)),
            fails: Instant::ZERO + setup,
            stuck: None,
            late: VecDeque::new(),
        }
    }

    /// What they say at `now`; none without sensors.
    pub(super) fn look(&mut self, now: Instant, exposure: &Exposure) -> Option<Surroundings> {
        if self.irradiance.is_none() && self.thermometer.is_none() {
            return None;
        }
        let irradiance = self.irradiance(now, exposure.sensed());
        let back = exposure.back().0;
        let temperature = self.thermometer.as_mut().map(|sensor| sensor.look(now, back));
        Some(Surroundings {
            irradiance: irradiance.map(|value| Observed { value: Irradiance(value), at: now }),
            module_temperature: temperature
                .map(|value| Observed { value: Celsius(value), at: now }),
            ..Surroundings::default()
        })
    }

    fn irradiance(&mut self, now: Instant, light: Irradiance) -> Option<f64> {
        let (sensor, SensorSettings { fault, .. }) = self.irradiance.as_mut()?;
        let shown = sensor.look(now, light.0);
        match fault {
            None => Some(shown),
            Some(SensorFault::Wrong(gain)) => Some(shown * *gain),
            Some(SensorFault::Dead) => (now < self.fails).then_some(shown),
            Some(SensorFault::Stuck) if now < self.fails => Some(shown),
            Some(SensorFault::Stuck) => Some(*self.stuck.get_or_insert(shown)),
            Some(SensorFault::Late(delay)) => {
                self.late.push_back((now, shown));
                let due = |next: Option<&(Instant, f64)>| {
                    next.is_some_and(|(at, _)| now.saturating_since(*at) >= *delay)
                };
                while due(self.late.get(1)) {
                    self.late.pop_front();
                }
                self.late.front().map(|(_, value)| *value)
            }
        }
    }
}
