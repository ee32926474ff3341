//! What stands where, how long it is, and what must not be left in it.

use crate::source::{from_top, gather, sources};
use crate::{expect_none, top};
use std::collections::BTreeSet;
use std::fs;

/// Look again above this many lines.
const LONGEST_FILE: usize = 800;

const ROOTS: [&str; 4] = ["src", "sim", "tests", "deploy"];

/// Everything a visitor sees first, in the order of a listing.
const VISIBLE: [&str; 8] =
    ["Cargo.lock", "Cargo.toml", "DEVELOPERS.md", "README.md", "deploy", "sim", "src", "tests"];

/// Whether `.gitignore` lets a file of this name lie about: what a run leaves behind, say. Knows the
/// two forms used there, `/name` and `*ending`.
fn is_ignored(name: &str) -> bool {
    let patterns = fs::read_to_string(top().join(".gitignore")).unwrap();
    patterns.lines().any(|pattern| {
        let bare = pattern.trim_start_matches('/');
        bare.strip_prefix('*').map_or(name == bare, |ending| name.ends_with(ending))
    })
}

#[test]
fn the_top_level_is_what_it_should_be() {
    let found: BTreeSet<String> = fs::read_dir(top())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|name| !name.starts_with('.') && !is_ignored(name))
        .collect();
    let expected = BTreeSet::from(VISIBLE.map(String::from));
    let surplus = found.difference(&expected).map(|name| format!("{name}:1: has no place here"));
    let missing = expected.difference(&found).map(|name| format!("{name}:1: is missing"));
    expect_none("the visible top level", &surplus.chain(missing).collect::<Vec<_>>());
}

#[test]
fn no_file_is_too_long() {
    let wrong: Vec<_> = sources(&ROOTS)
        .iter()
        .filter(|source| source.text.lines().count() > LONGEST_FILE)
        .map(|source| format!("{}: {} lines", source.at(1), source.text.lines().count()))
        .collect();
    expect_none("files longer than 800 lines", &wrong);
}

#[test]
fn nothing_is_left_over() {
    // Written in halves, so that this file doesn't find itself.
    let marks = [
        concat!("to", "do!"),
        concat!("unimpl", "emented!"),
        concat!("FIX", "ME"),
        concat!("XX", "X"),
        concat!("db", "g!"),
    ];
    let mut files = vec![top().join("Cargo.toml"), top().join("README.md")];
    files.push(top().join("DEVELOPERS.md"));
    for root in ROOTS {
        for extension in ["rs", "toml", "md", "sql", "py", "service", "sh"] {
            gather(&top().join(root), extension, &mut files);
        }
    }
    let mut wrong = Vec::new();
    for file in files {
        let text = fs::read_to_string(&file).unwrap_or_default();
        for (index, line) in text.lines().enumerate() {
            for mark in marks.iter().filter(|mark| line.contains(**mark)) {
                wrong.push(format!("{}:{}: {mark}", from_top(&file), index + 1));
            }
        }
    }
    expect_none("leftovers: finish them or take them out", &wrong);
}

/// The shipped station files, by the real program.
#[cfg(feature = "field")]
#[test]
fn shipped_stations_pass_the_check() {
    let mut files = Vec::new();
    gather(&top().join("deploy/stations"), "toml", &mut files);
    let mut wrong = Vec::new();
    for file in files {
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_cresthold"))
            .arg("check")
            .arg(&file)
            .output()
            .unwrap();
        if !output.status.success() {
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            wrong.push(format!("{}:1: {}\n{said}", from_top(&file), output.status));
        }
    }
    expect_none("`cresthold check` refuses a station file that we ship", &wrong);
}
