//! The minute that a run is killed in: the next start, or whoever reads, makes it of its samples. What comes of
//! it is held against what the same channel's own books say of that minute, had it lived on.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod store_common;
mod support;

use cresthold::control::record::{DayTotal, Minute, Record};
use cresthold::control::record::{Event, Happening};
use cresthold::quantities::MetresPerSecond;
use cresthold::rehearsal::{Outage, Yard};
use cresthold::store::{DayRow, Locked, Log, MinuteRow, OpenFacts, Reader};
use cresthold::time::{Instant, Utc};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use std::path::Path;
use std::time::Duration;
use store_common::{EVER, facts, place};
use support::{channel_config, crystalline_stand, perturb_and_observe};

/// The run begins so far within a minute (s).
const BEGAN: u64 = 20;

fn s(seconds: u64) -> Instant {
    Instant::ZERO + Duration::from_secs(seconds)
}

/// What a channel tells from 11:00:20 on, for so many minutes.
fn told(minutes: usize, outage: Option<Outage>) -> Vec<Record> {
    let (day, site) = embedded_payerne();
    let sky = RecordedSky::new(day, site, 7).with_wind(MetresPerSecond(2.0));
    let stand = crystalline_stand(channel_config(perturb_and_observe(0.25)), 11);
    let mut yard = Yard::new(sky, began(), vec![stand]);
    if let Some(outage) = outage {
        yard.stands_mut()[0].plan_outage(outage);
    }
    let mut all = vec![Record::Event(Event {
        channel: None,
        at: yard.stamp(Instant::ZERO),
        what: Happening::RunBegan,
    })];
    let until = s(minutes as u64 * 60 - BEGAN + 2);
    yard.run_until(until, &mut |record| all.push(without_crest(record)));
    all
}

/// As the field has it, where nobody knows the crest.
fn without_crest(record: Record) -> Record {
    match record {
        Record::Day(day) => Record::Day(DayTotal { available: None, ..day }),
        Record::Sample(mut sample) => {
            sample.crest = None;
            Record::Sample(sample)
        }
        other => other,
    }
}

fn began() -> Utc {
    "2016-06-15T11:00:20Z".parse().unwrap()
}

fn run_facts(minutes: u64) -> OpenFacts {
    let mut facts = facts();
    facts.began.utc = began() + Duration::from_secs(minutes * 60);
    facts.channels.truncate(1);
    facts
}

fn open(path: &Path, minutes: u64) -> Log {
    Log::open_with_tail(path, &run_facts(minutes), &|log| Ok(Box::new(Locked::open(log)?))).unwrap()
}

/// Writes what was told up to the end of minute `last` (from 0), without its row, and is killed; `pack` after
/// so many records. Answers what the channel itself told of that minute.
fn killed(path: &Path, all: &[Record], last: usize, pack: usize) -> (Minute, DayTotal) {
    let end = all
        .iter()
        .enumerate()
        .filter(|(_, record)| matches!(record, Record::Minute(_)))
        .map(|(index, _)| index)
        .nth(last)
        .unwrap();
    let mut log = open(path, 0);
    for (index, record) in all[..end].iter().enumerate() {
        log.write(record).unwrap();
        log.commit().unwrap();
        if index == pack {
            log.pack().unwrap();
        }
    }
    drop(log); // as a kill does
    let Record::Minute(minute) = all[end] else { unreachable!() };
    let day = all[end..].iter().find_map(|record| match record {
        Record::Day(day) => Some(*day),
        _ => None,
    });
    (minute, day.unwrap())
}

fn read(path: &Path) -> (Vec<MinuteRow>, Vec<DayRow>, usize) {
    let reader = Reader::open(path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    let minutes = reader.minutes(east, EVER.0, EVER.1).unwrap();
    let events = reader.events(EVER.0, EVER.1).unwrap();
    let told = events.iter().filter(|event| event.code == "minute-rebuilt").count();
    (minutes, reader.day_totals("", "9999").unwrap(), told)
}

fn near(what: &str, found: f64, wanted: f64, off: f64) {
    println!("{what}: {found} against {wanted}");
    assert!((found - wanted).abs() <= off, "{what}: {found}, not {wanted}");
}

/// Sets a minute and its day beside what the channel told; `blurred` seconds may be booked otherwise.
fn same(found: (&MinuteRow, &DayRow), wanted: (&Minute, &DayTotal), blurred: f64) {
    let ((minute, day), (told, total)) = (found, wanted);
    assert_eq!((minute.start, minute.activity), (told.start, told.activity));
    // The last sample ends up to a second before the minute does.
    let open = 1.0 + blurred;
    near("covered", minute.covered.as_secs_f64(), told.covered.as_secs_f64(), open);
    near("missing", minute.missing.as_secs_f64(), told.missing.as_secs_f64(), blurred);
    // Power moves little within the open second.
    let watts = told.watts.max;
    near("energy", minute.energy.0, told.energy.0, watts * open / 3600.0);
    near("power", minute.watts.mean, told.watts.mean, 0.01 * told.watts.mean);
    near("light", minute.irradiance.mean, told.irradiance.mean, 0.01 * told.irradiance.mean);
    near("warmth", minute.module_temperature.mean, told.module_temperature.mean, 0.2);
    assert!(minute.watts.max <= told.watts.max + 1e-3 && minute.watts.count <= told.watts.count);
    near("the day's time", day.covered.as_secs_f64(), total.covered.as_secs_f64(), open);
    near("the day's gaps", day.missing.as_secs_f64(), total.missing.as_secs_f64(), blurred);
    near("the day's energy", day.energy.0, total.energy.0, watts * open / 3600.0);
    near("the day's light", day.irradiation.0, total.irradiation.0, 1000.0 * open / 3600.0);
    near("tracking", day.tracking.as_secs_f64(), total.tracking.as_secs_f64(), open);
    assert_eq!(day.gaps, total.gaps);
    assert!(day.peak.0 <= total.peak.0 + 1e-3 && day.peak.0 > 0.95 * total.peak.0);
}

#[test]
fn the_next_start_makes_the_minute_that_a_kill_broke_off() {
    let all = told(3, None);
    let (_folder, path) = place();
    let (minute, day) = killed(&path, &all, 2, usize::MAX);
    open(&path, 10).finish().unwrap();
    let (minutes, days, told) = read(&path);
    assert_eq!((minutes.len(), days.len(), told), (3, 1, 1));
    same((&minutes[2], &days[0]), (&minute, &day), 0.0);
    let sum: f64 = minutes.iter().map(|minute| minute.energy.0).sum();
    near("days are the sums of their minutes", days[0].energy.0, sum, 1e-5);
    // Whoever opens it again finds nothing more to do.
    open(&path, 20).finish().unwrap();
    let (again, same_days, told) = read(&path);
    assert_eq!((again, same_days, told), (minutes, days, 1));
}

#[test]
fn whoever_reads_first_makes_it_whatever_was_packed() {
    let all = told(3, None);
    for pack in [60, 100, 150] {
        let (_folder, path) = place();
        let (minute, day) = killed(&path, &all, 2, pack);
        let (minutes, days, told) = read(&path);
        assert_eq!((minutes.len(), told), (3, 1), "packed after {pack} records");
        same((&minutes[2], &days[0]), (&minute, &day), 0.0);
        assert_eq!(read(&path), (minutes, days, 1));
    }
    // Packed to the last row: nothing is left in the tail, and the run has no end all the same.
    let (_folder, path) = place();
    let (minute, day) = killed(&path, &all, 2, usize::MAX);
    let mut log = open(&path, 0);
    log.pack().unwrap();
    drop(log);
    let (minutes, days, _) = read(&path);
    same((&minutes[2], &days[0]), (&minute, &day), 0.0);
}

#[test]
fn a_run_that_is_killed_in_its_first_minute_has_a_day() {
    let all = told(1, None);
    let (_folder, path) = place();
    let (minute, day) = killed(&path, &all, 0, usize::MAX);
    let (minutes, days, told) = read(&path);
    assert_eq!((minutes.len(), days.len(), told), (1, 1, 1));
    // A part of the start is in no sample.
    same((&minutes[0], &days[0]), (&minute, &day), 0.5);
}

#[test]
fn a_gap_within_it_is_missing() {
    // A dead line from second 20 to 32 of the third minute.
    let (from, until) = (s(120), s(132));
    let all = told(3, Some(Outage { from, until }));
    let (_folder, path) = place();
    let (minute, day) = killed(&path, &all, 2, usize::MAX);
    assert!(minute.missing > Duration::from_secs(12), "{:?}", minute.missing);
    let (minutes, days, _) = read(&path);
    // What the way back to the crest takes is seen by single readings.
    same((&minutes[2], &days[0]), (&minute, &day), 1.0);
}

#[test]
fn a_run_that_came_to_its_end_is_left_as_it_is() {
    let all = told(2, None);
    let (_folder, path) = place();
    let mut log = open(&path, 0);
    let rows = |record: &&Record| !matches!(record, Record::Minute(_) | Record::Day(_));
    all.iter().filter(rows).for_each(|record| log.write(record).unwrap());
    let at = run_facts(2).began;
    log.write(&Record::Event(Event { channel: None, at, what: Happening::RunEnded })).unwrap();
    log.commit().unwrap();
    drop(log);
    open(&path, 10).finish().unwrap();
    let (minutes, _, told) = read(&path);
    assert_eq!((minutes.len(), told), (0, 0));
}
