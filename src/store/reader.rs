//! Reading the log: typed rows, read-only, beside a running writer.
//!
//! Model: each call sees one state of the file and of what waits in its tail ([`super::unpacked`]); nothing is held
//! open between calls, because a lasting read transaction would keep a run from packing.
//! Samples and minutes are numbered within stretches; a range of wall-clock time is first turned
//! into stretches, so that no query reads the whole table.

use super::error::StoreError;
use super::open;
use super::pack::{MINUTE_BITS, STRETCH_BITS};
use super::rows::{
    ACTIVITY_BITS, Coarse, FEWER_BITS, MICRO, MILLI, MINUTE_MS, OF_LOAD, OF_SENSORS, OF_WATTS,
    SHORT_BITS, mean_energy,
};
use super::unpacked::Unpacked;
use crate::control::record::{Activity, Spread};
use crate::quantities::{Amps, Celsius, Irradiance, Irradiation, Volts, WattHours, Watts};
use crate::time::{Instant, Stamp, Utc};
use rusqlite::{Connection, Params, Row};
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::time::Duration;

mod curves;
mod days;
mod sensors;
mod whole;

pub(super) use curves::points_of;
pub use curves::{CurvePointRow, CurveRow, Endless};
pub(super) use days::LAST_SEEN;
pub use days::RowsOf;
pub use sensors::{SensorMinuteRow, SensorRow};
pub use whole::Reader;

const MICROS_PER_SECOND: i64 = 1_000_000;
/// The part of a row's number that is milliseconds since its stretch began.
const STRETCH_MASK: i64 = (1 << STRETCH_BITS) - 1;
/// How long after its beginning a minute is closed at the latest (us): most are at once, one that a
/// channel slept or hung through when it turns again. One closed later
/// than two days is found by `minute_view` alone.
const LATEST_CLOSE_US: i64 = 2 * 86_400 * MICROS_PER_SECOND;
/// How often a question is put again because a run packed meanwhile: it does so every few minutes, and for seconds
/// at most.
const PACKINGS: u32 = 10;
/// A stretch's longest time (us).
const STRETCH_US: i64 = 1000 << STRETCH_BITS;

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
    /// What the time that its days are counted by is ahead of UTC (us).
    pub day_ahead_micros: i64,
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
    /// Date, ISO 8601: of UTC, or of the time that [`BootRow::day_ahead_micros`] tells of.
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
    /// Time missing from it, daylight without a run with it.
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

/// One file of the log, open for reading.
#[derive(Debug)]
struct Part {
    conn: Connection,
    path: PathBuf,
    /// What waits in its tail.
    unpacked: RefCell<Option<Unpacked>>,
}

impl Part {
    fn open(path: &Path) -> Result<Self, StoreError> {
        let conn = open::for_reading(path)?;
        let unpacked = RefCell::new(Unpacked::of(&conn, path)?);
        Ok(Self { conn, path: path.to_path_buf(), unpacked })
    }

    /// Whether all its rows are in its tables.
    fn is_packed(&self) -> bool {
        self.unpacked.borrow().is_none()
    }

    /// An answer in which no row is missing or doubled because a run packed while it was given.
    fn steady<T>(&self, ask: impl Fn() -> Result<T, StoreError>) -> Result<T, StoreError> {
        for _ in 0..PACKINGS {
            let answer = ask()?;
            let fail = |error| StoreError::from_sqlite(&self.path, "reading", error);
            match self.unpacked.borrow().as_ref() {
                Some(rows) if !rows.is_true(&self.conn).map_err(fail)? => {}
                _ => return Ok(answer),
            }
            let again = Unpacked::of(&self.conn, &self.path)?;
            *self.unpacked.borrow_mut() = again;
        }
        ask()
    }

    /// All boots, oldest first.
    fn boots(&self) -> Result<Vec<BootRow>, StoreError> {
        let sql = "SELECT number, began_utc_us + coalesce((SELECT sum(shift_us) FROM correction \
                   WHERE boot = number AND from_mono_us = 0), 0), \
                   version, station, fingerprint, seed, note, day_ahead_us FROM boot ORDER BY number";
        self.packed(sql, [], |row| {
            Ok(BootRow {
                number: row.get(0)?,
                began: Utc::from_micros(row.get(1)?),
                version: row.get(2)?,
                station: row.get(3)?,
                fingerprint: row.get(4)?,
                seed: row.get::<_, Option<String>>(5)?.and_then(|seed| seed.parse().ok()),
                note: row.get(6)?,
                day_ahead_micros: row.get(7)?,
            })
        })
    }

    /// All channels ever logged, by number.
    fn channels(&self) -> Result<Vec<ChannelRow>, StoreError> {
        self.packed("SELECT id, name, device, tracker FROM channel ORDER BY id", [], |row| {
            Ok(ChannelRow {
                id: StoredChannel(row.get(0)?),
                name: row.get(1)?,
                device: row.get(2)?,
                tracker: row.get(3)?,
            })
        })
    }

    /// Totals of every channel on the dates `first..=last` (ISO 8601), summed over boots, where all are in the tables.
    fn day_totals(&self, first: &str, last: &str) -> Result<Vec<DayRow>, StoreError> {
        let sql = "SELECT channel, date, energy_wh, available_wh, irradiation_wh_m2, peak_w, \
                   tracking_s, sweeping_s, covered_s, missing_s, gaps, completeness, boots, \
                   sweep_missed_wh FROM day_total \
                   WHERE date BETWEEN ?1 AND ?2 ORDER BY date, channel";
        self.packed(sql, (first, last), day_row)
    }

    /// The totals of `day_totals` as they were written, by run.
    fn day_parts(
        &self,
        file: usize,
        first: &str,
        last: &str,
    ) -> Result<Vec<whole::DayPart>, StoreError> {
        let sql = "SELECT c.name, d.date, d.energy_wh, d.available_wh, d.irradiation_wh_m2, \
                   d.peak_w, d.tracking_s, d.sweeping_s, d.covered_s, d.missing_s, d.gaps, \
                   NULL, 1, d.sweep_missed_wh, b.began_utc_us, d.mono_us, d.began_mono_us \
                   FROM day AS d \
                   JOIN boot AS b ON b.number = d.boot JOIN channel AS c ON c.id = d.channel \
                   WHERE d.date BETWEEN ?1 AND ?2 ORDER BY d.date, d.channel";
        self.list(sql, (first, last), |row| {
            let (began, mono, book) = (row.get(14)?, row.get(15)?, row.get(16)?);
            Ok(whole::DayPart { file, began, mono, book, row: day_row(row)? })
        })
    }

    /// The one-minute records of a channel that begin within `from..until`, in time order; a
    /// minute that a stepped wall clock passed twice appears twice.
    fn minutes(
        &self,
        channel: StoredChannel,
        from: Utc,
        until: Utc,
    ) -> Result<Vec<MinuteRow>, StoreError> {
        let (from, until) = (whole_seconds(from), whole_seconds(until));
        let sql = "SELECT * FROM (SELECT t.boot, t.mono_us + (m.id & ?4) * 1000000 AS mono_us, \
                   t.utc_us + (m.id & ?4) * 1000000 AS utc_us, \
                   t.utc_us / 1000000 + (m.id & ?4) - 60 - (closing >> 4) AS start, m.* \
                   FROM stretch AS t CROSS JOIN minute AS m \
                   ON m.id BETWEEN t.id << ?5 AND t.id << ?5 | ?4 \
                   WHERE t.channel = ?1 AND t.utc_us BETWEEN ?6 AND ?7) \
                   WHERE start >= ?2 AND start < ?3 ORDER BY start, boot, mono_us";
        let first = from.saturating_mul(MICROS_PER_SECOND).saturating_sub(STRETCH_US);
        let last = until.saturating_mul(MICROS_PER_SECOND).saturating_add(LATEST_CLOSE_US);
        let mask = (1_i64 << MINUTE_BITS) - 1;
        let params = (channel.0, from, until, mask, MINUTE_BITS, first, last);
        let mut rows = self.list(sql, params, minute_row)?;
        self.order(&mut rows, |row| (row.start, row.boot, row.at.mono));
        Ok(rows)
    }

    /// The samples of a channel within `from..until` of the wall clock, in the order in which
    /// they were taken.
    fn samples(
        &self,
        channel: StoredChannel,
        from: Utc,
        until: Utc,
    ) -> Result<Vec<SampleRow>, StoreError> {
        let (from, until) = (from.as_micros(), until.as_micros());
        let sql = "SELECT id, boot, mono_us, utc_us FROM stretch \
                   WHERE channel = ?1 AND utc_us >= ?2 AND utc_us < ?3 ORDER BY boot, mono_us, id";
        let params = (channel.0, from.saturating_sub(STRETCH_US), until);
        let mut stretches: Vec<(i64, i64, i64, i64)> =
            self.list(sql, params, |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))?;
        self.order(&mut stretches, |&(id, boot, mono, _)| (boot, mono, id));
        let mut samples = Vec::new();
        for (id, boot, mono, utc) in stretches {
            let place = |at: i64| at.saturating_sub(utc).max(0).saturating_add(999) / 1000;
            let (first, after) = (place(from), place(until).min(STRETCH_MASK + 1));
            let sql = "SELECT * FROM sample WHERE id >= ?1 AND id < ?2 ORDER BY id";
            let base = id << STRETCH_BITS;
            let of = (boot, mono, utc);
            let params = (base + first, base + after);
            samples.append(&mut self.list(sql, params, |row| sample_row(row, of))?);
        }
        Ok(samples)
    }

    /// The events within `from..until` of the wall clock, in the order of writing.
    fn events(&self, from: Utc, until: Utc) -> Result<Vec<EventRow>, StoreError> {
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

    /// Puts rows of tables and tail into one order; those of the tables alone have theirs.
    fn order<T, K: Ord>(&self, rows: &mut [T], key: impl Fn(&T) -> K) {
        if !self.is_packed() {
            rows.sort_by_key(key);
        }
    }

    /// What the tables say, and then what waits in the tail.
    fn list<T, P: Params + Clone>(
        &self,
        sql: &str,
        params: P,
        mut row: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let mut rows = self.packed(sql, params.clone(), &mut row)?;
        if let Some(unpacked) = self.unpacked.borrow().as_ref() {
            rows.append(&mut self.ask(&unpacked.conn, sql, params, row)?);
        }
        Ok(rows)
    }

    /// What the tables say.
    fn packed<T, P: Params>(
        &self,
        sql: &str,
        params: P,
        row: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        self.ask(&self.conn, sql, params, row)
    }

    fn ask<T, P: Params>(
        &self,
        conn: &Connection,
        sql: &str,
        params: P,
        row: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let read = || -> rusqlite::Result<Vec<T>> {
            let mut statement = conn.prepare_cached(sql)?;
            statement.query_map(params, row)?.collect()
        };
        read().map_err(|error| StoreError::from_sqlite(&self.path, "reading", error))
    }
}

/// The first whole second that is not before `utc`.
fn whole_seconds(utc: Utc) -> i64 {
    let micros = utc.as_micros();
    let up = i64::from(micros.rem_euclid(MICROS_PER_SECOND) > 0);
    micros.div_euclid(MICROS_PER_SECOND) + up
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

/// Boot, both clocks, start of the minute, and a row of the table `minute`.
fn minute_row(row: &Row<'_>) -> rusqlite::Result<MinuteRow> {
    let (closing, count, fewer): (i64, i64, i64) = (row.get(5)?, row.get(6)?, row.get(7)?);
    let count_of = |place: u32| count - (fewer >> (FEWER_BITS * place) & ((1 << FEWER_BITS) - 1));
    // The part that is short may be negative.
    let (short, half) = (row.get::<_, i64>(29)?, 1 << (SHORT_BITS - 1));
    let missing = short.saturating_add(half) >> SHORT_BITS;
    let covered = MINUTE_MS - short.wrapping_sub(missing << SHORT_BITS);
    let energy = row.get::<_, Option<i64>>(28)?.map(|excess| {
        let watts = row.get::<_, Option<i64>>(16).ok().flatten();
        excess.wrapping_add(mean_energy(watts.unwrap_or_default(), covered))
    });
    let millis = |millis: i64| Duration::from_millis(u64::try_from(millis).unwrap_or_default());
    Ok(MinuteRow {
        boot: row.get(0)?,
        start: Utc::from_micros(row.get::<_, i64>(3)?.saturating_mul(MICROS_PER_SECOND)),
        at: stamp(row, 1)?,
        activity: activity_of(5, closing & ((1 << ACTIVITY_BITS) - 1))?,
        volts: spread(row, (8, count), (MICRO, OF_LOAD))?,
        amps: spread(row, (12, count_of(0)), (MICRO, OF_LOAD))?,
        watts: spread(row, (16, count_of(1)), (MICRO, OF_WATTS))?,
        irradiance: spread(row, (20, count_of(2)), (MILLI, OF_SENSORS))?,
        module_temperature: spread(row, (24, count_of(3)), (MILLI, OF_SENSORS))?,
        energy: WattHours(units(energy, MICRO).unwrap_or(f64::NAN)),
        covered: millis(covered),
        missing: millis(missing),
    })
}

#[expect(clippy::cast_precision_loss, reason = "53 bits of microvolts are 9 GV")]
fn units(whole: Option<i64>, units: f64) -> Option<f64> {
    whole.map(|whole| whole as f64 / units)
}

/// A row of the table `sample`, in a stretch of (boot, monotonic clock, wall clock).
pub(super) fn sample_row(
    row: &Row<'_>,
    (boot, mono, utc): (i64, i64, i64),
) -> rusqlite::Result<SampleRow> {
    let value =
        |index: usize, of: f64| -> rusqlite::Result<Option<f64>> { Ok(units(row.get(index)?, of)) };
    let micros = (row.get::<_, i64>(0)? & STRETCH_MASK) * 1000;
    Ok(SampleRow {
        boot,
        at: stamp_of(mono.saturating_add(micros), utc.saturating_add(micros)),
        activity: activity(row, 1)?,
        readings: row.get(2)?,
        volts: value(3, MICRO)?.map(Volts),
        amps: value(4, MICRO)?.map(Amps),
        watts: value(5, MICRO)?.map(Watts),
        setpoint: value(6, MICRO)?.map(Volts),
        irradiance: value(7, MILLI)?.map(Irradiance),
        module_temperature: value(8, MILLI)?.map(Celsius),
        crest: value(9, MICRO)?.map(Watts),
    })
}

/// Four columns from `first`: mean, and how far least, largest and deviation are from it.
fn spread(
    row: &Row<'_>,
    (first, count): (usize, i64),
    (of, coarse): (f64, Coarse),
) -> rusqlite::Result<Spread> {
    let count = u32::try_from(count).unwrap_or_default();
    if count == 0 {
        return Ok(Spread::default());
    }
    let whole = |index: usize| row.get::<_, Option<i64>>(first + index);
    let mean = whole(0)?;
    let beside = |from: Option<i64>, sign: i64| {
        let far = from.map(|from| from.saturating_mul(coarse.extremes).saturating_mul(sign));
        mean.zip(far).map(|(mean, far)| mean.saturating_add(far))
    };
    let number = |whole| units(whole, of).unwrap_or(f64::NAN);
    Ok(Spread {
        count,
        mean: number(mean),
        min: number(beside(whole(1)?, -1)),
        max: number(beside(whole(2)?, 1)),
        deviation: number(whole(3)?.map(|deviation| deviation.saturating_mul(coarse.deviation))),
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
    activity_of(index, row.get(index)?)
}

fn activity_of(index: usize, code: i64) -> rusqlite::Result<Activity> {
    usize::try_from(code)
        .ok()
        .and_then(|code| Activity::ALL.get(code).copied())
        .ok_or(rusqlite::Error::IntegralValueOutOfRange(index, code))
}
