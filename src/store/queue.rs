//! The way into the writer: a queue that never makes anybody wait, and what the writer tells back.
//!
//! Model: a bounded queue of entries. When it is full, samples (and points of curves, which are then
//! not whole) are left out and counted by channel; the few records that carry totals (minutes, days, events) go into a side pocket, and
//! the writer empties it as soon as it has caught up. Both are told: left-out samples by an event,
//! records that even the pocket had no room for by a counter in the [`Status`].
//!
//! Rejected: an unbounded queue (a dead disk would eat the memory and then the program), waiting
//! for room (a disk must never hold up a device at its crest).

use super::log::{Note, Rows};
use crate::control::record::{ChannelId, Event, Happening, Record};
use crate::sensors::SensorMinute;
use crate::time::Stamp;
use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Entries the queue holds: four channels at ten samples a second stand a disk that stalls for
/// 100 s; at some 300 bytes an entry that is 1.3 MB, taken once at the start.
pub const QUEUE_LENGTH: usize = 4096;

/// Records the side pocket holds: four channels' minutes and day totals of half an hour.
pub(super) const POCKET_LENGTH: usize = 256;

/// Events that are held for those who ask what happened last.
pub(super) const LATEST: usize = 8;

/// What goes through the queue.
#[derive(Clone, Debug)]
pub(super) enum Entry {
    Record(Record),
    Note(Note),
    SensorMinute(SensorMinute),
}

impl Entry {
    pub(super) fn at(&self) -> Stamp {
        match self {
            Self::Record(Record::Sample(s)) => s.at,
            Self::Record(Record::Minute(m)) => m.at,
            Self::Record(Record::Day(d)) => d.at,
            Self::Record(Record::Event(e)) => e.at,
            Self::Record(Record::CurvePoint(p)) => p.at,
            Self::Record(Record::Curve(c)) => c.at,
            Self::Note(note) => note.at,
            Self::SensorMinute(minute) => minute.at,
        }
    }

    /// Whether it puts right what was written before it.
    pub(super) const fn corrects(&self) -> bool {
        let Self::Record(Record::Event(Event { what, .. })) = self else { return false };
        matches!(what, Happening::ClockSet { corrects: Some(_), .. })
    }

    /// Whether somebody may be waiting to see it.
    pub(super) const fn is_news(&self) -> bool {
        matches!(self, Self::Record(Record::Event(_) | Record::Curve(_)) | Self::Note(_))
    }
}

/// Samples of one channel left out since last told.
#[derive(Clone, Copy, Debug)]
struct LeftOut {
    channel: ChannelId,
    count: u64,
    last: Stamp,
}

#[derive(Debug, Default)]
struct Pocket {
    entries: VecDeque<Entry>,
    left_out: Vec<LeftOut>,
}

/// What the writer thread last told.
#[derive(Debug)]
struct Report {
    rows: Rows,
    kept: usize,
    turn: Instant,
    commit: Option<Instant>,
    error: Option<String>,
}

/// How the log is doing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Status {
    /// Rows safely on the disk since the log was opened.
    pub rows: Rows,
    /// Entries waiting in the writer's memory for the next commit.
    pub waiting: usize,
    /// Samples left out because the queue was full.
    pub left_out: u64,
    /// Minutes, days and events lost because the side pocket was full too; any record offered
    /// after the writer ended, or still unsaved when it gave up.
    pub lost: u64,
    /// Records the database refused.
    pub refused: u64,
    /// Time since the last commit.
    pub commit_age: Option<Duration>,
    /// Time since the writer thread last came round; a growing one means that it hangs.
    pub turn_age: Duration,
    /// What is wrong now; none once a commit has succeeded again.
    pub error: Option<String>,
}

/// What both ends of the queue share.
#[derive(Debug)]
pub(super) struct Shared {
    pub(super) path: PathBuf,
    pub(super) stop: AtomicBool,
    pocket: Mutex<Pocket>,
    /// Whether the pocket holds entries, readable without its lock.
    pocketed: AtomicUsize,
    left_out: AtomicU64,
    lost: AtomicU64,
    /// How many of the lost have been told by an event.
    told: AtomicU64,
    refused: AtomicU64,
    report: Mutex<Report>,
    /// The last events, the oldest first; without their details.
    latest: Mutex<VecDeque<Note>>,
}

/// A lock whose holder can't have left nonsense behind: every hold is a few plain assignments.
fn hold<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Shared {
    pub(super) fn new(path: PathBuf, now: Instant) -> Self {
        let report =
            Report { rows: Rows::default(), kept: 0, turn: now, commit: None, error: None };
        Self {
            path,
            stop: AtomicBool::new(false),
            pocket: Mutex::default(),
            pocketed: AtomicUsize::new(0),
            left_out: AtomicU64::new(0),
            lost: AtomicU64::new(0),
            told: AtomicU64::new(0),
            refused: AtomicU64::new(0),
            report: Mutex::new(report),
            latest: Mutex::new(VecDeque::with_capacity(LATEST + 1)),
        }
    }

    /// Holds an event for those who ask; one that is held already is not held twice.
    pub(super) fn remember(&self, note: Note) {
        let note = Note { detail: None, ..note };
        let mut latest = hold(&self.latest);
        if latest.contains(&note) {
            return;
        }
        latest.push_back(note);
        if latest.len() > LATEST {
            latest.pop_front();
        }
    }

    pub(super) fn status(&self, now: Instant) -> Status {
        let report = hold(&self.report);
        Status {
            rows: report.rows,
            waiting: report.kept,
            left_out: self.left_out.load(Ordering::Relaxed),
            lost: self.lost.load(Ordering::Relaxed),
            refused: self.refused.load(Ordering::Relaxed),
            commit_age: report.commit.map(|at| now.saturating_duration_since(at)),
            turn_age: now.saturating_duration_since(report.turn),
            error: report.error.clone(),
        }
    }

    /// The writer came round, with so many entries in hand.
    pub(super) fn turned(&self, now: Instant, kept: usize) {
        let mut report = hold(&self.report);
        report.turn = now;
        report.kept = kept;
    }

    pub(super) fn committed(&self, now: Instant, rows: Rows, refused: u64) {
        self.refused.fetch_add(refused, Ordering::Relaxed);
        let mut report = hold(&self.report);
        report.rows = rows;
        report.commit = Some(now);
        report.error = None;
    }

    pub(super) fn failed(&self, error: String) {
        hold(&self.report).error = Some(error);
    }

    pub(super) fn lose(&self, count: u64) {
        self.lost.fetch_add(count, Ordering::Relaxed);
    }

    /// How many were lost since last asked; none where none was.
    pub(super) fn untold(&self) -> Option<u64> {
        let lost = self.lost.load(Ordering::Relaxed);
        let told = self.told.swap(lost, Ordering::Relaxed);
        (lost > told).then(|| lost - told)
    }

    /// Moves what the pocket holds to the end of `kept`, the left-out samples as events.
    pub(super) fn empty_pocket(&self, kept: &mut VecDeque<Entry>) {
        let mut pocket = hold(&self.pocket);
        kept.append(&mut pocket.entries);
        self.pocketed.store(0, Ordering::Release);
        kept.extend(pocket.left_out.drain(..).map(|left| {
            let what = Happening::SamplesLeftOut { count: left.count };
            let event = Event { channel: Some(left.channel), at: left.last, what };
            self.remember(Note::of(&event));
            Entry::Record(Record::Event(event))
        }));
    }

    fn pocket(&self, entry: Entry) {
        let mut pocket = hold(&self.pocket);
        if pocket.entries.len() < POCKET_LENGTH {
            pocket.entries.push_back(entry);
            self.pocketed.store(pocket.entries.len(), Ordering::Release);
        } else {
            self.lose(1);
        }
    }

    fn leave_out(&self, channel: ChannelId, at: Stamp) {
        self.left_out.fetch_add(1, Ordering::Relaxed);
        let mut pocket = hold(&self.pocket);
        match pocket.left_out.iter_mut().find(|left| left.channel == channel) {
            Some(left) => {
                left.count += 1;
                left.last = at;
            }
            None => pocket.left_out.push(LeftOut { channel, count: 1, last: at }),
        }
    }
}

/// A way into the log; clone it for as many channels as there are.
#[derive(Clone, Debug)]
pub struct WriterHandle {
    pub(super) queue: SyncSender<Entry>,
    pub(super) shared: Arc<Shared>,
}

impl WriterHandle {
    /// Hands a record to the writer and never waits: with a full queue a sample is left out and
    /// counted, any other record is put aside until there is room again.
    pub fn offer(&self, record: Record) {
        let (channel, at) = match record {
            Record::Sample(sample) => (sample.channel, sample.at),
            Record::CurvePoint(point) => (point.channel, point.at),
            Record::Event(event) => {
                self.shared.remember(Note::of(&event));
                return self.put(Entry::Record(record));
            }
            other => return self.put(Entry::Record(other)),
        };
        match self.queue.try_send(Entry::Record(record)) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => self.shared.leave_out(channel, at),
            Err(TrySendError::Disconnected(_)) => self.shared.lose(1),
        }
    }

    /// Hands an event in free words to the writer and never waits.
    pub fn note(&self, note: Note) {
        self.shared.remember(note.clone());
        self.put(Entry::Note(note));
    }

    /// Hands a sensor's minute to the writer and never waits.
    pub fn sensor_minute(&self, minute: SensorMinute) {
        self.put(Entry::SensorMinute(minute));
    }

    /// How the log is doing.
    #[must_use]
    pub fn status(&self) -> Status {
        self.shared.status(Instant::now())
    }

    /// The last events of the run, the oldest first, whether they are on the disk yet or not; without their
    /// details.
    #[must_use]
    pub fn latest(&self) -> Vec<Note> {
        hold(&self.shared.latest).iter().cloned().collect()
    }

    /// How many samples were left out because the queue was full; cheap.
    #[must_use]
    pub fn left_out(&self) -> u64 {
        self.shared.left_out.load(Ordering::Relaxed)
    }

    fn put(&self, entry: Entry) {
        // Behind others in the pocket, so that they keep their order.
        if self.shared.pocketed.load(Ordering::Acquire) > 0 {
            return self.shared.pocket(entry);
        }
        match self.queue.try_send(entry) {
            Ok(()) => {}
            Err(TrySendError::Full(entry)) => self.shared.pocket(entry),
            Err(TrySendError::Disconnected(_)) => self.shared.lose(1),
        }
    }
}
