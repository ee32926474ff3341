//! What several integration tests need: a stand as in the built-in rehearsal, without its file.

#![allow(dead_code, unreachable_pub, clippy::unwrap_used, reason = "each test uses its part")]

use cresthold::control::record::{ChannelId, SweepDirection};
use cresthold::control::{
    Capability, CapabilityPoint, Channel, ChannelConfig, Daylight, Envelope, Retry, SensedLimits,
    SeriesPath, SweepBy, SweepConditions, SweepConfig, Tolerances, ZeroLimits,
};
use cresthold::quantities::{Amps, Celsius, Irradiance, Ohms, Volts, Watts};
use cresthold::rehearsal::{Mounting, Stand, StandParts};
use cresthold::trackers::{PerturbAndObserveConfig, TrackerConfig};
use cresthold_sim::bench::{Bench, Boost, LoadParams, Sensor, SensorParams};
use cresthold_sim::device::examples;
use cresthold_sim::sky::Place;
use cresthold_sim::sky::plane::Plane;
use cresthold_sim::thermal::{Thermal, ThermalParams};
use std::time::Duration;

pub const BOOST: Volts = Volts(6.0);

pub fn perturb_and_observe(step: f64) -> TrackerConfig {
    TrackerConfig::PerturbAndObserve(PerturbAndObserveConfig { step: Volts(step) })
}

pub fn envelope() -> Envelope {
    let point = |volts, amps| CapabilityPoint { volts: Volts(volts), amps: Amps(amps) };
    Envelope {
        device_volts_max: Volts(48.0),
        reverse_allowance: Volts(1.0),
        device_amps_max: Amps(16.0),
        device_watts_max: Watts(450.0),
        load_volts_max: Volts(60.0),
        load_watts_max: Watts(600.0),
        boost_amps_max: Some(Amps(18.0)),
        capability: Capability::new(&[point(0.0, 0.0), point(2.0, 20.0)]).unwrap(),
        sensed: SensedLimits { blind_grace: Duration::from_secs(5), ..SensedLimits::default() },
        tolerances: Tolerances::default(),
    }
}

pub fn channel_config(tracker: TrackerConfig) -> ChannelConfig {
    ChannelConfig {
        id: ChannelId(0),
        period: Duration::from_millis(100),
        glance: Duration::from_millis(45),
        sample_every: Duration::from_secs(1),
        max_gap: Duration::from_secs(2),
        max_sensor_age: Duration::from_secs(5),
        envelope: envelope(),
        path: SeriesPath { boost: BOOST, lead: Ohms::ZERO },
        boost_switched: true,
        tracker,
        sweep: SweepConfig {
            every: None,
            points: 100,
            settle: Duration::from_millis(75),
            readings: 1,
            by: SweepBy::Steps,
            direction: SweepDirection::Down,
            beyond: Volts(0.15),
            conditions: SweepConditions::default(),
        },
        day: cresthold::control::DaySplit::UTC,
        daylight: Daylight {
            wake_irradiance: Irradiance(20.0),
            sleep_irradiance: Irradiance(10.0),
            wake_volts: Volts(15.0),
            sleep_watts: Watts(0.5),
            dusk_delay: Duration::from_secs(60),
            look_every: Duration::from_secs(10),
            zeros: ZeroLimits::usual(envelope().device_amps_max),
        },
        retry: Retry {
            first: Duration::from_secs(5),
            longest: Duration::from_secs(600),
            times: 6,
            anew_each_day: false,
        },
    }
}

/// A crystalline module, tilted to the south, with a boost supply of 6 V.
pub fn crystalline_stand(config: ChannelConfig, seed: u64) -> Stand {
    let load = LoadParams::usual(Volts(60.0), Amps(20.0), Watts(600.0));
    let boost = Boost { volts: BOOST, limit: Amps(18.0) };
    Stand::new(StandParts {
        channel: Channel::new(config),
        bench: Bench::new(examples::crystalline_module(), load, Some(boost), Ohms::ZERO, seed),
        thermal: Thermal::new(ThermalParams::OPEN_RACK, Celsius(12.0)),
        mounting: Mounting::Fixed(Plane::new(20.0, 180.0, 0.2).unwrap()),
        place: Place::default(),
        irradiance: Some(Sensor::new(SensorParams::REFERENCE_CELL, seed + 1)),
        thermometer: Some(Sensor::new(SensorParams::MODULE_THERMOMETER, seed + 2)),
        boost_measured: false,
    })
}
