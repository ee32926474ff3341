//! Reading the log: typed rows, read-only, beside a running writer.
//!
//! Model: each call is one query and so sees one state of the file; nothing is held open between
//! calls, because a lasting read transaction would keep the write-ahead log from being emptied.
//! Samples are keyed by the monotonic clock; a range of wall-clock time is first turned into
//! ranges of the monotonic one through the table `clock`, so that no query reads the whole table.

use super::error::StoreError;
use super::open;
use super::rows::{MICRO, MILLI};
use crate::control::record::{Activity, Spread};
use crate::quantities::{Amps, Celsius, Irradiance, Irradiation, Volts, WattHours, Watts};
use crate::time::{Instant, Stamp, Utc};
use rusqlite::{Connection, Params, Row};
use std::path::{Path, PathBuf};
use std::time::Duration;

mod curves;

pub(super) use curves::points_of;
pub use curves::{CurvePointRow, CurveRow};

/// How far around a step of the wall clock rows are looked for on both sides (us): rows of several
/// channels reach the log some seconds out of order, and the clocks drift by up to one second
/// before a new pair is written.
const STEP_MARGIN: i64 = 10_000_000;

const MICROS_PER_SECOND: i64 = 1_000_000;

/// Number of a channel in the log (`channel.id`): the same over all boots, unlike its place in the
/// station file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StoredChannel(pub i64);

/// One start of the program.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BootRow {
    /// Number, from 1.
    pub number: i64,
    /// When it began.
    pub began: Utc,
    /// Version of the program.
    pub version: String,
    /// Name of the station.
    pub station: String,
    /// Tells one station file from another.
    pub fingerprint: String,
    /// Seed of the embedded plant.
    pub seed: Option<u64>,
    /// What the operator said about the run.
    pub note: Option<String>,
}

/// One channel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChannelRow {
    /// Its number in the log.
    pub id: StoredChannel,
    /// Its name.
    pub name: String,
    /// Kind of device, newest.
    pub device: String,
    /// Tracker, newest.
    pub tracker: String,
}

/// Totals of a channel on a date, over all boots.
#[derive(Clone, Debug, PartialEq)]
pub struct DayRow {
    /// Name of the channel.
    pub channel: String,
    /// UTC date, ISO 8601.
    pub date: String,
    /// Energy delivered (Wh).
    pub energy: WattHours,
    /// Energy an ideal tracker would have had (Wh), where known for all of the day.
    pub available: Option<WattHours>,
    /// Irradiation (Wh/m2).
    pub irradiation: Irradiation,
    /// Largest power (W).
    pub peak: Watts,
    /// Time spent tracking.
    pub tracking: Duration,
    /// Time spent sweeping.
    pub sweeping: Duration,
    /// Energy missed by sweeping (Wh).
    pub sweep_missed: WattHours,
    /// Time covered by the energy integral.
    pub covered: Duration,
    /// Time missing from it.
    pub missing: Duration,
    /// How many gaps.
    pub gaps: u32,
    /// Share of the awake time that is covered (0..=1); none where the channel never was awake.
    pub completeness: Option<f64>,
    /// How many boots the day is made of.
    pub boots: u32,
}

/// One one-minute record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MinuteRow {
    /// The boot it belongs to.
    pub boot: i64,
    /// Start of the UTC minute.
    pub start: Utc,
    /// When it was closed (whole microseconds).
    pub at: Stamp,
    /// What the channel was doing.
    pub activity: Activity,
    /// Device voltage (V).
    pub volts: Spread,
    /// Device current (A).
    pub amps: Spread,
    /// Device power (W).
    pub watts: Spread,
    /// Irradiance (W/m2).
    pub irradiance: Spread,
    /// Module temperature (degC).
    pub module_temperature: Spread,
    /// Energy delivered within the minute (Wh).
    pub energy: WattHours,
    /// Time covered by the energy integral.
    pub covered: Duration,
    /// Time missing from it.
    pub missing: Duration,
}

/// One sample. A value that was no number is absent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SampleRow {
    /// The boot it belongs to.
    pub boot: i64,
    /// When (whole microseconds).
    pub at: Stamp,
    /// What the channel was doing.
    pub activity: Activity,
    /// How many readings the means are over.
    pub readings: u32,
    /// Mean device voltage (V, to 1 uV).
    pub volts: Option<Volts>,
    /// Mean device current (A, to 1 uA).
    pub amps: Option<Amps>,
    /// Mean device power (W, to 1 uW).
    pub watts: Option<Watts>,
    /// The voltage last asked for (V, to 1 uV).
    pub setpoint: Option<Volts>,
    /// Irradiance (W/m2, to 1 mW/m2).
    pub irradiance: Option<Irradiance>,
    /// Module temperature (degC, to 1 mdegC).
    pub module_temperature: Option<Celsius>,
    /// Exact power at the crest (W, to 1 uW).
    pub crest: Option<Watts>,
}

/// One event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EventRow {
    /// Its number, in the order of writing.
    pub id: i64,
    /// The boot it belongs to.
    pub boot: i64,
    /// When (whole microseconds).
    pub at: Stamp,
    /// The channel; none for the station.
    pub channel: Option<StoredChannel>,
    /// `note`, `warning` or `alarm`.
    pub severity: String,
    /// Short stable code.
    pub code: String,
    /// What happened.
    pub text: String,
    /// Its numbers as JSON, or free text.
    pub detail: Option<String>,
}

/// The log, open for reading.
#[derive(Debug)]
pub struct Reader {
    conn: Connection,
    path: PathBuf,
}

impl Reader {
    /// Opens an existing log.
    ///
    /// # Errors
    /// No such file, not ours, or of another schema version.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        Ok(Self { conn: open::for_reading(path)?, path: path.to_path_buf() })
    }

    /// All boots, oldest first.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn boots(&self) -> Result<Vec<BootRow>, StoreError> {
        let sql = "SELECT number, began_utc_us, version, station, fingerprint, seed, note \
                   FROM boot ORDER BY number";
        self.list(sql, [], |row| {
            Ok(BootRow {
                number: row.get(0)?,
                began: Utc::from_micros(row.get(1)?),
                version: row.get(2)?,
                station: row.get(3)?,
                fingerprint: row.get(4)?,
                seed: row.get::<_, Option<String>>(5)?.and_then(|seed| seed.parse().ok()),
                note: row.get(6)?,
            })
        })
    }

    /// All channels ever logged, by number.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn channels(&self) -> Result<Vec<ChannelRow>, StoreError> {
        self.list("SELECT id, name, device, tracker FROM channel ORDER BY id", [], |row| {
            Ok(ChannelRow {
                id: StoredChannel(row.get(0)?),
                name: row.get(1)?,
                device: row.get(2)?,
                tracker: row.get(3)?,
            })
        })
    }

    /// Totals of every channel on the dates `first..=last` (ISO 8601), summed over boots.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn day_totals(&self, first: &str, last: &str) -> Result<Vec<DayRow>, StoreError> {
        let sql = "SELECT channel, date, energy_wh, available_wh, irradiation_wh_m2, peak_w, \
                   tracking_s, sweeping_s, covered_s, missing_s, gaps, completeness, boots, \
                   sweep_missed_wh FROM day_total \
                   WHERE date BETWEEN ?1 AND ?2 ORDER BY date, channel";
        self.list(sql, (first, last), day_row)
    }

    /// The one-minute records of a channel that begin within `from..until`, in time order; a
    /// minute that a stepped wall clock passed twice appears twice.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn minutes(
        &self,
        channel: StoredChannel,
        from: Utc,
        until: Utc,
    ) -> Result<Vec<MinuteRow>, StoreError> {
        // The boots drive the loop: within each, the primary key finds the range of times.
        let sql = "SELECT m.* FROM boot AS b CROSS JOIN minute AS m \
                   ON m.channel = ?1 AND m.boot = b.number \
                   AND m.start_utc_s >= ?2 AND m.start_utc_s < ?3 \
                   ORDER BY m.start_utc_s, m.boot, m.mono_us";
        let second = |utc: Utc| {
            let micros = utc.as_micros();
            let up = i64::from(micros.rem_euclid(MICROS_PER_SECOND) > 0);
            micros.div_euclid(MICROS_PER_SECOND) + up
        };
        self.list(sql, (channel.0, second(from), second(until)), minute_row)
    }

    /// The samples of a channel within `from..until` of the wall clock, in the order in which
    /// they were taken.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn samples(
        &self,
        channel: StoredChannel,
        from: Utc,
        until: Utc,
    ) -> Result<Vec<SampleRow>, StoreError> {
        let sql = "SELECT * FROM sample WHERE boot = ?1 AND mono_us BETWEEN ?2 AND ?3 \
                   AND channel = ?4 AND utc_us >= ?5 AND utc_us < ?6 ORDER BY mono_us";
        let (from, until) = (from.as_micros(), until.as_micros());
        let mut samples = Vec::new();
        for (boot, first, last) in self.windows(from, until)? {
            let params = (boot, first, last, channel.0, from, until);
            samples.append(&mut self.list(sql, params, sample_row)?);
        }
        Ok(samples)
    }

    /// The events within `from..until` of the wall clock, in the order of writing.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn events(&self, from: Utc, until: Utc) -> Result<Vec<EventRow>, StoreError> {
        let sql = "SELECT id, boot, mono_us, utc_us, channel, severity, code, text, detail \
                   FROM event WHERE utc_us >= ?1 AND utc_us < ?2 ORDER BY id";
        self.list(sql, (from.as_micros(), until.as_micros()), |row| {
            Ok(EventRow {
                id: row.get(0)?,
                boot: row.get(1)?,
                at: stamp(row, 2)?,
                channel: row.get::<_, Option<i64>>(4)?.map(StoredChannel),
                severity: row.get(5)?,
                code: row.get(6)?,
                text: row.get(7)?,
                detail: row.get(8)?,
            })
        })
    }

    /// Ranges of the monotonic clock, (boot, first, last), that hold the wall-clock range; they
    /// don't overlap.
    fn windows(&self, from: i64, until: i64) -> Result<Vec<(i64, i64, i64)>, StoreError> {
        let sql = "SELECT boot, mono_us, utc_us, \
                   lead(mono_us, 1, ?1) OVER (PARTITION BY boot ORDER BY mono_us) \
                   FROM clock ORDER BY boot, mono_us";
        let spans: Vec<(i64, i64, i64, i64)> = self.list(sql, [i64::MAX], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
        })?;
        let mut found: Vec<(i64, i64, i64)> = Vec::new();
        for (boot, begin, utc, end) in spans {
            let offset = utc.saturating_sub(begin);
            let first = from.saturating_sub(offset).max(begin).saturating_sub(STEP_MARGIN);
            let last = until.saturating_sub(offset).min(end).saturating_add(STEP_MARGIN);
            if first <= last {
                found.push((boot, first, last));
            }
        }
        found.sort_unstable();
        let mut windows: Vec<(i64, i64, i64)> = Vec::with_capacity(found.len());
        for (boot, first, last) in found {
            match windows.last_mut() {
                Some(before) if before.0 == boot && before.2 >= first => {
                    before.2 = before.2.max(last);
                }
                _ => windows.push((boot, first, last)),
            }
        }
        Ok(windows)
    }

    fn list<T, P: Params>(
        &self,
        sql: &str,
        params: P,
        row: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let read = || -> rusqlite::Result<Vec<T>> {
            let mut statement = self.conn.prepare_cached(sql)?;
            statement.query_map(params, row)?.collect()
        };
        read().map_err(|error| StoreError::from_sqlite(&self.path, "reading", error))
    }
}

fn day_row(row: &Row<'_>) -> rusqlite::Result<DayRow> {
    Ok(DayRow {
        channel: row.get(0)?,
        date: row.get(1)?,
        energy: WattHours(number(row, 2)?),
        available: row.get::<_, Option<f64>>(3)?.map(WattHours),
        irradiation: Irradiation(number(row, 4)?),
        peak: Watts(number(row, 5)?),
        tracking: span(row, 6)?,
        sweeping: span(row, 7)?,
        covered: span(row, 8)?,
        missing: span(row, 9)?,
        gaps: row.get(10)?,
        completeness: row.get(11)?,
        boots: row.get(12)?,
        sweep_missed: WattHours(number(row, 13)?),
    })
}

fn minute_row(row: &Row<'_>) -> rusqlite::Result<MinuteRow> {
    Ok(MinuteRow {
        boot: row.get("boot")?,
        start: Utc::from_micros(row.get::<_, i64>("start_utc_s")? * MICROS_PER_SECOND),
        at: stamp(row, 3)?,
        activity: activity(row, 5)?,
        volts: spread(row, 6)?,
        amps: spread(row, 11)?,
        watts: spread(row, 16)?,
        irradiance: spread(row, 21)?,
        module_temperature: spread(row, 26)?,
        energy: WattHours(number(row, 31)?),
        covered: span(row, 32)?,
        missing: span(row, 33)?,
    })
}

fn sample_row(row: &Row<'_>) -> rusqlite::Result<SampleRow> {
    #[expect(clippy::cast_precision_loss, reason = "53 bits of microvolts are 9 GV")]
    let value = |index: usize, units: f64| -> rusqlite::Result<Option<f64>> {
        Ok(row.get::<_, Option<i64>>(index)?.map(|whole| whole as f64 / units))
    };
    let (mono, utc): (i64, i64) = (row.get(1)?, row.get(3)?);
    Ok(SampleRow {
        boot: row.get(0)?,
        at: stamp_of(mono, utc),
        activity: activity(row, 4)?,
        readings: row.get(5)?,
        volts: value(6, MICRO)?.map(Volts),
        amps: value(7, MICRO)?.map(Amps),
        watts: value(8, MICRO)?.map(Watts),
        setpoint: value(9, MICRO)?.map(Volts),
        irradiance: value(10, MILLI)?.map(Irradiance),
        module_temperature: value(11, MILLI)?.map(Celsius),
        crest: value(12, MICRO)?.map(Watts),
    })
}

/// Five columns from `first`: mean, least, largest, deviation, count.
fn spread(row: &Row<'_>, first: usize) -> rusqlite::Result<Spread> {
    let count: u32 = row.get(first + 4)?;
    if count == 0 {
        return Ok(Spread::default());
    }
    Ok(Spread {
        count,
        mean: number(row, first)?,
        min: number(row, first + 1)?,
        max: number(row, first + 2)?,
        deviation: number(row, first + 3)?,
    })
}

/// A real number; NULL stands for one that was none.
fn number(row: &Row<'_>, index: usize) -> rusqlite::Result<f64> {
    Ok(row.get::<_, Option<f64>>(index)?.unwrap_or(f64::NAN))
}

/// Seconds as a span; a file that was tampered with may hold any number.
fn span(row: &Row<'_>, index: usize) -> rusqlite::Result<Duration> {
    Ok(Duration::try_from_secs_f64(row.get(index)?).unwrap_or_default())
}

/// Two columns from `first`: monotonic and wall clock (us).
fn stamp(row: &Row<'_>, first: usize) -> rusqlite::Result<Stamp> {
    Ok(stamp_of(row.get(first)?, row.get(first + 1)?))
}

fn stamp_of(mono: i64, utc: i64) -> Stamp {
    let mono = Instant::ZERO + Duration::from_micros(u64::try_from(mono).unwrap_or(0));
    Stamp { mono, utc: Utc::from_micros(utc) }
}

fn activity(row: &Row<'_>, index: usize) -> rusqlite::Result<Activity> {
    let code: i64 = row.get(index)?;
    usize::try_from(code)
        .ok()
        .and_then(|code| Activity::ALL.get(code).copied())
        .ok_or(rusqlite::Error::IntegralValueOutOfRange(index, code))
}
