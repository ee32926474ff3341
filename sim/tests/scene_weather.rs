//! Scenes under the sky and sharp edges: delays along a row, slopes, glare, temperature, pointing.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use cresthold_sim::quantities::Irradiance;
use cresthold_sim::scene::layout::Layout;
use cresthold_sim::scene::named::named;
use cresthold_sim::scene::pointing::{HIGHEST, LOWEST, Mount, Pointing};
use cresthold_sim::scene::{Exposure, Scene};
use cresthold_sim::sky::plane::{Mounting, Plane};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use cresthold_sim::sky::{Place, Sky};
use cresthold_sim::time::{Instant, Utc};
use std::time::Duration;

fn after(seconds: f64) -> Instant {
    Instant::ZERO + Duration::from_secs_f64(seconds)
}

fn light(scene: &mut dyn Scene, seen: &mut Exposure, seconds: f64) -> f64 {
    scene.expose(after(seconds), seen);
    seen.irradiance().0
}

/// Clouds that move along a row reach its substrings one after another, and across it all at once as
/// nearly as their outline lies.
#[test]
fn substrings_shade_one_after_another() {
    let row = Layout::row(5, 22.0, 90.0).unwrap();
    // 22 m at 11 m/s: 2 s from substring to substring. The sun moves on by 8 s in an hour's light.
    let mut scene = named("broken-clouds", &row, 3).unwrap();
    let mut seen = Exposure::default();
    let mut series = Vec::new();
    for half in 0..7200_u32 {
        scene.expose(after(0.5 * f64::from(half)), &mut seen);
        series.push(seen.substrings().unwrap().to_vec());
    }
    let mut spread = 0.0_f64;
    for (early, late) in series.iter().zip(&series[16..]) {
        // The last sees after 8 s what the first saw; the clear light changes by 0.1 W/m2 in that time.
        assert!((early[0].0 - late[4].0).abs() < 0.5, "{early:?} {late:?}");
        spread = spread.max((early[0].0 - early[4].0).abs());
    }
    println!("largest difference along 88 m: {spread:.0} W/m2");
    assert!(spread > 500.0);
}

/// 450 W/m2/s, straight and logistic, between 100 and 1000 W/m2; and with glare up to 1.5 times.
#[test]
fn sharp_edges_are_as_steep_as_stated() {
    for (request, top) in [("sharp-edges", 1000.0), ("bright-edges", 1350.0)] {
        let mut scene = named(request, &Layout::point(), 1).unwrap();
        let mut seen = Exposure::default();
        let step = 0.01;
        let lights: Vec<f64> =
            (0..90_000).map(|i| light(scene.as_mut(), &mut seen, step * f64::from(i))).collect();
        let steepest = |sign: f64| {
            lights.windows(2).map(|pair| sign * (pair[1] - pair[0]) / step).fold(0.0, f64::max)
        };
        let (up, down) = (steepest(1.0), steepest(-1.0));
        let highest = lights.iter().copied().fold(0.0, f64::max);
        let edges = lights.windows(2).filter(|pair| (pair[0] < 500.0) != (pair[1] < 500.0)).count();
        println!(
            "{request}: {edges} edges, up {up:.1}, down {down:.1} W/m2/s, to {highest:.0} W/m2"
        );
        assert!((up / 450.0 - 1.0).abs() < 0.01 && (down / 450.0 - 1.0).abs() < 0.01);
        assert!((highest / top - 1.0).abs() < 0.001 && edges > 40);
    }
}

/// The enhancement of the cloud scenes above the same hour without clouds.
#[test]
fn closing_sky_enhances_to_one_and_a_half() {
    let bare = "closing-sky,cover=0";
    let ratio = |seed: u64| {
        let mut cloudy = named("closing-sky", &Layout::point(), seed).unwrap();
        let mut clear = named(bare, &Layout::point(), seed).unwrap();
        let mut seen = Exposure::default();
        (0..36_000_u32)
            .map(|tenth| {
                let at = 0.1 * f64::from(tenth);
                light(cloudy.as_mut(), &mut seen, at) / light(clear.as_mut(), &mut seen, at)
            })
            .fold(0.0, f64::max)
    };
    let ratios: Vec<f64> = (1..6).map(ratio).collect();
    println!("largest light over clear light, five hours: {ratios:.3?}");
    assert!(ratios.iter().any(|ratio| *ratio > 1.5) && ratios.iter().all(|ratio| *ratio < 1.6));
}

/// A recorded day as a scene is that day in the plane, at the right time.
#[test]
fn recorded_days_are_what_was_recorded() {
    let mut scene = named("payerne-day,from=9,hours=2", &Layout::point(), 4).unwrap();
    let (day, site) = embedded_payerne();
    let mut sky = RecordedSky::new(day, site, 4);
    let plane = Mounting::Fixed(Plane::new(30.0, 180.0, 0.2).unwrap());
    let nine: Utc = "2016-06-15T09:00:00Z".parse().unwrap();
    let mut seen = Exposure::default();
    for second in (0..7200_u32).step_by(13) {
        let found = light(scene.as_mut(), &mut seen, f64::from(second));
        let state = sky.state(nine + Duration::from_secs(u64::from(second)), Place::default());
        assert!((found - plane.irradiance(&state).0).abs() < 1e-9);
        assert!(seen.cell() >= state.air && seen.cell().0 < state.air.0 + 45.0);
    }
}

/// Cells warm and cool in minutes, not with each cloud.
#[test]
fn cells_follow_slowly() {
    let mut scene = named("low-scud", &Layout::point(), 2).unwrap();
    let mut seen = Exposure::default();
    let mut last: Option<(f64, f64)> = None;
    let (mut fastest, mut swing) = (0.0_f64, 0.0_f64);
    for tenth in 0..36_000_u32 {
        scene.expose(after(0.1 * f64::from(tenth)), &mut seen);
        let now = (seen.cell().0, seen.irradiance().0);
        if let Some((cell, light)) = last {
            fastest = fastest.max((now.0 - cell).abs() / 0.1);
            swing = swing.max((now.1 - light).abs() / 0.1);
        }
        last = Some(now);
    }
    println!("light by up to {swing:.0} W/m2/s, cells by up to {fastest:.3} K/s");
    // 1400 W/m2 on 11 kJ/(m2 K), without any loss: 0.13 K/s.
    assert!(fastest < 0.13 && swing > 50.0);
}

/// The jitter's spectrum is what is stated: variance by bands against the integral of S(f).
#[test]
fn pointing_has_the_stated_spectrum() {
    let mount = Mount { slow: 0.0, jitter: 0.2, moves: 1e-3, ..Mount::default() };
    let (seconds, step) = (400.0, 0.05);
    let mut powers = [0.0; 3];
    let bands = [(LOWEST, 0.2), (0.2, 1.0), (1.0, HIGHEST)];
    let (mut total, seeds) = (0.0, 30_u32);
    for seed in 0..seeds {
        let pointing = Pointing::new(mount, u64::from(seed));
        let count = 8000_u32;
        let values: Vec<f64> = (0..count).map(|i| pointing.error(step * f64::from(i))[1]).collect();
        total += values.iter().map(|v| v * v).sum::<f64>() / f64::from(count) / f64::from(seeds);
        // Fourier sums at the multiples of 1/400 s.
        for (power, (low, high)) in powers.iter_mut().zip(bands) {
            let mut k = (low * seconds).ceil();
            while k < high * seconds {
                let omega = std::f64::consts::TAU * k / seconds;
                let (mut c, mut s) = (0.0, 0.0);
                // One in six lines is enough for a mean over thirty seeds.
                for (i, value) in values.iter().enumerate() {
                    let (sine, cosine) = (omega * step * i as f64).sin_cos();
                    c += value * cosine;
                    s += value * sine;
                }
                *power += 12.0 * (c * c + s * s) / f64::from(count).powi(2) / f64::from(seeds);
                k += 6.0;
            }
        }
    }
    let part = |f: f64| (f / mount.corner).atan();
    println!("variance {total:.5}, stated {:.5}", mount.jitter.powi(2));
    assert!((total / mount.jitter.powi(2) - 1.0).abs() < 0.05);
    for ((low, high), power) in bands.into_iter().zip(powers) {
        let wanted =
            mount.jitter.powi(2) * (part(high) - part(low)) / (part(HIGHEST) - part(LOWEST));
        println!("{low} to {high} Hz: {power:.5}, stated {wanted:.5}");
        // Sparse lines of sparse tones: a third.
        assert!((power / wanted - 1.0).abs() < 0.35);
    }
}

/// The receiver loses what its acceptance says; the sensor beside it loses nothing.
#[test]
fn a_concentrator_loses_light_by_pointing() {
    let mut seen = Exposure::default();
    let mut mean = |request: &str| {
        let mut scene = named(request, &Layout::point(), 1).unwrap();
        let (mut share, mut least) = (0.0, f64::MAX);
        for tenth in 0..36_000_u32 {
            let light = light(scene.as_mut(), &mut seen, 0.1 * f64::from(tenth));
            let now = light / seen.sensed().max(Irradiance(1.0)).0;
            share += now / 36_000.0;
            least = least.min(now);
        }
        println!(
            "{request}: {:.2} % of the direct light, at least {:.1} %",
            100.0 * share,
            100.0 * least
        );
        share
    };
    let (still, usual, rough) =
        (mean("pointing,slow=0,jitter=0"), mean("pointing"), mean("pointing,slow=0.5,jitter=0.4"));
    assert!(still > 0.9999 && usual > 0.95 && usual < 0.9999 && rough < usual - 0.03);
}
