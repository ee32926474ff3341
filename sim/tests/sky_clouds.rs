//! Moving clouds: cover, bounds, delay, measured along tracks of thousands of kilometres. Published
//! statistics: `sky_statistics.rs`.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]
#![allow(clippy::float_cmp, reason = "exact by construction")]

use cresthold_sim::quantities::MetresPerSecond;
use cresthold_sim::sky::clear::{ClearSky, Weather};
use cresthold_sim::sky::clouds::{CloudField, Clouds, CloudsError, CloudySky};
use cresthold_sim::sky::sun::Site;
use cresthold_sim::sky::{Place, Sky};
use cresthold_sim::time::Utc;
use proptest::prelude::*;
use std::time::{Duration, Instant};

const HERE: Place = Place { east: 0.0, north: 0.0 };

fn noon() -> Utc {
    "2016-06-15T11:33:00Z".parse().unwrap()
}

fn field(cover: f64, seed: u64) -> CloudField {
    CloudField::new(Clouds { cover, ..Clouds::default() }, seed).unwrap()
}

fn clear() -> ClearSky {
    ClearSky::new(Site::new(46.815, 6.944, 491.0).unwrap(), Weather::default()).unwrap()
}

/// Depth of shade each `step` seconds.
fn track(field: &CloudField, step: f64, count: u32) -> Vec<f64> {
    (0..count)
        .map(|i| field.shade(noon() + Duration::from_secs_f64(step * f64::from(i)), HERE).depth)
        .collect()
}

#[test]
fn cover_is_what_was_asked() {
    for cover in [0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0] {
        for seed in 1..4 {
            // 200 000 points of 110 m: 22 000 km, 1700 of the longest wavelengths; the mean of that
            // many independent patches is good to 1.2 % at half cover.
            let depths = track(&field(cover, seed), 10.0, 200_000);
            let mean = depths.iter().sum::<f64>() / 200_000.0;
            println!("cover asked {cover:.2}, seed {seed}: {mean:.4}");
            assert!((mean - cover).abs() < 0.025, "{cover} {mean}");
        }
    }
}

/// The cover is that of the field; the hour that passes over a place has its own.
#[test]
fn an_hour_has_a_cover_of_its_own() {
    let hours: Vec<f64> = (0..60)
        .map(|seed| {
            let clouds = Clouds { cover: 0.5, largest: 3200.0, ..Clouds::default() };
            let depths = track(&CloudField::new(clouds, seed).unwrap(), 5.0, 720);
            depths.iter().sum::<f64>() / 720.0
        })
        .collect();
    let mean = hours.iter().sum::<f64>() / 60.0;
    let deviation = (hours.iter().map(|h| (h - mean).powi(2)).sum::<f64>() / 60.0).sqrt();
    println!("sixty hours of cover 0.5: mean {mean:.3}, standard deviation {deviation:.3}");
    // Sixty hours of that spread are good to 0.013.
    assert!((mean - 0.5).abs() < 0.06 && deviation > 0.05 && deviation < 0.2);
}

#[test]
fn enhancement_occurs_and_is_bounded() {
    let clouds = Clouds::default();
    let mut sky = CloudySky::new(clear(), clouds, 3).unwrap();
    let mut above = clear();
    let (mut top, mut bottom, mut enhanced) = (0.0_f64, f64::MAX, 0);
    let count = 200_000_u32;
    for i in 0..count {
        // Along the track in space, at one time: the sun stays.
        let place = Place { east: -20.0 * f64::from(i), north: 0.0 };
        let (with, without) = (sky.state(noon(), place), above.state(noon(), place));
        let ratio = with.global / without.global;
        top = top.max(ratio);
        bottom = bottom.min(ratio);
        enhanced += u32::from(ratio > 1.05);
        assert!(with.direct <= without.direct && with.direct.0 >= 0.0);
        assert!(with.diffuse >= without.diffuse);
        let closed = with.direct.0 * with.sun.up + with.diffuse.0;
        assert!((closed - with.global.0).abs() < 1e-9);
    }
    let share = f64::from(enhanced) / f64::from(count);
    println!("global over clear: {bottom:.3} to {top:.3}; above 1.05 for {:.1} %", 100.0 * share);
    assert!(top > 1.25 && top <= 1.0 + clouds.enhancement + 1e-12);
    assert!(bottom < 0.4 && bottom > 0.1);
    assert!(share > 0.05 && share < 0.6);
}

#[test]
fn seeds_make_fields() {
    let (one, again, two) = (field(0.5, 1), field(0.5, 1), field(0.5, 2));
    assert_eq!(track(&one, 7.0, 1000), track(&again, 7.0, 1000));
    assert_ne!(track(&one, 7.0, 1000), track(&two, 7.0, 1000));
}

#[test]
fn wrong_clouds_are_refused_by_name() {
    let fair = Clouds::default();
    let refused = |clouds| CloudField::new(clouds, 1).map(|_| ()).unwrap_err();
    let error: CloudsError = refused(Clouds { cover: 1.2, ..fair });
    assert_eq!(error.to_string(), "clouds: cover 1.2 is out of range; give 0..=1 of the sky");
    assert_eq!(refused(Clouds { largest: 500.0, ..fair }).least, 600.0);
    assert_eq!(refused(Clouds { speed: MetresPerSecond(f64::NAN), ..fair }).what, "speed");
}

#[test]
fn cost_of_a_call() {
    let mut sky = CloudySky::new(clear(), Clouds::default(), 3).unwrap();
    let calls = 50_000_u32;
    let mut sum = 0.0;
    // The least of ten: others share the machine.
    let cost = (0..10)
        .map(|_| {
            let clock = Instant::now();
            for i in 0..calls {
                sum += sky.state(noon() + Duration::from_millis(1) * i, HERE).global.0;
            }
            clock.elapsed().as_secs_f64() * 1e9 / f64::from(calls)
        })
        .fold(f64::MAX, f64::min);
    println!("{cost:.0} ns a call ({sum:.0})");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 32, failure_persistence: None, ..ProptestConfig::default() })]
    /// What one place sees, a place downwind sees later by distance over speed; across the wind
    /// nothing of the kind holds, so the pattern there differs.
    #[test]
    fn the_field_moves_unchanged(
        towards in 0.0..360.0_f64, distance in 1.0..5000.0_f64, seed in any::<u64>(),
        millis in 0_u64..86_400_000,
    ) {
        let clouds = Clouds { towards, ..Clouds::default() };
        let field = CloudField::new(clouds, seed).unwrap();
        let (sine, cosine) = towards.to_radians().sin_cos();
        let there = Place { east: distance * sine, north: distance * cosine };
        let at = noon() + Duration::from_millis(millis);
        let later = at + Duration::from_secs_f64(distance / 11.0);
        let (first, second) = (field.shade(at, HERE), field.shade(later, there));
        // A microsecond of clock and 1e10 m of travel in 52 bits: 1e-5 m of an edge of 100 m.
        prop_assert!((first.depth - second.depth).abs() < 1e-5);
        prop_assert!((first.glare - second.glare).abs() < 1e-5);
        for shade in [first, second] {
            prop_assert!((0.0..=1.0).contains(&shade.depth) && (0.0..=1.0).contains(&shade.glare));
            prop_assert!((0.0..=1.0).contains(&shade.opacity));
        }
    }
}
