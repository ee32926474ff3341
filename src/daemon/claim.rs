//! A run's claim on its log: the lock that keeps a second run away, and tells where the run says how it is.
//!
//! Model: the lock is a file of its own beside the log, since opening and closing the log beside SQLite
//! would drop SQLite's locks. Where the disk lets none be made, one among the system's temporary files
//! stands in, under a name made of the log's path. It is never written, since that place is everybody's.
//! The claim is tended while the run lives, until the lock lies beside the log and holds the address.

use super::RunError;
use crate::time::Instant;
use std::fs::{File, OpenOptions, TryLockError};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io;
use std::net::SocketAddr;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How often a disk that took no lock, or no address, is tried again (s).
const RETRY: Duration = Duration::from_secs(10);

/// What a run holds; it goes with the process, however that ends.
#[derive(Debug)]
pub(super) struct Claim {
    log: PathBuf,
    beside: Option<File>,
    /// Held for its lock alone.
    _elsewhere: Option<File>,
    address: Option<SocketAddr>,
    told: bool,
    next: Instant,
}

impl Claim {
    /// Claims `log`.
    ///
    /// # Errors
    /// [`RunError::InUse`] where another run holds it.
    pub(super) fn stake(log: &Path) -> Result<Self, RunError> {
        let beside = lock(&beside(log))?;
        let second = elsewhere(log);
        // A place that can't hold a lock can't hold the log either; opening the log says why.
        let elsewhere = if beside.is_none() { lock(&second)? } else { None };
        if elsewhere.is_none() && is_locked(&second) {
            return Err(RunError::InUse { lock: second });
        }
        let log = log.to_path_buf();
        let (address, told, next) = (None, false, Instant::ZERO);
        Ok(Self { log, beside, _elsewhere: elsewhere, address, told, next })
    }

    /// The run says how it is at `address`.
    pub(super) fn tell(&mut self, address: SocketAddr) {
        self.address = Some(address);
        self.told = self.write().is_ok();
    }

    /// Makes up for what the disk refused.
    pub(super) fn tend(&mut self, now: Instant) {
        if self.told && self.beside.is_some() || now < self.next {
            return;
        }
        self.next = now + RETRY;
        if self.beside.is_none() {
            // Held by another run it can't be: that one would have seen ours elsewhere.
            self.beside = lock(&beside(&self.log)).unwrap_or_default();
        }
        self.told = self.write().is_ok();
    }

    fn write(&self) -> io::Result<()> {
        let (Some(file), Some(address)) = (&self.beside, self.address) else {
            return if self.address.is_none() {
                Ok(())
            } else {
                Err(io::ErrorKind::NotFound.into())
            };
        };
        let text = format!("{address}\n");
        file.write_all_at(text.as_bytes(), 0)?;
        file.set_len(text.len() as u64)
    }
}

/// The lock beside a log.
pub(super) fn beside(log: &Path) -> PathBuf {
    let mut name = log.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}

/// The one that stands in.
fn elsewhere(log: &Path) -> PathBuf {
    let folder = log.parent().filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new(".")).canonicalize().unwrap_or_default();
    let mut hasher = DefaultHasher::new();
    folder.join(log.file_name().unwrap_or_default()).hash(&mut hasher);
    std::env::temp_dir().join(format!("cresthold-{:016x}.lock", hasher.finish()))
}

/// Whether a run holds the log.
pub(super) fn is_held(log: &Path) -> bool {
    is_locked(&beside(log)) || is_locked(&elsewhere(log))
}

/// Takes a lock; none where the disk has no place for it.
fn lock(lock: &Path) -> Result<Option<File>, RunError> {
    // Not emptied: it may be another run's. What can't be written may still be locked.
    let opened = OpenOptions::new().create(true).truncate(false).write(true).open(lock);
    let Ok(file) = opened.or_else(|_| File::open(lock)) else {
        return Ok(None);
    };
    match file.try_lock() {
        Ok(()) => {
            // On a read-only disk an old address stays, where nobody answers.
            let _ = file.set_len(0);
            Ok(Some(file))
        }
        Err(TryLockError::WouldBlock) => Err(RunError::InUse { lock: lock.to_path_buf() }),
        Err(TryLockError::Error(error)) => Err(error.into()),
    }
}

fn is_locked(lock: &Path) -> bool {
    File::open(lock)
        .is_ok_and(|lock| matches!(lock.try_lock_shared(), Err(TryLockError::WouldBlock)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(log: &Path) -> String {
        std::fs::read_to_string(beside(log)).unwrap()
    }

    #[test]
    fn a_second_run_is_kept_away_where_the_folder_takes_no_lock() {
        let scratch = tempfile::tempdir().unwrap();
        let log = scratch.path().join("roof.sqlite");
        // What leads nowhere takes no lock, whoever asks.
        std::os::unix::fs::symlink(scratch.path().join("no/where"), beside(&log)).unwrap();
        let mut first = Claim::stake(&log).unwrap();
        assert!(first.beside.is_none() && is_held(&log));
        assert!(matches!(Claim::stake(&log), Err(RunError::InUse { .. })));
        let address: SocketAddr = "127.0.0.1:9".parse().unwrap();
        first.tell(address);
        // The place is free now: a second run is kept away before the first one comes round, and after.
        std::fs::remove_file(beside(&log)).unwrap();
        assert!(matches!(Claim::stake(&log), Err(RunError::InUse { .. })));
        first.tend(Instant::ZERO);
        assert_eq!(text(&log), "127.0.0.1:9\n");
        assert!(matches!(Claim::stake(&log), Err(RunError::InUse { .. })));
        drop(first);
        assert!(!is_held(&log));
        drop(Claim::stake(&log).unwrap());
    }
}
