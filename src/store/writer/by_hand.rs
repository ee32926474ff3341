//! The writer without its thread: it comes round when it is told to, on a clock of one's choice.
//!
//! Model: the same keeper, turned by whoever holds a [`ByHand`]. In a runtime whose time is paused
//! nothing then depends on how fast the machine is, and the log of a run with one seed is always the
//! same. Dropped without [`Writer::finish`], it saves nothing more, as when the power fails.

use super::{Book, End, Files, Keeper, Opened, Rows, StoreError, Writer, keeper};
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

/// What lets a writer come round.
#[derive(Clone, Debug)]
pub struct ByHand(Arc<Mutex<Keeper>>);

impl Writer {
    /// A writer without a thread that goes by the clock `now`: it works when its [`ByHand`] says so,
    /// and at its end.
    #[must_use]
    pub fn by_hand(opened: Opened, book: Book, now: fn() -> Instant) -> (Self, ByHand) {
        let (handle, keeper) = keeper(Files::of(opened, book), now);
        let keeper = Arc::new(Mutex::new(keeper));
        (Self { handle, end: End::Hand(Arc::clone(&keeper)) }, ByHand(keeper))
    }
}

impl ByHand {
    /// Takes what was offered, and commits it where that is due. What goes wrong is in the
    /// [`Status`](crate::store::Status) of the writer's handles, as ever.
    pub fn turn(&self) {
        let mut keeper = hold(&self.0);
        let drained = keeper.take_queue();
        // The status tells of it, and it is tried again.
        let _ = keeper.turn(drained, false);
    }
}

// A holder that panicked has failed a test.
fn hold(keeper: &Mutex<Keeper>) -> MutexGuard<'_, Keeper> {
    keeper.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Saves all that is left, in one try for each batch: there is no time to wait for a sick disk in.
pub(super) fn end(keeper: &Mutex<Keeper>) -> Result<Rows, StoreError> {
    let mut keeper = hold(keeper);
    keeper.shared.stop.store(true, Ordering::Release);
    loop {
        let drained = keeper.take_queue();
        keeper.retry = None;
        if let Err(error) = keeper.turn(drained, true) {
            let lost = keeper.kept.len() as u64;
            keeper.shared.lose(lost);
            return Err(error);
        }
        if drained && keeper.kept.is_empty() {
            return keeper.files.close();
        }
    }
}
