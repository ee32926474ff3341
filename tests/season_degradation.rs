//! The yearly change out of five made-up years: what was planted is found, within what is claimed.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

use cresthold::season::degradation;
use cresthold_sim::bench::Noise;
use std::f64::consts::TAU;

const YEARS: i64 = 5;
/// Change in a year (%), near the median of some 2000 published rates, -0.5 % (Jordan and Kurtz 2013,
/// Prog. Photovolt. 21, 12-29).
const RATE: f64 = -0.7;

/// A number in 0..1, from a normal deviate (its distribution function by the logistic that is nearest: only
/// that it is uniform within a percent or so matters).
fn uniform(noise: &mut Noise) -> f64 {
    1.0 / (1.0 + (-1.702 * noise.draw()).exp())
}

/// Daily corrected ratios of five years: the change, dust that gathers until rain falls (half a percent
/// in a wet week, several percent in a dry summer), 1.5 % of season that the correction leaves, 1 % of
/// scatter, days under snow, a link that is out for a week now and then.
fn days(seed: u64) -> Vec<(i64, f64)> {
    let mut noise = Noise::new(seed);
    let (mut dust, mut out) = (0.0, 0);
    let mut days = Vec::new();
    for day in 0..YEARS * 365 {
        let season = (TAU * day as f64 / 365.25).cos();
        let rain = 0.12 * (1.0 + 0.8 * season);
        dust = if uniform(&mut noise) < rain { 0.0 } else { dust + 0.0006 * (1.0 - 0.5 * season) };
        let snow = season > 0.8 && uniform(&mut noise) < 0.05;
        if uniform(&mut noise) < 0.005 {
            out = 7;
        }
        let level = 0.92 * (1.0 + RATE / 100.0 * day as f64 / 365.25) * (1.0 - dust);
        let ratio = level * (1.0 + 0.015 * season + 0.01 * noise.draw());
        out -= 1;
        if out < 0 {
            days.push((day, if snow { 0.3 * ratio } else { ratio }));
        }
    }
    days
}

#[test]
fn the_planted_rate_lies_within_the_interval_for_nine_of_ten_seeds() {
    let mut within = 0;
    let mut widths = 0.0;
    let mut off = 0.0;
    for seed in 0..100 {
        let found = degradation(&days(seed), seed).unwrap();
        within += u32::from(found.low <= RATE && RATE <= found.high);
        widths += found.high - found.low;
        off += found.rate - RATE;
    }
    println!("{within} of 100 within; width {:.3} %, off by {:+.4} %", widths / 100.0, off / 100.0);
    assert!(within >= 90, "{within}");
}
