//! The estimators and the data-sheet model of commissioning, against closed forms, the simulation's
//! five-parameter devices, and the worked figures of the step rule.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::commission::Sheet;
use cresthold::commission::noise::steady_amps;
use cresthold::commission::propose::step;
use cresthold::commission::settling::{SettlingError, StepReading, settling};
use cresthold::quantities::{Amps, Celsius, Irradiance, Volts};
use cresthold::station::Rated;
use cresthold_sim::bench::Noise;
use cresthold_sim::device::{Device, examples};
use proptest::prelude::*;
use std::time::Duration;

/// A line and a load: what the estimator isn't told.
#[derive(Clone, Copy, Debug)]
struct Line {
    tau: f64,
    trip: f64,
    window: f64,
    dead: f64,
    noise: f64,
}

/// Readings of `steps` steps of 4 V; the window's mean of the exponential in closed form.
fn readings(line: Line, steps: u32, tail: u32, seed: u64) -> Vec<StepReading> {
    let mut noise = Noise::new(seed);
    let mut all = Vec::new();
    for step in 0..steps {
        let down = step % 2 == 0;
        let (from, to) = if down { (36.0, 32.0) } else { (32.0, 36.0) };
        let stagger = line.trip * f64::from(step / 2) / f64::from(steps / 2);
        for index in 0..tail {
            let since = stagger + f64::from(index) * line.trip;
            let opens = since + line.trip - line.window - line.dead;
            // A window that opens before the step moves sees part of the old level; the bench's
            // delays make that impossible here.
            assert!(opens >= 0.0);
            let x = line.window / line.tau;
            let mean = (-opens / line.tau).exp() * (1.0 - (-x).exp()) / x;
            let volts = to + (from - to) * mean + line.noise * noise.draw();
            all.push(StepReading {
                down,
                since: Duration::from_secs_f64(since),
                took: Duration::from_secs_f64(line.trip),
                volts: Volts(volts),
            });
        }
    }
    all
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 64, ..ProptestConfig::default() })]

    /// The stated goal is 10 %; with the noise of usual instruments it is far better. Whatever the
    /// line's delay and window, the time constant comes out the same.
    #[test]
    fn the_time_constant_comes_back_whatever_the_line(
        tau in 0.008..0.3_f64, share in 0.1..1.2_f64, window in 0.2..0.9_f64, seed in 0_u64..1000,
    ) {
        let trip = (tau * share).max(0.002);
        let line = Line { tau, trip, window: trip * window, dead: 0.0, noise: 0.008 };
        let tail = (6.0 * tau / trip).ceil().clamp(4.0, 60.0) as u32;
        let found = settling(&readings(line, 12, tail, seed), Volts(0.008)).unwrap();
        let off = found.tau.as_secs_f64() / tau - 1.0;
        prop_assert!(off.abs() < 0.03, "{off}");
        prop_assert!((0.5..1.5).contains(&found.misfit), "{}", found.misfit);
    }
}

#[test]
fn the_uncertainty_of_the_time_constant_covers_it() {
    // k = 2: about 95 %; of 200 runs 177 are left by chance in less than one of ten thousand.
    let line = Line { tau: 0.015, trip: 0.026, window: 0.02, dead: 0.001, noise: 0.008 };
    let covers = |seed: &u64| {
        let found = settling(&readings(line, 16, 4, *seed), Volts(0.008)).unwrap();
        (found.tau.as_secs_f64() - line.tau).abs() <= found.uncertainty.unwrap().as_secs_f64()
    };
    let covered = (0..200).filter(covers).count();
    assert!(covered >= 177, "{covered} of 200");
}

#[test]
fn readings_that_were_held_up_are_left_out() {
    let line = Line { tau: 0.04, trip: 0.004, window: 0.002, dead: 0.0, noise: 0.008 };
    let mut all = readings(line, 12, 40, 3);
    // Every ninth was held up by 10 ms somewhere, so it saw a later voltage.
    for reading in all.iter_mut().step_by(9) {
        let to = if reading.down { 32.0 } else { 36.0 };
        reading.volts = Volts(to + (reading.volts.0 - to) * (-0.01_f64 / 0.04).exp());
        reading.took += Duration::from_millis(10);
    }
    let found = settling(&all, Volts(0.008)).unwrap();
    assert!((found.tau.as_secs_f64() / 0.04 - 1.0).abs() < 0.01);
    assert!(found.used < all.len());
}

#[test]
fn the_dead_time_comes_back() {
    let line = Line { tau: 0.04, trip: 0.01, window: 0.002, dead: 0.003, noise: 0.004 };
    let found = settling(&readings(line, 16, 30, 5), Volts(0.004)).unwrap();
    // The reading's middle lies trip - window / 2 after the request.
    let dead = found.lag + line.trip - 0.5 * line.window;
    assert!((dead - line.dead).abs() < 0.5e-3, "{dead}");
}

#[test]
fn what_is_too_fast_or_does_not_move_is_told() {
    let fast = Line { tau: 0.0005, trip: 0.02, window: 0.01, dead: 0.0, noise: 0.008 };
    let found = settling(&readings(fast, 12, 6, 1), Volts(0.008)).unwrap();
    assert_eq!(found.uncertainty, None, "a bound");
    assert!(found.tau.as_secs_f64() < 0.02);
    let still: Vec<StepReading> = readings(fast, 12, 6, 1)
        .into_iter()
        .map(|reading| StepReading { volts: Volts(36.0), ..reading })
        .collect();
    assert_eq!(settling(&still, Volts(0.008)), Err(SettlingError::NoStep));
    assert_eq!(settling(&still[..5], Volts(0.008)), Err(SettlingError::TooFew(5)));
}

#[test]
fn noise_and_zero_cover_what_was_planted() {
    let (mut zero, mut noise) = (0, 0);
    for seed in 0..200 {
        let mut source = Noise::new(seed);
        let readings: Vec<Amps> = (0..120).map(|_| Amps(0.012 + 0.002 * source.draw())).collect();
        let steady = steady_amps(&readings).unwrap();
        zero += i32::from((steady.mean.0 - 0.012).abs() <= steady.mean_uncertainty.0);
        noise += i32::from((steady.noise.0 - 0.002).abs() <= steady.noise_uncertainty.0);
    }
    // As above: about 190 of 200 each.
    assert!(zero >= 177 && noise >= 177, "{zero} and {noise} of 200");
}

/// Data sheet of a simulated device.
fn sheet(mut device: Device) -> (Sheet, Device) {
    let at = |device: &mut Device, celsius: f64| {
        device.set_conditions(Irradiance(1000.0), Celsius(celsius));
        (device.open_circuit(), device.current(Volts::ZERO))
    };
    let (warm, cold) = (at(&mut device, 35.0), at(&mut device, 25.0));
    let crest = device.crest();
    let rated = Rated {
        open_circuit: cold.0,
        short_circuit: cold.1,
        crest_volts: crest.volts,
        crest_amps: crest.amps,
        open_circuit_per_kelvin: (warm.0 - cold.0) / 10.0,
        short_circuit_per_kelvin: (warm.1 - cold.1) / 10.0,
    };
    (Sheet::new(&rated), device)
}

#[test]
fn a_data_sheet_foretells_the_five_parameter_device() {
    let devices =
        [examples::crystalline_module(), examples::thin_film_module(), examples::receiver_cell()];
    for device in devices {
        let (sheet, mut device) = sheet(device);
        for irradiance in [200.0, 400.0, 800.0, 1200.0] {
            for celsius in [0.0, 25.0, 60.0] {
                let (g, t) = (Irradiance(irradiance), Celsius(celsius));
                device.set_conditions(g, t);
                let off = (sheet.open_circuit(g, t) - device.open_circuit()).abs();
                // Two thirds of the room; the rest is for the data sheet's own scatter.
                let room = sheet.open_circuit_room(g) * 0.67;
                assert!(off <= room, "{irradiance} W/m2, {celsius} degC: {off}");
                let isc = device.current(Volts::ZERO);
                let off = (sheet.short_circuit(g, t) / isc - 1.0).abs();
                assert!(off < 0.01, "{irradiance} W/m2, {celsius} degC: {off}");
                // Near the crest's current: what the leads' check is held against.
                let amps = isc * (sheet.rated().crest_amps / sheet.rated().short_circuit);
                let volts = volts_at(&device, amps);
                let lost = device.open_circuit() - volts;
                let off = (sheet.lost(isc, amps) - lost).abs();
                let room = sheet.lost_room(isc);
                assert!(off <= room, "{irradiance} W/m2, {celsius} degC: {off}");
            }
        }
    }
}

/// Where a device gives `amps`, by halving.
fn volts_at(device: &Device, amps: Amps) -> Volts {
    let (mut low, mut high) = (Volts::ZERO, device.open_circuit());
    for _ in 0..60 {
        let middle = (low + high) * 0.5;
        if device.current(middle) > amps {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

#[test]
fn the_step_follows_the_worked_figures_of_the_rule() {
    // EN 50530's crystalline generator, nominal 100 V, 10 A: kappa 5.596 and, by the rule of Femia et
    // al. 2005, 14.0 V for 100 W/m2/s at a period of 1 s, 3.4 V for 30 at 0.2 s, 1.4 V for 10 at
    // 0.1 s (computed from the standard's equations; its constants from memory). Its nominal crest is
    // 0.3 % beside its true one, hence 3 %.
    let sheet = Sheet::new(&Rated {
        open_circuit: Volts(125.0),
        short_circuit: Amps(100.0 / 9.0),
        crest_volts: Volts(100.0),
        crest_amps: Amps(10.0),
        open_circuit_per_kelvin: Volts(-0.5),
        short_circuit_per_kelvin: Amps(0.004),
    });
    assert!((sheet.curvature() / 5.596 - 1.0).abs() < 0.03, "{}", sheet.curvature());
    for (volts, ramp, period) in [(14.0_f64, 100.0, 1.0), (3.4, 30.0, 0.2), (1.4, 10.0, 0.1)] {
        let found = step(&sheet, (Volts(0.01), Amps(0.001)), period);
        // A ramp grows with the square of the step.
        let at = found.ramp.0 * (volts / found.volts.0).powi(2);
        assert!((at / ramp - 1.0_f64).abs() < 0.05, "{at} for {ramp}");
    }
}

#[test]
fn the_step_follows_the_noise() {
    let (sheet, _) = sheet(examples::crystalline_module());
    let quiet = step(&sheet, (Volts(1e-5), Amps(1e-6)), 0.1);
    let noisy = step(&sheet, (Volts(0.02), Amps(0.004)), 0.1);
    let wild = step(&sheet, (Volts(5.0), Amps(1.0)), 0.1);
    let share = |volts: Volts| volts / sheet.rated().crest_volts;
    assert!((share(quiet.volts) - 0.003).abs() < 2e-4, "never finer than that");
    assert!(quiet.volts < noisy.volts && noisy.volts < wild.volts);
    assert!((share(wild.volts) - 0.02).abs() < 1e-3, "never coarser than that");
    assert!(quiet.loss < noisy.loss && quiet.ramp.0 < noisy.ramp.0);
}
