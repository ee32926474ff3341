//! What a season comes to, against numbers worked by hand.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

use cresthold::control::record::Activity;
use cresthold::quantities::{Celsius, Irradiance, WattHours, Watts};
use cresthold::season::{
    Device, Losses, Minute, NoRate, Quantity, Reason, Record, Rules, Season, Tracked, degradation,
    evaluate, judge, merge, seen, side_by_side,
};
use cresthold::time::Utc;
use cresthold::yields::OverBack;
use std::collections::BTreeMap;
use std::time::Duration;

const MINUTE: Duration = Duration::from_secs(60);
/// Sums of a few hundred terms of some 1e3 in binary: 1e-9 is a million times their rounding.
const ROUNDING: f64 = 1e-9;

fn utc(text: &str) -> Utc {
    text.parse().unwrap()
}

/// A minute in which the channel held the device.
fn tracked(start: Utc, light: f64, module: f64, watts: f64) -> Minute {
    Minute {
        start,
        activity: Activity::Tracking,
        watts: Some(Watts(watts)),
        irradiance: Some(Irradiance(light)),
        module: Some(Celsius(module)),
        energy: Some(WattHours(watts / 60.0)),
        covered: MINUTE,
        missing: Duration::ZERO,
        twice: false,
    }
}

/// `count` minutes from `start` on; no value stands still, as none does outdoors.
fn stretch(start: &str, count: u32, of: (f64, f64, f64)) -> Vec<Minute> {
    let first = utc(start);
    let minute = |index: u32| {
        let wiggle = if index.is_multiple_of(2) { 0.5 } else { -0.5 };
        tracked(first + MINUTE * index, of.0 + wiggle, of.1 + wiggle, of.2 + wiggle)
    };
    (0..count).map(minute).collect()
}

fn season(minutes: &[Minute], device: Device, sweeps: &[(Utc, WattHours)]) -> Season {
    let crest = BTreeMap::new();
    let record = Record {
        minutes,
        sweeps,
        without_run: &[],
        crest: &crest,
        tracked: None,
        from: minutes[0].start,
        until: minutes[minutes.len() - 1].start + MINUTE,
        ahead_micros: 0,
    };
    evaluate(&record, &device, &Rules::default(), 1)
}

#[track_caller]
fn near(found: f64, wanted: f64) {
    assert!((found - wanted).abs() < ROUNDING, "{found} is not {wanted}");
}

/// 300 W, -0.4 %/K. An hour at 800 W/m2 and 45 degC that gave 210 W, an hour at 400 W/m2 and 25 degC that
/// gave 108 W, over the end of a month.
#[test]
fn yields_and_ratios_by_day_month_and_all() {
    let mut minutes = stretch("2026-06-30T23:00:00Z", 60, (800.0, 45.0, 210.0));
    minutes.extend(stretch("2026-07-01T00:00:00Z", 60, (400.0, 25.0, 108.0)));
    let rated = Watts(300.0);
    let found = season(
        &minutes,
        Device { rated: Some(rated), gamma: Some(-0.004), over_back: OverBack::NONE },
        &[],
    );
    assert_eq!(found.exclusions, []);
    assert_eq!(found.days.len(), 2);
    assert_eq!(found.days[1].date, "2026-07-01");
    let names: Vec<&str> = found.months.iter().map(|month| month.name.as_str()).collect();
    assert_eq!(names, ["2026-06", "2026-07"]);

    // June: 210 Wh; 800 Wh/m2; Yf = 210/300 = 0.7 h; Yr = 0.8 h; PR = 0.875.
    let june = &found.months[0].totals;
    near(june.energy.0, 210.0);
    near(june.counted.plane.0, 800.0);
    near(june.counted.final_yield(rated), 0.7);
    near(june.counted.reference_yield(), 0.8);
    near(june.counted.performance_ratio(rated).unwrap(), 0.875);
    // C = 1 - 0.004 (45 - 25 +- 0.5), with light 800 +- 0.5 in step: the mean of C G is
    // 0.92 * 800 - 0.004 * 0.5 * 0.5 = 735.999; 210 / (0.3 * 735.999) = 0.951088.
    let june_25 = june.corrected_ratio(rated).unwrap();
    near(june_25, 210.0 / (0.3 * 735.999));
    // July: C = 1: 108 / (300 * 0.4) = 0.9, but for the same 0.001: 108 / (0.3 * 399.999).
    near(found.months[1].totals.corrected_ratio(rated).unwrap(), 108.0 / (0.3 * 399.999));
    // All: 318 Wh of 1200 Wh/m2: 1.06 h / 1.2 h; capacity 318 / (300 * 2 h) = 0.53.
    near(found.all.counted.performance_ratio(rated).unwrap(), 1.06 / 1.2);
    near(found.all.capacity_factor(rated).unwrap(), 0.53);
    assert_eq!((found.all.availability(), found.all.completeness()), (Some(1.0), Some(1.0)));
    assert_eq!((found.all.light, found.all.presumed), (120, 0));
    assert_eq!(found.degradation, Err(NoRate::TooShort { span: 2 }), "an hour each");
}

/// 100 W, -0.5 %/K, 1000 W/m2, 45 degC: 100 W * 0.9 = 90 W are left of each minute. Ten minutes each of
/// 80 W tracked; of 80 W with half of the minute missing; asleep; resting.
#[test]
fn the_loss_tree_adds_up() {
    let mut minutes = stretch("2026-06-21T10:00:00Z", 40, (1000.0, 45.0, 80.0));
    for minute in &mut minutes[10..20] {
        minute.covered = MINUTE / 2;
        minute.missing = MINUTE / 2;
        minute.energy = Some(WattHours(80.0 / 120.0));
    }
    for minute in &mut minutes[20..40] {
        minute.activity = Activity::Asleep;
        minute.energy = Some(WattHours(0.0));
        minute.watts = Some(Watts(0.0));
    }
    minutes[30..40].iter_mut().for_each(|minute| minute.activity = Activity::Resting);
    let sweeps = [
        (utc("2026-06-21T10:00:07Z"), WattHours(0.2)),
        (utc("2026-06-21T10:09:59Z"), WattHours(0.1)),
        // Nothing was counted then.
        (utc("2026-06-21T09:00:00Z"), WattHours(50.0)),
    ];
    let device =
        Device { rated: Some(Watts(100.0)), gamma: Some(-0.005), over_back: OverBack::NONE };
    let found = season(&minutes, device, &sweeps[..2]);
    let losses = found.all.losses.unwrap();
    // 40 minutes of 100 W: 66.667 Wh. Warm by 20 K +- 0.5 K in step with the light: mean of G (1 - C) =
    // 1000 * 0.1 + 0.005 * 0.25 = 100.00125: 6.66675 Wh. Left: 59.999917 Wh, a quarter each: 14.99997917.
    let quarter = (4000.0 / 60.0 - 40.0 * 10.000125 / 60.0) / 4.0;
    near(losses.reference.0, 4000.0 / 60.0);
    near(losses.temperature.unwrap().0, 40.0 * 10.000125 / 60.0);
    near(losses.asleep.0, quarter);
    // Resting: all of it; half-covered minutes: half of it.
    near(losses.outages.0, quarter * 1.5);
    near(losses.sweeps.0, 0.3);
    // Tracked: 10 minutes of 80 W = 13.3333 Wh, and half of that: 20 Wh measured. The rest is what is left
    // of 1.5 quarters: 22.5 - 20 - 0.3 = 2.2 Wh, less the 0.00003 of above.
    near(losses.measured.0, 20.0);
    near(losses.rest.0, 1.5 * quarter - 20.0 - 0.3);
    let Losses { reference, temperature, rest, sweeps, asleep, outages, measured, .. } = losses;
    near((reference - temperature.unwrap() - rest - sweeps - asleep - outages - measured).0, 0.0);
    // Held for ten of 40 minutes, and for half of ten more; without readings in the other half of these.
    near(found.all.availability().unwrap(), 15.0 / 40.0);
    near(found.all.completeness().unwrap(), 35.0 / 40.0);
}

#[test]
fn without_rating_or_coefficient_what_needs_it_is_left_out() {
    let minutes = stretch("2026-06-21T10:00:00Z", 60, (500.0, 30.0, 100.0));
    let found = season(&minutes, Device::default(), &[]);
    near(found.all.energy.0, 100.0);
    near(found.all.counted.reference_yield(), 0.5);
    assert!(found.all.losses.is_none() && found.all.corrected.is_none());
    assert_eq!(found.degradation, Err(NoRate::NoGamma));
    // With a rating alone temperature is in the rest: 0.5 h * 300 W - 100 Wh = 50 Wh.
    let found = season(
        &minutes,
        Device { rated: Some(Watts(300.0)), gamma: None, over_back: OverBack::NONE },
        &[],
    );
    let losses = found.all.losses.unwrap();
    assert!(losses.temperature.is_none());
    near(losses.rest.0, 50.0);
    near(losses.temperature_unknown.0, 150.0);
}

/// Three days of ten hours of light; on the second the link is lost for an hour, for another there is no
/// record at all, and for a third no irradiance.
#[test]
fn gaps_by_day_are_listed_and_count_against_completeness() {
    let mut minutes = Vec::new();
    for day in ["2026-06-20", "2026-06-21", "2026-06-22"] {
        minutes.extend(stretch(&format!("{day}T07:00:00Z"), 600, (500.0, 30.0, 100.0)));
    }
    for minute in &mut minutes[660..720] {
        *minute = Minute {
            activity: Activity::Connecting,
            watts: None,
            irradiance: None,
            module: None,
            energy: Some(WattHours(0.0)),
            covered: Duration::ZERO,
            missing: MINUTE,
            ..*minute
        };
    }
    minutes[780..840].iter_mut().for_each(|minute| minute.irradiance = None);
    minutes.drain(720..780);
    let found = season(
        &minutes,
        Device { rated: Some(Watts(300.0)), gamma: None, over_back: OverBack::NONE },
        &[],
    );
    let told: Vec<_> = found
        .exclusions
        .iter()
        .map(|one| (one.quantity, one.reason, one.from, one.until, one.minutes))
        .collect();
    // 08:00 to 10:00 nothing was measured: without a link, then without a program; then no irradiance.
    let (eight, ten, eleven) =
        (utc("2026-06-21T08:00:00Z"), utc("2026-06-21T10:00:00Z"), utc("2026-06-21T11:00:00Z"));
    assert_eq!(
        told,
        [
            (Quantity::Record, Reason::Gap, eight, ten, 120),
            (Quantity::Irradiance, Reason::Gap, ten, eleven, 60)
        ]
    );
    let day = &found.days[1].totals;
    assert_eq!((day.light, day.presumed, day.worked, day.complete), (600, 180, 480.0, 420.0));
    near(day.availability().unwrap(), 0.8);
    near(day.completeness().unwrap(), 0.7);
    // Eight hours of 100 W were delivered; seven of them have their light.
    near(day.energy.0, 800.0);
    near(day.counted.energy.0, 700.0);
    near(day.counted.plane.0, 3500.0);
}

/// An hour of light with a line that was silent for 6 s, a restart of the program that took 12 s, and a channel
/// that woke in the middle of a minute and fell asleep in one.
#[test]
fn outages_count_to_the_second() {
    let mut minutes = stretch("2026-06-21T10:00:00Z", 60, (500.0, 30.0, 100.0));
    let part = |minute: &mut Minute, covered: u64, missing: u64| {
        minute.covered = Duration::from_secs(covered);
        minute.missing = Duration::from_secs(missing);
    };
    minutes[..10].iter_mut().for_each(|minute| {
        minute.activity = Activity::Asleep;
        part(minute, 0, 0);
    });
    part(&mut minutes[10], 30, 0);
    part(&mut minutes[20], 54, 6);
    part(&mut minutes[30], 18, 0);
    let after = Minute { covered: Duration::from_secs(30), ..minutes[30] };
    minutes.push(after);
    minutes[59].activity = Activity::Asleep;
    part(&mut minutes[59], 15, 0);
    let minutes = merge(minutes);
    let found = season(&minutes, Device::default(), &[]).all;
    assert_eq!(found.light, 60);
    // Held from 10:10:30 to 10:59, less the 6 s and the 12 s; what was held of the last minute is not told.
    near(found.worked, 48.5 - 0.3);
    // Asleep it is known to have delivered nothing.
    near(found.complete, 60.0 - 0.3);
    near(found.completeness().unwrap(), 59.7 / 60.0);
}

/// A device whose efficiency falls by 3 % of itself with each factor e of the light, and a tracker that takes 99 % of
/// the crest as curves say: two months of clear days, by minutes. Low light is `C P0 G t (-0.03 ln(G / 1000))`, summed
/// by hand; the matrix's fit has the same logarithm, but below its weakest point goes on in a straight line. What is
/// left as the rest is what the tracker took beyond the quotient's first order, and that straight line.
#[test]
fn low_light_and_tracker_are_told_apart() {
    let began = utc("2026-05-01T00:00:00Z");
    let (mut minutes, mut low, mut all) = (Vec::new(), 0.0, 0.0);
    for day in 0..60_u32 {
        let air = 8.0 + f64::from(day * 7 % 25);
        let clear = 0.4 + 0.7 * f64::from(day * 11 % 60) / 60.0;
        for minute in 300..1140_u32 {
            let hour = f64::from(minute - 300) / 840.0;
            let light = 1100.0 * clear * (std::f64::consts::PI * hour).sin();
            if light < 5.0 {
                continue;
            }
            let module = air + 0.03 * light + 0.2 * f64::from(minute % 3);
            let right = 1.0 - 0.004 * (module - 25.0);
            let dim = 1.0 + 0.03 * (light / 1000.0).ln();
            let crest = 0.3 * light * right * dim;
            let start = began + MINUTE * (day * 1440 + minute);
            minutes.push(tracked(start, light, module, 0.99 * crest));
            low += 0.3 * light * right * (1.0 - dim) / 60.0;
            all += crest / 60.0;
        }
    }
    let crest = BTreeMap::new();
    let shares = Tracked { share: 0.99, error: 0.001, curves: 20 };
    let record = Record {
        minutes: &minutes,
        sweeps: &[],
        without_run: &[],
        crest: &crest,
        tracked: Some(shares),
        from: minutes[0].start,
        until: minutes[minutes.len() - 1].start + MINUTE,
        ahead_micros: 0,
    };
    let device =
        Device { rated: Some(Watts(300.0)), gamma: Some(-0.004), over_back: OverBack::NONE };
    let found = evaluate(&record, &device, &Rules::default(), 1);
    assert_eq!(found.exclusions.iter().filter(|one| one.reason != Reason::Gap).count(), 0);
    let losses = found.all.losses.unwrap();
    let (weak, tracker) = (losses.low_light.unwrap().0, losses.tracker.unwrap().0);
    println!(
        "low light {weak:.2} Wh of {low:.2}, tracker {tracker:.2} of {:.2}, rest {:.2}",
        0.01 * all,
        losses.rest.0
    );
    assert!((weak / low - 1.0).abs() < 0.02, "{weak} {low}");
    near(tracker, 0.01 * all);
    assert!(losses.rest.0.abs() < 0.02 * low, "{}", losses.rest);
    let told = weak + tracker + losses.temperature.unwrap().0 + losses.rest.0;
    near(losses.reference.0 - told, losses.measured.0);
    // Without points in weak light nothing is told of it.
    let bright: Vec<Minute> =
        minutes.iter().filter(|one| one.irradiance.unwrap() > Irradiance(700.0)).copied().collect();
    let found = season(&bright, device, &[]);
    let losses = found.all.losses.unwrap();
    assert_eq!((losses.low_light, losses.tracker), (None, None));
}

/// Days that don't end with UTC's: 8 h ahead, the light of a day is in two dates of UTC and one of these.
#[test]
fn days_are_those_of_the_log() {
    let minutes = stretch("2026-06-20T22:00:00Z", 600, (500.0, 30.0, 100.0));
    let crest = BTreeMap::from([("2026-06-21".to_owned(), WattHours(1010.0))]);
    let record = Record {
        minutes: &minutes,
        sweeps: &[],
        without_run: &[],
        crest: &crest,
        tracked: None,
        from: utc("2026-06-20T16:00:00Z"),
        until: utc("2026-06-21T16:00:00Z"),
        ahead_micros: 8 * 3_600_000_000,
    };
    let found = evaluate(&record, &Device::default(), &Rules::default(), 1);
    assert_eq!(found.days.len(), 1);
    assert_eq!(found.days[0].date, "2026-06-21");
    near(found.all.hours, 24.0);
    near(found.all.energy.0, 1000.0);
    near(found.all.of_crest().unwrap(), 1000.0 / 1010.0);
    // A mean sun that is 27 min 46.56 s ahead: minutes of UTC begin within its own.
    let record = Record { ahead_micros: 1_666_560_000, ..record };
    let found = evaluate(&record, &Device::default(), &Rules::default(), 1);
    near(found.all.energy.0, 1000.0);
    near(found.all.hours, 24.0);
}

#[test]
fn every_rule_finds_its_fault_and_nothing_else() {
    type Plant = fn(&mut [Minute]);
    let cases: [(Quantity, Reason, u32, Plant); 11] = [
        (Quantity::Irradiance, Reason::Limits, 1, |m| m[100].irradiance = Some(Irradiance(1501.0))),
        (Quantity::Irradiance, Reason::Limits, 1, |m| m[100].irradiance = Some(Irradiance(-16.0))),
        // 200 to 1450 and back: 1250 is more than 1200; the minutes on both sides, too.
        (Quantity::Irradiance, Reason::Rate, 3, |m| {
            m.iter_mut().for_each(|m| m.irradiance = m.irradiance.map(|g| g - Irradiance(300.0)));
            m[100].irradiance = Some(Irradiance(1450.0));
        }),
        (Quantity::Irradiance, Reason::Stuck, 60, |m| {
            m[100..160].iter_mut().for_each(|m| m.irradiance = Some(Irradiance(431.25)));
        }),
        // 500 W/m2 on the device, as its 100 W say, 0 from the sensor.
        (Quantity::Irradiance, Reason::Contradiction, 5, |m| {
            m[100..105].iter_mut().for_each(|m| m.irradiance = Some(Irradiance(0.0)));
        }),
        (Quantity::Module, Reason::Limits, 7, |m| {
            m[100..107].iter_mut().for_each(|m| m.module = Some(Celsius(850.0)));
        }),
        (Quantity::Module, Reason::Rate, 3, |m| m[100].module = Some(Celsius(51.0))),
        (Quantity::Module, Reason::Stuck, 120, |m| {
            m[100..220].iter_mut().for_each(|m| m.module = Some(Celsius(31.2)));
        }),
        // 1.5 times 300 W.
        (Quantity::Power, Reason::Limits, 1, |m| m[100].watts = Some(Watts(450.1))),
        (Quantity::Power, Reason::Stuck, 60, |m| {
            m[100..160].iter_mut().for_each(|m| m.watts = Some(Watts(99.9)));
        }),
        (Quantity::Record, Reason::Twice, 1, |m| m[100].twice = true),
    ];
    let mut clean = stretch("2026-06-21T07:00:00Z", 600, (500.0, 30.0, 100.0));
    for (index, minute) in clean.iter_mut().enumerate() {
        minute.watts = Some(Watts(100.0 + (index % 3) as f64));
    }
    let rated = Some(Watts(300.0));
    assert_eq!(judge(&clean, rated, &Rules::default()).exclusions, []);
    for (quantity, reason, minutes, plant) in cases {
        let mut faulty = clean.clone();
        plant(&mut faulty);
        let judged = judge(&faulty, rated, &Rules::default());
        let [one] = judged.exclusions.as_slice() else {
            unreachable!("{quantity} {reason}: {:?}", judged.exclusions)
        };
        assert_eq!((one.quantity, one.reason, one.minutes), (quantity, reason, minutes));
        let marked = (0..600).filter(|&index| !judged.counts(index, quantity)).count();
        assert_eq!(marked, minutes as usize, "{quantity} {reason}");
        // Other quantities of the minute count on, unless all of it is out.
        let others = [Quantity::Irradiance, Quantity::Module, Quantity::Power];
        let all = quantity == Quantity::Record;
        for other in others.into_iter().filter(|other| *other != quantity) {
            assert_eq!(judged.counts(100, other), !all, "{quantity} {reason}: {other}");
        }
    }
    // One minute less is not stuck yet.
    let mut short = clean;
    short[100..159].iter_mut().for_each(|m| m.irradiance = Some(Irradiance(431.25)));
    assert_eq!(judge(&short, rated, &Rules::default()).exclusions, []);
}

/// A restart leaves two parts of a minute, a clock set back by a minute two whole ones.
#[test]
fn a_minute_told_twice_is_one() {
    let whole = tracked(utc("2026-06-21T07:00:00Z"), 500.0, 30.0, 100.0);
    let part = |seconds: u64, light: f64| Minute {
        covered: Duration::from_secs(seconds),
        energy: Some(WattHours(100.0 * seconds as f64 / 3600.0)),
        irradiance: Some(Irradiance(light)),
        ..whole
    };
    let merged = merge(vec![part(40, 500.0), part(20, 530.0)]);
    assert_eq!(merged.len(), 1);
    // (40 * 500 + 20 * 530) / 60 = 510; 100 W for a minute.
    near(merged[0].irradiance.unwrap().0, 510.0);
    near(merged[0].energy.unwrap().0, 100.0 / 60.0);
    assert!(!merged[0].twice);
    let later = Minute { start: whole.start + MINUTE, ..whole };
    let merged = merge(vec![later, whole, whole]);
    assert_eq!(merged.iter().map(|minute| minute.twice).collect::<Vec<_>>(), [true, false]);
    near(merged[0].energy.unwrap().0, 200.0 / 60.0);
}

#[test]
fn a_rate_needs_two_years_and_pairs() {
    let days: Vec<(i64, f64)> = (0..700).map(|day| (day, 0.9)).collect();
    assert_eq!(degradation(&days, 1), Err(NoRate::TooShort { span: 700 }));
    // Ten days each of the first and the third year have no pair a year apart.
    let days: Vec<(i64, f64)> = (0..10).chain(730..740).map(|day| (day, 0.9)).collect();
    assert_eq!(degradation(&days, 1), Err(NoRate::TooFew { pairs: 0 }));
    assert_eq!(degradation(&[], 1), Err(NoRate::TooShort { span: 0 }));
}

/// Weather that scatters by 0.1 from day to day, and a second device that gives 0.01 less.
#[test]
fn pairs_see_through_the_weather() {
    let weather = |day: i64| 0.8 + 0.1 * ((day * day) as f64).sin();
    let noise = |day: i64| 0.002 * ((day * day * day) as f64).cos();
    let ours: Vec<(i64, f64)> = (0..100).map(|day| (day, weather(day))).collect();
    let less: Vec<(i64, f64)> =
        (0..100).map(|day| (day, weather(day) - 0.01 + noise(day))).collect();
    let found = side_by_side(&ours, &less, 1).unwrap();
    let (low, high) = found.interval.unwrap();
    assert!(found.is_clear() && low < 0.01 && 0.01 < high, "{found:?}");
    // Noise of 0.002 / sqrt(2) over 100 days: +- 2 * 0.00014; blocks may make it half as wide again.
    assert!(high - low < 0.001, "{found:?}");
    assert!(side_by_side(&ours, &[(1000, 0.5)], 1).is_none());
    let same = side_by_side(&ours, &ours, 1).unwrap();
    assert!(!same.is_clear() && same.mean == 0.0);
}

/// The same hour at 800 W/m2 with a back of 45 degC, 300 W, -0.4 %/K, by how warm cells are over it.
#[test]
fn cells_are_warmer_than_the_back_of_the_module() {
    let minutes = stretch("2026-06-30T12:00:00Z", 60, (800.0, 45.0, 210.0));
    let ratio = |over_back| {
        let device = Device { rated: Some(Watts(300.0)), gamma: Some(-0.004), over_back };
        let all = season(&minutes, device, &[]).all;
        all.corrected.unwrap().performance_ratio(Watts(300.0)).unwrap()
    };
    // 210 Wh / (300 W x 0.8 h x C); C is 1 - 0.004 x 20 K at the back, and 2.4 K more in the cells: 22.4 K. The
    // minutes' wiggle of half a unit makes some 1e-6 of it.
    let near = |found: f64, wanted: f64| assert!((found / wanted - 1.0).abs() < 1e-5, "{found}");
    near(ratio(OverBack::NONE), 0.875 / 0.92);
    near(ratio(OverBack::default()), 0.875 / 0.9104);
}

/// An hour of light, two hours without a record, an hour of light: no night fits between. Eight hours: nothing
/// is known, but where the log tells that no run was there by day.
#[test]
fn light_without_a_record_is_missing_where_it_is_known_to_be_light() {
    let of = (800.0, 45.0, 210.0);
    let split = |second: &str, told: &[(Utc, Utc)]| {
        let mut minutes = stretch("2026-06-21T08:00:00Z", 60, of);
        minutes.extend(stretch(second, 60, of));
        let crest = BTreeMap::new();
        let record = Record {
            minutes: &minutes,
            sweeps: &[],
            without_run: told,
            crest: &crest,
            tracked: None,
            from: minutes[0].start,
            until: minutes[119].start + MINUTE,
            ahead_micros: 0,
        };
        evaluate(&record, &Device::default(), &Rules::default(), 1)
    };
    let gaps = |season: &Season| -> Vec<(Utc, Utc, u32)> {
        season.exclusions.iter().map(|gap| (gap.from, gap.until, gap.minutes)).collect()
    };
    // 120 of 240 minutes.
    let short = split("2026-06-21T11:00:00Z", &[]);
    assert_eq!((short.all.light, short.all.presumed), (240, 120));
    assert_eq!((short.all.completeness(), short.all.availability()), (Some(0.5), Some(0.5)));
    let (nine, eleven) = (utc("2026-06-21T09:00:00Z"), utc("2026-06-21T11:00:00Z"));
    assert_eq!(gaps(&short), [(nine, eleven, 120)]);
    // The log's word, overlapping, changes nothing there.
    let ten = utc("2026-06-21T10:00:00Z");
    let same = split("2026-06-21T11:00:00Z", &[(nine, ten), (nine, eleven)]);
    assert_eq!(gaps(&same), gaps(&short));
    let long = split("2026-06-21T17:00:00Z", &[]);
    assert_eq!((long.all.light, long.all.completeness()), (120, Some(1.0)));
    // From half a minute past nine to ten: the first minute is light for half of it, the last is not touched.
    let told = split("2026-06-21T17:00:00Z", &[(nine + MINUTE / 2, ten)]);
    assert_eq!(gaps(&told), [(nine, ten, 60)]);
    assert_eq!(told.all.completeness(), Some(120.0 / 180.0));
}

/// A run that begins 20 s after one minute did and ends 30 s after another: two part-minutes of light, each with the
/// energy of its part. 58 min + 40 s + 30 s of 800 W/m2 and 240 W: what a whole-minute count made 60 min of light.
#[test]
fn the_light_of_a_part_of_a_minute_counts_for_that_part() {
    let rated = Some(Watts(300.0));
    let mut minutes: Vec<Minute> = (0..60)
        .map(|index| tracked(utc("2026-06-21T10:00:00Z") + MINUTE * index, 800.0, 25.0, 240.0))
        .collect();
    for (index, seconds) in [(0, 40.0), (59, 30.0)] {
        minutes[index].covered = Duration::from_secs_f64(seconds);
        minutes[index].energy = Some(WattHours(240.0 * seconds / 3600.0));
    }
    let device = Device { rated, gamma: Some(-0.004), over_back: OverBack::NONE };
    // No value stands still for an hour: the rules are not what is tried here.
    let found = season(&minutes[..59], device, &[]);
    let hours = (58.0 * 60.0 + 40.0) / 3600.0;
    near(found.all.counted.hours, hours);
    near(found.all.counted.plane.0, 800.0 * hours);
    near(found.all.energy.0, 240.0 * hours);
    near(found.all.counted.performance_ratio(Watts(300.0)).unwrap(), 1.0);
    near(found.all.corrected_ratio(Watts(300.0)).unwrap(), 1.0);
    let losses = found.all.losses.unwrap();
    near(losses.reference.0, 240.0 * hours);
    near(losses.outages.0, 0.0);
    near(losses.rest.0, 0.0);
    // Held and complete are shares of whole minutes of light, as before.
    near(found.all.availability().unwrap(), hours * 60.0 / 59.0);
    let found = season(&minutes[1..], device, &[]);
    near(found.all.counted.plane.0, 800.0 * (58.5 / 60.0));
    near(found.all.counted.performance_ratio(Watts(300.0)).unwrap(), 1.0);

    // What is missing within the run is light that was not turned into energy: a loss, as before.
    minutes[30].covered = MINUTE / 2;
    minutes[30].missing = MINUTE / 2;
    minutes[30].energy = Some(WattHours(2.0));
    let found = season(&minutes[1..59], device, &[]);
    near(found.all.counted.plane.0, 800.0 * (58.0 / 60.0));
    near(found.all.losses.unwrap().outages.0, 2.0);

    // Of a minute in which it woke half is in no book, and it is all the same a minute of light.
    minutes[1].activity = Activity::Asleep;
    (minutes[1].covered, minutes[1].energy) = (Duration::ZERO, Some(WattHours(0.0)));
    minutes[2].covered = MINUTE / 2;
    minutes[2].energy = Some(WattHours(2.0));
    let found = season(&minutes[1..3], device, &[]);
    near(found.all.counted.plane.0, 800.0 * (2.0 / 60.0));
}

/// The same where the device's light is set beside what it should have made.
#[test]
fn what_should_have_been_made_counts_a_part_of_a_minute_for_that_part() {
    let mut minutes = stretch("2026-06-21T10:00:00Z", 3, (800.0, 45.0, 210.0));
    minutes[0].covered = Duration::from_secs(15);
    let crest = BTreeMap::new();
    let record = Record {
        minutes: &minutes,
        sweeps: &[],
        without_run: &[],
        crest: &crest,
        tracked: None,
        from: minutes[0].start,
        until: minutes[2].start + MINUTE,
        ahead_micros: 0,
    };
    let (spans, left_out) = seen(&record, None, &Rules::default());
    let shares: Vec<f64> = spans.iter().map(|span| span.share).collect();
    assert_eq!((shares.as_slice(), left_out), (&[0.25, 1.0, 1.0][..], 0));
}
