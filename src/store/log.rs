//! The one writer connection: records in, rows out, one commit per commit interval.
//!
//! Model: a log with a tail (the field) gathers rows in memory; [`Log::commit`] appends them to the
//! tail and syncs it, so that a commit told is a commit kept, and [`Log::pack`] moves what the tail
//! holds into the tables, in one transaction. A log without a tail (rehearsals, whose days pass in
//! seconds, and commissioning) writes rows at once into an open transaction, which a commit closes.
//! Either way a power cut loses what was not committed, and no more. Statements are prepared once
//! and looked up by their text; holding them in the struct would need it to borrow from itself.
//!
//! Rejected: a transaction of the database per commit, which writes whole pages for two rows.

use super::boot;
use super::error::StoreError;
use super::op::Op;
use super::open;
use super::pack::{Keys, Packer};
use super::rebuild;
use super::recovery;
use super::results::{self, Appraise, StatedRow};
use super::rows::{self, EventRow};
use super::sensors::{self, SensorFacts};
use super::tail::{Tail, TailFile, tail_path};
use crate::control::DaySplit;
use crate::control::record::{ChannelId, Event, Happening, Record, Severity};
use crate::quantities::WattHours;
use crate::sensors::SensorMinute;
use crate::time::{Instant, Stamp, Utc};
use rusqlite::types::Value;
use rusqlite::{Connection, TransactionBehavior};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Time from one commit to the next (s): what a power cut can cost, and 43 200 syncs a day of some
/// tens of bytes each, which a flash card stands for years.
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
    /// Where its days begin.
    pub day: DaySplit,
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

impl Note {
    /// An event in words, without its details.
    pub(super) fn of(event: &Event) -> Self {
        let Event { channel, at, what } = event;
        let (severity, code, text) = (what.severity(), what.code(), what.to_string());
        Self { channel: *channel, at: *at, severity, code, text, detail: None }
    }
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
    /// These and those.
    #[must_use]
    pub const fn plus(&self, other: Self) -> Self {
        Self {
            samples: self.samples + other.samples,
            minutes: self.minutes + other.minutes,
            days: self.days + other.days,
            events: self.events + other.events,
            curve_points: self.curve_points + other.curve_points,
            curves: self.curves + other.curves,
        }
    }

    /// All kinds together.
    #[must_use]
    pub const fn all(&self) -> u64 {
        self.samples + self.minutes + self.days + self.events + self.curve_points + self.curves
    }
}

/// A channel's energy of a day, as far as runs before this one made it.
#[derive(Clone, Debug, PartialEq)]
pub struct DayBefore {
    /// Which channel.
    pub channel: ChannelId,
    /// The day, ISO 8601.
    pub date: String,
    /// Energy delivered (Wh).
    pub energy: WattHours,
}

/// What is known of the runs before this one.
#[derive(Clone, Debug, Default)]
pub(super) struct Before {
    /// When the last one wrote its last row, if it has no end.
    broke_off: Option<Utc>,
    /// The time of the newest row, as far as it is told by events.
    newest: Option<Utc>,
    /// The energy of the newest days.
    days: Vec<DayBefore>,
}

/// How the tail of a log is opened, given the log's path.
pub type OpenTail<'a> = &'a dyn Fn(&Path) -> Result<Box<dyn TailFile>, StoreError>;

/// Rows on their way through the tail.
#[derive(Debug)]
struct Tailed {
    tail: Tail,
    /// Not committed yet.
    fresh: Vec<Op>,
    /// Committed, and not in the tables yet.
    waiting: Vec<Op>,
}

/// The log, open for its one writer.
///
/// Contract: calls come from one thread; after an error other than a refusal everything since the
/// last commit has to be written again.
#[derive(Debug)]
pub struct Log {
    conn: Connection,
    path: PathBuf,
    packer: Packer,
    began: Stamp,
    day: DaySplit,
    /// The month that the file was begun in, where somebody asked.
    month: String,
    before: Before,
    channels: Vec<i64>,
    /// The sensors' numbers, in the order of `SensorId`.
    sensors: Vec<i64>,
    /// Offset of the wall clock from the monotonic one (us), as last written.
    offset: Option<i64>,
    interval: Duration,
    committed_at: Option<Instant>,
    open: Rows,
    kept: Rows,
    tailed: Option<Tailed>,
    /// What file and tail are to the system, where they could be looked at.
    place: [Option<u64>; 2],
    /// Rows that the tables refused when they were packed.
    refused: u64,
}

impl Log {
    /// Opens or makes the log at `path`, without a tail, and writes the boot and the channels. What
    /// an earlier run left in a tail is packed first.
    ///
    /// # Errors
    /// A file that is not ours, is newer, is being written, or can't be written: nothing is changed.
    pub fn open(path: &Path, facts: &OpenFacts) -> Result<Self, StoreError> {
        let mut conn = open::for_writing(path)?;
        if tail_path(path).exists() {
            recovery::take_over(&mut conn, path)?;
        }
        rebuild::mend(&conn, path, Some(facts.began.utc))?;
        Self::begin(conn, path, facts)
    }

    /// Opens or makes the log at `path` with a tail that `tail` opens; else as [`Log::open`].
    ///
    /// # Errors
    /// As [`Log::open`].
    pub fn open_with_tail(
        path: &Path,
        facts: &OpenFacts,
        tail: OpenTail<'_>,
    ) -> Result<Self, StoreError> {
        let mut conn = open::for_writing(path)?;
        let mut tail = Tail::new(tail(path)?);
        let (generation, stray) = recovery::pack_left(&mut conn, path, &mut tail)?;
        rebuild::mend(&conn, path, Some(facts.began.utc))?;
        let began = facts.began.utc.as_micros();
        let generation = recovery::unused(&conn, path, generation, began)?;
        let mut log = Self::begin(conn, path, facts)?;
        tail.begin(generation + 1, log.boot(), began);
        log.tailed = Some(Tailed { tail, fresh: Vec::new(), waiting: Vec::new() });
        log.place = log.place_now();
        if let Some(stray) = stray {
            log.note(&Note {
                channel: None,
                at: facts.began,
                severity: Severity::Alarm,
                code: "tail-set-aside",
                text: stray.to_string(),
                detail: None,
            })?;
        }
        Ok(log)
    }

    fn place_now(&self) -> [Option<u64>; 2] {
        use std::os::unix::fs::MetadataExt as _;
        [self.path.clone(), tail_path(&self.path)].map(|path| path.metadata().ok().map(|m| m.ino()))
    }

    /// Whether file and tail are still where they were when it was opened.
    pub(super) fn is_in_place(&self) -> bool {
        let now = self.place_now();
        self.place.iter().zip(now).all(|(was, is)| was.is_none() || *was == is)
    }

    fn begin(mut conn: Connection, path: &Path, facts: &OpenFacts) -> Result<Self, StoreError> {
        let broke_off = boot::broken_off(&conn)
            .map_err(|error| StoreError::from_sqlite(path, "looking at the last run", error))?;
        let newest = boot::newest_event(&conn)
            .map_err(|error| StoreError::from_sqlite(path, "looking at the last run", error))?;
        let (boot, channels) = boot::begin_boot(&mut conn, facts)
            .map_err(|error| StoreError::from_sqlite(path, "writing the boot", error))?;
        let days = boot::days_before(&conn, boot, &channels)
            .map_err(|error| StoreError::from_sqlite(path, "looking at the last days", error))?;
        Ok(Self {
            conn,
            path: path.to_path_buf(),
            month: String::new(),
            packer: Packer::new(boot, channels.clone()),
            began: facts.began,
            day: facts.day,
            before: Before { broke_off, newest: newest.max(broke_off), days },
            channels,
            sensors: Vec::new(),
            offset: None,
            interval: COMMIT_INTERVAL,
            committed_at: None,
            open: Rows::default(),
            kept: Rows::default(),
            tailed: None,
            place: [None; 2],
            refused: 0,
        })
    }

    /// Takes over what `other`, which can't be written any more, has committed and not packed, and
    /// tells so in `note`: one transaction, by which the next start knows that the other's tail must
    /// not be packed besides.
    pub(super) fn adopt(&mut self, other: &mut Self, note: &Note) -> Result<(), StoreError> {
        let (Some(mine), Some(theirs)) = (&mut self.tailed, &mut other.tailed) else {
            self.note(note)?;
            return self.commit();
        };
        let (channels, sensors) =
            ((&other.channels, &self.channels), (&other.sensors, &self.sensors));
        let mut ops = Vec::with_capacity(theirs.waiting.len() + 1);
        for op in &theirs.waiting {
            let mut op = op.clone();
            let (from, to) = if op.is_of_sensor() { sensors } else { channels };
            if let Some(Value::Integer(number)) = op.values.first_mut() {
                let index = from.iter().position(|known| known == number);
                *number = index.and_then(|index| to.get(index)).copied().unwrap_or(*number);
            }
            ops.push(op);
        }
        let taken = recovery::Taken::of(&other.path, &theirs.tail).to_json();
        ops.push(rows::event(&EventRow {
            channel: None,
            at: note.at,
            severity: note.severity.word(),
            code: note.code,
            text: &note.text,
            detail: Some(&taken),
        }));
        let generation = mine.tail.generation();
        let place = (&self.conn, self.path.as_path());
        match recovery::pack(place, &mut self.packer, &ops, generation) {
            Ok(refused) => self.refused += refused,
            Err(error) => {
                self.packer.forget();
                return Err(error);
            }
        }
        mine.tail.packed();
        theirs.waiting.clear();
        theirs.tail.packed();
        self.kept.events += 1;
        Ok(())
    }

    /// The same log, which tells the month that its file was begun in: `month`, if it is new.
    pub(super) fn with_month(mut self, month: &str) -> Result<Self, StoreError> {
        self.month = boot::month(&self.conn, month)
            .map_err(|error| StoreError::from_sqlite(&self.path, "naming its month", error))?;
        Ok(self)
    }

    /// The month in which a run's file was begun is learnt only now; that of a file which earlier runs
    /// began stays.
    ///
    /// # Errors
    /// What SQLite reports.
    pub(super) fn learn_month(&mut self, month: &str) -> Result<(), StoreError> {
        if self.boot() == 1 && self.month != month {
            boot::learn_month(&self.conn, month)
                .map_err(|error| StoreError::from_sqlite(&self.path, "naming its month", error))?;
            month.clone_into(&mut self.month);
        }
        Ok(())
    }

    /// The same log beside the current one, which goes on in `month`: it has no other file for that.
    pub(super) fn going_on_in(mut self, month: &str) -> Result<Self, StoreError> {
        if self.month.as_str() < month {
            boot::learn_month(&self.conn, month)
                .map_err(|error| StoreError::from_sqlite(&self.path, "naming its month", error))?;
            month.clone_into(&mut self.month);
        }
        Ok(self)
    }

    /// The month that the file was begun in, as `2026-06`.
    pub(super) fn month(&self) -> &str {
        &self.month
    }

    /// Writes what the station's sensors are, in the order of `SensorId`.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn enrol_sensors(&mut self, at: Stamp, all: &[SensorFacts]) -> Result<(), StoreError> {
        let boot = self.boot();
        let fail = |error| StoreError::from_sqlite(&self.path, "writing the sensors", error);
        let begin = TransactionBehavior::Immediate;
        let transaction = self.conn.transaction_with_behavior(begin).map_err(fail)?;
        let enrol = |facts| sensors::enrol(&transaction, boot, at, facts);
        self.sensors = all.iter().map(enrol).collect::<rusqlite::Result<_>>().map_err(fail)?;
        transaction.commit().map_err(fail)
    }

    /// Writes what is known of each channel's instruments, in the order of [`ChannelId`].
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn state(&mut self, all: &[Vec<StatedRow>]) -> Result<(), StoreError> {
        let boot = self.boot();
        let fail = |error| StoreError::from_sqlite(&self.path, "writing what is stated", error);
        let begin = TransactionBehavior::Immediate;
        let transaction = self.conn.transaction_with_behavior(begin).map_err(fail)?;
        for (&channel, rows) in self.channels.iter().zip(all) {
            results::state(&transaction, Keys { boot, channel }, rows).map_err(fail)?;
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
    pub fn with_appraisal(mut self, appraise: Appraise) -> Self {
        self.packer.appraise = Some(appraise);
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
        self.packer.boot
    }

    /// When the run began.
    #[must_use]
    pub const fn began(&self) -> Stamp {
        self.began
    }

    /// What its file told of the runs before.
    pub(super) fn before(&self) -> Before {
        self.before.clone()
    }

    /// The same behind another file, which told of the runs before.
    pub(super) fn after(self, before: Before) -> Self {
        Self { before, ..self }
    }

    /// When the last run before this boot wrote its last row, if it broke off without an end.
    #[must_use]
    pub const fn broke_off(&self) -> Option<Utc> {
        self.before.broke_off
    }

    /// The time of the newest event or, where the last run broke off, row before this boot: it can't
    /// have begun earlier.
    #[must_use]
    pub const fn newest_before(&self) -> Option<Utc> {
        self.before.newest
    }

    /// The channels' energy of the newest days of the file, as runs before this boot made it.
    #[must_use]
    pub fn days_before(&self) -> &[DayBefore] {
        &self.before.days
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

    /// Rows written and not committed.
    #[must_use]
    pub const fn open_rows(&self) -> u64 {
        self.open.all()
    }

    /// Rows committed and not in the tables yet.
    #[must_use]
    pub fn waiting_rows(&self) -> usize {
        self.tailed.as_ref().map_or(0, |tailed| tailed.waiting.len())
    }

    /// Rows that the tables refused when they were packed.
    #[must_use]
    pub const fn refused(&self) -> u64 {
        self.refused
    }

    /// Writes one record, which the next commit keeps.
    ///
    /// # Errors
    /// [`StoreError::Refused`] leaves the others as they were; after any other error everything
    /// since the last commit is gone.
    pub fn write(&mut self, record: &Record) -> Result<(), StoreError> {
        let (channel, at) = match record {
            Record::Sample(s) => (Some(s.channel), s.at),
            Record::Minute(m) => (Some(m.channel), m.at),
            Record::Day(d) => (Some(d.channel), d.at),
            Record::Event(e) => (e.channel, e.at),
            Record::CurvePoint(p) => (Some(p.channel), p.at),
            Record::Curve(c) => (Some(c.channel), c.at),
        };
        let known = channel.map(|channel| self.channel(channel)).transpose()?;
        // Only events may lack a channel.
        let channel = known.unwrap_or_default();
        let (op, count): (_, fn(&mut Rows) -> &mut u64) = match record {
            Record::Sample(s) => (rows::sample(channel, s), |rows| &mut rows.samples),
            Record::Minute(m) => (rows::minute(channel, m), |rows| &mut rows.minutes),
            Record::Day(d) => (rows::day(channel, d), |rows| &mut rows.days),
            Record::Event(e) => (rows::happening(known, e), |rows| &mut rows.events),
            Record::CurvePoint(p) => (rows::curve_point(channel, p), |rows| &mut rows.curve_points),
            Record::Curve(c) => (rows::curve(channel, c), |rows| &mut rows.curves),
        };
        self.take(at, op)?;
        if let Record::Event(Event {
            what: Happening::ClockSet { by, corrects: Some(since) },
            ..
        }) = record
        {
            self.keep(rows::correction(at, (*since, *by)))?;
        }
        if let Record::Event(Event { what: Happening::WithoutRun { from, until }, .. }) = record
            && let Some(channel) = known
        {
            self.keep(rows::absent(channel, at, (*from, *until), self.day.day_of(*from)))?;
        }
        *count(&mut self.open) += 1;
        Ok(())
    }

    /// Writes an event of the shell, which the next commit keeps.
    ///
    /// # Errors
    /// As [`Log::write`].
    pub fn note(&mut self, note: &Note) -> Result<(), StoreError> {
        let channel = note.channel.map(|channel| self.channel(channel)).transpose()?;
        let row = EventRow {
            channel,
            at: note.at,
            severity: note.severity.word(),
            code: note.code,
            text: &note.text,
            detail: note.detail.as_deref(),
        };
        self.take(note.at, rows::event(&row))?;
        self.open.events += 1;
        Ok(())
    }

    /// Writes a sensor's minute, which the next commit keeps.
    ///
    /// # Errors
    /// As [`Log::write`].
    pub fn sensor_minute(&mut self, minute: &SensorMinute) -> Result<(), StoreError> {
        let known = self.sensors.get(usize::from(minute.sensor.0)).copied();
        let sensor = known.ok_or_else(|| StoreError::Refused {
            path: self.path.clone(),
            why: format!("sensor {} of {} was not enrolled", minute.sensor.0, self.sensors.len()),
        })?;
        self.take(minute.at, rows::sensor_minute(sensor, minute))?;
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

    /// Commits what was written: it is on the disk when this returns.
    ///
    /// # Errors
    /// What the system or SQLite reports; everything since the last commit is then gone.
    pub fn commit(&mut self) -> Result<(), StoreError> {
        let done = match &mut self.tailed {
            Some(tailed) if tailed.fresh.is_empty() => Ok(()),
            Some(tailed) => tailed.tail.append(&tailed.fresh).map_err(|error| {
                StoreError::from_io(&self.path, "appending to the -tail file", &error)
            }),
            None => commit(&self.conn, &self.path),
        };
        if let Err(error) = done {
            self.roll_back();
            return Err(error);
        }
        if let Some(tailed) = &mut self.tailed {
            tailed.waiting.append(&mut tailed.fresh);
        }
        self.kept = self.kept.plus(self.open);
        self.open = Rows::default();
        Ok(())
    }

    /// Moves what the tail holds into the tables. Nothing is lost where it fails: the tail keeps it.
    ///
    /// # Errors
    /// What SQLite reports.
    pub fn pack(&mut self) -> Result<(), StoreError> {
        let Some(tailed) = &mut self.tailed else { return Ok(()) };
        if tailed.waiting.is_empty() {
            return Ok(());
        }
        let generation = tailed.tail.generation();
        let place = (&self.conn, self.path.as_path());
        match recovery::pack(place, &mut self.packer, &tailed.waiting, generation) {
            Ok(refused) => {
                self.refused += refused;
                tailed.waiting.clear();
                tailed.tail.packed();
                Ok(())
            }
            Err(error) => {
                self.packer.forget();
                Err(error)
            }
        }
    }

    /// Gives up what was written since the last commit.
    pub fn roll_back(&mut self) {
        if let Some(tailed) = &mut self.tailed {
            tailed.fresh.clear();
        }
        if !self.conn.is_autocommit() {
            // A failing ROLLBACK means SQLite has already rolled back by itself.
            let _ = self.conn.execute_batch("ROLLBACK");
            self.packer.forget();
        }
        self.open = Rows::default();
        self.offset = None; // its row may be among those given up
    }

    /// Commits, packs, and closes the file.
    ///
    /// # Errors
    /// What the system or SQLite reports. What could not be packed stays in the tail, and the next
    /// start takes it up.
    pub fn finish(mut self) -> Result<Rows, StoreError> {
        self.commit()?;
        match self.pack() {
            Ok(()) => {
                if let Some(tailed) = &mut self.tailed {
                    tailed.tail.remove();
                }
            }
            Err(error) => tracing::warn!(
                "{error}; the last {} rows stay in the -tail file, and whoever opens the log next \
                 takes them up",
                self.waiting_rows()
            ),
        }
        let rows = self.kept;
        let path = self.path;
        open::tidy(&self.conn);
        self.conn.close().map_err(|(_, error)| StoreError::from_sqlite(&path, "closing", error))?;
        Ok(rows)
    }

    fn channel(&self, channel: ChannelId) -> Result<i64, StoreError> {
        self.channels.get(usize::from(channel.0)).copied().ok_or_else(|| StoreError::Refused {
            path: self.path.clone(),
            why: format!("channel {} of {} is not in the station", channel.0, self.channels.len()),
        })
    }

    /// Takes a row, and before it a step of the wall clock.
    fn take(&mut self, at: Stamp, op: Op) -> Result<(), StoreError> {
        let (mono, utc) = rows::clocks(at);
        let offset = utc.saturating_sub(mono);
        let stepped =
            self.offset.is_none_or(|was| was.abs_diff(offset) >= CLOCK_STEP.unsigned_abs());
        if stepped {
            self.keep(rows::clock(at))?;
            self.offset = Some(offset);
        }
        self.keep(op)
    }

    fn keep(&mut self, op: Op) -> Result<(), StoreError> {
        if let Some(tailed) = &mut self.tailed {
            tailed.fresh.push(op);
            return Ok(());
        }
        if self.conn.is_autocommit() {
            let done = self.conn.prepare_cached("BEGIN IMMEDIATE").and_then(|mut s| s.execute([]));
            done.map_err(|error| {
                self.roll_back();
                StoreError::from_sqlite(&self.path, "beginning a transaction", error)
            })?;
        }
        // Only a refusal leaves the transaction open.
        self.packer.write(&self.conn, &op).map_err(|error| {
            let error = StoreError::from_sqlite(&self.path, "writing a record", error);
            if !error.is_refusal() {
                self.roll_back();
            }
            error
        })
    }
}

/// Commits the open transaction, if there is one, and syncs it to the disk.
pub(super) fn commit(conn: &Connection, path: &Path) -> Result<(), StoreError> {
    if conn.is_autocommit() {
        return Ok(());
    }
    let done = conn.prepare_cached("COMMIT").and_then(|mut s| s.execute([]));
    done.map(|_| ()).map_err(|error| StoreError::from_sqlite(path, "committing", error))
}
