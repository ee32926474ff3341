//! Ending a run: Ctrl-C, SIGTERM and SIGHUP raise a flag that the shells look at between turns.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

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
