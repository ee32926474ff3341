//! How long what is kept: raw samples go first, everything else stays.
//!
//! Model: only files of months that are over are thinned out, and nobody writes those. What stays is
//! copied into a new file, which then takes the old one's name in one step: no file is ever half
//! thinned, the room is given back, and the log that is written is not touched.
//!
//! Rejected: deleting rows and VACUUM in the current file (locks it for minutes on a flash card).

use super::book::{self, Book};
use super::error::StoreError;
use super::open;
use crate::time::Utc;
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long and how much is kept.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Keep {
    /// Raw samples of months that ended longer ago are let go; none: kept for ever.
    pub samples: Option<Duration>,
    /// Size of all files of the log together (bytes) above which raw samples of the oldest month are
    /// let go; none: no limit.
    pub size: Option<u64>,
}

/// What thinning did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Thinned {
    /// Raw samples of a month were let go.
    Month {
        /// Its file.
        file: PathBuf,
        /// How much room that gave (bytes).
        freed: u64,
    },
    /// The files are larger than they may be, and there is nothing left to let go.
    TooLarge {
        /// How large (bytes).
        size: u64,
        /// How large they may be (bytes).
        bound: u64,
    },
    /// A file could not be thinned out.
    Failed {
        /// Why.
        why: String,
    },
}

impl Keep {
    /// Lets go of what need not be kept at `now`, one month's file after the other.
    #[must_use]
    pub fn apply(&self, log: &Path, now: Utc) -> Vec<Thinned> {
        let mut done = Vec::new();
        for file in book::months(log) {
            let old = self.samples.is_some_and(|keep| {
                end_of_month(log, &file).is_some_and(|end| now.saturating_since(end) > keep)
            });
            let large = self.size.is_some_and(|bound| size(log) > bound);
            if (old || large)
                && let Some(thinned) = thin(&file).transpose()
            {
                done.push(
                    thinned.unwrap_or_else(|error| Thinned::Failed { why: error.to_string() }),
                );
            }
        }
        if let Some(bound) = self.size {
            let size = size(log);
            if size > bound {
                done.push(Thinned::TooLarge { size, bound });
            }
        }
        done
    }
}

/// Whether there is anything for [`Keep`] to do in this book.
pub(super) fn wanted(book: &Book) -> bool {
    book.keep.samples.is_some() || book.keep.size.is_some()
}

/// Size of all files of the log (bytes).
#[must_use]
pub fn size(log: &Path) -> u64 {
    let length = |path: &Path| path.metadata().map_or(0, |meta| meta.len());
    length(log) + book::others(log).iter().map(|file| length(file)).sum::<u64>()
}

/// When the month in a file's name ended.
fn end_of_month(log: &Path, file: &Path) -> Option<Utc> {
    let part = book::part_of(log, file)?;
    let mut fields = part.split('-').map(str::parse::<u32>);
    let (year, month) = (fields.next()?.ok()?, fields.next()?.ok()?);
    let (year, month) = if month == 12 { (year + 1, 1) } else { (year, month + 1) };
    format!("{year:04}-{month:02}-01T00:00:00Z").parse().ok()
}

/// Lets go of a file's raw samples; none where it has none.
fn thin(file: &Path) -> Result<Option<Thinned>, StoreError> {
    let fail = |error| StoreError::from_sqlite(file, "thinning out", error);
    let conn = open::for_writing(file)?;
    let raw: bool = conn
        .query_row("SELECT EXISTS (SELECT 1 FROM sample)", [], |row| row.get(0))
        .map_err(fail)?;
    if !raw {
        return Ok(None);
    }
    let before = file.metadata().map_or(0, |meta| meta.len());
    let copy = copy_name(file);
    let _ = std::fs::remove_file(&copy); // what an interrupted try left
    let new = open::for_writing(&copy)?;
    copy_all(&new, file).map_err(fail)?;
    open::tidy(&new);
    new.close().map_err(|(_, error)| fail(error))?;
    open::tidy(&conn);
    conn.close().map_err(|(_, error)| fail(error))?;
    let moved = std::fs::rename(&copy, file).and_then(|()| book::sync_folder(file));
    moved
        .map_err(|error| StoreError::from_io(file, "putting the thinned file in place", &error))?;
    let after = file.metadata().map_or(0, |meta| meta.len());
    Ok(Some(Thinned::Month { file: file.to_path_buf(), freed: before.saturating_sub(after) }))
}

fn copy_name(file: &Path) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push("-thin");
    PathBuf::from(name)
}

/// Copies every table but the samples from the log at `from`.
fn copy_all(new: &Connection, from: &Path) -> rusqlite::Result<()> {
    new.pragma_update(None, "foreign_keys", false)?;
    let from = from.to_string_lossy();
    new.execute("ATTACH ?1 AS before", [from.as_ref()])?;
    let tables: Vec<String> = new
        .prepare(
            "SELECT name FROM main.sqlite_schema WHERE type = 'table' AND name <> 'sample' \
             AND name NOT LIKE 'sqlite_%'",
        )?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    new.execute_batch("BEGIN IMMEDIATE")?;
    for table in tables {
        new.execute_batch(&format!(
            "DELETE FROM main.{table}; INSERT INTO main.{table} SELECT * FROM before.{table}"
        ))?;
    }
    new.execute_batch("COMMIT; DETACH before")
}
