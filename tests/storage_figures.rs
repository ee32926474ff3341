//! What a log takes on the disk, and what is written to it. Run with
//! `cargo test --release --test storage_figures -- --ignored --nocapture`.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod disk;
mod store_common;

use cresthold::control::record::{
    Activity, ChannelId, DayTotal, Happening, Minute, Record, Sample, Spread,
};
use cresthold::quantities::{Amps, Celsius, Irradiance, Irradiation, Volts, WattHours, Watts};
use cresthold::store::{Keep, Log, Reader, others};
use cresthold::time::{Stamp, Utc};
use disk::{Dice, Disk};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use store_common::{event, facts, second};

const DAY: u64 = 86_400;
const MINUTE: u64 = 60;
const MB: f64 = 1e6;

/// A made-up year at one second: twelve hours of light and of night each day, noise on everything.
struct Year {
    dice: Dice,
}

impl Year {
    fn noise(&mut self, size: f64) -> f64 {
        (self.dice.roll() >> 11) as f64 / (1_u64 << 53) as f64 * 2.0 * size - size
    }

    /// What the channel says at second `s`, at midnight zero.
    fn sample(&mut self, s: u64) -> Sample {
        let hour = (s % DAY) as f64 / 3600.0;
        let sun = ((hour - 6.0) / 12.0 * std::f64::consts::PI).sin().max(0.0);
        let lit = sun > 0.0;
        let irradiance = 950.0 * sun + self.noise(0.5 + 20.0 * sun);
        let volts = if lit { 31.0 + self.noise(0.3) } else { self.noise(0.02) };
        let amps = if lit { 0.1 + 9.0 * sun + self.noise(0.1) } else { self.noise(0.001) };
        Sample {
            channel: ChannelId(0),
            at: at(s),
            activity: if lit { Activity::Tracking } else { Activity::Asleep },
            readings: if lit { 10 } else { 1 },
            volts: Volts(volts),
            amps: Amps(amps),
            watts: Watts(volts * amps * 1.001),
            setpoint: lit.then(|| Volts(31.0 + self.noise(0.3))),
            irradiance: Some(Irradiance(irradiance)),
            module_temperature: Some(Celsius(15.0 + 35.0 * sun + self.noise(0.2))),
            crest: None,
        }
    }

    fn minute(&mut self, s: u64) -> Minute {
        let of = self.sample(s);
        // Asleep, with the input off, little moves, and there is a look every ten seconds.
        let lit = of.activity == Activity::Tracking;
        let (count, calm) = if lit { (600, 1.0) } else { (6, 0.005) };
        let mut spread = |mean: f64, width: f64| {
            let width = width * calm;
            let (below, above) = (self.noise(width).abs(), self.noise(width).abs());
            let (min, max) = (mean - below, mean + above);
            Spread { count, mean, min, max, deviation: self.noise(width / 3.0).abs() }
        };
        Minute {
            channel: ChannelId(0),
            start: at(s + 1 - MINUTE).utc.minute_start(),
            at: of.at,
            activity: of.activity,
            volts: spread(of.volts.0, 0.5),
            amps: spread(of.amps.0, 0.3),
            watts: spread(of.watts.0, 10.0),
            irradiance: spread(of.irradiance.unwrap().0, 30.0),
            module_temperature: spread(of.module_temperature.unwrap().0, 0.3),
            energy: WattHours(of.watts.0 / 60.0),
            covered: Duration::from_secs(MINUTE),
            missing: Duration::ZERO,
        }
    }

    fn day(&mut self, s: u64) -> DayTotal {
        let grown = (s % DAY) as f64;
        DayTotal {
            channel: ChannelId(0),
            day: at(s).utc,
            at: at(s),
            energy: WattHours(grown * 0.03 + self.noise(0.01)),
            irradiation: Irradiation(grown * 0.1),
            peak: Watts(290.0),
            tracking: Duration::from_secs(s % DAY),
            covered: Duration::from_secs(s % DAY),
            ..DayTotal::default()
        }
    }
}

/// Second `s` of the year; 20 us of jitter.
fn at(s: u64) -> Stamp {
    let start: Utc = "2026-01-01T00:00:00Z".parse().unwrap();
    let stamp = second(s as f64 + 0.25);
    Stamp { utc: start + Duration::from_secs_f64(s as f64 + 0.25), ..stamp }
}

fn size(path: &Path) -> f64 {
    path.metadata().unwrap().len() as f64
}

/// Writes `days` of one device, around the clock; answers the file.
fn write(folder: &Path, days: u64) -> PathBuf {
    let path = folder.join("year.sqlite");
    let mut opening = facts();
    opening.channels.truncate(1);
    opening.began = at(0);
    let mut log = Log::open(&path, &opening).unwrap();
    let mut year = Year { dice: Dice(1) };
    for s in 0..days * DAY {
        log.write(&Record::Sample(year.sample(s))).unwrap();
        if s % MINUTE == MINUTE - 1 {
            log.write(&Record::Minute(year.minute(s))).unwrap();
            log.write(&Record::Day(year.day(s))).unwrap();
        }
        if s % 3600 == 0 {
            log.commit().unwrap();
        }
    }
    log.finish().unwrap();
    path
}

fn best(mut what: impl FnMut() -> usize) -> (f64, usize) {
    let mut rows = 0;
    let times = (0..5).map(|_| {
        let begin = Instant::now();
        rows = what();
        begin.elapsed().as_secs_f64() * 1e3
    });
    (times.fold(f64::INFINITY, f64::min), rows)
}

#[test]
#[ignore = "a measurement: writes a year of samples, over a gigabyte"]
fn a_year_of_one_device() {
    const DAYS: u64 = 365;
    let folder = tempfile::tempdir().unwrap();
    let path = write(folder.path(), DAYS);
    let raw = size(&path);
    println!(
        "a year around the clock at 1 s: {:.0} MB, {:.1} bytes a sample",
        raw / MB,
        raw / (DAYS * DAY) as f64
    );
    let reader = Reader::open(&path).unwrap();
    let one = reader.channels().unwrap()[0].id;
    let (from, until) = (at(200 * DAY).utc, at(201 * DAY).utc);
    let minutes = best(|| reader.minutes(one, from, until).unwrap().len());
    println!("a day's minutes: {:.1} ms for {} rows", minutes.0, minutes.1);
    let samples = best(|| reader.samples(one, from, until).unwrap().len());
    println!("a day's samples: {:.1} ms for {} rows", samples.0, samples.1);
    drop(reader);
    // Thinned out as a month that is over.
    let month = folder.path().join("year.2026-01.sqlite");
    std::fs::rename(&path, &month).unwrap();
    let begin = Instant::now();
    let done = Keep { samples: None, size: Some(1) }.apply(&path, until);
    println!("{done:?} in {:.1} s", begin.elapsed().as_secs_f64());
    assert_eq!(others(&path), std::slice::from_ref(&month));
    let thin = size(&month);
    println!(
        "thinned to minutes: {:.1} MB, {:.1} bytes a minute",
        thin / MB,
        thin / (DAYS * DAY / MINUTE) as f64
    );
    let reader = Reader::open(&month).unwrap();
    let (thinned, _) = best(|| reader.minutes(one, from, until).unwrap().len());
    println!("a day's minutes out of it: {thinned:.1} ms");
    assert!(raw <= 1300.0 * MB && thin <= 40.0 * MB);
    // The view of a day is its minutes.
    assert!(minutes.0 < 50.0 && thinned < 50.0);
}

/// Writes a day through the tail, committing every 2 s and packing when 900 rows wait and after each
/// event, as the writer does.
fn written_in_a_day() -> (f64, f64, f64, u64) {
    const EVENTS: u64 = 40;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("day.sqlite");
    let disk = Disk::under(folder.path());
    let mut opening = facts();
    opening.channels.truncate(1);
    opening.began = at(0);
    let mut log = Log::open_with_tail(&path, &opening, &disk::tail).unwrap();
    log.commit().unwrap();
    let (empty, before) = (size(&path), disk.counted());
    let mut year = Year { dice: Dice(1) };
    for s in 0..DAY {
        log.write(&Record::Sample(year.sample(s))).unwrap();
        if s % MINUTE == MINUTE - 1 {
            log.write(&Record::Minute(year.minute(s))).unwrap();
            log.write(&Record::Day(year.day(s))).unwrap();
        }
        let news = s % (DAY / EVENTS) == 1000;
        if news {
            log.write(&event(Some(0), s as f64, Happening::TrackingBegan)).unwrap();
        }
        if s % 2 == 1 {
            log.commit().unwrap();
        }
        if news || log.waiting_rows() >= 900 {
            log.pack().unwrap();
        }
    }
    log.finish().unwrap();
    let after = disk.counted();
    let kept = size(&path) - empty;
    let blocks = (after.1 - before.1) * disk::BLOCK;
    (kept, (after.0 - before.0) as f64, blocks as f64, after.2 - before.2)
}

#[test]
fn what_is_written_in_a_day_is_at_most_three_times_what_is_kept() {
    let (kept, written, blocks, flushes) = written_in_a_day();
    println!(
        "a day of one device at 1 s: {:.2} MB kept, {:.2} MB written ({:.2} times), {flushes} \
         flushes; counted in whole blocks of 4 KiB a flush {:.0} MB",
        kept / MB,
        written / MB,
        written / kept,
        blocks / MB
    );
    assert!(written <= 3.0 * kept, "{written} {kept}");
}

/// A part of the year, for every run of the tests: the same bytes a row.
#[test]
fn a_week_stays_within_its_share_of_the_year() {
    const DAYS: u64 = 7;
    let folder = tempfile::tempdir().unwrap();
    let path = write(folder.path(), DAYS);
    let raw = size(&path);
    println!("a week: {:.1} MB", raw / MB);
    assert!(raw <= 1300.0 * MB * DAYS as f64 / 365.0, "{raw}");
    let conn = Connection::open(&path).unwrap();
    conn.execute_batch("DELETE FROM sample; VACUUM").unwrap();
    drop(conn);
    // The schema and its explanations are in the file once.
    let other = tempfile::tempdir().unwrap();
    let empty = size(&write(other.path(), 0));
    let thin = size(&path) - empty;
    println!("a week's minutes: {:.2} MB", thin / MB);
    assert!(thin <= (40.0 * MB - empty) * DAYS as f64 / 365.0, "{thin}");
}
