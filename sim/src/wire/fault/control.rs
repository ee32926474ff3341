//! The strings at which somebody pulls while a line is being served.

use super::reply::{Fate, LineFault};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

#[derive(Default)]
struct Shared {
    paused: AtomicBool,
    handled: AtomicU64,
    fault: Mutex<Option<Box<dyn LineFault>>>,
}

/// The strings by which a test or an operator pulls at a running line. Clones pull at the same one.
///
/// Whatever carries messages from and to an instrument, on a socket or in memory, asks
/// [`LineControl::is_paused`] before each message and [`LineControl::fate`] for each reply, and
/// counts with [`LineControl::count`].
#[derive(Clone, Default)]
pub struct LineControl(Arc<Shared>);

impl std::fmt::Debug for LineControl {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LineControl").field("handled", &self.handled()).finish_non_exhaustive()
    }
}

impl LineControl {
    /// Cuts the cable: bytes either way vanish.
    pub fn pause(&self) {
        self.0.paused.store(true, Ordering::SeqCst);
    }

    /// Mends the cable.
    pub fn resume(&self) {
        self.0.paused.store(false, Ordering::SeqCst);
    }

    /// Whether the cable is cut.
    #[must_use]
    pub fn is_paused(&self) -> bool {
        self.0.paused.load(Ordering::SeqCst)
    }

    /// Puts a fault on the line, in place of the one before.
    pub fn set_fault(&self, fault: Box<dyn LineFault>) {
        *self.0.fault.lock().unwrap_or_else(PoisonError::into_inner) = Some(fault);
    }

    /// Takes the fault off the line.
    pub fn clear_fault(&self) {
        *self.0.fault.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// Whether a fault is on the line that has not done all it will do.
    #[must_use]
    pub fn has_fault(&self) -> bool {
        let fault = self.0.fault.lock().unwrap_or_else(PoisonError::into_inner);
        fault.as_ref().is_some_and(|fault| !fault.is_over())
    }

    /// What becomes of a reply, which the fault on the line may change.
    #[must_use]
    pub fn fate(&self, reply: &mut Vec<u8>) -> Fate {
        let mut fault = self.0.fault.lock().unwrap_or_else(PoisonError::into_inner);
        fault.as_mut().map_or(Fate::Sent, |fault| fault.meddle(reply))
    }

    /// One more message has been handled.
    pub fn count(&self) {
        self.0.handled.fetch_add(1, Ordering::SeqCst);
    }

    /// How many messages the instrument has handled on this line.
    #[must_use]
    pub fn handled(&self) -> u64 {
        self.0.handled.load(Ordering::SeqCst)
    }
}
