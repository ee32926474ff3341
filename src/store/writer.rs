//! The writer thread: it owns the [`Log`] and lives through everything the disk does.
//!
//! Model: entries are gathered in memory and committed together when the commit interval has passed
//! or [`BATCH`] entries are at hand; only after the commit are they let go. When anything fails, all
//! of them stay and are tried again, so that an error costs at most what no longer fits: then the
//! queue fills up and the handles do what they promise. Where they go to, and when a file is given
//! up for a fresh one, is the business of [`Files`].

use super::book::{Book, Opened};
use super::error::StoreError;
use super::log::{Log, Note, Rows};
use super::queue::{Entry, POCKET_LENGTH, QUEUE_LENGTH, Shared, Status, WriterHandle};
use crate::control::record::Severity;
use std::collections::VecDeque;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

mod by_hand;
mod files;
mod thinning;

pub use by_hand::ByHand;
use files::Files;

/// Entries in one transaction at most: 4096 take a few milliseconds, and bound the memory.
const BATCH: usize = 4096;

/// Longest sleep of the thread (s): how late it notices that it is to end, and its heartbeat.
const TURN: Duration = Duration::from_millis(100);

/// Wait after a failed transaction (s): long enough not to hammer a sick disk.
const RETRY: Duration = Duration::from_secs(1);

/// The same where no file is open (s): opening one is more work, and may wait for a lock.
const OPEN_RETRY: Duration = Duration::from_secs(10);

/// How long [`Writer::finish`] goes on trying (s): less than a service manager waits before it
/// kills (90 s is common), more than another program's short lock.
const FINISH_PATIENCE: Duration = Duration::from_secs(10);

/// Time between two lines about one lasting trouble (s).
const COMPLAINT: Duration = Duration::from_secs(60);

/// What came of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Totals {
    /// Rows on the disk.
    pub rows: Rows,
    /// Samples left out because the queue was full.
    pub left_out: u64,
    /// Records lost otherwise: [`Status::lost`].
    pub lost: u64,
    /// Records the database refused.
    pub refused: u64,
}

/// The writer: ends with [`Writer::finish`]. One that is dropped instead saves what it has in the
/// background, if the process lives long enough.
#[derive(Debug)]
pub struct Writer {
    handle: WriterHandle,
    end: End,
}

/// Who saves what is left.
#[derive(Debug)]
enum End {
    /// The thread, until it was waited for.
    Thread(Option<JoinHandle<Result<Rows, StoreError>>>),
    Hand(Arc<Mutex<Keeper>>),
}

impl Writer {
    /// Starts the thread that owns `log`.
    ///
    /// # Errors
    /// [`StoreError::NoWriter`] where the system gives no thread.
    pub fn start(log: Log) -> Result<Self, StoreError> {
        Self::with_thread(Files::new(log, None))
    }

    /// Starts the thread that owns the log that was opened and may change to other files of `book`.
    ///
    /// # Errors
    /// As [`Writer::start`].
    pub fn start_with(opened: Opened, book: Book) -> Result<Self, StoreError> {
        Self::with_thread(Files::of(opened, book))
    }

    fn with_thread(files: Files) -> Result<Self, StoreError> {
        let (handle, keeper) = keeper(files, Instant::now);
        let path = handle.shared.path.clone();
        let thread = thread::Builder::new()
            .name("log writer".to_owned())
            .spawn(move || keeper.run())
            .map_err(|error| StoreError::NoWriter { path, why: error.to_string() })?;
        Ok(Self { handle, end: End::Thread(Some(thread)) })
    }

    /// A way into the log.
    #[must_use]
    pub fn handle(&self) -> WriterHandle {
        self.handle.clone()
    }

    /// How the log is doing.
    #[must_use]
    pub fn status(&self) -> Status {
        self.handle.status()
    }

    /// Saves everything offered so far, empties the write-ahead log, closes the file.
    ///
    /// # Errors
    /// The last error where saving did not succeed within ten seconds.
    pub fn finish(mut self) -> Result<Totals, StoreError> {
        self.handle.shared.stop.store(true, Ordering::Release);
        let ended = match &mut self.end {
            End::Thread(thread) => thread.take().map(JoinHandle::join),
            End::Hand(keeper) => Some(Ok(by_hand::end(keeper))),
        };
        let mut late = VecDeque::new();
        self.handle.shared.empty_pocket(&mut late);
        self.handle.shared.lose(late.len() as u64);
        let gone = |why: &str| StoreError::NoWriter {
            path: self.handle.shared.path.clone(),
            why: why.to_owned(),
        };
        let rows = match ended {
            Some(Ok(ended)) => ended?,
            Some(Err(_)) => return Err(gone("it panicked")),
            None => return Err(gone("it was never started")),
        };
        let status = self.status();
        let Status { left_out, lost, refused, .. } = status;
        Ok(Totals { rows, left_out, lost, refused })
    }
}

impl Drop for Writer {
    fn drop(&mut self) {
        self.handle.shared.stop.store(true, Ordering::Release);
    }
}

/// A keeper of `files` that goes by the clock `now`, and a way in.
fn keeper(files: Files, now: fn() -> Instant) -> (WriterHandle, Keeper) {
    let (queue, entries): (SyncSender<Entry>, _) = sync_channel(QUEUE_LENGTH);
    let shared = Arc::new(Shared::new(files.path().to_path_buf(), now()));
    let keeper = Keeper {
        files,
        entries,
        shared: Arc::clone(&shared),
        kept: VecDeque::with_capacity(BATCH + POCKET_LENGTH),
        now,
        flushed: now(),
        retry: None,
        trouble: None,
    };
    (WriterHandle { queue, shared }, keeper)
}

/// A trouble that lasts: since when, and when it was last complained of.
#[derive(Clone, Copy, Debug)]
struct Trouble {
    since: Instant,
    said: Instant,
}

/// The thread's state.
#[derive(Debug)]
struct Keeper {
    files: Files,
    entries: Receiver<Entry>,
    shared: Arc<Shared>,
    /// Entries not yet known to be on the disk.
    kept: VecDeque<Entry>,
    /// Its clock.
    now: fn() -> Instant,
    flushed: Instant,
    retry: Option<Instant>,
    trouble: Option<Trouble>,
}

impl Keeper {
    fn run(mut self) -> Result<Rows, StoreError> {
        let mut deadline = None;
        loop {
            let stopping = self.shared.stop.load(Ordering::Acquire);
            let drained = self.gather(stopping);
            let now = (self.now)();
            let outcome = self.turn(drained, stopping);
            if stopping {
                let deadline = *deadline.get_or_insert(now + FINISH_PATIENCE);
                if drained && self.kept.is_empty() {
                    return self.files.close();
                }
                if let Err(error) = outcome
                    && (self.now)() >= deadline
                {
                    self.shared.lose(self.kept.len() as u64);
                    return Err(error);
                }
            }
        }
    }

    /// Commits if that is due; `drained` where the queue was found empty.
    fn turn(&mut self, drained: bool, stopping: bool) -> Result<(), StoreError> {
        let now = (self.now)();
        if drained && self.kept.len() < BATCH && self.due(now, stopping) {
            self.shared.empty_pocket(&mut self.kept);
        }
        let outcome = if self.due(now, stopping) { self.flush() } else { Ok(()) };
        self.shared.turned((self.now)(), self.kept.len());
        outcome
    }

    /// Takes what the queue holds, as far as there is room; tells whether it is empty now.
    fn gather(&mut self, stopping: bool) -> bool {
        if self.kept.len() >= BATCH {
            // Only a failing disk leaves no room: wait for its next try.
            thread::sleep(TURN);
            return false;
        }
        if !stopping || self.retry.is_some() {
            match self.entries.recv_timeout(self.patience()) {
                Ok(entry) => self.kept.push_back(entry),
                Err(RecvTimeoutError::Timeout) => return true,
                Err(RecvTimeoutError::Disconnected) => {
                    self.shared.stop.store(true, Ordering::Release);
                    thread::sleep(if self.retry.is_some() { TURN } else { Duration::ZERO });
                    return true;
                }
            }
        }
        self.take_queue()
    }

    /// Takes what the queue holds now, as far as there is room; tells whether it is empty then.
    fn take_queue(&mut self) -> bool {
        while self.kept.len() < BATCH {
            match self.entries.try_recv() {
                Ok(entry) => self.kept.push_back(entry),
                Err(_) => return true,
            }
        }
        false
    }

    /// How long to sleep: until the next commit is due, a turn at most.
    fn patience(&self) -> Duration {
        let next = self.retry.unwrap_or(self.flushed + self.files.commit_interval());
        next.saturating_duration_since((self.now)()).min(TURN)
    }

    fn due(&self, now: Instant, stopping: bool) -> bool {
        match self.retry {
            Some(at) => now >= at,
            None => {
                stopping
                    || self.kept.len() >= BATCH
                    || now.saturating_duration_since(self.flushed) >= self.files.commit_interval()
            }
        }
    }

    /// Commits all that is kept; lets it go only when that is on the disk.
    fn flush(&mut self) -> Result<(), StoreError> {
        self.tell_losses();
        self.files.notes().iter().for_each(|note| self.shared.remember(note.clone()));
        let outcome = self.files.commit(&self.kept);
        let now = (self.now)();
        self.flushed = now;
        match outcome {
            Ok(refused) => {
                self.kept.clear();
                self.retry = None;
                self.shared.committed(now, self.files.rows(), refused);
                if let Some(trouble) = self.trouble.take() {
                    self.tell_trouble(now.saturating_duration_since(trouble.since));
                }
                if let Some(error) = self.files.tend(now) {
                    self.shared.failed(error);
                }
                Ok(())
            }
            Err(error) => {
                self.retry = Some(now + if self.files.is_open() { RETRY } else { OPEN_RETRY });
                self.shared.failed(error.to_string());
                self.complain(now, &error);
                let lasted = self.trouble.map(|it| now.saturating_duration_since(it.since));
                self.files.leave_if_hopeless(&error, lasted.unwrap_or_default());
                Err(error)
            }
        }
    }

    /// Puts an event of ours behind what is kept.
    fn tell(&mut self, note: Note) {
        self.shared.remember(note.clone());
        self.kept.push_back(Entry::Note(note));
    }

    /// Puts an event about records that even the side pocket had no room for behind what is kept.
    fn tell_losses(&mut self) {
        let (Some(count), Some(at)) = (self.shared.untold(), self.kept.back().map(Entry::at))
        else {
            return;
        };
        let text = format!(
            "{count} minutes, totals or events were lost: the log could not be written for so \
             long that the memory kept for them was full"
        );
        let detail = Some(format!(r#"{{"count":{count}}}"#));
        let (severity, code) = (Severity::Alarm, "records-lost");
        self.tell(Note { channel: None, at, severity, code, text, detail });
    }

    /// Says that a trouble is over, in the log's next commit.
    fn tell_trouble(&mut self, lasted: Duration) {
        let lasted = lasted.as_secs_f64();
        tracing::info!("log written again after {lasted:.1} s");
        let text = format!(
            "the log could not be written for {lasted:.1} s; its records waited in memory meanwhile"
        );
        let detail = Some(format!(r#"{{"lasted_s":{lasted:.1}}}"#));
        let (severity, code, at) = (Severity::Warning, "log-written-again", self.files.at());
        self.tell(Note { channel: None, at, severity, code, text, detail });
    }

    /// One line when a trouble begins, then one a minute.
    fn complain(&mut self, now: Instant, error: &StoreError) {
        let trouble = self.trouble;
        let quiet = trouble.is_some_and(|t| now.saturating_duration_since(t.said) < COMPLAINT);
        if !quiet {
            tracing::error!("{error}; {} entries wait", self.kept.len());
            let since = trouble.map_or(now, |trouble| trouble.since);
            self.trouble = Some(Trouble { since, said: now });
        }
    }
}
