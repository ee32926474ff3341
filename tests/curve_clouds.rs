//! A thousand sweeps under moving light with the noise of the rehearsal's instruments: what comes out
//! against the device's truth at the mean irradiance, and how often the stated uncertainty holds it.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

mod curve_common;

use cresthold::curve::fit::{Residual, fit};
use cresthold::curve::quality::{Grade, quality};
use cresthold::curve::uncertainty::{Analysis, Inputs, Instrument, budget};
use cresthold::curve::{Curve, Method, Point};
use cresthold::quantities::{Amps, Celsius, Irradiance, Volts};
use cresthold_sim::bench::Noise;
use curve_common::crystalline;

const SWEEPS: u32 = 1000;
/// Noise of the rehearsal station's load (1e-4 of 80 V and 20 A) and of the plant's reference cell.
const VOLTS: f64 = 0.008;
const AMPS: f64 = 0.002;
const LIGHT: f64 = 0.2;

/// Irradiance along a sweep (share from 0 to 1): a slope and a wave, up to `swing` of the mean.
fn light(mean: f64, swing: f64, phase: f64, share: f64) -> f64 {
    mean * (1.0 + swing * (0.5 * (share - 0.5) + 0.25 * (5.0 * share + phase).sin()))
}

#[derive(Default)]
struct Tally {
    sweeps: u32,
    within: [u32; 3],
    covered: [u32; 3],
}

impl Tally {
    fn shares(&self) -> ([f64; 3], [f64; 3]) {
        let share =
            |counts: [u32; 3]| counts.map(|count| f64::from(count) / f64::from(self.sweeps));
        (share(self.within), share(self.covered))
    }
}

fn sweep(chance: &mut Noise) -> (Vec<Point>, f64) {
    let reference = crystalline();
    let mean = 700.0 + 80.0 * chance.draw();
    let swing = 0.02 * chance.draw();
    let phase = 3.0 * chance.draw();
    let mut sum = 0.0;
    let points = (0..100).map(|k| {
        let t = f64::from(k) / 99.0;
        let irradiance = light(mean, swing, phase, t);
        sum += irradiance / 100.0;
        let device = reference.at(Irradiance(irradiance), Celsius(45.0));
        // Down to a little below 0 V, closer together at the bend, as a sweep would place them.
        let share = -0.02 + 1.46 * t - 0.43 * t * t;
        let volts = Volts(share * 35.2);
        Point {
            amps: device.current(volts) + Amps(AMPS * chance.draw()),
            volts: volts + Volts(VOLTS * chance.draw()),
            irradiance: Some(Irradiance(irradiance + LIGHT * chance.draw())),
            cell: Some(Celsius(45.0)),
            utc: None,
        }
    });
    let points = points.collect();
    (points, sum)
}

#[test]
fn a_thousand_sweeps_under_moving_light() {
    let part = |noise: f64| Instrument { noise, ..Instrument::PERFECT };
    let inputs =
        Inputs { volts: part(VOLTS), amps: part(AMPS), irradiance: part(LIGHT), ..Inputs::PERFECT };
    let mut chance = Noise::new(60_904);
    let mut tallies = [Tally::default(), Tally::default()];
    for _ in 0..SWEEPS {
        let (points, mean) = sweep(&mut chance);
        let curve = Curve::sorted(points).unwrap();
        let tally = match quality(&curve, None).grade {
            Grade::Good => &mut tallies[0],
            _ => &mut tallies[1],
        };
        let series = Some(fit(&curve, Residual::Current).unwrap().series.value);
        let analysis = Analysis { series, ..Analysis::plain(Method::FIELD) };
        let found = budget(&curve, &analysis, &inputs).unwrap();
        let truth = crystalline().at(Irradiance(mean), Celsius(45.0)).summary();
        tally.sweeps += 1;
        let truth = [truth.isc.0, truth.voc.0, truth.pmp.0];
        for (k, (truth, limit)) in truth.into_iter().zip([5e-4, 5e-4, 1e-3]).enumerate() {
            let off = (found.values[k] - truth).abs();
            tally.within[k] += u32::from(off <= limit * truth);
            tally.covered[k] += u32::from(off <= found.coverage[k] * found.combined[k]);
        }
    }
    let [good, others] = &tallies;
    for (name, tally) in [("good", good), ("others", others)] {
        let (within, covered) = tally.shares();
        println!("{name}: {} sweeps; within limits {within:?}; covered {covered:?}", tally.sweeps);
    }
    assert!(good.sweeps > 200, "{}", good.sweeps);
    let (within, covered) = good.shares();
    assert!(within.iter().all(|share| *share >= 0.95), "{within:?}");
    assert!(covered.iter().all(|share| (0.93..=0.97).contains(share)), "{covered:?}");
}
