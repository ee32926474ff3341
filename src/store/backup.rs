//! A copy of the log while it is written.
//!
//! Model: `VACUUM INTO` reads one state of a file and writes a compact copy, while commits go on
//! into the tail; a packing waits until the copy is done. The tail is copied first: if a packing
//! comes between, the copied tail is one that has been packed, and whoever opens the copy passes it
//! over. Files of months are copied in the same way.
//!
//! Rejected: copying the file as it is (a commit in between leaves a torn copy).

use super::error::StoreError;
use super::{book, open, tail};
use std::fs::File;
use std::io::{ErrorKind, Write as _};
use std::path::{Path, PathBuf};

/// Copies the log at `path`, with its months and the files beside it, into `folder`; answers the
/// copies. What is there already under such a name is left, and an error.
///
/// # Errors
/// What the system or SQLite reports; copies made until then stay.
pub fn backup(path: &Path, folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    if !folder.is_dir() {
        let why = if folder.exists() {
            "this is no folder; name one"
        } else {
            "there is no such folder; create one"
        };
        return Err(StoreError::NoCopies { folder: folder.to_path_buf(), why });
    }
    let mut copies = Vec::new();
    for file in std::iter::once(path.to_path_buf()).chain(book::others(path)) {
        let copy = folder.join(file.file_name().unwrap_or_default());
        copy_one(&file, &copy)?;
        copies.push(copy);
    }
    Ok(copies)
}

fn copy_one(from: &Path, to: &Path) -> Result<(), StoreError> {
    if to.exists() {
        return Err(StoreError::Exists { path: to.to_path_buf() });
    }
    let fail = |error| StoreError::from_io(to, "writing the copy", &error);
    // With a run that broke off, this packs what it left.
    let conn = open::for_reading(from)?;
    let rows = match std::fs::read(tail::tail_path(from)) {
        Ok(rows) => rows,
        Err(error) if error.kind() == ErrorKind::NotFound => Vec::new(),
        Err(error) => return Err(StoreError::from_io(from, "reading the -tail file", &error)),
    };
    let target = std::path::absolute(to).unwrap_or_else(|_| to.to_path_buf());
    conn.execute("VACUUM INTO ?1", [target.to_string_lossy().as_ref()])
        .map_err(|error| StoreError::from_sqlite(to, "writing the copy", error))?;
    if !rows.is_empty() {
        let mut copy = File::create_new(tail::tail_path(to)).map_err(fail)?;
        copy.write_all(&rows).and_then(|()| copy.sync_all()).map_err(fail)?;
    }
    File::open(to).and_then(|copy| copy.sync_all()).map_err(fail)?;
    book::sync_folder(to).map_err(fail)
}
