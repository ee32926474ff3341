//! Records in, rows out.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod store_common;

use cresthold::control::record::{
    Activity, ChannelId, Happening, Limit, Minute, Record, Severity, Spread,
};
use cresthold::quantities::{Celsius, Irradiance, Volts, WattHours, Watts};
use cresthold::store::{Log, Note, Reader, StoreError};
use cresthold::time::Instant;
use proptest::prelude::*;
use rusqlite::Connection;
use std::path::Path;
use std::time::Duration;
use store_common::{EVER, day, event, minute, open, place, sample, second};

fn near(left: f64, right: f64, tolerance: f64) -> bool {
    (left - right).abs() <= tolerance
}

fn check(path: &Path) -> String {
    let conn = Connection::open(path).unwrap();
    conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap()
}

#[test]
fn a_sample_comes_back_to_half_a_small_unit() {
    let (_folder, path) = place();
    let mut log = open(&path);
    let mut full = sample(1, 2.5);
    full.crest = Some(Watts(251.234_567_8));
    let mut bare = sample(1, 3.5);
    bare.activity = Activity::Asleep;
    (bare.setpoint, bare.irradiance, bare.module_temperature) = (None, None, None);
    bare.volts = Volts(f64::NAN);
    bare.watts = Watts(f64::INFINITY);
    for record in [full, bare] {
        log.write(&Record::Sample(record)).unwrap();
    }
    assert_eq!(log.finish().unwrap().samples, 2);
    let reader = Reader::open(&path).unwrap();
    let west = reader.channels().unwrap()[1].id;
    let rows = reader.samples(west, second(2.0).utc, second(4.0).utc).unwrap();
    assert_eq!(rows.len(), 2);
    let got = rows[0];
    assert_eq!((got.boot, got.at, got.readings), (1, full.at, 10));
    assert_eq!(got.activity, Activity::Tracking);
    // Half of 1 uV, 1 uA, 1 uW, 1 mW/m2, 1 mdegC, and a little for the rounding of binary numbers.
    let (micro, milli) = (0.501e-6, 0.501e-3);
    assert!(near(got.volts.unwrap().0, full.volts.0, micro));
    assert!(near(got.amps.unwrap().0, full.amps.0, micro));
    assert!(near(got.watts.unwrap().0, full.watts.0, micro));
    assert!(near(got.setpoint.unwrap().0, 30.125, micro));
    assert!(near(got.crest.unwrap().0, 251.234_567_8, micro));
    assert!(near(got.irradiance.unwrap().0, full.irradiance.unwrap().0, milli));
    assert!(near(got.module_temperature.unwrap().0, full.module_temperature.unwrap().0, milli));
    let got = rows[1];
    assert_eq!((got.volts, got.watts, got.setpoint), (None, None, None));
    assert_eq!((got.irradiance, got.module_temperature, got.crest), (None, None, None));
    assert_eq!(got.activity, Activity::Asleep);
    // The range is half open.
    assert_eq!(reader.samples(west, full.at.utc, bare.at.utc).unwrap().len(), 1);
    assert_eq!(check(&path), "ok");
}

#[test]
fn the_sample_view_speaks_plainly() {
    let (_folder, path) = place();
    let mut log = open(&path);
    log.write(&Record::Sample(sample(0, 2.5))).unwrap();
    log.write(&Record::Minute(minute(0, 60.0))).unwrap();
    log.finish().unwrap();
    let conn = Connection::open(&path).unwrap();
    let (time, channel, activity, volts): (String, String, String, f64) = conn
        .query_row("SELECT time, channel, activity, volts FROM sample_view", [], |r| {
            Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?))
        })
        .unwrap();
    assert_eq!(time, "2016-06-15T12:00:02.500Z");
    assert_eq!((channel.as_str(), activity.as_str()), ("east", "tracking"));
    assert!(near(volts, sample(0, 2.5).volts.0, 0.501e-6));
    let time: String = conn.query_row("SELECT time FROM minute_view", [], |r| r.get(0)).unwrap();
    assert_eq!(time, "2016-06-15T12:01:00Z");
}

#[test]
fn a_minute_comes_back_as_it_was() {
    let (_folder, path) = place();
    let mut log = open(&path);
    let given = minute(0, 60.0);
    log.write(&Record::Minute(given)).unwrap();
    log.finish().unwrap();
    let reader = Reader::open(&path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    let from = given.start;
    let rows = reader.minutes(east, from, from + Duration::from_secs(60)).unwrap();
    assert_eq!(rows.len(), 1);
    let got = rows[0];
    assert_eq!((got.start, got.at, got.activity), (given.start, given.at, given.activity));
    // Half of what is stored, and the mean's own rounding: see rows.rs.
    let alike = |got: Spread, given: Spread, [fine, extremes, deviation]: [f64; 3]| {
        assert_eq!(got.count, given.count);
        assert!(near(got.mean, given.mean, 0.51 * fine), "{got:?} {given:?}");
        for (got, given, unit) in [
            (got.min, given.min, extremes),
            (got.max, given.max, extremes),
            (got.deviation, given.deviation, deviation),
        ] {
            assert!(near(got, given, 0.51 * (unit + fine)), "{got} {given}");
        }
    };
    alike(got.volts, given.volts, [1e-6, 1e-4, 1e-5]);
    alike(got.amps, given.amps, [1e-6, 1e-4, 1e-5]);
    alike(got.watts, given.watts, [1e-6, 1e-3, 1e-4]);
    alike(got.irradiance, given.irradiance, [1e-3, 1e-2, 1e-2]);
    assert_eq!(got.module_temperature, given.module_temperature);
    assert!(near(got.energy.0, given.energy.0, 0.51e-6));
    assert_eq!((got.covered, got.missing), (given.covered, given.missing));
    assert!(reader.minutes(east, from + Duration::from_micros(1), EVER.1).unwrap().is_empty());
}

/// A machine that stood still for hours with the input off: there is room for 36 min and no more, and
/// nothing else of the minute is touched.
#[test]
fn a_minute_that_covers_hours_keeps_its_energy_and_its_gap() {
    let (_folder, path) = place();
    let mut log = open(&path);
    let given = Minute { covered: Duration::from_secs(3 * 3600), ..minute(0, 0.0) };
    log.write(&Record::Minute(given)).unwrap();
    log.finish().unwrap();
    let reader = Reader::open(&path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    let got = &reader.minutes(east, EVER.0, EVER.1).unwrap()[0];
    assert!((got.energy.0 - given.energy.0).abs() < 2e-6, "{got:?}");
    assert_eq!(got.missing, given.missing);
    assert_eq!(got.covered, Duration::from_millis((1 << 21) + 60_000));
}

#[test]
fn minutes_begin_when_they_did_wherever_they_are_closed() {
    let (_folder, path) = place();
    let mut log = open(&path);
    log.write(&Record::Sample(sample(0, 0.75))).unwrap();
    for number in 0..80_u8 {
        // Closed in every part of a second, early and late.
        let mut one = minute(0, 60.0 * f64::from(number));
        one.at = one.at.later(Duration::from_millis(u64::from(number) * 37));
        log.write(&Record::Minute(one)).unwrap();
    }
    log.finish().unwrap();
    let reader = Reader::open(&path).unwrap();
    let rows = reader.minutes(reader.channels().unwrap()[0].id, EVER.0, EVER.1).unwrap();
    let starts: Vec<_> = rows.iter().map(|row| row.start).collect();
    let wanted: Vec<_> = (0..80).map(|n| second(60.0 * f64::from(n)).utc).collect();
    assert_eq!(starts, wanted);
    let conn = Connection::open(&path).unwrap();
    let odd: i64 = conn
        .query_row("SELECT count(*) FROM minute_view WHERE time NOT LIKE '%:00Z'", [], |r| r.get(0))
        .unwrap();
    assert_eq!(odd, 0);
    let energy: f64 =
        conn.query_row("SELECT sum(energy_wh) FROM minute_view", [], |r| r.get(0)).unwrap();
    let sum: WattHours = rows.iter().map(|row| row.energy).sum();
    assert!(near(energy, sum.0, 1e-9) && near(energy, 80.0 * 4.113_666_6, 80e-6), "{energy}");
}

#[test]
fn a_minute_that_the_wall_clock_passes_twice_keeps_both() {
    let (_folder, path) = place();
    let mut log = open(&path);
    let first = minute(0, 60.0);
    let mut again = first;
    again.at.mono += Duration::from_secs(60); // the wall clock went back by a minute
    log.write(&Record::Minute(first)).unwrap();
    log.write(&Record::Minute(again)).unwrap();
    log.finish().unwrap();
    let reader = Reader::open(&path).unwrap();
    let rows = reader.minutes(reader.channels().unwrap()[0].id, EVER.0, EVER.1).unwrap();
    assert_eq!(rows.len(), 2);
    let energy: WattHours = rows.iter().map(|row| row.energy).sum();
    assert!(near(energy.0, first.energy.0 * 2.0, 1.1e-6));
}

#[test]
fn samples_are_found_across_a_step_of_the_wall_clock() {
    let (_folder, path) = place();
    let mut log = open(&path);
    let hour = Duration::from_secs(3600);
    for s in 0..600 {
        let mut one = sample(0, f64::from(s));
        if s >= 300 {
            one.at.utc = one.at.utc - hour; // set back by an hour in the middle
        }
        log.write(&Record::Sample(one)).unwrap();
    }
    log.finish().unwrap();
    let reader = Reader::open(&path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    assert_eq!(reader.samples(east, EVER.0, EVER.1).unwrap().len(), 600);
    let before = reader.samples(east, second(290.0).utc, second(400.0).utc).unwrap();
    assert_eq!(before.len(), 10);
    let back = second(300.0).utc - hour;
    let after = reader.samples(east, back, back + Duration::from_secs(20)).unwrap();
    assert_eq!(after.len(), 20);
    assert_eq!(after[0].at.mono, second(300.0).mono);
}

#[test]
fn a_day_keeps_its_newest_totals_and_sums_over_boots() {
    let (_folder, path) = place();
    let mut log = open(&path);
    for (s, energy) in [(100.0, 1.0), (200.0, 2.0), (400.0, 4.0)] {
        log.write(&Record::Day(day(0, s, energy))).unwrap();
    }
    log.write(&Record::Day(day(0, 300.0, 3.0))).unwrap(); // late: older than what is there
    log.finish().unwrap();
    let mut log = open(&path);
    log.write(&Record::Day(day(0, 50.0, 10.0))).unwrap();
    log.finish().unwrap();
    let days = Reader::open(&path).unwrap().day_totals("2016-06-15", "2016-06-15").unwrap();
    assert_eq!(days.len(), 1);
    let got = &days[0];
    assert_eq!((got.channel.as_str(), got.boots, got.gaps), ("east", 2, 4));
    assert_eq!(got.energy, WattHours(14.0));
    assert_eq!(got.available, None);
    assert_eq!(got.peak, Watts(250.0));
    assert_eq!(got.tracking, Duration::from_secs(450));
    assert!(near(got.completeness.unwrap(), 0.75, 1e-12));
}

#[test]
fn totals_that_begin_anew_within_a_boot_lose_nothing() {
    let (_folder, path) = place();
    let mut log = open(&path);
    log.write(&Record::Day(day(0, 400.0, 4.0))).unwrap();
    // Another book of the same date, which had less when it was told last.
    for (s, energy) in [(10.0, 0.1), (20.0, 0.2)] {
        let mut anew = day(0, s, energy);
        (anew.at, anew.began) = (second(1000.0 + s), second(1000.0).mono);
        log.write(&Record::Day(anew)).unwrap();
    }
    log.finish().unwrap();
    let days = Reader::open(&path).unwrap().day_totals("2016-01-01", "2016-12-31").unwrap();
    assert_eq!(days.len(), 1);
    assert!(near(days[0].energy.0, 4.2, 1e-12));
    assert_eq!(days[0].boots, 1);
}

#[test]
fn an_event_comes_back_as_a_sentence_with_its_numbers() {
    let (_folder, path) = place();
    let mut log = open(&path);
    let what = Happening::LetGo {
        limit: Limit::DeviceAmps,
        value: 10.5,
        bound: 10.0,
        rest: Duration::from_secs(30),
    };
    log.write(&event(Some(1), 1.0, what)).unwrap();
    log.write(&event(None, 2.0, Happening::RunBegan)).unwrap();
    log.write(&event(Some(0), 3.0, Happening::Woke { open_circuit: Volts(f64::NAN) })).unwrap();
    log.note(&Note {
        channel: None,
        at: second(4.0),
        severity: Severity::Warning,
        code: "clock-stepped",
        text: "the wall clock was set back by 3 s".to_owned(),
        detail: Some("-3 s".to_owned()),
    })
    .unwrap();
    assert_eq!(log.finish().unwrap().events, 4);
    let reader = Reader::open(&path).unwrap();
    let events = reader.events(EVER.0, EVER.1).unwrap();
    let codes: Vec<_> = events.iter().map(|e| e.code.as_str()).collect();
    assert_eq!(codes, ["let-go", "run-began", "woke", "clock-stepped"]);
    assert_eq!(events[0].text, what.to_string());
    assert_eq!((events[0].severity.as_str(), events[0].at), ("alarm", second(1.0)));
    assert_eq!(events[0].channel, Some(reader.channels().unwrap()[1].id));
    assert_eq!((events[1].channel, events[1].detail.as_deref()), (None, None));
    assert_eq!(events[3].text, "the wall clock was set back by 3 s");
    let conn = Connection::open(&path).unwrap();
    let value: f64 = conn
        .query_row("SELECT json_extract(detail, '$.value') FROM event WHERE id = 1", [], |r| {
            r.get(0)
        })
        .unwrap();
    assert!(near(value, 10.5, 0.0));
    let invalid: i64 = conn
        .query_row(
            "SELECT count(*) FROM event WHERE id < 4 AND NOT json_valid(coalesce(detail, '{}'))",
            [],
            |r| r.get(0),
        )
        .unwrap();
    assert_eq!(invalid, 0);
    assert_eq!(check(&path), "ok");
}

#[test]
fn a_refused_record_leaves_the_transaction_alone() {
    let (_folder, path) = place();
    let mut log = open(&path);
    log.write(&Record::Sample(sample(0, 1.0))).unwrap();
    let stranger = log.write(&Record::Sample(sample(7, 1.0)));
    assert!(matches!(stranger, Err(StoreError::Refused { .. })));
    // One that closes within the same millisecond is a row, too: it begins a stretch.
    log.write(&Record::Sample(sample(0, 1.0))).unwrap();
    log.write(&Record::Sample(sample(0, 2.0))).unwrap();
    assert_eq!(log.open_rows(), 3);
    assert_eq!(log.finish().unwrap().samples, 3);
    let reader = Reader::open(&path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    assert_eq!(reader.samples(east, EVER.0, EVER.1).unwrap().len(), 3);
}

#[test]
fn without_a_commit_only_the_open_transaction_is_lost() {
    let (_folder, path) = place();
    let mut log = open(&path).with_commit_interval(Duration::from_secs(2));
    let mut commits = 0;
    for s in 0..7 {
        log.write(&Record::Sample(sample(0, f64::from(s)))).unwrap();
        commits += u32::from(log.commit_if_due(second(f64::from(s)).mono).unwrap());
    }
    assert_eq!((commits, log.rows().samples, log.open_rows()), (3, 7, 0));
    log.write(&Record::Sample(sample(0, 7.0))).unwrap();
    assert!(!log.commit_if_due(second(7.0).mono).unwrap());
    drop(log);
    assert_eq!(check(&path), "ok");
    let log = open(&path);
    assert_eq!(log.boot(), 2);
    let reader = Reader::open(&path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    assert_eq!(reader.samples(east, EVER.0, EVER.1).unwrap().len(), 7);
    drop(log);
}

#[test]
fn same_records_give_same_rows() {
    let files = [place(), place()].map(|(folder, path)| {
        let mut log = open(&path);
        for s in 0..2000 {
            log.write(&Record::Sample(sample(s % 2, f64::from(s)))).unwrap();
            if s % 60 == 0 {
                log.write(&Record::Minute(minute(0, f64::from(s)))).unwrap();
                log.write(&Record::Day(day(0, f64::from(s), f64::from(s)))).unwrap();
                log.commit().unwrap();
            }
        }
        log.finish().unwrap();
        (std::fs::read(&path).unwrap(), folder)
    });
    assert!(files[0].0 == files[1].0, "byte for byte");
}

/// 80 bytes let a year of daylight (4380 h) at one sample a second stay within 1.3 GB.
#[test]
fn a_sample_row_is_short() {
    const ROWS: u32 = 100_000;
    let (_folder, path) = place();
    let mut log = open(&path);
    let empty = {
        let other = place();
        open(&other.1).finish().unwrap();
        std::fs::metadata(&other.1).unwrap().len()
    };
    // A month into the run, the plant's crest known: the longest numbers.
    for row in 0..ROWS {
        let mut one = sample(0, 2_592_000.0 + f64::from(row));
        one.crest = Some(one.watts * 1.001);
        one.irradiance = Some(Irradiance(987.654));
        one.module_temperature = Some(Celsius(61.234));
        log.write(&Record::Sample(one)).unwrap();
        if row % 1000 == 0 {
            // Syncing more often changes the time, not the pages.
            log.commit_if_due(Instant::from_nanos(u64::from(row) * 1_000_000_000)).unwrap();
        }
    }
    log.finish().unwrap();
    let size = (std::fs::metadata(&path).unwrap().len() - empty) as f64 / f64::from(ROWS);
    println!("{size:.1} bytes a sample row");
    assert!(size <= 80.0, "{size}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, ..ProptestConfig::default() })]

    /// Whatever the numbers are, a record is stored or refused, and the file stays sound.
    #[test]
    fn any_number_is_survived(values in proptest::collection::vec(any::<f64>(), 12)) {
        let (_folder, path) = place();
        let mut log = Log::open(&path, &store_common::facts()).unwrap();
        let mut s = sample(0, 1.0);
        s.volts.0 = values[0];
        s.amps.0 = values[1];
        s.watts.0 = values[2];
        s.setpoint = Some(Volts(values[3]));
        s.irradiance = Some(Irradiance(values[4]));
        log.write(&Record::Sample(s)).unwrap();
        let mut m = minute(0, 60.0);
        m.volts.mean = values[5];
        m.irradiance.deviation = values[6];
        m.energy = WattHours(values[7]);
        log.write(&Record::Minute(m)).unwrap();
        let mut d = day(0, 60.0, values[8]);
        d.available = Some(WattHours(values[9]));
        d.channel = ChannelId(1);
        log.write(&Record::Day(d)).unwrap();
        log.finish().unwrap();
        prop_assert_eq!(check(&path), "ok");
        let reader = Reader::open(&path).unwrap();
        let ids: Vec<_> = reader.channels().unwrap().iter().map(|c| c.id).collect();
        let back = reader.samples(ids[0], EVER.0, EVER.1).unwrap();
        prop_assert_eq!(back.len(), 1);
        prop_assert_eq!(back[0].volts.is_some(), values[0].is_finite());
        prop_assert_eq!(reader.minutes(ids[0], EVER.0, EVER.1).unwrap().len(), 1);
        prop_assert_eq!(reader.day_totals("0000", "9999").unwrap().len(), 1);
    }
}
