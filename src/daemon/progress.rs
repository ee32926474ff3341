//! A line that says how far a long piece of work is.

use std::io::{IsTerminal as _, Write as _};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant as WallInstant};

/// How often it is shown, the first time too: what is done sooner needs no line.
const REDRAW: Duration = Duration::from_millis(500);

/// How far a piece of work is, on standard error, if that is a terminal.
#[derive(Debug)]
pub struct Progress {
    shown: bool,
    of: usize,
    what: &'static str,
    done: AtomicUsize,
    began: WallInstant,
    next: Mutex<WallInstant>,
}

impl Progress {
    /// So many pieces of work, called `what`, are to be done; `quiet` shows nothing.
    #[must_use]
    pub fn new(of: usize, what: &'static str, quiet: bool) -> Self {
        let now = WallInstant::now();
        let shown = !quiet && std::io::stderr().is_terminal();
        let (done, next) = (AtomicUsize::new(0), Mutex::new(now + REDRAW));
        Self { shown, of, what, done, began: now, next }
    }

    /// One more is done.
    pub fn one_more(&self) {
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        // Whoever finds the lock taken lets the other show it.
        let Some(mut next) = self.next.try_lock().ok().filter(|_| self.shown) else { return };
        let now = WallInstant::now();
        if now < *next {
            return;
        }
        *next = now + REDRAW;
        let share = done as f64 / self.of.max(1) as f64;
        let left = self.began.elapsed().as_secs_f64() * (1.0 / share - 1.0);
        // A line that can't be shown must not disturb the work.
        let _ = write!(
            std::io::stderr().lock(),
            "\r{done} of {} {}, {:.0} %, {left:.0} s to go   ",
            self.of,
            self.what,
            share * 100.0
        );
    }

    /// Takes the line away.
    pub fn clear(&self) {
        if self.shown {
            let _ = write!(std::io::stderr().lock(), "\r{:60}\r", "");
        }
    }
}
