//! Recordings of what the channels heard and did, on a thread of their own.
//!
//! Model: the tasks put words into a bounded queue that was allocated at the start, and never wait;
//! the thread makes lines of them and appends those to a file for each channel. Whatever goes wrong
//! here ends a recording and nothing else. When the queue is full, words are left out: what follows
//! can't be understood, so the recording is closed with a line that says so, in its place. The same
//! when the stated room is used up or the disk refuses. Each of these is told to the log.
//!
//! Rejected: the log as the place (its rows are thinned out and rounded to what people read); beginning
//! a new recording after a loss (the channel is in the middle of something that only its past tells);
//! syncing every second as the log does (a power cut costs at most what the system had not written
//! yet, some 30 s, and the log has what matters).

mod file;

use crate::control::record::ChannelId;
use crate::recording::{Listener, Word};
use crate::station::Station;
use file::File;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// Words the queue holds: the longest list of a sweep comes at once, four words for each of 2000
/// points; and each channel's words of ten seconds at ten turns a second. At some 300 bytes a word
/// that is 3 MB for four channels and 20 MB at most, taken once at the start, and only where recordings
/// are wanted.
const QUEUE_LENGTH: usize = 8192;
const QUEUE_LENGTH_EACH: usize = 1024;
const LONGEST_QUEUE: usize = 65_536;

/// How often what was written is given to the system (s): what a kill costs.
const FLUSH_EVERY: Duration = Duration::from_secs(1);

/// How long the end of a run waits for the disk (s), as it does for the log.
const PATIENCE: Duration = Duration::from_secs(10);

/// Something that the log should know of a recording.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct News {
    pub(super) channel: ChannelId,
    /// Whether the recording has ended before the run.
    pub(super) ended: bool,
    pub(super) text: String,
}

/// How a recording is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct State {
    /// Its file; none where none could be begun.
    pub(super) file: Option<PathBuf>,
    /// What was given to the system of it (bytes).
    pub(super) bytes: u64,
    /// Why it ended before the run, if it did.
    pub(super) ended: Option<String>,
}

/// How the recordings of a run are, for those who ask.
#[derive(Clone, Debug)]
pub(super) struct Seen(Arc<Shared>);

impl Seen {
    /// In the channels' order; none where a channel's is not wanted.
    pub(super) fn states(&self) -> Vec<Option<State>> {
        self.0.states.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[derive(Debug)]
struct Shared {
    /// By channel: whether nobody takes its words any more, and how many inputs could not be kept.
    over: Vec<AtomicBool>,
    lost: Vec<AtomicU64>,
    /// How each recording is; none where none is wanted.
    states: Mutex<Vec<Option<State>>>,
    /// Whether the run came to its end.
    ended: AtomicBool,
    news: Mutex<Vec<News>>,
}

impl Shared {
    fn new(channels: usize) -> Self {
        Self {
            over: (0..channels).map(|_| AtomicBool::new(false)).collect(),
            lost: (0..channels).map(|_| AtomicU64::new(0)).collect(),
            states: Mutex::new(vec![None; channels]),
            ended: AtomicBool::new(false),
            news: Mutex::default(),
        }
    }

    fn news(&self) -> Vec<News> {
        std::mem::take(&mut *self.news.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn with_state(&self, index: usize, what: impl FnOnce(&mut State)) {
        let mut states = self.states.lock().unwrap_or_else(PoisonError::into_inner);
        let none = || State { file: None, bytes: 0, ended: None };
        what(states[index].get_or_insert_with(none));
    }

    fn tell(&self, index: usize, ended: bool, text: String) {
        let channel = ChannelId(u16::try_from(index).unwrap_or_default());
        self.over[index].fetch_or(ended, Ordering::Relaxed);
        if ended {
            self.with_state(index, |state| state.ended = Some(text.clone()));
        }
        let mut news = self.news.lock().unwrap_or_else(PoisonError::into_inner);
        news.push(News { channel, ended, text });
    }
}

/// A word and whose it is.
type Told = (usize, Word);

/// The recordings of a run. Dropped without [`Recorder::finish`], as by a harness that kills its run, it
/// leaves them without an end.
#[derive(Debug)]
pub(super) struct Recorder {
    /// None once nothing more is to come.
    queue: Option<SyncSender<Told>>,
    shared: Arc<Shared>,
    thread: JoinHandle<()>,
    waits: bool,
}

impl Recorder {
    /// Begins recordings of the channels of `station` that are `driven`; `waits` for a harness in
    /// virtual time, in which hours of words come within a second. None where none are wanted, or the
    /// system gives no thread.
    pub(super) fn start(
        station: &Station,
        driven: impl Fn(ChannelId) -> bool,
        waits: bool,
    ) -> Option<Self> {
        let spec = station.recording.as_ref()?;
        let count = station.channels.len();
        let shared = Arc::new(Shared::new(count));
        let mut files: Vec<Option<File>> = Vec::with_capacity(count);
        for (index, channel) in station.channels.iter().enumerate() {
            let begun = driven(channel.control.id).then(|| File::begin(spec, station, channel));
            files.push(match begun {
                None => None,
                Some(Ok(file)) => {
                    shared.with_state(index, |state| {
                        (state.file, state.bytes) = (Some(file.path().to_owned()), file.written());
                    });
                    let path = file.path().display();
                    shared.tell(
                        index,
                        false,
                        format!("what it hears and does is recorded: {path}"),
                    );
                    Some(file)
                }
                Some(Err(why)) => {
                    shared.tell(index, true, why);
                    None
                }
            });
        }
        let length = (QUEUE_LENGTH + QUEUE_LENGTH_EACH * count).min(LONGEST_QUEUE);
        let (queue, words) = sync_channel(length);
        let keeper = Keeper { files, shared: Arc::clone(&shared), flushed: Instant::now() };
        let started =
            thread::Builder::new().name("recorder".to_owned()).spawn(move || keeper.run(&words));
        match started {
            Ok(thread) => Some(Self { queue: Some(queue), shared, thread, waits }),
            Err(why) => {
                tracing::warn!("the system gives no thread for recordings ({why}): there are none");
                None
            }
        }
    }

    /// Whoever listens to the `index`-th channel.
    pub(super) fn ear(&self, index: usize) -> Option<Ear> {
        let (queue, shared) = (self.queue.clone()?, Arc::clone(&self.shared));
        Some(Ear { index, queue, shared, waits: self.waits })
    }

    /// How the recordings are, for those who ask.
    pub(super) fn seen(&self) -> Seen {
        Seen(Arc::clone(&self.shared))
    }

    /// What the log should know since the last call.
    pub(super) fn news(&self) -> Vec<News> {
        self.shared.news()
    }

    /// Waits until all is written, once no ear is left; for a while.
    pub(super) fn finish(self) -> Vec<News> {
        self.shared.ended.store(true, Ordering::Relaxed);
        let shared = Arc::clone(&self.shared);
        drop(self);
        shared.news()
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.queue = None;
        let began = Instant::now();
        while !self.thread.is_finished() && began.elapsed() < PATIENCE {
            thread::sleep(Duration::from_millis(1));
        }
    }
}

/// Takes one channel's words to the recorder.
#[derive(Debug)]
pub(super) struct Ear {
    index: usize,
    queue: SyncSender<Told>,
    shared: Arc<Shared>,
    waits: bool,
}

impl Listener for Ear {
    fn hear(&mut self, word: Word) {
        let over = &self.shared.over[self.index];
        if over.load(Ordering::Relaxed) {
            return;
        }
        let lost = &self.shared.lost[self.index];
        if lost.load(Ordering::Relaxed) > 0 {
            let more = u64::from(matches!(word, Word::Heard(..)));
            let all = lost.fetch_add(more, Ordering::Relaxed) + more;
            if self.queue.try_send((self.index, Word::Lost(all))).is_ok() {
                over.store(true, Ordering::Relaxed);
            }
            return;
        }
        if self.waits {
            // Without a recorder there is nothing to wait for.
            let _ = self.queue.send((self.index, word));
            return;
        }
        match self.queue.try_send((self.index, word)) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => lost.store(1, Ordering::Relaxed),
            Err(TrySendError::Disconnected(_)) => over.store(true, Ordering::Relaxed),
        }
    }
}

/// The thread's own.
struct Keeper {
    files: Vec<Option<File>>,
    shared: Arc<Shared>,
    flushed: Instant,
}

impl Keeper {
    fn run(mut self, words: &Receiver<Told>) {
        loop {
            match words.recv_timeout(FLUSH_EVERY) {
                Ok((index, word)) => self.take(index, &word),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            if self.flushed.elapsed() >= FLUSH_EVERY {
                self.flushed = Instant::now();
                for index in 0..self.files.len() {
                    self.with(index, File::flush);
                    if let Some(file) = &self.files[index] {
                        self.shared.with_state(index, |state| state.bytes = file.written());
                    }
                }
            }
        }
        let ended = self.shared.ended.load(Ordering::Relaxed);
        for index in 0..self.files.len() {
            let lost = self.shared.lost[index].load(Ordering::Relaxed);
            self.with(index, |file| match lost {
                0 if ended => file.end(),
                0 => file.flush(),
                // The queue was full to the end.
                lost => file.take(&Word::Lost(lost)),
            });
        }
    }

    fn take(&mut self, index: usize, word: &Word) {
        self.with(index, |file| file.take(word));
    }

    /// Does something with a file; one that is over is closed, and told.
    fn with(&mut self, index: usize, what: impl FnOnce(&mut File) -> Result<(), String>) {
        if let Some(file) = &mut self.files[index]
            && let Err(why) = what(file)
        {
            self.files[index] = None;
            self.shared.tell(index, true, why);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::Input;
    use crate::station::RecordingSpec;
    use crate::time::{Instant, Stamp, Utc};

    fn heard(second: u64) -> Word {
        let at = Stamp { mono: Instant::from_nanos(second), utc: Utc::default() };
        Word::Heard(at, Input::Wake)
    }

    /// A disk that hangs: nobody waits for it, and where words are missing it says so, once, and how
    /// many inputs.
    #[test]
    fn a_full_queue_makes_nobody_wait_and_is_told() {
        let (queue, words) = sync_channel(3);
        let shared = Arc::new(Shared::new(1));
        let mut ear = Ear { index: 0, queue, shared, waits: false };
        (0..7).for_each(|second| ear.hear(heard(second)));
        ear.hear(Word::SweepAsked);
        let kept: Vec<Word> = words.try_iter().map(|(_, word)| word).collect();
        assert_eq!(kept, [heard(0), heard(1), heard(2)]);
        // Three to six, and the one that now tells it.
        (7..20).for_each(|second| ear.hear(heard(second)));
        let kept: Vec<Word> = words.try_iter().map(|(_, word)| word).collect();
        assert_eq!(kept, [Word::Lost(5)]);
    }

    /// A disk that hangs until the run is over: the recording does not look whole.
    #[test]
    fn a_queue_that_was_full_to_the_end_is_told_in_the_file() {
        let scratch = tempfile::tempdir().unwrap();
        let text = Station::REHEARSAL;
        let mut station = Station::parse("yard.toml", text).unwrap();
        station.channels.truncate(1);
        let spec = RecordingSpec { folder: scratch.path().to_path_buf(), keep_bytes: 1_000_000 };
        let file = File::begin(&spec, &station, &station.channels[0]).unwrap();
        let path = file.path().to_path_buf();
        let (queue, words) = sync_channel(3);
        let shared = Arc::new(Shared::new(1));
        let mut ear = Ear { index: 0, queue, shared: Arc::clone(&shared), waits: false };
        (0..7).for_each(|second| ear.hear(heard(second)));
        drop(ear);
        shared.ended.store(true, Ordering::Relaxed);
        let flushed = std::time::Instant::now();
        Keeper { files: vec![Some(file)], shared: Arc::clone(&shared), flushed }.run(&words);
        let text = std::fs::read_to_string(path).unwrap();
        assert!(text.ends_with(" lost 4\n"), "{text}");
        assert!(matches!(&shared.news()[..], [News { ended: true, .. }]));
    }

    /// What the queue's length is reckoned with.
    #[test]
    fn a_word_is_as_long_as_said() {
        assert!(size_of::<Told>() <= 320, "{} bytes", size_of::<Told>());
    }
}
