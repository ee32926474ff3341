//! Which file the writer writes, and when it changes to another.
//!
//! Model: commits go to the tail of one file; when enough have gathered, and soon after news, they
//! are packed into its tables. When commits or packings fail for so long that it is no passing lock, a
//! fresh file beside it is begun, takes over what is committed and not packed, and says so in an
//! event; the old one is left as it is. A full disk is waited out: it has no room for another file. A file
//! that may not grow any further is left at once: a fresh one may.
//! Where no file can be opened at the start, each commit tries again, and memory holds the rest.
//! At the turn of a month the file is closed and named after its month.

use super::super::book::{self, Book, Opened};
use super::super::error::StoreError;
use super::super::log::{Log, Note, Rows};
use super::super::queue::Entry;
use super::super::rows;
use super::thinning::Thinning;
use crate::control::record::{Happening, Severity};
use crate::time::Stamp;
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Rows that make a packing worth it: it touches ten pages beside those that it fills, and so many
/// rows fill forty. One channel at one sample a second gives them in a quarter of an hour; a plain
/// SQLite shell sees the log so late.
const PACK_WORTH: usize = 900;
/// Time from one packing to the next at the latest (s), as at night.
const PACK_LATEST: Duration = Duration::from_secs(3600);
/// Time from one packing to the next after an event or a curve (s): whoever waits to see it waits so long, and a flicker of
/// events still shares packings.
const NEWS_INTERVAL: Duration = Duration::from_secs(5);
/// Rows that may wait while packings fail: a person's lock is waited out until then, which one
/// channel at one sample a second stands for 16 hours. They take some 30 MB.
const WAITING_MAX: usize = 60_000;
/// Wait after a failed packing (s).
const PACK_RETRY: Duration = Duration::from_secs(10);
/// How many times the patience with commits packings are given that fail for another reason than a
/// lock: nothing is at stake meanwhile.
const PACK_PATIENCE: u32 = 3;

/// The files of the running log.
#[derive(Debug)]
pub(super) struct Files {
    /// The one that is written; none where it could not be opened again.
    log: Option<Log>,
    path: PathBuf,
    book: Option<Book>,
    /// Why none could be opened at the start, as long as none has been.
    late: Option<StoreError>,
    /// Rows in files that were closed.
    closed: Rows,
    packed: Option<Instant>,
    news: bool,
    pack_retry: Option<Instant>,
    pack_trouble: Option<Instant>,
    /// What is wrong with packing, as long as it is.
    pack_error: Option<String>,
    /// What was committed last, for the times of events of ours.
    at: Stamp,
    /// Events of ours for the next commit.
    notes: Vec<Note>,
    thinning: Thinning,
}

impl Files {
    /// The files of `book`, beginning with the one that was opened, or with the first that can be.
    pub(super) fn of(opened: Opened, book: Book) -> Self {
        let (from, began) = (book.path.clone(), book.facts.began);
        match opened {
            Opened { log: Some(log), instead } => {
                let mut files = Self::new(log, Some(book));
                if let Some(error) = instead {
                    files.notes.push(moved_note(files.at, &from, &files.path, &error));
                }
                files
            }
            Opened { log: None, instead } => {
                Self { late: instead, ..Self::begun(None, (from, began), Some(book)) }
            }
        }
    }

    pub(super) fn new(log: Log, book: Option<Book>) -> Self {
        let place = (log.path().to_path_buf(), log.began());
        Self::begun(Some(log), place, book)
    }

    fn begun(log: Option<Log>, (path, at): (PathBuf, Stamp), book: Option<Book>) -> Self {
        let thinning = Thinning::after(log.as_ref().and_then(Log::newest_before), at);
        Self {
            log,
            path,
            book,
            late: None,
            closed: Rows::default(),
            packed: None,
            news: true,
            pack_retry: None,
            pack_trouble: None,
            pack_error: None,
            at,
            notes: Vec::new(),
            thinning,
        }
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// When what was committed last happened.
    pub(super) const fn at(&self) -> Stamp {
        self.at
    }

    /// Events of ours for the next commit.
    pub(super) fn notes(&self) -> &[Note] {
        &self.notes
    }

    pub(super) const fn is_open(&self) -> bool {
        self.log.is_some()
    }

    pub(super) fn commit_interval(&self) -> Duration {
        self.log.as_ref().map_or(super::super::COMMIT_INTERVAL, Log::commit_interval)
    }

    pub(super) fn rows(&self) -> Rows {
        self.log.as_ref().map_or(self.closed, |log| self.closed.plus(log.rows()))
    }

    /// Writes the entries and commits; tells how many were refused.
    pub(super) fn commit(&mut self, entries: &VecDeque<Entry>) -> Result<u64, StoreError> {
        let corrects = entries.iter().any(Entry::corrects);
        if let Some(last) = entries.back() {
            self.at = last.at();
            // What is put right lies in the file that is open.
            if !corrects {
                self.turn_month()?;
            }
        }
        // Opening it may have something to say, too.
        let before = self.log()?.refused();
        let notes = std::mem::take(&mut self.notes);
        let log = self.log()?;
        let done = write_all(log, entries, &notes);
        match done {
            Ok(refused) => {
                self.news |= !notes.is_empty() || entries.iter().any(Entry::is_news);
                if corrects {
                    let month = book::month(self.at.utc);
                    self.log()?.learn_month(&month)?;
                }
                Ok(refused + before.abs_diff(self.log()?.refused()))
            }
            Err(error) => {
                self.notes = notes;
                if let Some(log) = &mut self.log {
                    log.roll_back();
                }
                Err(error)
            }
        }
    }

    /// Packs when it is due; answers what is wrong.
    pub(super) fn tend(&mut self, now: Instant) -> Option<String> {
        if let Some(book) = &self.book {
            self.notes.append(&mut self.thinning.tend(book, self.at));
        }
        if self.pack_retry.is_none_or(|at| now >= at)
            && self.log.as_ref().is_some_and(|log| !log.is_in_place())
        {
            self.pack_retry = Some(now + PACK_RETRY);
            let path = self.path.clone();
            self.leave(&StoreError::Gone { path });
        }
        if !self.due(now) {
            return self.pack_error.clone();
        }
        let log = self.log.as_mut()?;
        match log.pack() {
            Ok(()) => {
                self.packed = Some(now);
                self.news = false;
                (self.pack_retry, self.pack_trouble, self.pack_error) = (None, None, None);
                None
            }
            Err(error) => {
                self.pack_retry = Some(now + PACK_RETRY);
                self.pack_error = Some(error.to_string());
                let since = *self.pack_trouble.get_or_insert_with(|| {
                    tracing::error!("{error}; nothing is lost, the -tail file keeps it");
                    now
                });
                let patience =
                    self.book.as_ref().map_or(Duration::MAX / PACK_PATIENCE, |b| b.patience);
                let waits = log.waiting_rows();
                let lock = matches!(error, StoreError::Busy { .. });
                let patient = lock
                    || !matches!(error, StoreError::TooLarge { .. })
                        && now.saturating_duration_since(since) < patience * PACK_PATIENCE;
                if (!patient || waits > WAITING_MAX) && !matches!(error, StoreError::Full { .. }) {
                    self.leave(&error);
                }
                self.pack_error.clone()
            }
        }
    }

    fn due(&self, now: Instant) -> bool {
        if let Some(at) = self.pack_retry {
            return now >= at;
        }
        let waits = self.log.as_ref().map_or(0, Log::waiting_rows);
        let since = self.packed.map_or(PACK_LATEST, |at| now.saturating_duration_since(at));
        waits >= PACK_WORTH || since >= PACK_LATEST || self.news && since >= NEWS_INTERVAL
    }

    /// After commits have failed for so long: begins a fresh file where that is long.
    pub(super) fn leave_if_hopeless(&mut self, error: &StoreError, lasted: Duration) {
        let Some(patience) = self.book.as_ref().map(|book| book.patience) else { return };
        let hopeless = match error {
            StoreError::Full { .. } => false,
            StoreError::TooLarge { .. } => true,
            _ => lasted >= patience,
        };
        if hopeless {
            self.leave(error);
        }
    }

    /// Leaves the file as it is and begins a fresh one beside it.
    fn leave(&mut self, error: &StoreError) {
        let Some(book) = &self.book else { return };
        let mut fresh = match book.fresh() {
            Ok(fresh) => fresh,
            Err(error) => return tracing::error!("no fresh log beside the old one: {error}"),
        };
        let note = moved_note(self.at, &self.path, fresh.path(), error);
        if let Some(old) = &mut self.log {
            if let Err(error) = fresh.adopt(old, &note) {
                return tracing::error!("no fresh log beside the old one: {error}");
            }
            self.closed = self.closed.plus(old.rows());
        } else {
            self.notes.push(note);
        }
        tracing::error!("{error}; from here on records go to {}", fresh.path().display());
        self.path = fresh.path().to_path_buf();
        self.log = Some(fresh);
        (self.pack_retry, self.pack_trouble, self.pack_error) = (None, None, None);
    }

    /// Begins a new file where the newest entry lies in a later month than the file's.
    fn turn_month(&mut self) -> Result<(), StoreError> {
        let (Some(book), Some(log)) = (&self.book, &mut self.log) else { return Ok(()) };
        if !book.monthly || log.month() >= book::month(self.at.utc).as_str() {
            return Ok(());
        }
        // What can't be packed now is not carried over the turn; the next commit tries again.
        if log.commit().and_then(|()| log.pack()).is_err() {
            return Ok(());
        }
        if let Some(old) = self.log.take() {
            self.closed = self.closed.plus(old.rows());
            if old.path() == book.path {
                let name = book::archive(old)?;
                tracing::info!("the month is over: {}", name.display());
            } else {
                old.finish()?;
            }
        }
        self.log().map(|_| ())
    }

    /// The log, opened again where there is none.
    fn log(&mut self) -> Result<&mut Log, StoreError> {
        if self.log.is_none() {
            let gone = || StoreError::NoWriter {
                path: self.path.clone(),
                why: "its file was closed".to_owned(),
            };
            let mut book = self.book.clone().ok_or_else(gone)?;
            book.turn(self.at);
            let opened = book.open()?;
            if let Some(error) = opened.instead {
                let to = opened.log.as_ref().map_or(book.path.as_path(), Log::path);
                self.notes.push(moved_note(self.at, &book.path, to, &error));
            }
            let Some(log) = opened.log else { return Err(gone()) };
            self.path = log.path().to_path_buf();
            self.welcome(&log);
            self.log = Some(log);
        }
        self.log.as_mut().ok_or_else(|| StoreError::NoWriter {
            path: self.path.clone(),
            why: "its file was closed".to_owned(),
        })
    }

    /// Says what was to be said at the start, where `log` is the first that could be opened.
    fn welcome(&mut self, log: &Log) {
        let Some(error) = self.late.take() else { return };
        let began = log.began();
        self.thinning = Thinning::after(log.newest_before(), began);
        self.notes.push(Note {
            channel: None,
            at: began,
            severity: Severity::Alarm,
            code: "log-late",
            text: format!(
                "the log could not be opened at the start ({error}); the run went on, and what \
                 memory held of it is kept"
            ),
            detail: None,
        });
        if let Some(last) = log.broke_off() {
            let what = Happening::LastRunBrokeOff { last };
            self.notes.push(Note {
                channel: None,
                at: began,
                severity: what.severity(),
                code: what.code(),
                text: what.to_string(),
                detail: rows::detail(&what),
            });
        }
    }

    pub(super) fn close(&mut self) -> Result<Rows, StoreError> {
        if !self.notes.is_empty() {
            self.commit(&VecDeque::new())?;
        }
        let closed = self.closed;
        match self.log.take() {
            Some(log) => log.finish().map(|rows| closed.plus(rows)),
            None => Ok(closed),
        }
    }
}

fn write_all(log: &mut Log, entries: &VecDeque<Entry>, notes: &[Note]) -> Result<u64, StoreError> {
    let mut refused = 0;
    let outcomes = notes.iter().map(Wanted::Note).chain(entries.iter().map(Wanted::Entry));
    for wanted in outcomes {
        let outcome = match wanted {
            Wanted::Note(note) | Wanted::Entry(Entry::Note(note)) => log.note(note),
            Wanted::Entry(Entry::Record(record)) => log.write(record),
            Wanted::Entry(Entry::SensorMinute(minute)) => log.sensor_minute(minute),
        };
        match outcome {
            Err(error) if error.is_refusal() => {
                if refused == 0 {
                    tracing::error!("{error}");
                }
                refused += 1;
            }
            other => other?,
        }
    }
    log.commit()?;
    Ok(refused)
}

enum Wanted<'a> {
    Note(&'a Note),
    Entry(&'a Entry),
}

/// Says that records go elsewhere.
fn moved_note(at: Stamp, from: &Path, to: &Path, error: &StoreError) -> Note {
    Note {
        channel: None,
        at,
        severity: Severity::Alarm,
        code: "log-moved",
        text: format!(
            "{} could not be written ({error}); records go to {} from here on",
            from.display(),
            to.display()
        ),
        detail: None,
    }
}
