//! What real loads have beyond the basics: lists, averaging, ranges; over a plant on the test's
//! own clock.

#![cfg(feature = "wire")]
#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

use cresthold_sim::bench::{Bench, LoadParams, Meter};
use cresthold_sim::device::examples;
use cresthold_sim::quantities::{Amps, Celsius, Irradiance, MetresPerSecond, Ohms, Volts, Watts};
use cresthold_sim::sky::plane::{Mounting, Plane};
use cresthold_sim::sky::{Place, Sky, SkyState, SunVector};
use cresthold_sim::thermal::{Thermal, ThermalParams};
use cresthold_sim::time::Utc;
use cresthold_sim::wire::instrument::{Instrument, VirtualLoad};
use cresthold_sim::wire::plant::{LivePlant, PlantParts};
use cresthold_sim::wire::resistive::ResistiveBench;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// The same for ever; the air counts the hours.
struct Steady;

impl Sky for Steady {
    fn state(&mut self, at: Utc, _: Place) -> SkyState {
        SkyState {
            global: Irradiance(800.0),
            direct: Irradiance(700.0),
            diffuse: Irradiance(100.0),
            #[expect(clippy::cast_precision_loss, reason = "some hours")]
            air: Celsius(at.as_micros() as f64 * 1e-6 / 3600.0),
            wind: MetresPerSecond(2.0),
            sun: SunVector { east: 0.0, north: 0.0, up: 1.0 },
        }
    }
}

/// A plant and its clock in milliseconds.
fn plant(noise: bool) -> (LivePlant, Arc<AtomicU64>) {
    let mut load = LoadParams::usual(Volts(60.0), Amps(20.0), Watts(600.0));
    if !noise {
        let ideal = |range| Meter { gain: 0.0, offset: 0.0, noise: 0.0, resolution: 0.0, range };
        (load.volts_meter, load.amps_meter) = (ideal(60.0), ideal(20.0));
    }
    let parts = PlantParts {
        bench: Bench::new(examples::crystalline_module(), load, None, Ohms(0.0), 1),
        thermal: Thermal::new(ThermalParams::OPEN_RACK, Celsius(12.0)),
        sky: Box::new(Steady),
        began: Utc::default(),
        mounting: Mounting::Fixed(Plane::new(0.0, 180.0, 0.2).unwrap()),
    };
    let clock = Arc::new(AtomicU64::new(0));
    let hand = Arc::clone(&clock);
    let now = move || Duration::from_millis(hand.load(Ordering::SeqCst));
    (LivePlant::with_clock(parts, now), clock)
}

fn load(plant: &LivePlant) -> VirtualLoad {
    VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(plant.clone()))
}

/// The reply without its newline, and how long the load was busy.
fn say(load: &mut VirtualLoad, message: &str) -> (String, Duration) {
    let mut reply = Vec::new();
    let busy = load.handle(message.as_bytes(), &mut reply);
    (String::from_utf8(reply).unwrap().trim_end().to_owned(), busy)
}

fn numbers(reply: &str) -> Vec<f64> {
    reply.split(',').map(|number| number.parse().unwrap()).collect()
}

#[test]
fn a_list_is_run_by_the_load_itself() {
    for start in ["LIST:STAT ON", "INIT"] {
        let (plant, clock) = plant(false);
        let mut load = load(&plant);
        say(&mut load, "FUNC VOLT;:VOLT 33;:INP ON");
        clock.fetch_add(1000, Ordering::SeqCst);
        assert_eq!(say(&mut load, "LIST:VOLT 30,20,10;DWEL 0.2;DWEL?").0, "0.2000");
        assert_eq!(
            say(&mut load, "LIST:VOLT?;VOLT:POIN?;:LIST:STAT?").0,
            "30.0000,20.0000,10.0000;3;0"
        );
        let (_, busy) = say(&mut load, start);
        // Three dwells of 0.2 s and windows of 0.02 s.
        assert!(
            busy >= Duration::from_millis(660) && busy < Duration::from_millis(670),
            "{busy:?}"
        );
        clock.fetch_add(661, Ordering::SeqCst);
        let volts = numbers(&say(&mut load, "FETC:ARR:VOLT?").0);
        let amps = numbers(&say(&mut load, "FETC:ARR:CURR?").0);
        // Settled within 13 time constants of 15 ms: 20 V exp(-13) is less than a millivolt.
        for (seen, set) in volts.iter().zip([30.0, 20.0, 10.0]) {
            assert!((seen - set).abs() < 1e-3, "{volts:?}");
        }
        assert!(amps.is_sorted() && amps[0] > 1.0, "a device gives more at less voltage: {amps:?}");
        // The same point, set by hand, gives the same current, but for a second of warming.
        say(&mut load, "VOLT 20");
        clock.fetch_add(500, Ordering::SeqCst);
        let by_hand = numbers(&say(&mut load, "MEAS:CURR?").0)[0];
        assert!((by_hand - amps[1]).abs() < 0.01, "{by_hand} {amps:?}");
    }
}

#[test]
fn after_a_list_the_load_has_its_setpoint_again() {
    let mut load = VirtualLoad::load("L", Box::new(ResistiveBench::new(Volts(40.0), Ohms(2.0))));
    say(&mut load, "FUNC VOLT;:VOLT 33;:INP ON;:LIST:VOLT 30,20;:INIT");
    assert_eq!(say(&mut load, "FETC:ARR:CURR?;:VOLT?").0, "5.000000,10.000000;33.0000");
}

#[test]
fn wrong_lists_are_refused() {
    let (plant, _clock) = plant(false);
    let mut load = load(&plant);
    let many = vec!["1"; 101].join(",");
    for (message, error) in [
        ("INIT", -221),
        ("LIST:STAT ON", -221),
        ("FETC:ARR:VOLT?", -230),
        ("LIST:VOLT?", -230),
        ("LIST:VOLT", -109),
        ("LIST:VOLT 1,61", -222),
        ("LIST:DWEL 11", -222),
        (&format!("LIST:VOLT {many}"), -223),
        ("LIST:FISH", -113),
        ("INIT?", -113),
    ] {
        assert_eq!(say(&mut load, message).0, "", "{message}");
        let told = say(&mut load, "SYST:ERR?").0;
        assert!(told.starts_with(&format!("{error},")), "{message}: {told}");
    }
}

#[test]
fn a_longer_window_measures_with_less_noise() {
    let deviation = |window: &str| {
        let (plant, clock) = plant(true);
        let mut load = load(&plant);
        assert_eq!(say(&mut load, &format!("SENS:APER {window};APER?")).0, format!("{window}00"));
        let volts: Vec<f64> = (0..400)
            .map(|_| {
                clock.fetch_add(600, Ordering::SeqCst);
                numbers(&say(&mut load, "MEAS:VOLT?").0)[0]
            })
            .collect();
        // Differences of neighbours, so that the module's warming doesn't count.
        let squares: f64 = volts.windows(2).map(|pair| (pair[1] - pair[0]).powi(2)).sum();
        (squares / 2.0 / 399.0).sqrt()
    };
    // White noise over 25 times the window is 5 times smaller; 400 values know it within 4 %.
    let ratio = deviation("0.02") / deviation("0.50");
    assert!((4.0..6.0).contains(&ratio), "{ratio}");
    let (plant, _clock) = plant(false);
    let mut load = load(&plant);
    let (_, busy) = say(&mut load, "SENS:APER 0.5;:MEAS:VOLT?");
    assert!(busy > Duration::from_millis(500));
    assert_eq!(say(&mut load, "*RST;SENS:APER?").0, "0.0200");
}

#[test]
fn a_low_range_limits_and_sees_more() {
    let (plant, clock) = plant(false);
    let mut load = load(&plant);
    assert_eq!(say(&mut load, "CURR:RANG?").0, "20.0000");
    say(&mut load, "FUNC VOLT;:VOLT 20;:INP ON");
    clock.fetch_add(1000, Ordering::SeqCst);
    let whole = numbers(&say(&mut load, "MEAS:CURR?").0)[0];
    assert!(whole > 2.0);
    // A tenth of the full range: 2 A hold the device at a higher voltage.
    assert_eq!(say(&mut load, "CURR:RANG 1.5;RANG?").0, "2.0000");
    clock.fetch_add(1000, Ordering::SeqCst);
    let low = numbers(&say(&mut load, "MEAS:VOLT?;CURR?").0.replace(';', ","));
    assert!(low[0] > 20.0 && (low[1] - 2.0).abs() < 1e-3, "{low:?}");
    assert_eq!(say(&mut load, "CURR:RANG 2.5;RANG?").0, "20.0000");
    assert_eq!(say(&mut load, "CURR:PROT MAX;PROT?").0, "20.0000");
}

#[test]
fn a_load_without_options_says_so() {
    let mut load = VirtualLoad::load("L", Box::new(ResistiveBench::new(Volts(40.0), Ohms(2.0))));
    for message in ["SENS:APER 0.1", "CURR:RANG?"] {
        say(&mut load, message);
        assert_eq!(say(&mut load, "SYST:ERR?").0, "-241,\"Hardware missing\"");
    }
}

#[test]
fn a_fast_sky_leaves_electrical_time_alone() {
    let (plant, clock) = plant(false);
    let plant = plant.under_fast_sky(3600.0);
    clock.store(2000, Ordering::SeqCst);
    let weather = plant.weather();
    // Two seconds of the clock are two hours of the sky.
    assert!((weather.air.0 - 2.0).abs() < 1e-9);
    assert!((weather.at.as_secs_f64() - 2.0).abs() < 1e-9);
    // Warm by then: an open rack under 800 W/m2 stands some 20 K above the air.
    assert!((10.0..40.0).contains(&(weather.back.0 - weather.air.0)), "{weather:?}");
    let available = plant.truth().available.0;
    // Two seconds of some 200 W.
    assert!((0.05..0.2).contains(&available), "{available}");
}
