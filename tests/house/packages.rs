//! Dependencies: each with its reason, none in the wrong half, all under licences we accept.

use crate::{expect_none, top};
use std::collections::BTreeSet;
use std::fs;
use std::process::Command;

/// What the pure half must never pull in.
const FIELD_ONLY: [&str; 5] = ["tokio", "rusqlite", "libsqlite3-sys", "serialport", "parquet"];

/// What `cargo tree` prints, or what it complains of. Offline: everything that was built is here.
fn cargo_tree(arguments: &[&str]) -> Result<String, String> {
    let output = Command::new(env!("CARGO"))
        .args(["tree", "--offline", "--prefix", "none"])
        .args(arguments)
        .current_dir(top())
        .output()
        .map_err(|error| error.to_string())?;
    if output.status.success() {
        Ok(String::from_utf8_lossy(&output.stdout).into_owned())
    } else {
        Err(String::from_utf8_lossy(&output.stderr).into_owned())
    }
}

#[test]
fn the_core_builds_without_the_field() {
    let tree = cargo_tree(&["-p", "cresthold", "--no-default-features", "-e", "normal"]).unwrap();
    assert!(tree.starts_with("cresthold "), "an unexpected answer: {tree}");
    let wrong: Vec<_> = tree
        .lines()
        .filter(|line| line.split(' ').next().is_some_and(|name| FIELD_ONLY.contains(&name)))
        .map(|line| format!("Cargo.toml:1: {line} comes in without the feature `field`"))
        .collect();
    expect_none("`cargo tree -p cresthold --no-default-features -e normal`", &wrong);
}

#[test]
fn every_dependency_has_its_reason() {
    let mut wrong = Vec::new();
    for file in ["Cargo.toml", "sim/Cargo.toml"] {
        let text = fs::read_to_string(top().join(file)).unwrap();
        let mut listed = false;
        let mut above = "";
        for (index, line) in text.lines().enumerate() {
            if line.starts_with('[') {
                listed = line.contains("dependencies");
            } else if listed && line.contains('=') && !line.starts_with('#') {
                // A comment beside the line, or a line of its own right above.
                if !line.contains('#') && !above.starts_with('#') {
                    wrong.push(format!("{file}:{}: {line}", index + 1));
                }
            }
            above = line;
        }
    }
    expect_none("a dependency without a comment that says what for", &wrong);
}

#[test]
fn every_licence_is_one_we_accept() {
    let allowed = accepted(&fs::read_to_string(top().join(".deny.toml")).unwrap());
    assert!(allowed.contains("MIT"), "the list `allow` in .deny.toml can't be read: {allowed:?}");
    let every = ["--workspace", "--all-features", "--format", "{l}|{p}", "--target", "all"];
    // Packages for other systems are here after `cargo fetch` only; without them, this system's.
    let tree = cargo_tree(&every).or_else(|_| cargo_tree(&every[..4])).unwrap();
    let mut wrong = BTreeSet::new();
    for (licence, package) in tree.lines().filter_map(|line| line.split_once('|')) {
        if !is_accepted(licence, &allowed) {
            let package = package.trim_end_matches(" (*)");
            wrong.insert(format!(".deny.toml:1: {package} is under `{licence}`"));
        }
    }
    assert!(tree.lines().count() > 20, "an unexpected answer: {tree}");
    expect_none("licences outside the list", &wrong.into_iter().collect::<Vec<_>>());
}

/// The strings of the list `allow`.
fn accepted(deny: &str) -> BTreeSet<String> {
    let list = deny.split_once("\nallow = [").and_then(|(_, rest)| rest.split_once(']'));
    let lines = list.map_or("", |(list, _)| list).lines();
    let code = lines.map(|line| line.split('#').next().unwrap_or_default());
    code.flat_map(|line| line.split('"').skip(1).step_by(2)).map(String::from).collect()
}

/// Whether an SPDX expression can be met with the accepted licences alone; a slash is an old OR.
fn is_accepted(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let spaced = expression.replace('(', " ( ").replace(')', " ) ").replace('/', " OR ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut parser = Expression { words: &words, allowed };
    let met = parser.any();
    met && parser.words.is_empty()
}

/// SPDX 2.3, annex D: AND binds more tightly than OR, WITH more tightly than both (from memory).
struct Expression<'a> {
    words: &'a [&'a str],
    allowed: &'a BTreeSet<String>,
}

impl Expression<'_> {
    fn take(&mut self, word: &str) -> bool {
        let found = self.words.first() == Some(&word);
        if found {
            self.words = &self.words[1..];
        }
        found
    }

    fn any(&mut self) -> bool {
        let mut met = self.all();
        while self.take("OR") {
            met |= self.all();
        }
        met
    }

    fn all(&mut self) -> bool {
        let mut met = self.one();
        while self.take("AND") {
            met &= self.one();
        }
        met
    }

    fn one(&mut self) -> bool {
        if self.take("(") {
            let met = self.any();
            return self.take(")") && met;
        }
        let Some((name, rest)) = self.words.split_first() else { return false };
        self.words = rest;
        if self.take("WITH") {
            let Some((exception, rest)) = self.words.split_first() else { return false };
            self.words = rest;
            return self.allowed.contains(&format!("{name} WITH {exception}"));
        }
        // A plus is "or any later version": the version itself will do.
        self.allowed.contains(name.strip_suffix('+').unwrap_or(name))
    }
}

#[test]
fn licence_expressions_are_understood() {
    let allowed = BTreeSet::from(["MIT", "Unicode-3.0", "Apache-2.0"].map(String::from));
    for met in [
        "MIT",
        "GPL-3.0-only OR MIT",
        "Unlicense/MIT",
        "(MIT OR GPL-3.0-only) AND Unicode-3.0",
        "Apache-2.0 WITH LLVM-exception OR MIT",
        "MIT+",
    ] {
        assert!(is_accepted(met, &allowed), "{met}");
    }
    for unmet in ["", "GPL-3.0-only", "MIT AND GPL-3.0-only", "Apache-2.0 WITH X", "MIT MIT"] {
        assert!(!is_accepted(unmet, &allowed), "{unmet}");
    }
}
