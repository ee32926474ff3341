//! The one writer connection: records in, rows out, one transaction per commit interval.
//!
//! Model: the first row after a commit opens a transaction, [`Log::commit_if_due`] closes it. The
//! file is then synced (WAL, `synchronous=FULL`), so that a commit told is a commit kept. What is
//! lost in a power cut is the open transaction, no more. Statements are prepared once and looked
//! up by their text; holding them in the struct would need it to borrow from itself.
//!
//! Rejected: a transaction per row (8.5 kB written to the device for each, measured) and
//! `synchronous=NORMAL`, which can lose a whole checkpoint interval.

use super::error::StoreError;
use super::open;
use super::reader::CurvePointRow;
use super::results::{self, Appraise, CurveResult, StatedRow};
use super::rows::{self, EventRow, Keys};
use super::sensors::{self, SensorFacts};
use crate::control::record::{ChannelId, Curve, Happening, Record, Severity};
use crate::sensors::SensorMinute;
use crate::time::{Instant, Stamp, Utc};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Time from one commit to the next (s): what a power cut can cost, and 43 200 syncs a day, which
/// at some 8 kB each a flash card stands for years.
pub const COMMIT_INTERVAL: Duration = Duration::from_secs(2);

/// Change of the offset between the clocks that counts as a step (us): above what slewing and
/// crystal drift do between two rows, below what matters for finding rows by time.
const CLOCK_STEP: i64 = 1_000_000;

/// What a channel is, as the log tells it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChannelFacts {
    /// Name, which keeps its number in the log for ever.
    pub name: String,
    /// Kind of device, in words.
    pub device: String,
    /// Tracker and its settings, in words.
    pub tracker: String,
}

/// What a run is, written when the log is opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenFacts {
    /// When, on both clocks.
    pub began: Stamp,
    /// Version of the program.
    pub version: String,
    /// Name of the station.
    pub station: String,
    /// Tells one station file from another.
    pub fingerprint: String,
    /// Seed of the embedded plant; none in the field.
    pub seed: Option<u64>,
    /// What the operator says about the run.
    pub note: Option<String>,
    /// The channels in the order of [`ChannelId`].
    pub channels: Vec<ChannelFacts>,
}

/// An event made by the shell, in free words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// Which channel; none for the station itself.
    pub channel: Option<ChannelId>,
    /// When.
    pub at: Stamp,
    /// How much it asks of a person.
    pub severity: Severity,
    /// A short stable code, for filters.
    pub code: &'static str,
    /// What happened, a sentence.
    pub text: String,
    /// More about it.
    pub detail: Option<String>,
}

/// How many rows of each kind.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Rows {
    /// Samples.
    pub samples: u64,
    /// One-minute records, those of sensors included.
    pub minutes: u64,
    /// Day totals, each writing counted.
    pub days: u64,
    /// Events.
    pub events: u64,
    /// Points of I-V curves.
    pub curve_points: u64,
    /// I-V curves that ended.
    pub curves: u64,
}

impl Rows {
    /// All kinds together.
    #[must_use]
    pub const fn all(&self) -> u64 {
        self.samples + self.minutes + self.days + self.events + self.curve_points + self.curves
    }
}

/// The log, open for its one writer.
///
/// Contract: calls come from one thread; after an error other than a refusal the open transaction
/// is gone and everything since the last commit has to be written again.
#[derive(Debug)]
pub struct Log {
    conn: Connection,
    path: PathBuf,
    boot: i64,
    /// When the run before wrote its last row, if it has no end.
    broke_off: Option<Utc>,
    channels: Vec<i64>,
    /// The sensors' numbers, in the order of `SensorId`.
    sensors: Vec<i64>,
    /// Offset of the wall clock from the monotonic one (us), as last written.
    offset: Option<i64>,
    interval: Duration,
    committed_at: Option<Instant>,
    open: Rows,
    kept: Rows,
    appraise: Option<Appraise>,
}

impl Log {
    /// Opens or makes the log at `path` and writes the boot and the channels.
    ///
    /// # Errors
    /// A file that is not ours, is newer, or can't be written: nothing is changed.
    pub fn open(path: &Path, facts: &OpenFacts) -> Result<Self, StoreError> {
        let mut conn = open::for_writing(path)?;
        let broke_off = broken_off(&conn)
            .map_err(|error| StoreError::from_sqlite(path, "looking at the last run", error))?;
        let (boot, channels) = begin_boot(&mut conn, facts)
            .map_err(|error| StoreError::from_sqlite(path, "writing the boot", error))?;
        Ok(Self {
            conn,
            path: path.to_path_buf(),
            boot,
            broke_off,
            channels,
            sensors: Vec::new(),
            offset: None,
            interval: COMMIT_INTERVAL,
            committed_at: None,
            open: Rows::default(),
            kept: Rows::default(),
            appraise: None,
        })
    }

    /// Writes what the station's sensors are, in the order of `SensorId`.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn enrol_sensors(&mut self, at: Stamp, all: &[SensorFacts]) -> Result<(), StoreError> {
        let fail = |error| StoreError::from_sqlite(&self.path, "writing the sensors", error);
        let begin = TransactionBehavior::Immediate;
        let transaction = self.conn.transaction_with_behavior(begin).map_err(fail)?;
        let enrol = |facts| sensors::enrol(&transaction, self.boot, at, facts);
        self.sensors = all.iter().map(enrol).collect::<rusqlite::Result<_>>().map_err(fail)?;
        transaction.commit().map_err(fail)
    }

    /// Writes what is known of each channel's instruments, in the order of [`ChannelId`].
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn state(&mut self, all: &[Vec<StatedRow>]) -> Result<(), StoreError> {
        let fail = |error| StoreError::from_sqlite(&self.path, "writing what is stated", error);
        let begin = TransactionBehavior::Immediate;
        let transaction = self.conn.transaction_with_behavior(begin).map_err(fail)?;
        for (&channel, rows) in self.channels.iter().zip(all) {
            results::state(&transaction, Keys { boot: self.boot, channel }, rows).map_err(fail)?;
        }
        transaction.commit().map_err(fail)
    }

    /// The same log with another time from one commit to the next than [`COMMIT_INTERVAL`].
    #[must_use]
    pub const fn with_commit_interval(mut self, interval: Duration) -> Self {
        self.interval = interval;
        self
    }

    /// The same log that has whole curves looked at and writes what they say beside them.
    #[must_use]
    pub fn with_appraisal(
        mut self,
        appraise: impl Fn(&Curve, &[CurvePointRow]) -> CurveResult + Send + 'static,
    ) -> Self {
        self.appraise = Some(Appraise(Box::new(appraise)));
        self
    }

    /// Time from one commit to the next.
    #[must_use]
    pub const fn commit_interval(&self) -> Duration {
        self.interval
    }

    /// Number of this boot, from 1.
    #[must_use]
    pub const fn boot(&self) -> i64 {
        self.boot
    }

    /// When the last run before this boot wrote its last row, if it broke off without an end.
    #[must_use]
    pub const fn broke_off(&self) -> Option<Utc> {
        self.broke_off
    }

    /// Where the log is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Rows committed by this log since it was opened.
    #[must_use]
    pub const fn rows(&self) -> Rows {
        self.kept
    }

    /// Rows in the open transaction.
    #[must_use]
    pub const fn open_rows(&self) -> u64 {
        self.open.all()
    }

    /// Writes one record into the open transaction.
    ///
    /// # Errors
    /// [`StoreError::Refused`] leaves the transaction as it was; after any other error the
    /// transaction is gone.
    pub fn write(&mut self, record: &Record) -> Result<(), StoreError> {
        let (channel, at) = match record {
            Record::Sample(s) => (Some(s.channel), s.at),
            Record::Minute(m) => (Some(m.channel), m.at),
            Record::Day(d) => (Some(d.channel), d.at),
            Record::Event(e) => (e.channel, e.at),
            Record::CurvePoint(p) => (Some(p.channel), p.at),
            Record::Curve(c) => (Some(c.channel), c.at),
        };
        let channel = channel.map(|channel| self.channel(channel)).transpose()?;
        self.ready(at)?;
        // Only events may lack a channel; they don't use the keys.
        let keys = Keys { boot: self.boot, channel: channel.unwrap_or_default() };
        let done = match record {
            Record::Sample(s) => rows::insert_sample(&self.conn, keys, s),
            Record::Minute(m) => rows::insert_minute(&self.conn, keys, m),
            Record::Day(d) => rows::upsert_day(&self.conn, keys, d),
            Record::Event(e) => rows::insert_happening(&self.conn, self.boot, channel, e),
            Record::CurvePoint(p) => rows::insert_curve_point(&self.conn, keys, p),
            Record::Curve(c) => rows::insert_curve(&self.conn, keys, c).and_then(|()| {
                let look = self.appraise.as_ref();
                look.map_or(Ok(()), |look| results::appraise(&self.conn, keys, c, look))
            }),
        };
        self.settle("writing a record", done)?;
        match record {
            Record::Sample(_) => self.open.samples += 1,
            Record::Minute(_) => self.open.minutes += 1,
            Record::Day(_) => self.open.days += 1,
            Record::Event(_) => self.open.events += 1,
            Record::CurvePoint(_) => self.open.curve_points += 1,
            Record::Curve(_) => self.open.curves += 1,
        }
        Ok(())
    }

    /// Writes an event of the shell into the open transaction.
    ///
    /// # Errors
    /// As [`Log::write`].
    pub fn note(&mut self, note: &Note) -> Result<(), StoreError> {
        let channel = note.channel.map(|channel| self.channel(channel)).transpose()?;
        self.ready(note.at)?;
        let row = EventRow {
            boot: self.boot,
            channel,
            at: note.at,
            severity: note.severity.word(),
            code: note.code,
            text: &note.text,
            detail: note.detail.as_deref(),
        };
        let done = rows::insert_event(&self.conn, &row);
        self.settle("writing a note", done)?;
        self.open.events += 1;
        Ok(())
    }

    /// Writes a sensor's minute into the open transaction.
    ///
    /// # Errors
    /// As [`Log::write`].
    pub fn sensor_minute(&mut self, minute: &SensorMinute) -> Result<(), StoreError> {
        let known = self.sensors.get(usize::from(minute.sensor.0)).copied();
        let sensor = known.ok_or_else(|| StoreError::Refused {
            path: self.path.clone(),
            why: format!("sensor {} of {} was not enrolled", minute.sensor.0, self.sensors.len()),
        })?;
        self.ready(minute.at)?;
        let done = sensors::insert_minute(&self.conn, self.boot, sensor, minute);
        self.settle("writing a sensor's minute", done)?;
        self.open.minutes += 1;
        Ok(())
    }

    /// Commits when the commit interval has passed since the last commit; tells whether it did.
    ///
    /// # Errors
    /// As [`Log::commit`].
    pub fn commit_if_due(&mut self, now: Instant) -> Result<bool, StoreError> {
        let since = *self.committed_at.get_or_insert(now);
        if now.saturating_since(since) < self.interval {
            return Ok(false);
        }
        self.commit()?;
        self.committed_at = Some(now);
        Ok(true)
    }

    /// Commits the open transaction and syncs it to the disk.
    ///
    /// # Errors
    /// What SQLite reports; the transaction is then gone.
    pub fn commit(&mut self) -> Result<(), StoreError> {
        if !self.conn.is_autocommit() {
            let done = self.conn.prepare_cached("COMMIT").and_then(|mut s| s.execute([]));
            if let Err(error) = done {
                self.roll_back();
                return Err(StoreError::from_sqlite(&self.path, "committing", error));
            }
        }
        self.kept = self.with_open();
        self.open = Rows::default();
        Ok(())
    }

    /// Gives up the open transaction.
    pub fn roll_back(&mut self) {
        if !self.conn.is_autocommit() {
            // A failing ROLLBACK means SQLite has already rolled back by itself.
            let _ = self.conn.execute_batch("ROLLBACK");
        }
        self.open = Rows::default();
        self.offset = None; // its row may be among those given up
    }

    /// Commits, empties the write-ahead log into the file and closes it.
    ///
    /// # Errors
    /// What SQLite reports. A reader that delays the checkpoint is no error: nothing is lost by it.
    pub fn finish(mut self) -> Result<Rows, StoreError> {
        self.commit()?;
        let rows = self.kept;
        // Answers a row (busy, pages, pages moved) instead of failing when a reader is in the way.
        self.conn.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).map_err(
            |error| StoreError::from_sqlite(&self.path, "emptying the -wal file", error),
        )?;
        let path = self.path;
        self.conn.close().map_err(|(_, error)| StoreError::from_sqlite(&path, "closing", error))?;
        Ok(rows)
    }

    const fn with_open(&self) -> Rows {
        Rows {
            samples: self.kept.samples + self.open.samples,
            minutes: self.kept.minutes + self.open.minutes,
            days: self.kept.days + self.open.days,
            events: self.kept.events + self.open.events,
            curve_points: self.kept.curve_points + self.open.curve_points,
            curves: self.kept.curves + self.open.curves,
        }
    }

    fn channel(&self, channel: ChannelId) -> Result<i64, StoreError> {
        self.channels.get(usize::from(channel.0)).copied().ok_or_else(|| StoreError::Refused {
            path: self.path.clone(),
            why: format!("channel {} of {} is not in the station", channel.0, self.channels.len()),
        })
    }

    /// Opens the transaction and notes a step of the wall clock.
    fn ready(&mut self, at: Stamp) -> Result<(), StoreError> {
        if self.conn.is_autocommit() {
            let done = self.conn.prepare_cached("BEGIN IMMEDIATE").and_then(|mut s| s.execute([]));
            done.map_err(|error| {
                self.roll_back();
                StoreError::from_sqlite(&self.path, "beginning a transaction", error)
            })?;
        }
        let (mono, utc) = rows::clocks(at);
        let offset = utc.saturating_sub(mono);
        if self.offset.is_some_and(|was| was.abs_diff(offset) < CLOCK_STEP.unsigned_abs()) {
            return Ok(());
        }
        let done = insert_clock(&self.conn, self.boot, mono, utc);
        self.offset = Some(offset);
        self.settle("noting the clocks", done)
    }

    /// Puts an error into words; only a refusal leaves the transaction open.
    fn settle<T>(
        &mut self,
        doing: &'static str,
        done: rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        done.map_err(|error| {
            let error = StoreError::from_sqlite(&self.path, doing, error);
            if !error.is_refusal() {
                self.roll_back();
            }
            error
        })
    }
}

fn insert_clock(conn: &Connection, boot: i64, mono: i64, utc: i64) -> rusqlite::Result<()> {
    conn.prepare_cached("INSERT OR REPLACE INTO clock VALUES (?1, ?2, ?3)")?
        .execute((boot, mono, utc))?;
    Ok(())
}

/// When the last run wrote its last row, if it began but did not end. Boots that are no runs, as
/// those of commissioning, are passed over. Rows that must be looked up by time alone (minutes,
/// days) are not needed: each of them comes with samples or events.
fn broken_off(conn: &Connection) -> rusqlite::Result<Option<Utc>> {
    let (began, ended) = (Happening::RunBegan.code(), Happening::RunEnded.code());
    let newest = "SELECT boot FROM event WHERE code = ?1 ORDER BY id DESC LIMIT 1";
    let run: Option<i64> = conn.query_row(newest, [began], |row| row.get(0)).optional()?;
    let Some(run) = run else { return Ok(None) };
    conn.query_row(
        "SELECT max(coalesce((SELECT utc_us FROM event WHERE boot = ?1 ORDER BY id DESC LIMIT 1), 0), \
                    coalesce((SELECT utc_us FROM sample WHERE boot = ?1 \
                              ORDER BY mono_us DESC LIMIT 1), 0)) \
         WHERE NOT EXISTS (SELECT 1 FROM event WHERE boot = ?1 AND code = ?2)",
        (run, ended),
        |row| row.get(0),
    )
    .optional()
    .map(|last| last.map(Utc::from_micros))
}

/// Writes the boot and its channels; answers the boot's number and the channels' numbers.
fn begin_boot(conn: &mut Connection, facts: &OpenFacts) -> rusqlite::Result<(i64, Vec<i64>)> {
    let transaction = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let boot: i64 = transaction.query_row(
        "INSERT INTO boot SELECT coalesce(max(number), 0) + 1, ?1, ?2, ?3, ?4, ?5, ?6 FROM boot \
         RETURNING number",
        (
            facts.began.utc.as_micros(),
            &facts.version,
            &facts.station,
            &facts.fingerprint,
            facts.seed.map(|seed| seed.to_string()),
            &facts.note,
        ),
        |row| row.get(0),
    )?;
    let mut channels = Vec::with_capacity(facts.channels.len());
    for channel in &facts.channels {
        channels.push(enrol(&transaction, boot, facts.began, channel)?);
    }
    transaction.commit()?;
    Ok((boot, channels))
}

/// Finds or makes the row of a channel; a change of its words is an event, so that none gets lost.
fn enrol(conn: &Connection, boot: i64, at: Stamp, facts: &ChannelFacts) -> rusqlite::Result<i64> {
    let known: Option<(i64, String, String)> = conn
        .query_row(
            "SELECT id, device, tracker FROM channel WHERE name = ?1",
            [&facts.name],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )
        .optional()?;
    let id = conn.query_row(
        "INSERT INTO channel VALUES (NULL, ?1, ?2, ?3) \
         ON CONFLICT (name) DO UPDATE SET device = ?2, tracker = ?3 RETURNING id",
        (&facts.name, &facts.device, &facts.tracker),
        |row| row.get(0),
    )?;
    if let Some((_, device, tracker)) = known
        && (&device, &tracker) != (&facts.device, &facts.tracker)
    {
        let text = format!(
            "the channel changed: before {device}, {tracker}; now {}, {}",
            facts.device, facts.tracker
        );
        let row = EventRow {
            boot,
            channel: Some(id),
            at,
            severity: Severity::Note.word(),
            code: "channel-changed",
            text: &text,
            detail: None,
        };
        rows::insert_event(conn, &row)?;
    }
    Ok(id)
}
