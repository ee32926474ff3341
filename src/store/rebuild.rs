//! The minute that a run broke off in, made anew from its samples.
//!
//! Model: a minute's row and its day's totals are written when the minute is over. A run that is killed, or
//! loses its power, leaves samples behind its last minute. Whoever opens the log next makes the row of them
//! that the run did not come to, adds it to the day's totals, and says so in an event. A sample's mean
//! power counts for the time since the sample before; where that is longer than its readings take, the rest
//! is missing. Least, largest and deviation are those of the samples.
//!
//! A run is done with once it told its end. What went on in another file of the log is made there. Doing it
//! twice does nothing: behind a minute that was made no sample is left.
//!
//! Rejected: making it while reading, each time (a plain SQLite shell would not see it); only who can't write does.

use super::book;
use super::error::StoreError;
use super::log::commit;
use super::op::Op;
use super::open;
use super::pack::{MINUTE_BITS, Packer, STRETCH_BITS};
use super::reader::{SampleRow, sample_row};
use super::rows::{self, ACTIVITY_BITS, EventRow, MINUTE_S};
use crate::control::record::{DayTotal, Happening, Minute, Severity};
use crate::quantities::{Irradiation, WattHours, Watts};
use crate::time::{Instant, Stamp, Utc};
use part::{Part, Usual, mono, time};
use rusqlite::{Connection, OpenFlags, OptionalExtension, Row};
use std::collections::{BTreeSet, HashSet};
use std::path::Path;
use std::time::Duration;

mod part;

type Result<T, E = rusqlite::Error> = std::result::Result<T, E>;

/// How far before the end of the last minute samples are looked at (us), to learn how long a reading takes.
const BEFORE_US: i64 = 300_000_000;
/// How well the table knows when a minute was closed (us).
const SECOND_US: i64 = 1_000_000;

/// A run that has no end, in one file.
#[derive(Clone, Copy, Debug)]
struct Run {
    boot: i64,
    began_utc_us: i64,
    /// What the time that its days are counted by is ahead of UTC (us).
    ahead_us: i64,
}

/// The last minute that was told of a channel.
#[derive(Clone, Copy, Debug)]
struct Last {
    start: Utc,
    /// When it was closed, on the monotonic clock; known to a second.
    closed_us: i64,
}

/// What a file has of a channel at the end of a run.
#[derive(Debug, Default)]
struct Ending {
    /// Those of the last minutes, in the order in which they were taken.
    samples: Vec<SampleRow>,
    minute: Option<Last>,
    /// The newest totals and their date.
    day: Option<(DayTotal, String)>,
    /// When its line was lost (us, monotonic).
    lost: Vec<i64>,
}

/// The runs before that of `mine` (when it began) that began and have no end in any of `conns`, the first of
/// which knows all runs.
fn broken_off(conns: &[&Connection], mine: Option<Utc>) -> Result<Vec<Run>> {
    let told = |code: &str| -> Result<HashSet<i64>> {
        let mut boots = HashSet::new();
        for conn in conns {
            let mut statement = conn.prepare_cached("SELECT boot FROM event WHERE code = ?1")?;
            for boot in statement.query_map([code], |row| row.get(0))? {
                boots.insert(boot?);
            }
        }
        Ok(boots)
    };
    let (began, ended) = (told(Happening::RunBegan.code())?, told(Happening::RunEnded.code())?);
    let [first, ..] = conns else { return Ok(Vec::new()) };
    let sql = "SELECT number, began_utc_us, day_ahead_us FROM boot WHERE began_utc_us IS NOT ?1 \
               ORDER BY number";
    let run = |row: &Row<'_>| {
        Ok(Run { boot: row.get(0)?, began_utc_us: row.get(1)?, ahead_us: row.get(2)? })
    };
    let mut statement = first.prepare(sql)?;
    let runs: Vec<Run> =
        statement.query_map([mine.map(Utc::as_micros)], run)?.collect::<Result<_>>()?;
    let broke_off = |run: &Run| began.contains(&run.boot) && !ended.contains(&run.boot);
    Ok(runs.into_iter().filter(broke_off).collect())
}

/// The channels of a run.
fn channels(conn: &Connection, run: &Run) -> Result<Vec<i64>> {
    let sql = "SELECT DISTINCT channel FROM stretch WHERE boot = ?1 ORDER BY channel";
    conn.prepare_cached(sql)?.query_map([run.boot], |row| row.get(0))?.collect()
}

/// Makes the minutes that runs before that of `mine` (when it began) broke off in.
///
/// # Errors
/// What SQLite reports; the file is then as it was.
pub(super) fn mend(conn: &Connection, path: &Path, mine: Option<Utc>) -> Result<(), StoreError> {
    let fail =
        |error| StoreError::from_sqlite(path, "making the minute that a run broke off in", error);
    for run in broken_off(&[conn], mine).map_err(fail)? {
        for channel in channels(conn, &run).map_err(fail)? {
            let ending = Ending::of(conn, &run, channel).map_err(fail)?;
            let missed = ending.missed(conn, &run, channel).map_err(fail)?;
            let ops = ending.rows(&run, channel, missed);
            if ops.is_empty() || goes_on_elsewhere(conn, path, &run).map_err(fail)? {
                continue;
            }
            let write = || -> Result<(), StoreError> {
                conn.execute_batch("BEGIN IMMEDIATE").map_err(fail)?;
                let mut packer = Packer::new(run.boot, Vec::new());
                ops.iter().try_for_each(|op| packer.write(conn, op)).map_err(fail)?;
                commit(conn, path)
            };
            write().inspect_err(|_| {
                if !conn.is_autocommit() {
                    // A failing ROLLBACK means SQLite has already rolled back by itself.
                    let _ = conn.execute_batch("ROLLBACK");
                }
            })?;
        }
    }
    Ok(())
}

/// The same for a reader that can't write the tables `main`: minutes go into those `beside` it, which hold what is
/// not packed, within a transaction of the caller's.
pub(super) fn mend_beside((main, beside): (&Connection, &Connection), path: &Path) -> Result<()> {
    for run in broken_off(&[main, beside], None)? {
        let all: BTreeSet<i64> =
            channels(main, &run)?.into_iter().chain(channels(beside, &run)?).collect();
        for channel in all {
            let ending = Ending::of(main, &run, channel)?.and(Ending::of(beside, &run, channel)?);
            let missed = [main, beside].map(|conn| ending.missed(conn, &run, channel));
            let missed = missed.into_iter().sum::<Result<WattHours>>()?;
            let ops = ending.rows(&run, channel, missed);
            if ops.is_empty() || goes_on_elsewhere(main, path, &run)? {
                continue;
            }
            let mut packer = Packer::new(run.boot, Vec::new());
            ops.iter().try_for_each(|op| packer.write(beside, op))?;
        }
    }
    Ok(())
}

/// Whether another file of the log at `path` has rows of the run that are as new: its last minute is made
/// there.
fn goes_on_elsewhere(conn: &Connection, path: &Path, run: &Run) -> Result<bool> {
    let newest = |conn: &Connection| -> Result<Option<i64>> {
        let sql = "SELECT max(coalesce((SELECT max(mono_us) FROM stretch WHERE boot = b.number), 0), \
                              coalesce((SELECT max(mono_us) FROM event WHERE boot = b.number), 0)) \
                   FROM boot AS b WHERE began_utc_us = ?1 ORDER BY number DESC LIMIT 1";
        conn.query_row(sql, [run.began_utc_us], |row| row.get(0)).optional()
    };
    let ours = newest(conn)?;
    let theirs = |file: &Path| {
        // To write, because a cut may have left a transaction to be rolled back.
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let conn = Connection::open_with_flags(file, flags)?;
        conn.busy_timeout(open::LOCK_PATIENCE)?;
        newest(&conn)
    };
    // One that can't be asked tells nothing that a reader would find.
    let files = book::family(path);
    Ok(files.iter().any(|file| theirs(file).is_ok_and(|theirs| theirs > Some(0) && theirs >= ours)))
}

impl Ending {
    /// This and what other tables have of the same, which is newer.
    fn and(mut self, newer: Self) -> Self {
        self.samples.extend(newer.samples);
        self.samples.sort_by_key(mono);
        self.lost.extend(newer.lost);
        Self { minute: newer.minute.or(self.minute), day: newer.day.or(self.day), ..self }
    }

    /// What sweeps cost that ended behind the newest totals.
    fn missed(&self, conn: &Connection, run: &Run, channel: i64) -> Result<WattHours> {
        let since = self.day.as_ref().map_or(-1, |(day, _)| rows::mono_us(day.at.mono));
        let sql = "SELECT coalesce(sum(missed_wh), 0.0) FROM curve \
                   WHERE boot = ?1 AND channel = ?2 AND mono_us > ?3";
        conn.query_row(sql, (run.boot, channel, since), |row| row.get(0)).map(WattHours)
    }

    /// What the file says of a run's channel.
    fn of(conn: &Connection, run: &Run, channel: i64) -> Result<Self> {
        let sql = "SELECT id, mono_us, utc_us FROM stretch WHERE boot = ?1 AND channel = ?2 \
                   ORDER BY mono_us DESC, id DESC";
        let stretches: Vec<(i64, i64, i64)> = conn
            .prepare_cached(sql)?
            .query_map((run.boot, channel), |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
            .collect::<Result<_>>()?;
        let mut minute = None;
        for stretch in &stretches {
            minute = last_minute(conn, *stretch)?;
            if minute.is_some() {
                break;
            }
        }
        let since = minute.map_or(i64::MIN, |last| last.closed_us - BEFORE_US);
        let mut samples = Vec::new();
        for &(id, mono, utc) in stretches.iter().rev() {
            let after = since.saturating_sub(mono).max(0) / 1000;
            if after >= 1 << STRETCH_BITS {
                continue;
            }
            let sql = "SELECT * FROM sample WHERE id BETWEEN ?1 AND ?2 ORDER BY id";
            let (first, last) = ((id << STRETCH_BITS) + after, ((id + 1) << STRETCH_BITS) - 1);
            let row = |row: &Row<'_>| sample_row(row, (run.boot, mono, utc));
            let mut statement = conn.prepare_cached(sql)?;
            for sample in statement.query_map((first, last), row)? {
                samples.push(sample?);
            }
        }
        let day = newest_day(conn, run.boot, channel)?;
        let sql = "SELECT mono_us FROM event WHERE boot = ?1 AND channel = ?2 AND code = ?3 AND mono_us >= ?4";
        let lost = conn
            .prepare_cached(sql)?
            .query_map((run.boot, channel, Happening::LinkLost.code(), since), |row| row.get(0))?
            .collect::<Result<_>>()?;
        Ok(Self { samples, minute, day, lost })
    }

    /// The minutes that the run did not come to, with the day's totals, as rows to be.
    fn rows(mut self, run: &Run, channel: i64, missed: WattHours) -> Vec<Op> {
        let closed = self.minute.map(|last| self.closed_at(last.closed_us));
        let (said, floor) = (self.minute, closed.unwrap_or(i64::MIN));
        // One that began where the minute before it was closed was told with that.
        let told = |sample: &SampleRow| {
            let with = |last: Last| {
                sample.at.utc.minute_start() == last.start
                    && mono(sample) < last.closed_us + SECOND_US
            };
            mono(sample) <= floor || said.is_some_and(with)
        };
        let Some(first) = self.samples.iter().position(|sample| !told(sample)) else {
            return Vec::new();
        };
        let usual = Usual::of(&self.samples);
        // The reading that closes a minute ends the first span of the next.
        let from = closed.map_or(i64::MIN, |closed| closed - usual.reading_us());
        let mut ops = Vec::new();
        let mut part: Option<Part> = None;
        for index in first..self.samples.len() {
            let sample = self.samples[index];
            let start = sample.at.utc.minute_start();
            if let Some(over) = part.take_if(|part| part.start != start) {
                self.finish(&over, (run, channel, WattHours::ZERO), &mut ops);
            }
            let before = index.checked_sub(1).map(|before| &self.samples[before]);
            let span = usual.span(&sample, (before, from), &self.lost);
            part.get_or_insert_with(|| Part::new(&sample)).take(&sample, span);
        }
        if let Some(over) = part {
            self.finish(&over, (run, channel, missed), &mut ops);
        }
        ops
    }

    /// When the last minute was closed: a day's totals are told with it, to the microsecond.
    fn closed_at(&self, second: i64) -> i64 {
        let day = self.day.as_ref().map(|(day, _)| rows::mono_us(day.at.mono));
        day.filter(|day| (second..second + SECOND_US).contains(day)).unwrap_or(second)
    }

    /// Writes a minute, adds it to its day, and tells of it.
    fn finish(
        &mut self,
        part: &Part,
        (run, channel, missed): (&Run, i64, WattHours),
        ops: &mut Vec<Op>,
    ) {
        let minute = part.minute();
        let local = minute.at.utc.as_micros().saturating_add(run.ahead_us);
        let midnight = Utc::from_micros(local).day_start();
        let book = self.day.take().filter(|(_, date)| *date == midnight.date());
        let mut day = book.map_or_else(|| part.fresh_day(midnight), |(day, _)| day);
        day.day = midnight;
        part.add_to(&mut day, &minute, missed);
        ops.push(rows::minute(channel, &minute));
        ops.push(rows::day(channel, &day));
        ops.push(told(channel, &minute, part.samples));
        self.day = Some((day, midnight.date()));
    }
}

/// The event that tells of a minute.
fn told(channel: i64, minute: &Minute, samples: u32) -> Op {
    let (covered, missing) = (minute.covered.as_secs_f64(), minute.missing.as_secs_f64());
    let text = format!(
        "the run broke off within the minute of {}; its record was made of the {samples} samples that are \
         kept: {:.4} Wh, {covered:.1} s covered, {missing:.1} s missing",
        minute.start, minute.energy.0
    );
    let detail = format!(
        r#"{{"samples":{samples},"energy_wh":{},"covered_s":{covered},"missing_s":{missing}}}"#,
        minute.energy.0
    );
    rows::event(&EventRow {
        channel: Some(channel),
        at: minute.at,
        severity: Severity::Note.word(),
        code: "minute-rebuilt",
        text: &text,
        detail: Some(&detail),
    })
}

/// The newest minute of a stretch (number, monotonic clock, wall clock).
fn last_minute(conn: &Connection, (id, mono, utc): (i64, i64, i64)) -> Result<Option<Last>> {
    let sql = "SELECT id, closing FROM minute WHERE id BETWEEN ?1 AND ?2 ORDER BY id DESC LIMIT 1";
    let (first, last) = (id << MINUTE_BITS, ((id + 1) << MINUTE_BITS) - 1);
    let row = |row: &Row<'_>| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?));
    let found = conn.prepare_cached(sql)?.query_row((first, last), row).optional()?;
    Ok(found.map(|(id, closing)| {
        let after = id & ((1 << MINUTE_BITS) - 1);
        let start = utc.div_euclid(SECOND_US) + after - MINUTE_S - (closing >> ACTIVITY_BITS);
        Last {
            start: Utc::from_micros(start.saturating_mul(SECOND_US)),
            closed_us: mono.saturating_add(after * SECOND_US),
        }
    }))
}

/// The newest totals of a run's channel, and their date.
fn newest_day(conn: &Connection, boot: i64, channel: i64) -> Result<Option<(DayTotal, String)>> {
    let sql = "SELECT date, mono_us, began_mono_us, energy_wh, available_wh, irradiation_wh_m2, peak_w, \
               tracking_s, sweeping_s, sweep_missed_wh, covered_s, missing_s, gaps FROM day \
               WHERE boot = ?1 AND channel = ?2 AND began_mono_us >= 0 ORDER BY mono_us DESC LIMIT 1";
    let instant = |micros: i64| Instant::ZERO + time(micros);
    let day = |row: &Row<'_>| {
        let number = |index: usize| row.get::<_, Option<f64>>(index);
        let span = |index: usize| -> Result<Duration> {
            Ok(Duration::try_from_secs_f64(row.get(index)?).unwrap_or_default())
        };
        let total = DayTotal {
            began: instant(row.get(2)?),
            at: Stamp { mono: instant(row.get(1)?), ..Stamp::default() },
            energy: WattHours(number(3)?.unwrap_or(f64::NAN)),
            available: number(4)?.map(WattHours),
            irradiation: Irradiation(number(5)?.unwrap_or(f64::NAN)),
            peak: Watts(number(6)?.unwrap_or_default()),
            tracking: span(7)?,
            sweeping: span(8)?,
            sweep_missed: WattHours(number(9)?.unwrap_or_default()),
            covered: span(10)?,
            missing: span(11)?,
            gaps: row.get(12)?,
            ..DayTotal::default()
        };
        Ok((total, row.get(0)?))
    };
    conn.prepare_cached(sql)?.query_row((boot, channel), day).optional()
}
