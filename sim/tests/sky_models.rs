//! Each model of the sky on 10,000 random cases, and the sun over a year, against pvlib 0.16.1 (tables
//! written by `pvlib/sky_models.py`).
//!
//! Tolerance: 1e-6 of the value. The table's eight digits take 5e-8 of it. Where parts of either
//! sign nearly cancel (the Perez sum), or a value is the last of a difference (glass at grazing light),
//! the scale is that of the parts.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use cresthold_sim::quantities::{Celsius, Irradiance, MetresPerSecond};
use cresthold_sim::sky::almanac::Almanac;
use cresthold_sim::sky::clear::air_mass;
use cresthold_sim::sky::decompose::erbs;
use cresthold_sim::sky::incidence::Glass;
use cresthold_sim::sky::plane::Plane;
use cresthold_sim::sky::spectrum::Absorber;
use cresthold_sim::sky::sun::{Conditions, Site, extraterrestrial};
use cresthold_sim::sky::transpose::DiffuseSky;
use cresthold_sim::sky::{SkyState, SunVector};
use cresthold_sim::thermal::{Thermal, ThermalParams};
use cresthold_sim::time::Utc;
use proptest::prelude::*;

/// One line of numbers after another.
fn rows(table: &str) -> Vec<Vec<f64>> {
    let lines = table.lines().skip(1);
    lines.map(|line| line.split(',').map(|field| field.parse().unwrap()).collect()).collect()
}

/// Noon of a day of the year, from 1.
#[expect(clippy::cast_possible_truncation, reason = "a day of the year")]
fn noon(day: f64) -> Utc {
    Utc::from_micros((19_357 + day as i64) * 86_400_000_000 + 43_200_000_000) // 2023-01-01 is day 19,358 since 1970
}

/// What we make of a row's eleven inputs, in the order of the table's outputs, with each one's scale.
fn ours(row: &[f64]) -> Vec<(&'static str, f64, f64)> {
    let [day, zenith, azimuth, tilt, facing, albedo, direct, diffuse, known, air, wind] =
        row[..11].try_into().unwrap();
    let extra = extraterrestrial(noon(day));
    let plane = Plane::new(tilt, facing, albedo).unwrap();
    let sun = SunVector::from_degrees(zenith, azimuth);
    let whole = Irradiance(direct * sun.up + diffuse);
    let state = SkyState {
        global: whole,
        direct: Irradiance(direct),
        diffuse: Irradiance(diffuse),
        air: Celsius(air),
        wind: MetresPerSecond(wind),
        sun,
    };
    let split = erbs(Irradiance(known), extra, zenith);
    let [flat, hay, perez] = [DiffuseSky::Isotropic, DiffuseSky::HayDavies, DiffuseSky::Perez]
        .map(|sky| sky.on(&plane, &state, extra));
    let perez_scale = perez.isotropic.0.abs().max(perez.horizon.0.abs()).max(perez.circumsolar.0);
    let cosine = plane.normal().dot(sun);
    let ruiz = Glass::MartinRuiz { a: 0.16 };
    let spread = ruiz.diffuse(tilt);
    let cell = Thermal::steady(&ThermalParams::OPEN_RACK, whole, state.air, state.wind);
    let own = |name, value: f64| (name, value, value.abs());
    vec![
        own("extraterrestrial", extra.0),
        own("air mass", air_mass(zenith, 1013.25)),
        own("erbs direct", split.direct.0),
        own("erbs diffuse", split.diffuse.0),
        own("beam", flat.direct.0),
        own("isotropic", flat.sky().0),
        own("hay-davies", hay.sky().0),
        ("perez", perez.sky().0, perez_scale),
        own("perez, circumsolar", perez.circumsolar.0),
        own("ground", flat.ground.0),
        ("ashrae", Glass::Ashrae { b: 0.05 }.beam(cosine), 1.0),
        ("physical", Glass::default().beam(cosine), 1.0),
        ("martin-ruiz", ruiz.beam(cosine), 1.0),
        own("martin-ruiz, sky", spread.sky),
        own("martin-ruiz, ground", spread.ground),
        // The rise over the air is what the model says; a temperature in degC has no own scale.
        ("faiman", cell.0, (cell.0 - air).abs().max(air.abs())),
    ]
}

#[test]
fn every_model_agrees_with_pvlib() {
    let rows = rows(include_str!("pvlib/sky_models.csv"));
    assert_eq!(rows.len(), 10_000);
    let mut worst: Vec<(&str, f64)> = Vec::new();
    for row in &rows {
        for (k, ((name, value, scale), theirs)) in ours(row).into_iter().zip(&row[11..]).enumerate()
        {
            // Below a millionth of a W/m2 (or of the whole light) there is nothing to compare.
            let off = (value - theirs).abs() / scale.max(1e-6);
            match worst.get_mut(k) {
                Some(entry) => entry.1 = entry.1.max(off),
                None => worst.push((name, off)),
            }
            assert!(off < 1e-6, "{name}: {value} against {theirs} in {row:?}");
        }
    }
    assert_eq!(worst.len(), 16);
    for (name, off) in worst {
        println!("{name:22} largest difference {off:.1e} of the value");
    }
}

/// The factors for the light's colour, written by `pvlib/spectrum.py`; eight decimals.
#[test]
fn the_lights_colour_agrees_with_pvlib() {
    let rows = rows(include_str!("pvlib/spectrum.csv"));
    assert_eq!(rows.len(), 2_000);
    for row in &rows {
        for (absorber, theirs) in Absorber::ALL.into_iter().zip(&row[2..]) {
            let ours = absorber.factor(row[0], row[1]);
            assert!((ours - theirs).abs() < 1e-8, "{absorber:?}: {ours} against {row:?}");
        }
    }
}

/// Ten thousand random seconds of 2024 and places on the earth, day and night, with and without
/// refraction; goal 0.002 degrees.
#[test]
fn the_sun_of_a_year_agrees_with_pvlib() {
    let rows = rows(include_str!("pvlib/sun_year.csv"));
    assert_eq!(rows.len(), 10_000);
    let (mut bare, mut bent) = (0.0_f64, 0.0_f64);
    for row in &rows {
        let [second, latitude, longitude, height, zenith, apparent, azimuth] =
            row[..].try_into().unwrap();
        let site = Site::new(latitude, longitude, height).unwrap();
        #[expect(clippy::cast_possible_truncation, reason = "whole seconds")]
        let at = Utc::from_micros(second as i64 * 1_000_000);
        // No air: no refraction. Delta T of 2024: 69.2 s.
        let airless = Conditions { pressure: 0.0, air: Celsius(12.0), delta_t: 69.2 };
        let theirs = SunVector::from_degrees(zenith, azimuth);
        bare = bare.max(angle(site.sun_under(at, &airless), theirs));
        if apparent < 90.0 {
            bent = bent.max(angle(site.sun(at), SunVector::from_degrees(apparent, azimuth)));
        }
    }
    println!("largest difference {bare:.1e} degrees, with refraction {bent:.1e} degrees");
    assert!(bare < 0.002 && bent < 0.002);
}

/// Within 1e-4 degrees of the algorithm itself (opening lines of the almanac's module), also where time
/// jumps as in a typical year.
#[test]
fn the_almanac_keeps_to_the_algorithm() {
    let mut worst = 0.0_f64;
    for (latitude, longitude) in
        [(36.1, -79.95), (-35.0, 149.0), (78.2, 15.6), (0.1, 179.9), (-89.0, 0.0)]
    {
        let site = Site::new(latitude, longitude, 300.0).unwrap();
        let mut almanac = Almanac::new(site);
        // 2003 to 2025 by steps of some odd hours; every fiftieth jumps back by eleven years.
        for step in 0..20_000_i64 {
            let back = if step % 50 > 45 { 11 * 365 * 86_400 } else { 0 };
            let at = Utc::from_micros((1_050_000_000 + step * 34_567 - back) * 1_000_000);
            let exact = site.sun(at);
            // About 1 degree below the horizon refraction begins with a leap of half a degree.
            if !(-1.0..-0.2).contains(&(90.0 - exact.zenith_degrees())) {
                worst = worst.max(angle(almanac.sun(at), exact));
            }
        }
    }
    println!("largest difference {worst:.1e} degrees");
    assert!(worst < 1e-4);
}

/// Degrees between two directions, by the chord (exact for small angles).
fn angle(a: SunVector, b: SunVector) -> f64 {
    let chord = (a.east - b.east).hypot(a.north - b.north).hypot(a.up - b.up);
    (2.0 * (0.5 * chord).asin()).to_degrees()
}

#[test]
fn glass_out_of_range_is_refused_by_name() {
    let thick = Glass::Physical { index: 1.5, extinction: 4.0, thickness: 2.0 };
    let text = thick.check().unwrap_err().to_string();
    assert_eq!(text, "thickness of the glass in metres 2 is out of range: give 0..=0.1");
    assert!(Glass::Ashrae { b: f64::NAN }.check().is_err());
    assert!(Glass::MartinRuiz { a: 0.0 }.check().is_err());
    assert_eq!(Glass::default().check(), Ok(Glass::default()));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    /// Light is divided, never made; a horizontal plane sees all of it whatever the model; modifiers
    /// fall from one to zero; the three models agree on an overcast sky's direct and ground parts.
    #[test]
    fn the_models_keep_the_laws(
        direct in 0.0..1000.0_f64, diffuse in 1.0..600.0_f64, zenith in 0.0..120.0_f64,
        tilt in 0.0..180.0_f64, global in -5.0..1300.0_f64, cosine in 0.0..1.0_f64,
    ) {
        let extra = Irradiance(1380.0);
        let split = erbs(Irradiance(global), extra, zenith);
        let up = zenith.to_radians().cos();
        prop_assert!(split.direct.0 >= 0.0);
        let closed = split.direct.0 * up + split.diffuse.0;
        prop_assert!((closed - global).abs() < 1e-9 * (1.0 + split.direct.0));

        let sun = SunVector::from_degrees(zenith, 150.0);
        let state = SkyState {
            global: Irradiance(direct * sun.up.max(0.0) + diffuse),
            direct: Irradiance(direct),
            diffuse: Irradiance(diffuse),
            air: Celsius(20.0),
            wind: MetresPerSecond(2.0),
            sun,
        };
        let flat = Plane::horizontal();
        for sky in [DiffuseSky::Isotropic, DiffuseSky::HayDavies, DiffuseSky::Perez] {
            let whole = sky.on(&flat, &state, extra);
            // Nearer to the horizon the ratios are held, so that the sum is less than the whole.
            if !(85.0..=90.0).contains(&zenith) {
                prop_assert!((whole.sky().0 - diffuse).abs() < 1e-9 * (1.0 + diffuse), "{sky:?}");
            }
            let some = sky.on(&Plane::new(tilt, 200.0, 0.2).unwrap(), &state, extra);
            prop_assert!(some.sky().0 >= 0.0 && some.circumsolar.0 >= 0.0);
            prop_assert_eq!(DiffuseSky::from_name(DiffuseSky::NAMES[sky as usize]), Some(sky));
        }
        for glass in [Glass::default(), Glass::Ashrae { b: 0.05 }, Glass::MartinRuiz { a: 0.16 }] {
            let (less, more) = (glass.beam(0.99 * cosine), glass.beam(cosine));
            prop_assert!((0.0..=1.0 + 1e-12).contains(&more) && less <= more + 1e-12);
            let spread = glass.diffuse(tilt);
            prop_assert!((0.0..=1.0).contains(&spread.sky) && (0.0..=1.0).contains(&spread.ground));
        }
    }
}
