//! What the log says of a trial, read back from the file.

use crate::yard::morning;
use cresthold::control::record::Activity;
use cresthold::store::Reader;
use cresthold::time::{Stamp, Utc};
use rusqlite::Connection;
use std::path::Path;
use std::time::Duration;

/// Seconds since the beginning.
fn seconds(micros: i64) -> f64 {
    (micros - morning().as_micros()) as f64 / 1e6
}

fn at(stamp: Stamp) -> f64 {
    seconds(stamp.utc.as_micros())
}

#[derive(Clone, Debug)]
pub(crate) struct SampleSeen {
    pub(crate) at: f64,
    pub(crate) activity: Activity,
    pub(crate) readings: u32,
    /// Volts, amps, watts.
    pub(crate) means: [f64; 3],
    pub(crate) light: Option<f64>,
    pub(crate) back: Option<f64>,
}

impl SampleSeen {
    pub(crate) fn works(&self) -> bool {
        matches!(self.activity, Activity::Tracking | Activity::Sweeping)
    }
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct EventSeen {
    pub(crate) at: f64,
    pub(crate) code: String,
    pub(crate) text: String,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Seen {
    pub(crate) samples: Vec<SampleSeen>,
    pub(crate) events: Vec<EventSeen>,
    /// Time, volts and amps of each point of a curve.
    pub(crate) points: Vec<[f64; 3]>,
    /// Beginning and end of each curve, and how it ended.
    pub(crate) curves: Vec<(f64, f64, String)>,
    pub(crate) energy: f64,
    pub(crate) covered: f64,
    pub(crate) missing: f64,
}

impl Seen {
    pub(crate) fn read(path: &Path) -> Self {
        let reader = Reader::open(path).unwrap();
        let channel = reader.channels().unwrap()[0].id;
        let (from, until): (Utc, Utc) =
            (morning() - Duration::from_secs(60), morning() + Duration::from_secs(3600));
        let samples = reader.samples(channel, from, until).unwrap().into_iter().map(|row| {
            // What is no number is absent; the checks compare with NaN and fail.
            let number = |value: Option<f64>| value.unwrap_or(f64::NAN);
            SampleSeen {
                at: at(row.at),
                activity: row.activity,
                readings: row.readings,
                means: [
                    number(row.volts.map(|it| it.0)),
                    number(row.amps.map(|it| it.0)),
                    number(row.watts.map(|it| it.0)),
                ],
                light: row.irradiance.map(|it| it.0),
                back: row.module_temperature.map(|it| it.0),
            }
        });
        let events = reader.events(from, until).unwrap().into_iter().map(|row| EventSeen {
            at: at(row.at),
            code: row.code,
            text: row.text,
        });
        let mut seen =
            Self { samples: samples.collect(), events: events.collect(), ..Self::default() };
        for minute in reader.minutes(channel, from, until).unwrap() {
            seen.energy += minute.energy.0;
            seen.covered += minute.covered.as_secs_f64();
            seen.missing += minute.missing.as_secs_f64();
        }
        seen.read_curves(path);
        seen
    }

    fn read_curves(&mut self, path: &Path) {
        let sqlite = Connection::open(path).unwrap();
        let mut points = sqlite
            .prepare("SELECT utc_us, volts_uv, amps_ua FROM curve_point ORDER BY curve, point")
            .unwrap();
        let point = |row: &rusqlite::Row<'_>| {
            let micro = |value: Option<i64>| value.map_or(f64::NAN, |value| value as f64 / 1e6);
            Ok([seconds(row.get(0)?), micro(row.get(1)?), micro(row.get(2)?)])
        };
        self.points = points.query_map([], point).unwrap().map(Result::unwrap).collect();
        let mut curves = sqlite
            .prepare("SELECT began_utc_us, utc_us, ending FROM curve ORDER BY curve")
            .unwrap();
        let curve =
            |row: &rusqlite::Row<'_>| Ok((seconds(row.get(0)?), seconds(row.get(1)?), row.get(2)?));
        self.curves = curves.query_map([], curve).unwrap().map(Result::unwrap).collect();
    }

    /// When the first event of that code was.
    pub(crate) fn first(&self, code: &str) -> Option<f64> {
        self.events.iter().find(|event| event.code == code).map(|event| event.at)
    }
}
