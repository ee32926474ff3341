//! Opening the file: look first, change nothing that is not ours.
//!
//! Model: an existing file is first looked at through SQLite's `immutable` mode, which takes no
//! lock, makes no side file and reads the header only; only a blank file or one that carries our
//! mark is then opened for writing. Where a journal lies beside it, the file may be in the middle of a
//! transaction, and SQLite must put it right before it can be judged.
//!
//! Journal: a rollback journal that is truncated at each commit, fully synced. A transaction comes
//! every few minutes and mostly adds pages, which need no journal; the write-ahead log would write
//! each of them twice. A reader that holds the file delays a packing, and the tail keeps it.
//!
//! Rejected: reading the header with plain file calls, because closing such a file drops the
//! POSIX locks of every connection this process has on it (sqlite.org, "How To Corrupt An SQLite
//! Database File", 2.2).

use super::error::StoreError;
use super::recovery;
use super::schema::{self, APPLICATION_ID, SCHEMA_VERSION};
use rusqlite::config::DbConfig;
use rusqlite::{Connection, MAIN_DB, OpenFlags};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a statement waits for another connection's lock (s): longer than any reader's
/// checkpoint pause, shorter than what a person takes for a hang.
pub(super) const LOCK_PATIENCE: Duration = Duration::from_secs(1);

/// Size of a page (bytes): a packing changes some ten pages beside those that it fills, and each is
/// written twice; larger ones would double what is written to the device.
const PAGE_SIZE: i64 = 1024;

/// Prepared statements kept: the writer has a dozen, with room for readers of the same connection.
const STATEMENTS: usize = 32;

/// What the look at a file found.
enum Found {
    Blank,
    Ours(i32),
}

/// Opens the log for its one writer: made where missing, brought up to date where old.
pub(super) fn for_writing(path: &Path) -> Result<Connection, StoreError> {
    check_place(path)?;
    if path.exists() && !interrupted(path) {
        look(path)?;
    }
    let fail = |doing| move |error| StoreError::from_sqlite(path, doing, error);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut conn = Connection::open_with_flags(whole(path), flags).map_err(fail("opening"))?;
    if conn.is_readonly(MAIN_DB).map_err(fail("opening"))? {
        let why = "the file is read-only for this user".to_owned();
        return Err(StoreError::Unwritable { path: path.to_path_buf(), why });
    }
    conn.busy_timeout(LOCK_PATIENCE).map_err(fail("opening"))?;
    // Until it is known to be ours, even closing must not move a write-ahead log into the file.
    let keep_wal = DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE;
    conn.set_db_config(keep_wal, true).map_err(fail("opening"))?;
    judge(&conn, path)?;
    conn.set_db_config(keep_wal, false).map_err(fail("opening"))?;
    conn.pragma_update(None, "foreign_keys", true).map_err(fail("opening"))?;
    conn.pragma_update(None, "synchronous", "FULL").map_err(fail("opening"))?;
    conn.pragma_update(None, "page_size", PAGE_SIZE).map_err(fail("opening"))?;
    choose_journal(&conn, path)?;
    schema::migrate(&mut conn, path)?;
    conn.set_prepared_statement_cache_capacity(STATEMENTS);
    Ok(conn)
}

/// Opens the log for reading only.
pub(super) fn for_reading(path: &Path) -> Result<Connection, StoreError> {
    if !path.exists() {
        return Err(StoreError::Missing { path: path.to_path_buf() });
    }
    check_place(path)?;
    recovery::before_reading(path);
    if !interrupted(path) && matches!(look(path)?, Found::Blank) {
        return Err(StoreError::Missing { path: path.to_path_buf() });
    }
    let fail = |error| StoreError::from_sqlite(path, "opening for reading", error);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let conn = Connection::open_with_flags(whole(path), flags).map_err(fail)?;
    conn.busy_timeout(LOCK_PATIENCE).map_err(fail)?;
    conn.set_prepared_statement_cache_capacity(STATEMENTS);
    // Judged again: the newest marks may still lie in the write-ahead log, unseen by the look.
    match judge(&conn, path)? {
        Found::Ours(SCHEMA_VERSION) => Ok(conn),
        Found::Ours(found) => {
            let path = path.to_path_buf();
            Err(StoreError::Older { path, found, known: SCHEMA_VERSION })
        }
        Found::Blank => Err(StoreError::Missing { path: path.to_path_buf() }),
    }
}

/// The absolute path: SQLite takes `:memory:` and `file:...` for something else than a file name.
fn whole(path: &Path) -> PathBuf {
    std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf())
}

/// Folder there, path no folder.
fn check_place(path: &Path) -> Result<(), StoreError> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    if !folder.is_dir() {
        let (path, folder) = (path.to_path_buf(), folder.to_path_buf());
        return Err(StoreError::NoFolder { path, folder });
    }
    match path.metadata() {
        Ok(meta) if !meta.is_file() => Err(StoreError::NotAFile { path: path.to_path_buf() }),
        _ => Ok(()),
    }
}

/// Looks at an existing file without touching it or making side files.
fn look(path: &Path) -> Result<Found, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
        | OpenFlags::SQLITE_OPEN_NO_MUTEX
        | OpenFlags::SQLITE_OPEN_URI;
    let conn = Connection::open_with_flags(immutable_uri(path), flags)
        .map_err(|error| StoreError::from_sqlite(path, "looking at the file", error))?;
    judge(&conn, path)
}

/// Ours, blank, or an error that says whose it is.
fn judge(conn: &Connection, path: &Path) -> Result<Found, StoreError> {
    let fail = |error| StoreError::from_sqlite(path, "looking at the file", error);
    let (application_id, found) = schema::marks(conn).map_err(fail)?;
    if application_id == APPLICATION_ID {
        if found > SCHEMA_VERSION {
            let path = path.to_path_buf();
            return Err(StoreError::Newer { path, found, known: SCHEMA_VERSION });
        }
        return Ok(Found::Ours(found));
    }
    if application_id == 0 && found == 0 && schema::is_blank(conn).map_err(fail)? {
        return Ok(Found::Blank);
    }
    Err(StoreError::Foreign { path: path.to_path_buf(), application_id })
}

/// Whether a transaction was or is at work on the file: its journal holds something.
pub(super) fn interrupted(path: &Path) -> bool {
    let mut journal = path.as_os_str().to_owned();
    journal.push("-journal");
    std::fs::metadata(PathBuf::from(journal)).is_ok_and(|meta| meta.len() > 0)
}

/// `file:` address of a path with every byte that could mean something else escaped.
fn immutable_uri(path: &Path) -> String {
    let mut uri = String::from("file://");
    for &byte in whole(path).as_os_str().as_encoded_bytes() {
        if byte.is_ascii_alphanumeric() || b"/._-~".contains(&byte) {
            uri.push(char::from(byte));
        } else {
            let _ = write!(uri, "%{byte:02X}"); // writing to a String can't fail
        }
    }
    uri.push_str("?immutable=1");
    uri
}

/// A rollback journal that is truncated at each commit; a write-ahead log of an older version is
/// emptied into the file.
fn choose_journal(conn: &Connection, path: &Path) -> Result<(), StoreError> {
    let doing = "choosing the journal";
    let mode: String = conn
        .pragma_update_and_check(None, "journal_mode", "TRUNCATE", |row| row.get(0))
        .map_err(|error| StoreError::from_sqlite(path, doing, error))?;
    if mode.eq_ignore_ascii_case("truncate") {
        return Ok(());
    }
    Err(StoreError::Busy { path: path.to_path_buf(), doing })
}

/// Before closing: removes the empty journal. One that stays does no harm.
pub(super) fn tidy(conn: &Connection) {
    let _ = conn.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(()));
}
