//! The shell: the only place with threads, clocks and signals.
//!
//! Model: the same controller in two shells. `rehearse` paces the embedded plant's virtual time
//! against the wall clock; `field` drives real instruments in real time. Both write the same log,
//! show the same live status and end in the same way: input off, boost off, books closed, last
//! records committed.

pub mod bench;
mod claim;
pub mod commission;
pub mod compare;
pub mod crew;
pub mod field;
pub mod health;
pub mod live;
pub mod progress;
mod pulse;
mod recorder;
pub mod rehearse;
pub mod requests;
mod sensing;
pub mod serve;
pub mod stop;
mod supervisor;
pub mod voice;
pub mod yields;

use crate::control::record::Curve;
use crate::rehearsal::YardError;
use crate::report::summary::Summary;
use crate::store::StoreError;
use crate::time::Utc;
use std::path::PathBuf;
use std::time::SystemTime;

/// The system's wall clock.
fn wall() -> Utc {
    SystemTime::now()
        .duration_since(SystemTime::UNIX_EPOCH)
        .map_or(Utc::default(), |since| Utc::default() + since)
}

/// How a run ended.
#[derive(Debug)]
pub struct Ended {
    /// What it amounted to.
    pub summary: Summary,
    /// The channels' names.
    pub names: Vec<String>,
    /// Where the log is.
    pub log: PathBuf,
    /// Channels whose instruments did not confirm that they are off.
    pub unconfirmed: Vec<String>,
    /// Channels whose instruments did not answer at the start, or as something else, which ended
    /// the run.
    pub unreached: Vec<String>,
    /// What was wrong with instruments at the end, a sentence each.
    pub troubles: Vec<String>,
    /// The last I-V curve that ended.
    pub curve: Option<Curve>,
}

/// Why a run could not begin or go on.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The plant can't be built.
    #[error(transparent)]
    Yard(#[from] YardError),
    /// The log can't be opened or written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The log can't be opened at the start.
    #[error("{0}\nno run: nothing was started")]
    NoLog(StoreError),
    /// Another run writes the log.
    #[error(
        "{}: another run holds this lock, so it writes this log and drives its station; stop it \
         first, or choose another --log", lock.display()
    )]
    InUse {
        /// The lock's file.
        lock: PathBuf,
    },
    /// The signals can't be caught.
    #[error(
        "the signals that end a run can't be caught: {0}; without them loads could not be \
         switched off, so nothing was started"
    )]
    Signals(#[from] ctrlc::Error),
    /// The system gives no thread, timer or socket.
    #[error("the system refuses what a run needs: {0}; nothing was started")]
    System(#[from] std::io::Error),
}
