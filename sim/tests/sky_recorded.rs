//! Recorded days: what the drawn seconds keep of the record, measured on a day of broken cloud.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]
#![allow(clippy::float_cmp, reason = "exact by construction")]

use cresthold_sim::quantities::MetresPerSecond;
use cresthold_sim::sky::recorded::{Day, RecordedSky, embedded_payerne};
use cresthold_sim::sky::sun::Site;
use cresthold_sim::sky::{Place, Sky, SkyState};
use cresthold_sim::time::Utc;
use proptest::prelude::*;
use std::time::{Duration, Instant};

const POINT: Duration = Duration::from_millis(250);
const MINUTE: Duration = Duration::from_secs(60);

fn payerne(seed: u64) -> RecordedSky {
    let (day, site) = embedded_payerne();
    RecordedSky::new(day, site, seed)
}

fn points(sky: &mut RecordedSky, start: Utc) -> Vec<SkyState> {
    (0..240).map(|i| sky.state(start + POINT * i, Place::default())).collect()
}

fn mean(states: &[SkyState], value: impl Fn(&SkyState) -> f64) -> f64 {
    states.iter().map(value).sum::<f64>() / 240.0
}

fn relative(value: f64, wanted: f64) -> f64 {
    (value - wanted).abs() / wanted.abs().max(1.0)
}

/// Deviations below this (W/m2) are the record's rounding to whole W/m2.
const NOTABLE: f64 = 1.0;

#[test]
fn the_day_is_met_minute_by_minute() {
    let mut sky = payerne(1);
    let day = sky.day().clone();
    let (mut global_error, mut direct_error) = (0.0_f64, 0.0_f64);
    let (mut notable, mut reached, mut ratios) = (0, 0, Vec::new());
    let (mut seams, mut steps) = (Vec::new(), Vec::new());
    let mut last: Option<SkyState> = None;
    for (index, minute) in day.minutes().iter().enumerate() {
        let start = day.start() + MINUTE * u32::try_from(index).unwrap();
        let states = points(&mut sky, start);
        global_error = global_error.max(relative(mean(&states, |s| s.global.0), minute.global.0));
        let up = states[0].sun.up > 0.0 && states[239].sun.up > 0.0;
        if let (Some(direct), true) = (minute.direct, up) {
            direct_error = direct_error.max(relative(mean(&states, |s| s.direct.0), direct.0));
        }
        for s in &states {
            assert!(s.direct.0 >= 0.0 && s.diffuse.0 >= 0.0 && s.global.0 >= 0.0);
        }
        let spread = minute.spread.unwrap();
        let values = || states.iter().map(|s| s.global.0);
        let (low, high) = values().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
        assert!(low >= spread.least.0 - 1e-9 && high <= spread.greatest.0 + 1e-9, "{start}");
        if spread.deviation.0 > NOTABLE {
            notable += 1;
            let met =
                (low - spread.least.0).abs() < 1e-6 && (high - spread.greatest.0).abs() < 1e-6;
            reached += usize::from(met);
            let centre = mean(&states, |s| s.global.0);
            let deviation = mean(&states, |s| (s.global.0 - centre).powi(2)).sqrt();
            ratios.push(deviation / spread.deviation.0);
            steps.extend(states.windows(2).map(|w| (w[1].global.0 - w[0].global.0).abs()));
            if let Some(last) = last {
                seams.push((states[0].global.0 - last.global.0).abs());
            }
        }
        last = states.last().copied();
    }
    let sorted = |mut list: Vec<f64>| {
        list.sort_by(f64::total_cmp);
        list
    };
    let (ratios, seams, steps) = (sorted(ratios), sorted(seams), sorted(steps));
    let at = |list: &[f64], percent: usize| list[(list.len() - 1) * percent / 100];
    println!(
        "largest relative error of the mean: global {global_error:.1e}, direct {direct_error:.1e}"
    );
    println!(
        "{notable} minutes with deviation > {NOTABLE} W/m2; {reached} reach minimum and maximum"
    );
    println!(
        "deviation drawn / recorded: 1 % {:.3}, median {:.3}, 99 % {:.3}, extremes {:.3} {:.3}",
        at(&ratios, 1),
        at(&ratios, 50),
        at(&ratios, 99),
        ratios[0],
        ratios[ratios.len() - 1]
    );
    println!(
        "steps of 0.25 s (W/m2), median, 99 %, largest: within {:.1} {:.1} {:.1}, at the seams {:.1} {:.1} {:.1}",
        at(&steps, 50),
        at(&steps, 99),
        steps[steps.len() - 1],
        at(&seams, 50),
        at(&seams, 99),
        seams[seams.len() - 1]
    );
    assert!(global_error < 1e-9 && direct_error < 1e-9);
    // The record is rounded, so a few minutes' own numbers don't admit their extremes.
    assert!(reached * 100 >= notable * 98);
    assert!(at(&ratios, 5) > 0.99 && at(&ratios, 95) < 1.01);
}

#[test]
fn cost_of_a_call() {
    let mut sky = payerne(1);
    let start: Utc = "2016-06-15T10:00:00Z".parse().unwrap();
    let calls = 2_000_000_u32;
    let _ = sky.state(start, Place::default());
    let clock = Instant::now();
    let mut sum = 0.0;
    for i in 0..calls {
        sum +=
            sky.state(start + Duration::from_micros(u64::from(i) * 29), Place::default()).global.0;
    }
    let inside = clock.elapsed().as_secs_f64() * 1e9 / f64::from(calls);
    let clock = Instant::now();
    for i in 0..600 {
        sum += sky.state(start + MINUTE * i, Place::default()).global.0;
    }
    let turning = clock.elapsed().as_secs_f64() * 1e6 / 600.0;
    println!("{inside:.1} ns a call within a minute, {turning:.1} us a new minute ({sum:.0})");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]
    /// Any minute asked for alone is the minute of the day played from the start.
    #[test]
    fn any_moment_can_be_asked_first(seed in any::<u64>(), millis in 0_u64..90_000_000) {
        let at = payerne(0).day().start() + Duration::from_millis(millis) - MINUTE * 20;
        let mut alone = payerne(seed);
        let mut played = payerne(seed);
        for back in [3, 2, 1] {
            let _ = played.state(at - Duration::from_secs(40) * back, Place::default());
        }
        prop_assert_eq!(alone.state(at, Place::default()), played.state(at, Place::default()));
        let _ = played.state(at + MINUTE * 7, Place::default());
        prop_assert_eq!(alone.state(at, Place::default()), played.state(at, Place::default()));
    }
}

#[test]
fn seeds_differ_and_means_do_not() {
    let at: Utc = "2016-06-15T10:15:00Z".parse().unwrap();
    let (one, two) = (points(&mut payerne(1), at), points(&mut payerne(2), at));
    assert_ne!(one, two);
    assert_eq!(one, points(&mut payerne(1), at));
    assert!(relative(mean(&one, |s| s.global.0), mean(&two, |s| s.global.0)) < 1e-12);
    // The beam carries the swing: direct and global go together in a broken minute.
    let (g, b) = (mean(&one, |s| s.global.0), mean(&one, |s| s.direct.0));
    let product = mean(&one, |s| (s.global.0 - g) * (s.direct.0 - b));
    let size = mean(&one, |s| (s.global.0 - g).powi(2)) * mean(&one, |s| (s.direct.0 - b).powi(2));
    println!("correlation of direct and global: {:.3}", product / size.sqrt());
    assert!(product / size.sqrt() > 0.9);
}

#[test]
fn night_and_beyond_are_dark() {
    let mut sky = payerne(1);
    for text in [
        "2016-06-15T01:30:30Z",
        "2016-06-15T22:30:30Z",
        "2016-06-14T12:00:00Z",
        "2016-06-17T12:00:00Z",
    ] {
        let state = sky.state(text.parse().unwrap(), Place::default());
        assert_eq!((state.global.0, state.direct.0, state.diffuse.0), (0.0, 0.0, 0.0), "{text}");
        assert!(state.air.is_finite() && (state.wind.0 - 2.0).abs() < 1e-12);
    }
    let mut windy = payerne(1).with_wind(MetresPerSecond(5.0));
    assert_eq!(windy.state(sky.day().start(), Place::default()).wind, MetresPerSecond(5.0));
    // The ends of time are dark too, and no panic.
    for micros in [i64::MIN, i64::MAX] {
        let state = sky.state(Utc::from_micros(micros), Place::default());
        assert_eq!(state.global.0, 0.0);
    }
}

/// A clear day without statistics: the second reference day from night to noon.
#[test]
fn means_without_statistics_are_joined_smoothly() {
    let text = include_str!("../data/alamosa-2016-01-01-morning.csv");
    let day = Day::parse("alamosa", text).unwrap();
    let mut sky = RecordedSky::new(day.clone(), Site::new(37.70, -105.92, 2317.0).unwrap(), 1);
    let mut last: Option<f64> = None;
    for (index, minute) in day.minutes().iter().enumerate() {
        let start = day.start() + MINUTE * u32::try_from(index).unwrap();
        let states = points(&mut sky, start);
        let drawn = mean(&states, |s| s.global.0);
        let dark = states[0].sun.up < -0.1;
        assert!(dark || relative(drawn, minute.global.0) < 1e-9, "{start} {drawn} {minute:?}");
        if states[0].sun.up > 0.0 && states[239].sun.up > 0.0 {
            let direct = minute.direct.unwrap().0;
            assert!(relative(mean(&states, |s| s.direct.0), direct) < 1e-9, "{start} {direct}");
        }
        for state in states {
            // 1 W/m2 in a quarter of a second would be a passing cloud; this day has none.
            assert!(last.is_none_or(|last| (last - state.global.0).abs() < 1.0));
            last = Some(state.global.0);
            let closed = state.direct.0 * state.sun.up + state.diffuse.0;
            assert!((closed - state.global.0).abs() < 1e-9);
        }
        let middle = sky.state(start + Duration::from_secs(30), Place::default());
        assert!((middle.wind.0 - minute.wind.unwrap().0).abs() < 1.5);
        assert!((middle.air.0 - minute.air.0).abs() < 0.3);
    }
}
