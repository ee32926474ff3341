//! From the tail into the tables: in the run, and after one that broke off.
//!
//! Model: packing is one transaction of rows and the generation's number. A tail that an earlier
//! run left is packed once, under that run's boot, by whoever opens the log next: a writer, or a
//! reader where nobody writes. It is passed over if its generation is packed already, if its boot is
//! not in this file, or if a file beside it tells that it has taken over the rows.

use super::book;
use super::error::StoreError;
use super::log;
use super::op::Op;
use super::open;
use super::pack::Packer;
use super::rebuild;
use super::tail::{Left, Locked, Tail, tail_path};
use rusqlite::{Connection, OpenFlags, Result};
use std::fmt;
use std::fs::File;
use std::io::{ErrorKind, Write as _};
use std::path::{Path, PathBuf};

/// Whose rows a fresh file has taken over: what tells one tail from all others of this log.
#[derive(Debug)]
pub(super) struct Taken {
    file: String,
    generation: i64,
    began_utc_us: i64,
}

impl Taken {
    pub(super) fn of(path: &Path, tail: &Tail) -> Self {
        let (generation, began_utc_us) = (tail.generation(), tail.began_utc_us());
        Self { file: file_name(path), generation, began_utc_us }
    }

    fn of_left(path: &Path, left: &Left) -> Self {
        let (generation, began_utc_us) = (left.generation, left.began_utc_us);
        Self { file: file_name(path), generation, began_utc_us }
    }

    /// For the detail of the event that tells it.
    pub(super) fn to_json(&self) -> String {
        let Self { file, generation, began_utc_us } = self;
        serde_json::json!({
            "from": file, "generation": generation, "began_utc_us": began_utc_us
        })
        .to_string()
    }

    /// Whether one of the files beside the log at `path` has an event that tells it.
    fn is_told_beside(&self, path: &Path) -> bool {
        let told = |file: &Path| {
            // To write, because a cut may have left a transaction to be rolled back.
            let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
            let conn = Connection::open_with_flags(file, flags)?;
            conn.busy_timeout(open::LOCK_PATIENCE)?;
            conn.query_row(
                "SELECT EXISTS (SELECT 1 FROM event WHERE detail = ?1)",
                [self.to_json()],
                |row| row.get::<_, bool>(0),
            )
        };
        // One that can't be asked has taken over nothing that a reader would find.
        book::beside_ones(path).iter().any(|file| told(file).unwrap_or(false))
    }
}

fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// Writes `ops` into the tables, as packing `generation`; tells how many were refused.
pub(super) fn pack(
    (conn, path): (&Connection, &Path),
    packer: &mut Packer,
    ops: &[Op],
    generation: i64,
) -> Result<u64, StoreError> {
    let done = write_all(conn, path, packer, ops, generation);
    if done.is_err() && !conn.is_autocommit() {
        // A failing ROLLBACK means SQLite has already rolled back by itself.
        let _ = conn.execute_batch("ROLLBACK");
    }
    done
}

fn write_all(
    conn: &Connection,
    path: &Path,
    packer: &mut Packer,
    ops: &[Op],
    generation: i64,
) -> Result<u64, StoreError> {
    let fail = |error| StoreError::from_sqlite(path, "packing the -tail file", error);
    conn.prepare_cached("BEGIN IMMEDIATE").and_then(|mut s| s.execute([])).map_err(fail)?;
    let mut refused = 0;
    for op in ops {
        match packer.write(conn, op).map_err(fail) {
            Err(error) if error.is_refusal() => {
                if refused == 0 {
                    tracing::error!("{error}");
                }
                refused += 1;
            }
            other => other?,
        }
    }
    conn.prepare_cached("UPDATE file SET generation = ?1")
        .and_then(|mut statement| statement.execute([generation]))
        .map_err(fail)?;
    log::commit(conn, path)?;
    Ok(refused)
}

/// Packs what an earlier run left in `tail`; answers the newest packed generation.
pub(super) fn pack_left(
    conn: &mut Connection,
    path: &Path,
    tail: &mut Tail,
) -> Result<(i64, Option<Stray>), StoreError> {
    let fail = |error| StoreError::from_sqlite(path, "looking at the -tail file", error);
    let packed: i64 =
        conn.query_row("SELECT generation FROM file", [], |row| row.get(0)).map_err(fail)?;
    let left =
        tail.left().map_err(|error| StoreError::from_io(path, "reading the -tail file", &error))?;
    let Some(left) = left.filter(|left| left.generation == packed + 1) else {
        return Ok((packed, None));
    };
    let known = is_known(conn, &left).map_err(fail)?;
    if Taken::of_left(path, &left).is_told_beside(path) {
        return Ok((pass_over((conn, path), left.generation)?, None));
    }
    if !known {
        let stray = Stray::kept(path, left.ops.len())?;
        return Ok((pass_over((conn, path), left.generation)?, stray));
    }
    let mut packer = Packer::new(left.boot, Vec::new());
    pack((conn, path), &mut packer, &left.ops, left.generation)?;
    tail.packed();
    Ok((left.generation, None))
}

/// Whether what a run left is of no run of this file, or in a file beside it; the first is told.
pub(super) fn is_of_another(conn: &Connection, path: &Path, left: &Left) -> Result<bool> {
    if Taken::of_left(path, left).is_told_beside(path) {
        return Ok(true);
    }
    let known = is_known(conn, left)?;
    if !known && !left.ops.is_empty() {
        tracing::warn!(
            "{}: it holds {} rows of a log that is not here any more, and they are not in this answer; put that log \
             back in its place, with this file beside it",
            tail_path(path).display(),
            left.ops.len()
        );
    }
    Ok(!known)
}

/// Whether the run that left it is one of this file's.
fn is_known(conn: &Connection, left: &Left) -> Result<bool> {
    conn.query_row(
        "SELECT EXISTS (SELECT 1 FROM boot WHERE number = ?1 AND began_utc_us = ?2)",
        (left.boot, left.began_utc_us),
        |row| row.get(0),
    )
}

/// Rows that a run told as kept, of a log that is not the one they lie beside: somebody moved or removed
/// it.
#[derive(Debug)]
pub(super) struct Stray {
    rows: usize,
    copy: PathBuf,
    tail: PathBuf,
}

impl Stray {
    /// Puts a copy of the tail of `log` under a name that nobody overwrites.
    fn kept(log: &Path, rows: usize) -> Result<Option<Self>, StoreError> {
        let fail = |error| StoreError::from_io(log, "setting the -tail file aside", &error);
        let tail = tail_path(log);
        if rows == 0 {
            return Ok(None);
        }
        for number in 1.. {
            let mut copy = tail.clone().into_os_string();
            copy.push(format!("-kept-{number}"));
            let copy = PathBuf::from(copy);
            let mut file = match File::create_new(&copy) {
                Err(error) if error.kind() == ErrorKind::AlreadyExists => continue,
                file => file.map_err(fail)?,
            };
            let bytes = std::fs::read(&tail).map_err(fail)?;
            file.write_all(&bytes).and_then(|()| file.sync_all()).map_err(fail)?;
            let stray = Self { rows, copy, tail };
            tracing::error!("{stray}");
            return Ok(Some(stray));
        }
        Ok(None)
    }
}

impl fmt::Display for Stray {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { rows, copy, tail } = self;
        write!(
            f,
            "{}: it held {rows} rows of a log that is not here any more; they are kept in {}. With that log \
             back in its place, and this file beside it under the first name, the next start takes them up",
            tail.display(),
            copy.display()
        )
    }
}

/// The generation behind which a run that began then may begin its tail. Where the same run has left
/// this file before, a file beside it tells of that tail's generation: it is not used a second time, or
/// what is told of the one would be believed of the other.
pub(super) fn unused(
    conn: &Connection,
    path: &Path,
    mut packed: i64,
    began_utc_us: i64,
) -> Result<i64, StoreError> {
    let next = |packed: i64| Taken { file: file_name(path), generation: packed + 1, began_utc_us };
    while next(packed).is_told_beside(path) {
        packed = pass_over((conn, path), packed + 1)?;
    }
    Ok(packed)
}

/// Counts a generation as packed whose rows are in other files or of nobody: no later tail has its
/// number, by which frames are known.
fn pass_over((conn, path): (&Connection, &Path), generation: i64) -> Result<i64, StoreError> {
    conn.execute("UPDATE file SET generation = ?1", [generation])
        .map(|_| generation)
        .map_err(|error| StoreError::from_sqlite(path, "passing over the -tail file", error))
}

/// Packs what an earlier run left beside the log at `path` and removes the tail.
pub(super) fn take_over(conn: &mut Connection, path: &Path) -> Result<(), StoreError> {
    let mut tail = Tail::new(Box::new(Locked::open(path)?));
    pack_left(conn, path, &mut tail)?;
    tail.remove();
    Ok(())
}

/// Before reading: takes up what a run that broke off left, if nobody writes. Where that can't be
/// done (no right to write), it is read beside the tables: see [`super::unpacked`].
pub(super) fn before_reading(path: &Path) {
    // A run that ends takes its tail away: one that is there is of a run under way, or of one that broke off.
    let left = tail_path(path).exists();
    if !left && !open::interrupted(path) {
        return;
    }
    let Ok(lock) = Locked::open_now(path) else { return };
    let done = open::for_writing(path).and_then(|mut conn| {
        let mut tail = Tail::new(Box::new(lock));
        pack_left(&mut conn, path, &mut tail)?;
        if left {
            rebuild::mend(&conn, path, None)?;
        }
        tail.remove();
        open::tidy(&conn);
        Ok(())
    });
    if let Err(error) = done {
        tracing::debug!("{error}; what is in the -tail file is read from there");
    }
}
