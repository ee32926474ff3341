//! Records and files for the tests of the log.
#![allow(clippy::unwrap_used, reason = "a test that can't set up has failed")]
#![allow(dead_code, reason = "each test binary uses its own part")]

use cresthold::control::record::{
    Activity, ChannelId, DayTotal, Event, Happening, Minute, Record, Sample, Spread,
};
use cresthold::quantities::{Amps, Celsius, Irradiance, Irradiation, Volts, WattHours, Watts};
use cresthold::store::{ChannelFacts, Log, OpenFacts};
use cresthold::time::{Instant, Stamp, Utc};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tempfile::TempDir;

/// A folder that vanishes and a log's path in it.
pub(crate) fn place() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("roof log.db");
    (folder, path)
}

/// Seconds of a run that began at noon, 2016-06-15.
pub(crate) fn second(s: f64) -> Stamp {
    let noon: Utc = "2016-06-15T12:00:00Z".parse().unwrap();
    Stamp { mono: Instant::ZERO, utc: noon }.later(Duration::from_secs_f64(s))
}

pub(crate) fn facts() -> OpenFacts {
    let channel = |name: &str| ChannelFacts {
        name: name.to_owned(),
        device: "module".to_owned(),
        tracker: "hold 30 V".to_owned(),
    };
    OpenFacts {
        began: second(0.0),
        version: "0.1.0".to_owned(),
        station: "roof".to_owned(),
        fingerprint: "f00d".to_owned(),
        seed: Some(u64::MAX),
        note: Some("first light".to_owned()),
        day: cresthold::control::DaySplit::UTC,
        channels: vec![channel("east"), channel("west")],
    }
}

pub(crate) fn open(path: &Path) -> Log {
    Log::open(path, &facts()).unwrap()
}

/// A sample of channel `channel` at second `s`, numbers as the day brings them.
pub(crate) fn sample(channel: u16, s: f64) -> Sample {
    let wave = (s / 100.0).sin();
    let (volts, amps) = (Volts(30.123_456 + wave), Amps(8.012_345 + wave));
    Sample {
        channel: ChannelId(channel),
        at: second(s),
        activity: Activity::Tracking,
        readings: 10,
        volts,
        amps,
        watts: volts * amps,
        setpoint: Some(Volts(30.125)),
        irradiance: Some(Irradiance(873.512 + 100.0 * wave)),
        module_temperature: Some(Celsius(46.789 + wave)),
        crest: None,
    }
}

pub(crate) fn spread(mean: f64) -> Spread {
    Spread { count: 60, mean, min: mean - 1.5, max: mean + 1.25, deviation: 0.123_456_789 }
}

pub(crate) fn minute(channel: u16, start: f64) -> Minute {
    Minute {
        channel: ChannelId(channel),
        start: second(start).utc.minute_start(),
        at: second(start + 60.0),
        activity: Activity::Tracking,
        volts: spread(30.1),
        amps: spread(8.2),
        watts: spread(246.82),
        irradiance: spread(873.5),
        module_temperature: Spread::default(),
        energy: WattHours(4.113_666_6),
        covered: Duration::from_millis(59_500),
        missing: Duration::from_millis(500),
    }
}

pub(crate) fn day(channel: u16, s: f64, energy: f64) -> DayTotal {
    DayTotal {
        channel: ChannelId(channel),
        day: second(s).utc,
        began: Instant::ZERO,
        at: second(s),
        energy: WattHours(energy),
        available: None,
        irradiation: Irradiation(energy * 4.0),
        peak: Watts(250.0),
        tracking: Duration::from_secs_f64(s),
        sweeping: Duration::ZERO,
        sweep_missed: WattHours::ZERO,
        covered: Duration::from_secs_f64(s * 0.75),
        missing: Duration::from_secs_f64(s * 0.25),
        gaps: 2,
    }
}

pub(crate) fn event(channel: Option<u16>, s: f64, what: Happening) -> Record {
    Record::Event(Event { channel: channel.map(ChannelId), at: second(s), what })
}

/// All of time.
pub(crate) const EVER: (Utc, Utc) =
    (Utc::from_micros(i64::MIN / 4), Utc::from_micros(i64::MAX / 4));
