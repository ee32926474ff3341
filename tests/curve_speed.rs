//! How long an analysis takes. `cargo test --release --test curve_speed -- --ignored --nocapture`
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

mod curve_common;

use cresthold::curve::fit::{Residual, fit};
use cresthold::curve::quality::quality;
use cresthold::curve::uncertainty::{Analysis, Inputs, Instrument, Spec, budget, monte_carlo};
use cresthold::curve::{Curve, Method};
use cresthold::quantities::{Amps, Ohms};
use curve_common::{crystalline, exact_points, wiggle};
use std::hint::black_box;
use std::time::Instant;

#[test]
#[ignore = "a measurement, for a quiet machine"]
fn analysis_and_chance() {
    let mut points = exact_points(&crystalline(), 850.0, 45.0, 100).1;
    for (k, p) in points.iter_mut().enumerate() {
        p.amps += Amps(2e-3 * wiggle(k));
    }
    let curve = Curve::new(points).unwrap();
    let part = |gain: f64, noise: f64| Instrument {
        gain: Spec::Limits(gain),
        offset: Spec::Limits(gain),
        resolution: 1e-3,
        noise,
    };
    let inputs = Inputs {
        volts: part(5e-4, 4e-3),
        amps: part(1e-3, 2e-3),
        irradiance: part(8e-3, 0.5),
        cell: Spec::Limits(1.0),
        ..Inputs::PERFECT
    };
    let analysis = Analysis {
        method: Method::FIELD,
        series: Some(Ohms(0.3)),
        correction: None,
        area: Some(1.6),
        delay: 0.0,
    };
    let rounds = 200;
    let start = Instant::now();
    for _ in 0..rounds {
        black_box(fit(&curve, Residual::Current).unwrap());
    }
    let fitted = start.elapsed() / rounds;
    let start = Instant::now();
    for _ in 0..rounds {
        black_box(budget(&curve, &analysis, &inputs).unwrap());
        black_box(quality(&curve, None));
    }
    let stated = start.elapsed() / rounds;
    let start = Instant::now();
    black_box(monte_carlo(&curve, &analysis, &inputs, 10_000, 1));
    let drawn = start.elapsed();
    println!(
        "100 points: fit {fitted:?}, parameters, grade and budget {stated:?}; chance, 10,000 \
         trials: {drawn:?}"
    );
}
