//! A real clear day against the sun and the clear sky: SURFRAD station Alamosa (NOAA, public domain),
//! 2016-01-01, as carried in pvlib-python's test data.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::time::Utc;
use cresthold_sim::sky::clear::{air_mass, components};
use cresthold_sim::sky::sun::{Site, extraterrestrial};

/// Minutes: time stamp, global, direct, diffuse (W/m2), zenith (degrees).
fn day() -> Vec<(Utc, [f64; 4])> {
    let text = include_str!("data/alamosa-2016-01-01.csv");
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    let place = |name: &str| names.iter().position(|known| *known == name).unwrap();
    let places = ["ghi", "dni", "dhi", "solar_zenith"].map(place);
    lines
        .map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            let value = |at: usize| fields[at].parse().unwrap_or(f64::NAN);
            (fields[0].parse().unwrap(), places.map(value))
        })
        .collect()
}

fn site() -> Site {
    Site::new(37.70, -105.92, 2317.0).unwrap()
}

/// The middle of the minute that ends at the station's time: there the sun of morning and afternoon agree
/// with its column alike.
fn middle(stamp: Utc) -> Utc {
    Utc::from_micros(stamp.as_micros() - 30_000_000)
}

/// The station's column is refracted as by the air at sea level, as differences that grow toward the horizon
/// show; the sun here by the air at 2317 m, which has a quarter less of it (Bennett's formula tells how much
/// that is). Beyond that: the column has two places (0.005 degrees), and place and height of the station are
/// known to two places as well (0.005 degrees each way): 0.015 degrees, and 0.005 for warmth.
#[test]
fn the_sun_stands_where_the_station_says() {
    let site = site();
    let thinner = 1.0 - site.standard_pressure() / 1013.25;
    let (mut worst, mut count) = (0.0_f64, 0);
    for (stamp, [.., stated]) in day().into_iter().filter(|(_, [.., stated])| *stated < 85.0) {
        let high = 90.0 - stated;
        let refraction = 1.0 / (high + 7.31 / (high + 4.4)).to_radians().tan() / 60.0;
        let seen = site.sun(middle(stamp)).zenith_degrees() - thinner * refraction;
        worst = worst.max((seen - stated).abs());
        count += 1;
    }
    println!("{count} minutes, at most {worst:.4} degrees off");
    assert!(count > 300);
    assert!(worst < 0.02, "{worst}");
}

/// The clear sky's energy over the day, the sun above 5 degrees: within 5 % of the measured, of global and of
/// direct light. Turbidity 2: clean winter air at 2300 m (maps of Linke turbidity give about 2; from memory).
#[test]
fn a_clear_sky_gives_the_day_s_energy() {
    let site = site();
    let (mut measured, mut modelled) = ([0.0; 2], [0.0; 2]);
    for (stamp, [global, direct, _, stated]) in day() {
        if stated > 85.0 || !global.is_finite() || !direct.is_finite() {
            continue;
        }
        let middle = middle(stamp);
        let high = site.sun(middle).zenith_degrees();
        let mass = air_mass(high, site.standard_pressure());
        let clear = components(extraterrestrial(middle), high, 2.0, site.elevation(), mass);
        for (sum, value) in measured.iter_mut().zip([global, direct]) {
            *sum += value / 60.0;
        }
        for (sum, value) in modelled.iter_mut().zip([clear.global.0, clear.direct.0]) {
            *sum += value / 60.0;
        }
    }
    for (name, measured, modelled) in
        [("global", measured[0], modelled[0]), ("direct", measured[1], modelled[1])]
    {
        let off = modelled / measured - 1.0;
        println!(
            "{name}: measured {measured:.0} Wh/m2, clear sky {modelled:.0}, {:+.2} %",
            off * 100.0
        );
        assert!(measured > 1000.0);
        assert!(off.abs() < 0.05, "{name}: {off}");
    }
}
