//! Five made-up years by minutes: on clean data no rule finds anything, every planted fault is listed, and
//! the planted yearly change is found all the same.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

use cresthold::control::record::Activity;
use cresthold::quantities::{Celsius, Irradiance, WattHours, Watts};
use cresthold::season::{
    Device, Exclusion, Minute, Quantity, Reason, Record, Rules, Season, evaluate,
};
use cresthold::time::Utc;
use cresthold::yields::OverBack;
use cresthold_sim::bench::Noise;
use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};
use std::time::Duration;

const MINUTE: Duration = Duration::from_secs(60);
const DAYS: i64 = 5 * 365;
const RATED: f64 = 300.0;
const GAMMA: f64 = -0.004;
/// Change in a year (%).
const RATE: f64 = -0.7;

/// A minute of a day of the campaign, which began in 2021.
fn at(day: i64, minute: i64) -> Utc {
    let began: Utc = "2021-01-01T00:00:00Z".parse().unwrap();
    Utc::from_micros(began.as_micros() + (day * 1440 + minute) * 60_000_000)
}

/// Light from sunrise to sunset, clouds by the day and by the minute, a module that follows them, dust that
/// gathers until it rains.
fn years(seed: u64) -> Vec<Minute> {
    let mut noise = Noise::new(seed);
    let mut minutes = Vec::new();
    let (mut dust, mut warm) = (0.0, 0.0);
    for day in 0..DAYS {
        let season = (TAU * day as f64 / 365.25).cos();
        let half = 360.0 - 120.0 * season;
        let clear = (0.75 + 0.2 * noise.draw()).clamp(0.15, 1.0);
        dust = if noise.draw() > 1.3 { 0.0 } else { dust + 0.0005 };
        let fresh = 1.0 + RATE / 100.0 * day as f64 / 365.25;
        for minute in 0..1440 {
            let hour = (f64::from(minute) - 720.0) / half;
            if hour.abs() >= 1.0 {
                continue;
            }
            let cloud = (1.0 + 0.2 * (1.0 - clear) * noise.draw()).clamp(0.3, 1.4);
            let light = 1000.0 * clear * cloud * (0.5 * PI * hour).cos();
            // A lag of ten minutes.
            warm += (0.03 * light - warm) / 10.0;
            let module = 12.0 - 12.0 * season + warm;
            let right = 1.0 + GAMMA * (module - 25.0);
            let shown = 1.0 + 0.003 * noise.draw();
            let watts = RATED * light / 1000.0 * right * fresh * (1.0 - dust) * shown;
            minutes.push(Minute {
                start: at(day, i64::from(minute)),
                activity: Activity::Tracking,
                watts: Some(Watts(watts)),
                irradiance: Some(Irradiance(light)),
                module: Some(Celsius(module + 0.02 * noise.draw())),
                energy: Some(WattHours(watts / 60.0)),
                covered: MINUTE,
                missing: Duration::ZERO,
                twice: false,
            });
        }
    }
    minutes
}

fn season(minutes: &[Minute]) -> Season {
    let record = Record {
        minutes,
        sweeps: &[],
        without_run: &[],
        crest: &BTreeMap::new(),
        from: at(0, 0),
        until: at(DAYS, 0),
        tracked: None,
        ahead_micros: 0,
    };
    let device =
        Device { rated: Some(Watts(RATED)), gamma: Some(GAMMA), over_back: OverBack::NONE };
    evaluate(&record, &device, &Rules::default(), 1)
}

/// A fault: day, from and to which minute of it, and what it does.
type Fault = (i64, i64, i64, Quantity, Reason, fn(&mut Minute));

const FAULTS: [Fault; 6] = [
    (400, 600, 780, Quantity::Irradiance, Reason::Stuck, |m| {
        m.irradiance = Some(Irradiance(431.25));
    }),
    (500, 700, 701, Quantity::Irradiance, Reason::Limits, |m| {
        m.irradiance = Some(Irradiance(4000.0));
    }),
    (800, 600, 840, Quantity::Record, Reason::Gap, |m| {
        m.activity = Activity::Connecting;
        (m.watts, m.irradiance, m.module) = (None, None, None);
        (m.energy, m.covered, m.missing) = (Some(WattHours::ZERO), Duration::ZERO, MINUTE);
    }),
    // The thermometer's wire is off.
    (1200, 600, 720, Quantity::Module, Reason::Limits, |m| m.module = Some(Celsius(850.0))),
    // A cover left on the irradiance sensor.
    (1300, 660, 780, Quantity::Irradiance, Reason::Contradiction, |m| {
        m.irradiance = Some(Irradiance(1.0));
    }),
    (1500, 660, 750, Quantity::Power, Reason::Stuck, |m| m.watts = Some(Watts(123.0))),
];
/// No program ran on these days.
const DOWN: std::ops::RangeInclusive<i64> = 1000..=1002;

#[test]
fn clean_years_have_nothing_to_exclude_and_planted_faults_are_all_told() {
    let clean = years(1);
    let found = season(&clean);
    assert_eq!(found.exclusions, []);
    assert_eq!((found.all.availability(), found.all.completeness()), (Some(1.0), Some(1.0)));
    assert_eq!(found.months.len(), 60);
    let rate = found.degradation.unwrap();
    println!("clean: {rate:?}");
    assert!(rate.low <= RATE && RATE <= rate.high, "{rate:?}");

    let mut faulty = clean;
    for (day, from, to, _, _, plant) in FAULTS {
        let (from, to) = (at(day, from), at(day, to));
        let hit = faulty.iter_mut().filter(|minute| (from..to).contains(&minute.start));
        hit.for_each(plant);
    }
    let (from, to) = (at(*DOWN.start(), 0), at(*DOWN.end() + 1, 0));
    faulty.retain(|minute| !(from..to).contains(&minute.start));
    let with = season(&faulty);
    let (down, told): (Vec<Exclusion>, Vec<_>) =
        with.exclusions.iter().partition(|one| (from..to).contains(&one.from));
    let told: Vec<_> = told
        .iter()
        .map(|one| (one.from, one.until, one.quantity, one.reason, one.minutes))
        .collect();
    let planted = FAULTS.map(|(day, from, to, quantity, reason, _)| {
        let minutes = u32::try_from(to - from).unwrap();
        (at(day, from), at(day, to), quantity, reason, minutes)
    });
    assert_eq!(told, planted);
    // Day 1000 lies at the end of September: some 11.7 h between light and dark, less what is below 50 W/m2.
    assert_eq!(down.len(), 3, "{down:?}");
    for one in down {
        assert_eq!((one.quantity, one.reason), (Quantity::Record, Reason::Gap));
        assert!((600..=720).contains(&one.minutes), "{one:?}");
    }
    // Three days and four hours of some 1825 days of 12 h.
    let available = with.all.availability().unwrap();
    assert!((0.997..0.999).contains(&available), "{available}");
    let rate = with.degradation.unwrap();
    println!("faulty: {rate:?}");
    assert!(rate.low <= RATE && RATE <= rate.high, "{rate:?}");
    let losses = with.all.losses.unwrap();
    let left = losses.reference - losses.temperature.unwrap() - losses.rest - losses.sweeps;
    let left = left - losses.asleep - losses.outages - losses.measured;
    let left = left - losses.low_light.unwrap();
    // What is proportional to the light but for noise and dust loses next to nothing in weak light.
    assert!(losses.low_light.unwrap().0.abs() < 0.005 * losses.reference.0, "{losses:?}");
    // Terms of some 3 MWh, a million of them: 1e-16 * 3e6 Wh * sqrt(1e6).
    assert!(left.0.abs() < 1e-6, "{losses:?}");
}
