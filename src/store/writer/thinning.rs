//! Thinning out in the background.
//!
//! Model: once an hour a thread of its own looks whether months can be thinned out, and ends. The
//! writer takes up what it did when it comes round, so that a slow disk holds up nothing.
//!
//! A clock that was set forward makes every month old. So after a step, and after a pause that is longer
//! than a visit, nothing is let go for its age until the clock has run on for a week: time for a person
//! to read the event, and nothing is lost by waiting.

use super::super::book::Book;
use super::super::log::Note;
use super::super::thin::{self, Thinned};
use crate::control::record::Severity;
use crate::time::{Instant, Stamp, Utc};
use std::thread::{self, JoinHandle};
use std::time::Duration;

/// Time from one look to the next (s): a month's file can wait an hour.
const EVERY: Duration = Duration::from_secs(3600);

/// Time between two events about files that stay too large, or can't be thinned out (s).
const COMPLAINT: Duration = Duration::from_secs(86_400);

/// How long (s) the clock must have run without a step, and how large a step or pause (s) matters.
const CALM: Duration = Duration::from_secs(7 * 86_400);
const LEAP: Duration = Duration::from_secs(7 * 86_400);

const BYTES_PER_MB: u64 = 1_000_000;

/// When the last look was, and the one that is under way.
#[derive(Debug, Default)]
pub(super) struct Thinning {
    last: Option<Instant>,
    /// When it was last said that the files are too large.
    complained: Option<Instant>,
    work: Option<JoinHandle<Vec<Thinned>>>,
    /// Both clocks when last looked at.
    seen: Option<Stamp>,
    /// No age counts before then.
    calm: Instant,
}

impl Thinning {
    /// For a run whose log's newest row is of `newest`, and which began at `began`.
    pub(super) fn after(newest: Option<Utc>, began: Stamp) -> Self {
        let leapt = newest.is_some_and(|newest| began.utc.saturating_since(newest) >= LEAP);
        let calm = if leapt { began.mono + CALM } else { Instant::ZERO };
        Self { seen: Some(began), calm, ..Self::default() }
    }

    /// Looks whether the wall clock was set forward.
    fn watch(&mut self, at: Stamp) {
        if let Some(seen) = self.seen.replace(at) {
            let ahead = at.offset_micros().saturating_sub(seen.offset_micros());
            if u128::try_from(ahead).is_ok_and(|ahead| ahead >= LEAP.as_micros()) {
                self.calm = at.mono + CALM;
            }
        }
    }

    /// Begins a look when it is time; answers what the one before did.
    pub(super) fn tend(&mut self, book: &Book, at: Stamp) -> Vec<Note> {
        self.watch(at);
        if self.work.as_ref().is_some_and(JoinHandle::is_finished) {
            let done = self.work.take().and_then(|work| work.join().ok()).unwrap_or_default();
            let due = |last: Instant| at.mono.saturating_since(last) >= COMPLAINT;
            let quiet = !self.complained.is_none_or(due);
            if done.iter().any(is_complaint) && !quiet {
                self.complained = Some(at.mono);
            }
            let told = done.into_iter().filter(|thinned| !(quiet && is_complaint(thinned)));
            return told.map(|thinned| note(&thinned, at)).collect();
        }
        let due = self.last.is_none_or(|last| at.mono.saturating_since(last) >= EVERY);
        if self.work.is_none() && due && thin::wanted(book) {
            self.last = Some(at.mono);
            let (mut keep, path, now) = (book.keep, book.path.clone(), at.utc);
            keep.samples = keep.samples.filter(|_| at.mono >= self.calm);
            let thread = thread::Builder::new().name("log thinning".to_owned());
            self.work = thread.spawn(move || keep.apply(&path, now)).ok();
        }
        Vec::new()
    }
}

const fn is_complaint(thinned: &Thinned) -> bool {
    matches!(thinned, Thinned::TooLarge { .. } | Thinned::Failed { .. })
}

fn note(thinned: &Thinned, at: Stamp) -> Note {
    let (severity, code, text) = match thinned {
        Thinned::Month { file, freed } => (
            Severity::Note,
            "samples-thinned",
            format!(
                "raw samples of {} were let go, which gave {} MB; minutes, curves and events stay",
                file.display(),
                freed / BYTES_PER_MB
            ),
        ),
        Thinned::TooLarge { size, bound } => (
            Severity::Alarm,
            "log-too-large",
            format!(
                "the log's files take {} MB, more than the {} MB they may, and no month with raw \
                 samples is left to thin out; carry months away, or allow more",
                size / BYTES_PER_MB,
                bound / BYTES_PER_MB
            ),
        ),
        Thinned::Failed { why } => (
            Severity::Warning,
            "thinning-failed",
            format!("a month could not be thinned out: {why}"),
        ),
    };
    Note { channel: None, at, severity, code, text, detail: None }
}
