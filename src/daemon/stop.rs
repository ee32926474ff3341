//! Ending a run: Ctrl-C, SIGTERM and SIGHUP raise a flag that the shells look at between turns.
//!
//! What must not end it: the signal of a file that would grow beyond the system's limit (SIGXFSZ), which
//! by itself kills the process and leaves the loads on. Held back, the write fails instead, and whoever
//! writes says so.

use nix::sys::signal::{SigSet, Signal};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// From here on a file that may not grow is an error of its write, and no end of the process: for this
/// thread and all that it begins, so before any other thread is there.
pub fn outlive_file_limits() {
    let mut held = SigSet::empty();
    held.add(Signal::SIGXFSZ);
    // Refused only where the system knows no such signal, which then can't come either.
    let _ = held.thread_block();
}

/// A flag that, once raised, stays raised.
#[derive(Clone, Debug, Default)]
pub struct StopFlag(Arc<AtomicBool>);

impl StopFlag {
    /// A flag raised by Ctrl-C, SIGTERM and SIGHUP. A process can have one.
    ///
    /// # Errors
    /// When the system lets no handler be set.
    pub fn on_signals() -> Result<Self, ctrlc::Error> {
        let flag = Self::default();
        let raised = flag.clone();
        ctrlc::set_handler(move || raised.raise())?;
        Ok(flag)
    }

    /// Raises it.
    pub fn raise(&self) {
        self.0.store(true, Ordering::Release);
    }

    /// Whether it is raised.
    #[must_use]
    pub fn is_raised(&self) -> bool {
        self.0.load(Ordering::Acquire)
    }
}
