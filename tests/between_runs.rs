//! The time between two runs: by day it is missing, from day totals and season, and told with its times; by night
//! it is not. The runs behind are the daemon's own, in virtual time; no instrument answers them.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod noon;
mod store_common;

use cresthold::control::record::{ChannelId, DayTotal, Event, Happening, Minute, Record, Sample};
use cresthold::daemon::field::{Field, Machine, Stay};
use cresthold::daemon::live::Screen;
use cresthold::daemon::stop::StopFlag;
use cresthold::quantities::WattHours;
use cresthold::report::season_log::{Dates, LoggedSeason};
use cresthold::season::{Device, Quantity, Reason, Rules, Season, evaluate};
use cresthold::station::Station;
use cresthold::store::{DayRow, EventRow, Log, OpenFacts, Reader};
use cresthold::time::{Instant, Stamp, Utc};
use std::path::Path;
use std::rc::Rc;
use std::time::Duration;
use store_common::{EVER, facts, minute, place, sample};

const MINUTE: Duration = Duration::from_secs(60);

fn utc(text: &str) -> Utc {
    text.parse().unwrap()
}

/// The yard of the tests, at 46.8 degrees north and 6.9 east, where it is noon at 11:32 of UTC.
fn station() -> Station {
    let link = |port| format!("{{ tcp = \"yard.invalid:{port}\" }}");
    let mut station = Station::parse("yard.toml", &noon::station(&link(1), &link(2))).unwrap();
    station.health = None;
    station
}

/// An earlier run of the yard, minute after minute; `ended` in order or not.
fn earlier(path: &Path, (from, until): (&str, &str), ended: bool) {
    let began = Stamp { mono: Instant::ZERO, utc: utc(from) };
    let mut channels = facts().channels;
    channels.truncate(1);
    "slope-1".clone_into(&mut channels[0].name);
    let facts = OpenFacts { began, seed: None, note: None, channels, ..facts() };
    let mut log = Log::open(path, &facts).unwrap();
    let event = |what, at| Record::Event(Event { channel: None, at, what });
    log.write(&event(Happening::RunBegan, began)).unwrap();
    let minutes = utc(until).saturating_since(began.utc).as_secs() / 60;
    for number in 0..u32::try_from(minutes).unwrap() {
        let (start, at) = (began.later(MINUTE * number), began.later(MINUTE * (number + 1)));
        let wiggle = f64::from(number % 2);
        let mut record = Minute { start: start.utc, at, ..minute(0, 0.0) };
        (record.covered, record.missing) = (MINUTE, Duration::ZERO);
        (record.irradiance.mean, record.watts.mean) = (800.0 + wiggle, 240.0 + wiggle);
        record.energy = WattHours(record.watts.mean / 60.0);
        log.write(&Record::Sample(Sample { at, ..sample(0, 0.0) })).unwrap();
        log.write(&Record::Minute(record)).unwrap();
        log.write(&Record::Day(DayTotal {
            channel: ChannelId(0),
            day: began.utc.day_start(),
            at,
            energy: WattHours(4.0 * f64::from(number + 1)),
            covered: MINUTE * (number + 1),
            ..DayTotal::default()
        }))
        .unwrap();
    }
    if ended {
        let end = began.later(utc(until).saturating_since(began.utc));
        log.write(&event(Happening::RunEnded, end)).unwrap();
    }
    log.finish().unwrap();
}

/// The daemon begins, and ends after some seconds; `wall` is what the clock shows so long after.
fn run(path: &Path, wall: impl Fn(Duration) -> Utc + 'static) {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    let runtime = builder.enable_all().start_paused(true).build().unwrap();
    runtime.block_on(async {
        let station = station();
        let since = tokio::time::Instant::now();
        let machine = Machine {
            wall: Rc::new(move || wall(since.elapsed())),
            earliest: utc("2016-01-01T00:00:00Z"),
            ..Machine::default()
        };
        let length = Some(Duration::from_secs(20));
        let stay = Stay { length, patient: true, sweep: None };
        let field = Field { station: &station, log: path, stay, lines: &|_| None, machine };
        field.live(&StopFlag::default(), &mut Screen::silent()).await.unwrap();
    });
}

fn begins(path: &Path, at: &str) {
    let at = utc(at);
    run(path, move |passed| at + passed);
}

fn days(path: &Path) -> Vec<DayRow> {
    Reader::open(path).unwrap().day_totals("", "9999").unwrap()
}

fn told(path: &Path) -> Vec<EventRow> {
    let mut events = Reader::open(path).unwrap().events(EVER.0, EVER.1).unwrap();
    events.retain(|event| event.code == "without-run");
    events
}

fn season(path: &Path) -> Season {
    let reader = Reader::open(path).unwrap();
    let channel = reader.channels().unwrap().remove(0);
    let logged = LoggedSeason::read(&reader, channel, &Dates::default(), |_, _| {}).unwrap();
    evaluate(&logged.unwrap().record(), &Device::default(), &Rules::default(), 1)
}

fn off(found: Duration, wanted: f64) -> f64 {
    (found.as_secs_f64() - wanted).abs()
}

#[test]
fn an_hour_at_midday_without_a_run_is_missing() {
    for ended in [true, false] {
        let (_folder, path) = place();
        earlier(&path, ("2016-06-15T10:00:00Z", "2016-06-15T12:00:00Z"), ended);
        begins(&path, "2016-06-15T13:00:00Z");
        let [day] = days(&path).try_into().unwrap();
        assert!(off(day.missing, 3600.0) < 1.0, "{day:?}");
        assert_eq!((day.covered, day.gaps), (MINUTE * 120, 1));
        let wanted = 7200.0 / 10_800.0;
        assert!((day.completeness.unwrap() - wanted).abs() < 1e-4, "{day:?}");
        let [event] = told(&path).try_into().unwrap();
        assert!(event.text.contains("no run from 2016-06-15T12:00:00.000Z"), "{}", event.text);
        assert_eq!((event.severity.as_str(), event.channel.is_some()), ("warning", true));
        // The season leaves it out once there is something behind it.
        earlier(&path, ("2016-06-15T13:01:00Z", "2016-06-15T15:00:00Z"), true);
        let season = season(&path);
        let share = 239.0 / 300.0;
        assert!((season.all.completeness().unwrap() - share).abs() < 1e-9);
        assert!((season.all.availability().unwrap() - share).abs() < 1e-9);
        let [gap] = season.exclusions.as_slice() else { unreachable!("{:?}", season.exclusions) };
        assert_eq!((gap.quantity, gap.reason, gap.minutes), (Quantity::Record, Reason::Gap, 61));
        let (from, until) = (utc("2016-06-15T12:00:00Z"), utc("2016-06-15T13:01:00Z"));
        assert_eq!((gap.from, gap.until), (from, until));
    }
}

#[test]
fn a_night_between_two_runs_is_not_missing() {
    let (_folder, path) = place();
    // The sun stands at 5 degrees at 18:49 and at 4:17.
    earlier(&path, ("2016-06-15T16:00:00Z", "2016-06-15T19:00:00Z"), true);
    begins(&path, "2016-06-16T04:00:00Z");
    assert_eq!(told(&path), []);
    let [day] = days(&path).try_into().unwrap();
    assert!(day.missing.is_zero() && day.completeness == Some(1.0), "{day:?}");
    assert!(season(&path).exclusions.is_empty());
}

#[test]
fn days_without_a_run_are_missing_by_day() {
    let (_folder, path) = place();
    earlier(&path, ("2016-06-15T12:00:00Z", "2016-06-15T13:00:00Z"), true);
    begins(&path, "2016-06-17T10:00:00Z");
    let found = days(&path);
    let dates: Vec<&str> = found.iter().map(|day| day.date.as_str()).collect();
    assert_eq!(dates, ["2016-06-15", "2016-06-16", "2016-06-17"]);
    // cos H = (sin 4.84 - sin 46.8 sin 23.3) / (cos 46.8 cos 23.3) (5 degrees less refraction): H = 108.9 degrees,
    // 14.52 h of light about 11:33. From 13:00 to 18:49; all of it; from 4:17 to 10:00.
    for (day, hours) in found.iter().zip([5.81, 14.52, 5.71]) {
        assert!(off(day.missing, hours * 3600.0) < 120.0, "{day:?}");
    }
    assert_eq!(found[1].completeness, Some(0.0));
    assert_eq!(told(&path).len(), 3);
}

#[test]
fn a_clock_that_begins_in_the_past_tells_it_when_it_is_set() {
    let (_folder, path) = place();
    earlier(&path, ("2016-06-15T10:00:00Z", "2016-06-15T12:00:00Z"), false);
    let began = utc("2016-06-15T13:00:00Z");
    run(&path, move |passed| {
        let set = passed >= Duration::from_secs(10);
        if set { began + passed } else { utc("1976-06-15T00:00:00Z") + passed }
    });
    let [day] = days(&path).try_into().unwrap();
    assert_eq!(day.date, "2016-06-15");
    assert!(off(day.missing, 3600.0) < 1.0, "{day:?}");
    let [event] = told(&path).try_into().unwrap();
    assert!(event.at.utc >= began + Duration::from_secs(10), "{event:?}");
}
