//! The repository checks itself, by reading its own files.
//!
//! Model: a [`source::Source`] is a file whose comments, strings and tests are blanked, line by
//! line, so that a rule about code meets only code. Each rule gathers what breaks it as
//! `file:line: reason`, and all of it is told at once. What a rule allows stands in a table beside
//! it: to change the house, change the table in the same commit, and DEVELOPERS.md with it.
//!
//! Rejected: a real parser (a dependency of a hundred thousand lines for six rules), and lints
//! alone (clippy knows no rooms).

#![allow(clippy::unwrap_used, reason = "a test that can't read the repository fails")]

mod layering;
mod packages;
mod source;
mod texts;

use std::path::Path;

/// The repository's top.
fn top() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Fails with everything that is wrong, one per line.
fn expect_none(rule: &str, wrong: &[String]) {
    assert!(wrong.is_empty(), "{rule}:\n{}", wrong.join("\n"));
}
