//! A run's claim on its log: the lock that keeps a second run away, and tells where the run says how it is.
//!
//! Model: the lock is a file of its own beside the log, since opening and closing the log beside SQLite
//! would drop SQLite's locks. Where the disk lets none be made, one among the system's temporary files
//! stands in, under a name made of the log's path. It is never written, since that place is everybody's.
//! A thread of its own writes it, and tries again until the lock lies beside the log and holds the address:
//! a disk that hangs holds up nobody else.

use super::RunError;
use std::fs::{File, OpenOptions, TryLockError};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io;
use std::net::SocketAddr;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, OnceLock};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// How often a disk that took no lock, or no address, is tried again (s).
const RETRY: Duration = Duration::from_secs(10);
/// How long the end of a run waits for the disk (s); the lock goes with the process at the latest.
const PATIENCE: Duration = Duration::from_secs(2);

/// What a run holds; it goes with the process, however that ends.
#[derive(Debug)]
pub(super) struct Claim {
    lock: Arc<Lock>,
    /// Held for its lock alone.
    _elsewhere: Option<File>,
    tender: Option<Tender>,
}

/// The lock beside the log, once the disk has taken it.
#[derive(Debug)]
struct Lock {
    log: PathBuf,
    beside: OnceLock<File>,
}

/// The thread that tends a claim; it ends when it has done its work, or with the claim.
#[derive(Debug)]
struct Tender {
    over: Option<Sender<()>>,
    thread: JoinHandle<()>,
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
        let beside = beside.map_or_else(OnceLock::new, OnceLock::from);
        let lock = Arc::new(Lock { log: log.to_path_buf(), beside });
        Ok(Self { lock, _elsewhere: elsewhere, tender: None })
    }

    /// Has a thread write where the run says how it is, and make up for what the disk refuses.
    pub(super) fn tend(&mut self, address: Option<SocketAddr>) {
        if address.is_none() && self.lock.beside.get().is_some() {
            return;
        }
        let lock = Arc::clone(&self.lock);
        let (sender, over) = channel();
        let tend = move || lock.tend(address, &over);
        match thread::Builder::new().name("log lock".to_owned()).spawn(tend) {
            Ok(thread) => self.tender = Some(Tender { over: Some(sender), thread }),
            Err(why) => tracing::warn!(
                "the system gives no thread for the log's lock ({why}): `cresthold status` does not \
                 find this run"
            ),
        }
    }
}

impl Lock {
    fn tend(&self, address: Option<SocketAddr>, over: &Receiver<()>) {
        while !self.settle(address) {
            if over.recv_timeout(RETRY) != Err(RecvTimeoutError::Timeout) {
                return;
            }
        }
    }

    /// Whether the lock is held, and the address is in it.
    fn settle(&self, address: Option<SocketAddr>) -> bool {
        if self.beside.get().is_none() {
            // Held by another run it can't be: that one would have seen ours elsewhere.
            if let Ok(Some(file)) = lock(&beside(&self.log)) {
                let _ = self.beside.set(file);
            }
        }
        let written = |file| address.is_none_or(|address| write(file, address).is_ok());
        self.beside.get().is_some_and(written)
    }
}

impl Drop for Tender {
    fn drop(&mut self) {
        self.over = None;
        let began = Instant::now();
        while !self.thread.is_finished() && began.elapsed() < PATIENCE {
            thread::sleep(Duration::from_millis(1));
        }
    }
}

fn write(file: &File, address: SocketAddr) -> io::Result<()> {
    let text = format!("{address}\n");
    file.write_all_at(text.as_bytes(), 0)?;
    file.set_len(text.len() as u64)
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
        let first = Claim::stake(&log).unwrap();
        assert!(first.lock.beside.get().is_none() && is_held(&log));
        assert!(matches!(Claim::stake(&log), Err(RunError::InUse { .. })));
        let address: SocketAddr = "127.0.0.1:9".parse().unwrap();
        assert!(!first.lock.settle(Some(address)));
        // The place is free now: a second run is kept away before the first one comes round, and after.
        std::fs::remove_file(beside(&log)).unwrap();
        assert!(matches!(Claim::stake(&log), Err(RunError::InUse { .. })));
        assert!(first.lock.settle(Some(address)));
        assert_eq!(text(&log), "127.0.0.1:9\n");
        assert!(matches!(Claim::stake(&log), Err(RunError::InUse { .. })));
        drop(first);
        assert!(!is_held(&log));
        drop(Claim::stake(&log).unwrap());
    }

    #[test]
    fn a_disk_that_hangs_holds_nobody_up() {
        let scratch = tempfile::tempdir().unwrap();
        let log = scratch.path().join("roof.sqlite");
        std::os::unix::fs::symlink(scratch.path().join("no/where"), beside(&log)).unwrap();
        let mut claim = Claim::stake(&log).unwrap();
        // A pipe can't be opened for writing before somebody reads.
        std::fs::remove_file(beside(&log)).unwrap();
        let pipe = std::process::Command::new("mkfifo").arg(beside(&log)).status().unwrap();
        assert!(pipe.success());
        let began = Instant::now();
        claim.tend(Some("127.0.0.1:9".parse().unwrap()));
        // A thread is begun in less than a millisecond; a busy machine may take long.
        assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
        assert!(claim.lock.beside.get().is_none());
        drop(claim);
        let waited = began.elapsed();
        assert!(waited >= PATIENCE && waited < PATIENCE * 3, "{waited:?}");
        drop(File::open(beside(&log)).unwrap());
    }

    #[test]
    fn the_address_is_written_apart_and_the_lock_goes_with_the_claim() {
        let scratch = tempfile::tempdir().unwrap();
        let log = scratch.path().join("roof.sqlite");
        let mut claim = Claim::stake(&log).unwrap();
        claim.tend(None);
        assert!(claim.tender.is_none(), "there is nothing to do");
        claim.tend(Some("127.0.0.1:9".parse().unwrap()));
        let began = Instant::now();
        while text(&log) != "127.0.0.1:9\n" {
            assert!(began.elapsed() < Duration::from_secs(10));
            thread::sleep(Duration::from_millis(1));
        }
        assert!(is_held(&log));
        drop(claim);
        assert!(!is_held(&log));
    }
}
