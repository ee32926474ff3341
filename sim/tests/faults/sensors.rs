//! Faults of sensors, through Modbus registers and a multimeter.

use super::*;
use cresthold_sim::bench::{Bench, LoadParams, Meter, Sensor, SensorParams};
use cresthold_sim::device::examples;
use cresthold_sim::quantities::{Amps, Celsius, Irradiance, MetresPerSecond, Watts};
use cresthold_sim::sky::plane::{Mounting, Plane};
use cresthold_sim::sky::{Place as At, Sky, SkyState, SunVector};
use cresthold_sim::thermal::{Thermal, ThermalParams};
use cresthold_sim::time::Utc;
use cresthold_sim::wire::fault::SensorFault;
use cresthold_sim::wire::plant::{LivePlant, PlantParts};
use cresthold_sim::wire::sensing::{LiveSensor, Sensed, platinum};
use std::sync::Arc;
use std::sync::atomic::AtomicU64;

/// Air of so many degrees as there are seconds since 1970.
struct Warming;

impl Sky for Warming {
    fn state(&mut self, at: Utc, _: At) -> SkyState {
        SkyState {
            global: Irradiance(800.0),
            direct: Irradiance(700.0),
            diffuse: Irradiance(100.0),
            #[expect(clippy::cast_precision_loss, reason = "some seconds")]
            air: Celsius(at.as_micros() as f64 * 1e-6),
            wind: MetresPerSecond(2.0),
            sun: SunVector { east: 0.0, north: 0.0, up: 1.0 },
        }
    }
}

/// Ideal: what it shows is what is.
const IDEAL: SensorParams = SensorParams {
    lag: Duration::ZERO,
    meter: Meter { gain: 0.0, offset: 0.0, noise: 0.0, resolution: 0.0, range: 2000.0 },
    drift_per_day: 0.0,
};

/// A thermometer in the air whose clock is the test's, in seconds.
fn thermometer() -> (LiveSensor, Arc<AtomicU64>) {
    let load = LoadParams::usual(Volts(60.0), Amps(20.0), Watts(600.0));
    let parts = PlantParts {
        bench: Bench::new(examples::crystalline_module(), load, None, Ohms(0.0), 1),
        thermal: Thermal::new(ThermalParams::OPEN_RACK, Celsius(12.0)),
        sky: Box::new(Warming),
        began: Utc::default(),
        mounting: Mounting::Fixed(Plane::new(0.0, 180.0, 0.2).unwrap()),
    };
    let clock = Arc::new(AtomicU64::new(10));
    let hand = Arc::clone(&clock);
    let plant =
        LivePlant::with_clock(parts, move || Duration::from_secs(hand.load(Ordering::SeqCst)));
    (LiveSensor::new(plant, Sensed::Air, Sensor::new(IDEAL, 1)), clock)
}

fn modbus(terminal: bool) -> (Yard, Arc<AtomicU64>) {
    let (sensor, clock) = thermometer();
    let instrument = sensor.modbus(terminal);
    (Yard::new(Body::Sensor(sensor.sickness()), instrument, terminal), clock)
}

/// Function 4, two registers from 0 of unit 1, as the specifications have it: over TCP behind a
/// header of seven bytes, over RTU before a CRC (0xCB71, low byte first; from memory).
const TCP: [u8; 12] = [0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 2];
const RTU: [u8; 8] = [1, 4, 0, 0, 0, 2, 0x71, 0xcb];

fn ask(client: &mut Client, terminal: bool) -> f64 {
    let data = if terminal {
        client.send(&RTU);
        client.take(9)[3..7].to_vec()
    } else {
        client.send(&TCP);
        client.take(13)[9..].to_vec()
    };
    f32::from_be_bytes(data.try_into().unwrap()).into()
}

#[test]
fn values_stick_drift_and_are_no_numbers() {
    for terminal in [false, true] {
        for (fault, seen) in [
            (SensorFault::Stuck, 12.0),
            (SensorFault::Drifting { per_second: 0.5 }, 21.0 + 0.5 * 20.0),
            (SensorFault::NotANumber, f64::NAN),
        ] {
            let (mut yard, clock) = modbus(terminal);
            let mut client = yard.connect();
            clock.store(12, Ordering::SeqCst);
            assert!((ask(&mut client, terminal) - 12.0).abs() < 1e-6);
            yard.begin(What::Sensor(fault), for_a_while());
            clock.store(21, Ordering::SeqCst);
            // The fault began at one second of the plant's time.
            let shown = ask(&mut client, terminal);
            assert!((shown - seen).abs() < 1e-6 || shown.is_nan() && seen.is_nan(), "{shown}");
            yard.end();
            assert!((ask(&mut client, terminal) - 21.0).abs() < 1e-6);
        }
    }
}

#[test]
fn a_dead_sensor_gives_no_reply() {
    for terminal in [false, true] {
        let (mut yard, _clock) = modbus(terminal);
        let mut client = yard.connect();
        assert!((ask(&mut client, terminal) - 10.0).abs() < 1e-6);
        yard.begin(What::Dead, for_a_while());
        client.send(if terminal { &RTU } else { &TCP });
        assert!(client.is_silent());
        yard.end();
        assert!((ask(&mut client, terminal) - 10.0).abs() < 1e-6);
    }
}

#[test]
fn a_multimeter_shows_ohms_and_no_number() {
    let (sensor, _clock) = thermometer();
    let body = Body::Sensor(sensor.sickness());
    let mut yard = Yard::new(body, sensor.meter("Test Yard,VM-1,0003,1.0"), false);
    let mut client = yard.connect();
    // IEC 60751 (from memory): 103.90 ohm at 10 degC.
    assert!((platinum(10.0) - 103.90).abs() < 5e-3);
    let ohms: f64 = client.ask("MEAS:FRES?").parse().unwrap();
    assert!((ohms - platinum(10.0)).abs() < 1e-6);
    yard.begin(What::Sensor(SensorFault::NotANumber), for_a_while());
    let shown: f64 = client.ask("MEAS:FRES?").parse().unwrap();
    // SCPI-1999 volume 1, 7.2.1.5 (from memory): not a number is 9.91E37.
    assert!((shown / 9.91e37 - 1.0).abs() < 1e-9, "{shown}");
    yard.end();
}
