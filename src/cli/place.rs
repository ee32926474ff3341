//! Where a command's file goes: whole or not at all, and over nothing of another kind.
//!
//! A file is written under another name and renamed when it is whole and on the disk: a command that is
//! killed leaves what was there before.

use super::Exit;
use std::ffi::OsString;
use std::fs::File;
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};

/// What every SQLite file begins with.
const SQLITE: &[u8; 16] = b"SQLite format 3\0";

/// Why nothing was written, and the exit code of that.
pub(super) type Refusal = (Exit, String);

/// Whether a file is a database, a log of ours or another.
pub(super) fn is_database(path: &Path) -> bool {
    let mut first = [0; SQLITE.len()];
    let read = File::open(path).and_then(|mut file| file.read_exact(&mut first));
    read.is_ok() && first == *SQLITE
}

/// Refuses to write over a database: it is the log, another one, or something else of worth.
pub(super) fn not_a_log(out: &Path) -> Result<(), Refusal> {
    if is_database(out) {
        let text = format!("{}: this is a database, not a table; name another file", out.display());
        return Err((Exit::Usage, text));
    }
    Ok(())
}

/// Refuses to write over a file that is read.
pub(super) fn not_read(out: &Path, read: &Path) -> Result<(), Refusal> {
    let same = out.canonicalize().ok().zip(read.canonicalize().ok()).is_some_and(|(a, b)| a == b);
    if same {
        let text = format!("{}: this file is being read; name another one", out.display());
        return Err((Exit::Usage, text));
    }
    Ok(())
}

/// Only a page's name: a slip of the hand must not overwrite a station file or a log.
pub(super) fn page_name(text: &str) -> Result<PathBuf, String> {
    ending(text, "html", "page")
}

/// Only a picture's name.
pub(super) fn picture_name(text: &str) -> Result<PathBuf, String> {
    ending(text, "svg", "picture")
}

/// Only the name of a table of comma-separated values.
pub(super) fn table_name(text: &str) -> Result<PathBuf, String> {
    ending(text, "csv", "table")
}

/// Only the name of a file of results as JSON.
pub(super) fn json_name(text: &str) -> Result<PathBuf, String> {
    ending(text, "json", "file")
}

/// Only a station file's name.
pub(super) fn station_name(text: &str) -> Result<PathBuf, String> {
    ending(text, "toml", "station file")
}

fn ending(text: &str, wanted: &str, what: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case(wanted)) {
        return Ok(path);
    }
    Err(format!("the {what}'s name must end in .{wanted}, so that it can't overwrite another file"))
}

/// Where a file is written until it is whole.
pub(super) fn part_of(out: &Path) -> PathBuf {
    let mut name = out.file_name().map_or_else(OsString::new, OsString::from);
    name.push(".part");
    out.with_file_name(name)
}

/// Writes a text.
pub(super) fn write(path: &Path, text: &str) -> Result<(), Refusal> {
    not_a_log(path)?;
    let part = part_of(path);
    let whole = || {
        let mut file = File::create(&part)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()?;
        std::fs::rename(&part, path)
    };
    whole().map_err(|error| {
        // What is not whole helps nobody; that it can't be removed changes nothing.
        let _ = std::fs::remove_file(&part);
        let place = path.display();
        (Exit::System, format!("{place}: can't be written: {error}; choose another place"))
    })
}
