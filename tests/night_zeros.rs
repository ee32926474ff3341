//! Zeros at night, in virtual time: the recorded day's night before dawn, with instruments that are off.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod support;

use cresthold::control::Channel;
use cresthold::control::record::{Event, Happening, Record, Severity, Zero};
use cresthold::quantities::{Amps, Celsius, MetresPerSecond, Ohms, Volts, Watts};
use cresthold::rehearsal::{Mounting, Stand, StandParts, Yard};
use cresthold::time::{Instant, Utc};
use cresthold_sim::bench::{Bench, Boost, LoadParams, Meter, Sensor, SensorParams};
use cresthold_sim::device::examples;
use cresthold_sim::sky::Place;
use cresthold_sim::sky::plane::Plane;
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use cresthold_sim::thermal::{Thermal, ThermalParams};
use std::time::Duration;
use support::{BOOST, channel_config, perturb_and_observe};

/// What is wrong with the instruments.
#[derive(Clone, Copy)]
struct Off {
    amps: f64,
    volts: f64,
    irradiance: f64,
}

const NOISE_AMPS: f64 = 0.002;
const NOISE_IRRADIANCE: f64 = 0.3;

fn stand(off: Off) -> Stand {
    let mut load = LoadParams::usual(Volts(60.0), Amps(20.0), Watts(600.0));
    let meter = |offset, noise, range| Meter { gain: 0.0, offset, noise, resolution: 0.0, range };
    load.amps_meter = meter(off.amps, NOISE_AMPS, 20.0);
    load.volts_meter = meter(off.volts, 0.001, 60.0);
    let pyranometer = SensorParams {
        meter: meter(off.irradiance, NOISE_IRRADIANCE, 2000.0),
        drift_per_day: 0.0,
        ..SensorParams::PYRANOMETER
    };
    let boost = Boost { volts: BOOST, limit: Amps(18.0) };
    Stand::new(StandParts {
        channel: Channel::new(channel_config(perturb_and_observe(0.25))),
        bench: Bench::new(examples::crystalline_module(), load, Some(boost), Ohms::ZERO, 1),
        thermal: Thermal::new(ThermalParams::OPEN_RACK, Celsius(12.0)),
        mounting: Mounting::Fixed(Plane::new(20.0, 180.0, 0.2).unwrap()),
        place: Place::default(),
        irradiance: Some(Sensor::new(pyranometer, 2)),
        thermometer: Some(Sensor::new(SensorParams::MODULE_THERMOMETER, 3)),
        boost_measured: false,
    })
}

/// From midnight to six in the morning.
fn night(off: Off) -> Vec<Event> {
    let (day, site) = embedded_payerne();
    let began: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    let sky = RecordedSky::new(day, site, 7).with_wind(MetresPerSecond(2.0));
    let mut yard = Yard::new(sky, began, vec![stand(off)]);
    let mut events = Vec::new();
    yard.run_until(Instant::ZERO + Duration::from_secs(6 * 3600), &mut |record| {
        if let Record::Event(event) = record {
            events.push(event);
        }
    });
    events
}

fn zeros(events: &[Event]) -> Vec<(Utc, Zero, Severity)> {
    let of = |event: &Event| match event.what {
        Happening::ZerosRead(zero) | Happening::ZerosOff(zero) => {
            println!("{} {}", event.at.utc, event.what);
            Some((event.at.utc, zero, event.what.severity()))
        }
        _ => None,
    };
    events.iter().filter_map(of).collect()
}

#[test]
fn the_nights_means_are_what_is_planted() {
    let off = Off { amps: 0.006, volts: -0.012, irradiance: -4.0 };
    let found = zeros(&night(off));
    let [(at, zero, severity)] = found[..] else { panic!("once a night, not {}", found.len()) };
    assert_eq!(severity, Severity::Note);
    // Civil twilight began that day at Payerne (46.8 N, 6.9 E) at 3:00 UTC, to some minutes: sunrise by
    // the almanac at 3:39, and 38 min of twilight (from memory).
    let (least, most) =
        ("2016-06-15T02:50:00Z".parse().unwrap(), "2016-06-15T03:10:00Z".parse().unwrap());
    assert!((least..most).contains(&at), "{at}");
    // Three hours of a look every ten seconds.
    assert!((1000..1100).contains(&zero.looks), "{}", zero.looks);
    // Four standard errors of the mean.
    let few = 4.0 / f64::from(zero.looks).sqrt();
    assert!((zero.amps.0 - off.amps).abs() < NOISE_AMPS * few, "{}", zero.amps);
    assert!((zero.scatter.0 / NOISE_AMPS - 1.0).abs() < few, "{}", zero.scatter);
    assert!((zero.irradiance.unwrap().0 - off.irradiance).abs() < NOISE_IRRADIANCE * few);
    // The first light of a dawn before civil twilight gives less than a millivolt.
    assert!((zero.volts.0 - off.volts).abs() < 0.001, "{}", zero.volts);
}

#[test]
fn what_is_too_far_off_is_a_warning() {
    let sound = Off { amps: 0.0, volts: 0.0, irradiance: 0.0 };
    // Limits: 0.1 % of 16 A, and 15 W/m2.
    for (off, severity) in [
        (sound, Severity::Note),
        (Off { amps: 0.014, ..sound }, Severity::Note),
        (Off { amps: -0.03, ..sound }, Severity::Warning),
        (Off { irradiance: 12.0, ..sound }, Severity::Note),
        (Off { irradiance: -20.0, ..sound }, Severity::Warning),
    ] {
        let found = zeros(&night(off));
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].2, severity);
    }
}
