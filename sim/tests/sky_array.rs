//! The cloud field seen by several sensors: correlation and delay by distance and speed, and the
//! smoothing of an array against the wavelet variability model.
//!
//! The model (M. Lave, J. Kleissl, J. S. Stein 2013, IEEE Trans. Sust. Energy 4(2) 501-509): light
//! over clear light k* is divided into wavelets of the scales t = 2^i dt; two places d apart correlate
//! as rho = exp(-d / (A t)), A = speed / 2; an array of N places varies less by VR = N^2 / sum rho at
//! each scale, so each wavelet is divided by sqrt(VR).

#![allow(clippy::unwrap_used, reason = "helpers of tests")]
#![allow(clippy::needless_range_loop, reason = "indices of series")]

use cresthold_sim::sky::Place;
use cresthold_sim::sky::clouds::{CloudField, Clouds};
use cresthold_sim::time::Utc;
use std::time::Duration;

/// The model's longest scale (s).
const LONGEST: usize = 4096;

/// Variability reduction of these places at a scale (s), clouds moving at `speed` (m/s).
fn reduction(places: &[[f64; 2]], speed: f64, scale: f64) -> f64 {
    let correlation = |a: &[f64; 2], b: &[f64; 2]| {
        (-(a[0] - b[0]).hypot(a[1] - b[1]) / (0.5 * speed * scale)).exp()
    };
    let sum: f64 =
        places.iter().map(|a| places.iter().map(|b| correlation(a, b)).sum::<f64>()).sum();
    (places.len() * places.len()) as f64 / sum
}

/// Moving mean over `width` values, from `width / 2` before to the rest after; the series goes on as
/// its mirror image.
fn moving_mean(series: &[f64], width: usize) -> Vec<f64> {
    let n = series.len();
    let mirrored = |index: i64| {
        let round = 2 * i64::try_from(n).unwrap();
        let index = usize::try_from(index.rem_euclid(round)).unwrap();
        series[if index < n { index } else { 2 * n - 1 - index }]
    };
    let first = -i64::try_from(width / 2).unwrap();
    let mut sum: f64 = (0..width).map(|k| mirrored(first + i64::try_from(k).unwrap())).sum();
    (0..n)
        .map(|i| {
            let mean = sum / width as f64;
            let start = first + i64::try_from(i).unwrap();
            sum += mirrored(start + i64::try_from(width).unwrap()) - mirrored(start);
            mean
        })
        .collect()
}

/// The wavelets of a series with a value a second, from 1 s up, the last being what is left: their sum
/// is the series.
fn wavelets(series: &[f64]) -> Vec<Vec<f64>> {
    let (mut parts, mut fine, mut width) = (Vec::new(), series.to_vec(), 2);
    while width <= LONGEST {
        let coarse = moving_mean(series, width);
        parts.push(fine.iter().zip(&coarse).map(|(f, c)| f - c).collect());
        fine = coarse;
        width *= 2;
    }
    parts.push(fine);
    parts
}

/// What an array sees of a series: what is slower than all scales stays.
fn smoothed(series: &[f64], places: &[[f64; 2]], speed: f64) -> Vec<f64> {
    let mut parts = wavelets(series);
    let mut sum = parts.pop().unwrap();
    for (i, part) in parts.iter().enumerate() {
        let divisor = reduction(places, speed, 2_f64.powi(i32::try_from(i).unwrap())).sqrt();
        sum.iter_mut().zip(part).for_each(|(total, value)| *total += value / divisor);
    }
    sum
}

/// Vectors of pvlib's tests of its wavelet variability model.
#[test]
fn the_model_meets_published_vectors() {
    let places = [[546_433.8, 1_110_838.8], [547_528.9, 1_111_950.8], [548_623.9, 1_113_062.7]];
    let published = [
        2.99999999, 2.99976775, 2.96971249, 2.67505872, 2.06592527, 1.5611084, 1.27910582,
        1.13793164,
    ];
    for i in 0..5 {
        assert!((reduction(&places, 5.0, 2_f64.powi(i)) - 3.0).abs() < 5e-9);
    }
    for (i, wanted) in published.into_iter().enumerate() {
        let found = reduction(&places, 5.0, 2_f64.powi(5 + i32::try_from(i).unwrap()));
        // Places are given to 0.1 m.
        assert!((found - wanted).abs() < 5e-5, "{i}: {found} {wanted}");
    }
    let mut series = vec![1.0; 10_000];
    series[5000..5005].copy_from_slice(&[1.0, 1.0, 1.1, 0.9, 1.0]);
    let smooth = smoothed(&series, &places, 5.0);
    for (found, wanted) in smooth[5000..5005].iter().zip([1.0, 1.0, 1.057735, 0.942265, 1.0]) {
        assert!((found - wanted).abs() < 1e-6, "{found} {wanted}");
    }
}

const SPEED: f64 = 11.0;

fn noon() -> Utc {
    "2016-06-15T11:33:00Z".parse().unwrap()
}

/// Light over clear light, of which the beam is 0.87, at a place each second.
fn series(field: &CloudField, place: [f64; 2], seconds: u32) -> Vec<f64> {
    (0..seconds)
        .map(|second| {
            let at = noon() + Duration::from_secs(u64::from(second));
            let shade = field.shade(at, Place { east: place[0], north: place[1] });
            1.0 - 0.8 * shade.depth * shade.opacity + field.clouds().enhancement * shade.glare
        })
        .collect()
}

fn variance(series: &[f64]) -> f64 {
    let n = series.len() as f64;
    let mean = series.iter().sum::<f64>() / n;
    series.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / n
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len().min(b.len());
    let (a, b) = (&a[..n], &b[..n]);
    let (ma, mb) = (a.iter().sum::<f64>() / n as f64, b.iter().sum::<f64>() / n as f64);
    let product: f64 = a.iter().zip(b).map(|(x, y)| (x - ma) * (y - mb)).sum();
    product / n as f64 / (variance(a) * variance(b)).sqrt()
}

/// Places along the wind see the same later by distance over speed; across the wind none is first, and
/// correlation falls with distance alike in both directions.
#[test]
fn correlation_and_delay_follow_distance_and_speed() {
    let field = CloudField::new(Clouds::default(), 5).unwrap();
    let seconds = 40_000;
    let here = series(&field, [0.0, 0.0], seconds);
    let best = |there: &[f64]| {
        (-120_i32..=120)
            .map(|lag| {
                let shift = usize::try_from(lag.abs()).unwrap();
                let (early, late) = if lag >= 0 { (&here[..], there) } else { (there, &here[..]) };
                (lag, correlation(&early[..early.len() - shift], &late[shift..]))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap()
    };
    let (mut along, mut across) = (vec![], vec![]);
    for distance in [55.0, 110.0, 220.0, 440.0, 880.0] {
        let (down, side) =
            (series(&field, [distance, 0.0], seconds), series(&field, [0.0, distance], seconds));
        let ((delay, most), (offset, sideways)) = (best(&down), best(&side));
        along.push(correlation(&here, &down));
        across.push(correlation(&here, &side));
        println!(
            "{distance:4} m along: delay {delay} s (correlation {most:.4}), {:.3} at once; across: \
             {offset} s ({sideways:.3}), {:.3} at once",
            along[along.len() - 1],
            across[across.len() - 1]
        );
        assert!((f64::from(delay) - distance / SPEED).abs() < 1e-9);
        assert!(most > 0.9999);
        // Across the wind the best moment is the same one, within what chance makes of 11 hours.
        assert!(f64::from(offset.abs()) < 0.35 * distance / SPEED + 1.0, "{offset}");
    }
    for k in 1..along.len() {
        assert!(along[k] < along[k - 1] && across[k] < across[k - 1]);
        assert!((along[k] - across[k]).abs() < 0.12, "{along:?} {across:?}");
    }
}

/// `count` places scattered over a square, the same each time: a regular grid along the wind would
/// cancel the swings that take as long as the clouds from one place to the next.
fn scattered(side: f64, count: u32) -> Vec<[f64; 2]> {
    // Additive recurrence with the plastic number's powers: even without being regular.
    let part = |i: u32, step: f64| side * (0.5 + step * f64::from(i)).fract();
    (0..count).map(|i| [part(i, 0.754_877_666), part(i, 0.569_840_291)]).collect()
}

/// What an array of 25 sensors varies less than one, scale by scale, beside the model.
///
/// They agree from the time of an edge on where clouds cross the array in that time, and above the time
/// of crossing in a large array. Below, a frozen field differs: its edges are no sharper than they
/// are, so the fastest changes are common to a small array (2.4 times less at 1 s, the model says 25);
/// and swings run along the wind and cancel in a large one (26 times less at 32 s, the model says 7).
/// The model lets correlation fall the same way at all scales and knows neither.
#[test]
fn an_array_varies_as_the_wavelet_model_says() {
    for (side, agrees_from) in [(200.0, 8.0), (1000.0, 128.0)] {
        let places = scattered(side, 25);
        let (mut single, mut together) = ([0.0; 13], [0.0; 13]);
        for seed in 1..5 {
            let clouds = Clouds { towards: 60.0, ..Clouds::default() };
            let field = CloudField::new(clouds, seed).unwrap();
            let all: Vec<Vec<f64>> =
                places.iter().map(|place| series(&field, *place, 7200)).collect();
            let mean: Vec<f64> =
                (0..7200).map(|i| all.iter().map(|one| one[i]).sum::<f64>() / 25.0).collect();
            for one in all.iter().step_by(6) {
                for (i, part) in wavelets(one).iter().enumerate() {
                    single[i] += variance(part) / 5.0;
                }
            }
            for (i, part) in wavelets(&mean).iter().enumerate() {
                together[i] += variance(part);
            }
        }
        println!("25 places in {side} m by {side} m: scale, reduction of the field, of the model");
        for i in 0..11 {
            let scale = 2_f64.powi(i32::try_from(i).unwrap());
            let (ours, model) = (single[i] / together[i], reduction(&places, SPEED, scale));
            println!("{scale:5} s {ours:6.2} {model:6.2}");
            let ratio = ours / model;
            assert!(ours > 0.99 && (0.05..5.0).contains(&ratio), "{side} m, {scale} s: {ratio}");
            assert!(scale < agrees_from || (ratio - 1.0).abs() < 0.35, "{side} m, {scale} s");
        }
    }
}
