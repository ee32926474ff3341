//! The bench: settling, limits, boost supply, leads, meters and sensors, against closed forms.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold_sim::bench::{Bench, Boost, LoadParams, Meter, Noise, Sensor, SensorParams};
use cresthold_sim::device::examples;
use cresthold_sim::quantities::{Amps, Celsius, Irradiance, Ohms, Volts, Watts};
use cresthold_sim::time::Instant;
use std::time::Duration;

const SETTLING: Duration = Duration::from_millis(15);

fn quiet_load() -> LoadParams {
    let meter = |range| Meter { noise: 0.0, resolution: 0.0, ..Meter::of_range(range) };
    LoadParams {
        set_resolution: Volts::ZERO,
        volts_meter: meter(60.0),
        amps_meter: meter(20.0),
        ..LoadParams::usual(Volts(60.0), Amps(20.0), Watts(600.0))
    }
}

fn bench(load: LoadParams, boost: Option<Boost>, lead: f64) -> Bench {
    let mut bench = Bench::new(examples::crystalline_module(), load, boost, Ohms(lead), 1);
    bench.set_conditions(Irradiance(1000.0), Celsius(25.0));
    bench
}

fn at(millis: u64) -> Instant {
    Instant::ZERO + Duration::from_millis(millis)
}

/// A bench at 31 V, settled at 1 s.
fn settled(load: LoadParams, boost: Option<Boost>, lead: f64) -> Bench {
    let mut bench = bench(load, boost, lead);
    bench.set_boost(boost.is_some());
    bench.set_volts(Volts(31.0) + boost.map_or(Volts::ZERO, |boost| boost.volts));
    bench.set_input(true);
    bench.advance(at(1000));
    bench
}

#[test]
fn the_load_settles_as_a_first_order_lag() {
    let mut bench = settled(quiet_load(), None, 0.0);
    bench.set_volts(Volts(30.0));
    for steps in 1..=4_i32 {
        bench.advance(at(1000) + SETTLING * steps.unsigned_abs());
        let expected = 30.0 + (-f64::from(steps)).exp();
        assert!((bench.operating().load.0 - expected).abs() < 1e-9, "after {steps} time constants");
    }
}

/// Law: one long step equals many short ones, up to the cubic term that the parabola through a
/// settling leaves: 1e-5 of the energy for a step of 1 V, and by the cube of the step less for the
/// steps of a tracker, a hundredth of what the accounting may be off.
#[test]
fn energy_through_a_transient_does_not_depend_on_the_steps() {
    for (step, tolerance) in [(1.0, 1e-5), (0.25, 1e-5 / 64.0)] {
        let mut long = settled(quiet_load(), None, 0.0);
        let mut short = long.clone();
        long.set_volts(Volts(31.0 - step));
        short.set_volts(Volts(31.0 - step));
        let before = long.truth().delivered;
        long.advance(at(1200));
        for micros in (0..200_000).step_by(50) {
            short.advance(at(1000) + Duration::from_micros(micros + 50));
        }
        let (long, short) = (long.truth().delivered - before, short.truth().delivered - before);
        assert!((long / short - 1.0).abs() < tolerance, "{step} V: {long} {short}");
    }
}

#[test]
fn without_light_or_input_no_current_flows_and_the_terminals_show_open_circuit() {
    let mut dark = bench(quiet_load(), None, 0.0);
    let open = dark.measure();
    // Voc of the De Soto example module (pvlib's fit_desoto test): 38.3 V.
    assert!((open.load.0 - 38.3).abs() < 5e-3 && open.amps == Amps::ZERO, "{open:?}");
    dark.set_conditions(Irradiance::ZERO, Celsius(25.0));
    dark.set_input(true);
    dark.set_volts(Volts(5.0));
    dark.advance(at(500));
    assert!(dark.operating().amps.abs() < Amps(1e-9));
}

#[test]
fn the_boost_supply_adds_its_volts_and_lets_the_load_reach_short_circuit() {
    let boost = Boost { volts: Volts(6.0), limit: Amps(18.0) };
    let mut bench = settled(quiet_load(), Some(boost), 0.0);
    let now = bench.operating();
    assert!((now.load - now.device - Volts(6.0)).abs() < Volts(1e-12));
    // Imp of the same module at 31.0 V: 8.71 A.
    assert!((now.amps.0 - 8.71).abs() < 2e-3, "{now:?}");
    bench.set_volts(Volts(6.0));
    bench.advance(at(2000));
    let short = bench.operating();
    assert!(short.device.abs() < Volts(1e-9) && (short.amps.0 - 9.43).abs() < 2e-3, "{short:?}");
}

#[test]
fn without_a_boost_supply_the_knee_keeps_the_load_from_short_circuit() {
    let mut bench = settled(quiet_load(), None, 0.0);
    bench.set_volts(Volts::ZERO);
    bench.advance(at(3000));
    let now = bench.operating();
    // 20 A at 2 V and nothing at 0 V: the line meets 9.43 A at 0.943 V.
    assert!((now.load.0 - 0.943).abs() < 1e-3, "{now:?}");
    assert!((now.amps.0 - now.load.0 * 10.0).abs() < 1e-6);
}

#[test]
fn protection_power_and_boost_limits_move_the_device_toward_open_circuit() {
    let mut bench = settled(quiet_load(), None, 0.0);
    bench.set_protection(Amps(5.0));
    let now = bench.operating();
    assert!((now.amps.0 - 5.0).abs() < 1e-6 && now.load > Volts(31.0), "{now:?}");

    let weak = LoadParams { watts_max: Watts(200.0), ..quiet_load() };
    let now = settled(weak, None, 0.0).operating();
    assert!((now.watts().0 - 200.0).abs() < 1e-3 && now.load > Volts(31.0), "{now:?}");

    let boost = Boost { volts: Volts(6.0), limit: Amps(4.0) };
    let now = settled(quiet_load(), Some(boost), 0.0).operating();
    assert!((now.amps.0 - 4.0).abs() < 1e-6, "{now:?}");
    assert!(now.boost < Volts(6.0) && now.device > Volts(31.0), "its voltage gives way: {now:?}");
}

/// Kirchhoff: the device lies above the load by I R.
#[test]
fn leads_cost_their_drop() {
    let now = settled(quiet_load(), None, 0.05).operating();
    let drop = now.amps * Ohms(0.05);
    assert!((now.device - now.load - drop).abs() < Volts(1e-8), "{now:?}");
}

/// Ten thousand readings: the deviation of a deviation is 0.7 %, four of them are 3 %.
#[test]
fn noise_has_the_stated_deviation_and_the_same_seed_the_same_values() {
    let meter = Meter { resolution: 0.0, ..Meter::of_range(60.0) };
    let read = |seed| {
        let mut noise = Noise::new(seed);
        (0..10_000).map(|_| meter.read(30.0, &mut noise)).collect::<Vec<f64>>()
    };
    let values = read(9);
    let mean = values.iter().sum::<f64>() / 1e4;
    let deviation = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 9999.0).sqrt();
    assert!((deviation / 6e-3 - 1.0).abs() < 0.03, "{deviation}");
    assert!((mean - 30.0).abs() < 4.0 * 6e-3 / 100.0, "{mean}");
    assert!(values == read(9) && values != read(10));
}

#[test]
fn sensors_lag_and_drift_as_stated() {
    let meter = Meter { gain: 0.0, offset: 0.0, noise: 0.0, resolution: 0.0, range: 2000.0 };
    let params = SensorParams { lag: Duration::from_secs(2), meter, drift_per_day: 0.0 };
    let mut sensor = Sensor::new(params, 1);
    assert!(sensor.look(at(0), 0.0).abs() < 1e-12);
    // One and two time constants after a step from 0 to 1000 W/m2: 1 - 1/e and 1 - 1/e^2.
    assert!((sensor.look(at(2000), 1000.0) - 632.120_558_8).abs() < 1e-6);
    assert!((sensor.look(at(4000), 1000.0) - 864.664_716_8).abs() < 1e-6);
    let params = SensorParams { lag: Duration::ZERO, drift_per_day: -1e-3, meter };
    let mut sensor = Sensor::new(params, 1);
    let ten_days = Instant::ZERO + Duration::from_secs(864_000);
    assert!((sensor.look(ten_days, 1000.0) - 990.0).abs() < 1e-9);
}

#[test]
fn mistakes_of_wiring_show_at_the_terminals() {
    use cresthold_sim::bench::{BoostWiring, Wiring};
    let mut bench = Bench::new(
        examples::crystalline_module(),
        LoadParams::usual(Volts(80.0), Amps(20.0), Watts(600.0)),
        Some(Boost { volts: Volts(6.0), limit: Amps(20.0) }),
        Ohms::ZERO,
        1,
    );
    bench.set_conditions(Irradiance(1000.0), Celsius(25.0));
    bench.set_boost(true);
    // Load terminals and supply terminals, by Kirchhoff, for Voc = 38.3 V and 6 V.
    let mut seen = |device_reversed, boost, boost_scale| {
        bench.set_wiring(Wiring { device_reversed, boost, boost_scale });
        (bench.operating().load.0, bench.boost_terminals().0)
    };
    use BoostWiring::{Absent, Across, Reversed, Series};
    for (device, boost, scale, load, supply) in [
        (false, Series, 1.0, 44.3, 6.0),
        (false, Series, 1.5, 47.3, 9.0),
        (false, Reversed, 1.0, 32.3, 6.0),
        (false, Absent, 1.0, 38.3, 6.0),
        (false, Across, 1.0, 38.3, 38.3),
        (true, Series, 1.0, -32.3, 6.0),
    ] {
        let (at_load, at_supply) = seen(device, boost, scale);
        // The example's Voc is 38.30 V to a hundredth.
        assert!((at_load - load).abs() < 0.01, "{boost:?}: {at_load} V");
        assert!((at_supply - supply).abs() < 0.01, "{boost:?}: {at_supply} V at the supply");
    }
}
