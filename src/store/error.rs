//! What can go wrong with the log, in sentences that say what to do next.

use rusqlite::ErrorCode;
use std::io;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// By so much (bytes) one transaction makes a file longer at most: all the rows that may wait.
const GROWS_AT_ONCE: u64 = 32 << 20;

/// Why the log could not be opened, written or read.
#[derive(Debug, Error)]
pub enum StoreError {
    /// The folder of the log does not exist.
    #[error(
        "log {path}: the folder {folder} does not exist; create it, or correct the path of the log"
    )]
    NoFolder {
        /// The log.
        path: PathBuf,
        /// Its folder.
        folder: PathBuf,
    },
    /// There is no log to read.
    #[error(
        "log {path}: there is no such file, or an empty one; check the path, or start a run that writes it"
    )]
    Missing {
        /// The log.
        path: PathBuf,
    },
    /// There is something already where a copy was to go.
    #[error("{path}: this file exists and was left as it is; name another folder for the copy")]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// The copies' folder is none.
    #[error("{folder}: {why} for the copies")]
    NoCopies {
        /// The folder, as it was named.
        folder: PathBuf,
        /// What is wrong with it, and what would be right.
        why: &'static str,
    },
    /// The path names a folder or another thing that is no file.
    #[error("log {path}: this is a folder or device, not a file; name a file within a folder")]
    NotAFile {
        /// The path.
        path: PathBuf,
    },
    /// The file is no SQLite database.
    #[error(
        "log {path}: this file is not an SQLite database and was left as it is; name another \
         file, or move this one aside"
    )]
    NotADatabase {
        /// The file.
        path: PathBuf,
    },
    /// The file is a database of another program.
    #[error(
        "log {path}: this database belongs to another program (application_id {application_id}, \
         ours is {}) and was left as it is; name another file",
        super::APPLICATION_ID
    )]
    Foreign {
        /// The file.
        path: PathBuf,
        /// Whose it is.
        application_id: i32,
    },
    /// The log was written by a newer version of this program.
    #[error(
        "log {path}: schema version {found} is newer than the {known} this program knows; use \
         the newer program, or name another file"
    )]
    Newer {
        /// The log.
        path: PathBuf,
        /// Its schema version.
        found: i32,
        /// The newest known here.
        known: i32,
    },
    /// The log was written by an older version and only a writer may bring it up to date.
    #[error(
        "log {path}: schema version {found} is older than the {known} this program reads; start \
         a run on it once, which brings it up to date"
    )]
    Older {
        /// The log.
        path: PathBuf,
        /// Its schema version.
        found: i32,
        /// The one needed.
        known: i32,
    },
    /// The file or its folder can't be written.
    #[error(
        "log {path}: cannot be written ({why}); give this user the right to write the file and \
         its folder, mount it writable, or name another file"
    )]
    Unwritable {
        /// The log.
        path: PathBuf,
        /// What the system said.
        why: String,
    },
    /// Another program holds the database.
    #[error(
        "log {path}: another program holds the write lock (while {doing}); end that program, or \
         wait: a run under way tries again what it keeps"
    )]
    Busy {
        /// The log.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
    },
    /// No room on the disk.
    #[error(
        "log {path}: the disk is full (while {doing}); free some space: a run under way tries again \
         what it keeps"
    )]
    Full {
        /// The log.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
    },
    /// A file may not grow any further.
    #[error(
        "log {path}: the file may not grow any further (while {doing}): the system's limit for one \
         file is reached (`ulimit -f`, a service's LimitFSIZE=, or the file system's own); raise it: a run on \
         real instruments goes on in a fresh file beside it"
    )]
    TooLarge {
        /// The log.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
    },
    /// The file is damaged.
    #[error(
        "log {path}: the database is damaged ({why}); move it aside together with its -tail \
         and -journal files and start again; `sqlite3 FILE .recover` saves what can be saved"
    )]
    Damaged {
        /// The log.
        path: PathBuf,
        /// What SQLite said.
        why: String,
    },
    /// One record can't be stored, now or later; the others are untouched.
    #[error("log {path}: a record was refused: {why}; it was left out, report this as a defect")]
    Refused {
        /// The log.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// The file, or the tail beside it, is not where it was.
    #[error(
        "log {path}: the file or its -tail was moved or removed while the run wrote it; the run goes \
         on in a fresh file, what was in the old one is where that went"
    )]
    Gone {
        /// The log.
        path: PathBuf,
    },
    /// The writer thread can't be started or has died.
    #[error("log {path}: the writer thread is gone ({why}); restart the program")]
    NoWriter {
        /// The log.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// Anything else the system reports.
    #[error("log {path}: {doing} failed: {why}; check the disk and the system's log")]
    System {
        /// The log.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// The system's own words.
        why: String,
    },
    /// Anything else SQLite reports.
    #[error("log {path}: {doing} failed: {source}; check the disk and the system's log")]
    Sqlite {
        /// The log.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// SQLite's own words.
        source: rusqlite::Error,
    },
}

impl StoreError {
    /// Puts an error of SQLite into words: where, doing what.
    pub(super) fn from_sqlite(path: &Path, doing: &'static str, source: rusqlite::Error) -> Self {
        let path = path.to_path_buf();
        let why = source.to_string();
        match source.sqlite_error_code() {
            Some(ErrorCode::NotADatabase) => Self::NotADatabase { path },
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged { path, why },
            Some(ErrorCode::DiskFull) => Self::Full { path, doing },
            Some(ErrorCode::SystemIoFailure) if may_not_grow(&path, &source) => {
                Self::TooLarge { path, doing }
            }
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy { path, doing },
            Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => {
                Self::Unwritable { path, why }
            }
            Some(ErrorCode::ConstraintViolation | ErrorCode::TypeMismatch | ErrorCode::TooBig) => {
                Self::Refused { path, why }
            }
            _ => Self::Sqlite { path, doing, source },
        }
    }

    /// Puts an error of the system into words: where, doing what.
    pub(super) fn from_io(path: &Path, doing: &'static str, source: &io::Error) -> Self {
        let path = path.to_path_buf();
        let why = source.to_string();
        match source.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::Full { path, doing },
            io::ErrorKind::FileTooLarge => Self::TooLarge { path, doing },
            io::ErrorKind::ReadOnlyFilesystem | io::ErrorKind::PermissionDenied => {
                Self::Unwritable { path, why }
            }
            _ => Self::System { path, doing, why },
        }
    }

    /// Whether another file, or a later try, may do better: the file is ours, or would be.
    #[must_use]
    pub const fn is_of_the_disk(&self) -> bool {
        matches!(
            self,
            Self::Unwritable { .. }
                | Self::Busy { .. }
                | Self::Full { .. }
                | Self::TooLarge { .. }
                | Self::Damaged { .. }
                | Self::System { .. }
                | Self::Sqlite { .. }
        )
    }

    /// Whether it may pass without a person: the disk that is full now has room later.
    #[must_use]
    pub const fn may_pass(&self) -> bool {
        self.is_of_the_disk() && !self.is_damage()
    }

    /// Whether a file of ours with a damaged beginning would look like this.
    #[must_use]
    pub const fn is_damage(&self) -> bool {
        matches!(self, Self::Damaged { .. } | Self::NotADatabase { .. })
    }

    /// Whether only the one record is at fault, so that trying it again is useless.
    #[must_use]
    pub const fn is_refusal(&self) -> bool {
        matches!(self, Self::Refused { .. })
    }
}

/// Whether a write failed that would have made the log, or its journal, larger than this process may
/// make a file: SQLite tells no more than that it failed, and has taken it back.
fn may_not_grow(log: &Path, source: &rusqlite::Error) -> bool {
    let most = super::tail::longest_file();
    let failed = source.sqlite_error().map(|error| error.extended_code);
    let (Some(most), Some(rusqlite::ffi::SQLITE_IOERR_WRITE)) = (most, failed) else {
        return false;
    };
    let mut journal = log.as_os_str().to_owned();
    journal.push("-journal");
    [log, Path::new(&journal)]
        .into_iter()
        .filter_map(|file| file.metadata().ok())
        .any(|file| file.len() + GROWS_AT_ONCE > most)
}
