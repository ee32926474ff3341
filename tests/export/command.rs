//! `cresthold export` as people call it.

use crate::store_common::place;
use crate::yard::write_log;
use cresthold::store::Reader;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn command(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
    command.arg("export").args(arguments).current_dir(folder);
    command
}

fn run(folder: &Path, arguments: &[&str]) -> Output {
    command(folder, arguments).output().unwrap()
}

fn refused(folder: &Path, arguments: &[&str], exit: i32, words: &[&str]) {
    let output = run(folder, arguments);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(exit), "{arguments:?}: {told}");
    for word in words {
        assert!(told.contains(word), "{arguments:?}: {word} is missing: {told}");
    }
}

const LOG: &str = "roof log.db";

#[test]
fn a_table_on_standard_output_and_in_files() {
    let (folder, path) = place();
    write_log(&path);
    let shown = run(folder.path(), &[LOG, "--rows", "days"]);
    assert!(shown.status.success());
    let text = String::from_utf8(shown.stdout).unwrap();
    assert_eq!(text.lines().count(), 1 + 4, "{text}");
    let made = run(folder.path(), &[LOG, "--rows", "days", "--out", "days.csv"]);
    assert_eq!(String::from_utf8(made.stdout).unwrap(), "days.csv: 4 days\n");
    assert_eq!(fs::read_to_string(folder.path().join("days.csv")).unwrap(), text);
    let arguments = [LOG, "--channel", "west", "--to", "2016-06-15T13:00+00:00"];
    let made = run(folder.path(), &[&arguments[..], &["--out", "west.parquet"]].concat());
    assert_eq!(String::from_utf8(made.stdout).unwrap(), "west.parquet: 60 minutes\n");
    let bytes = fs::read(folder.path().join("west.parquet")).unwrap();
    assert!(bytes.starts_with(b"PAR1") && bytes.ends_with(b"PAR1"));
    assert!(!folder.path().join("west.parquet.part").exists());
    // A local time is one of the zone.
    let local = ["--from", "2016-06-15T13:30", "--to", "2016-06-15T13:32", "--zone", "+01:00"];
    let shown = run(folder.path(), &[&[LOG, "--channel", "east"], &local[..]].concat());
    let text = String::from_utf8(shown.stdout).unwrap();
    let times: Vec<_> = text.lines().filter_map(|line| line.split(',').next()).collect();
    assert_eq!(
        times,
        ["time (UTC+01:00)", "2016-06-15T13:30:00+01:00", "2016-06-15T13:31:00+01:00"]
    );
}

#[test]
fn what_is_refused_leaves_everything_as_it_was() {
    let (folder, path) = place();
    write_log(&path);
    let here = folder.path();
    refused(here, &["no.sqlite"], 4, &["no.sqlite"]);
    refused(here, &[LOG, "--channel", "north"], 2, &["north", "east, west", LOG]);
    refused(here, &[LOG, "--from", "2016-06-16", "--to", "2016-06-15"], 2, &["--from", "--to"]);
    refused(here, &[LOG, "--from", "yesterday"], 2, &["2026-06-21"]);
    refused(here, &[LOG, "--zone", "CET"], 2, &["+01:00"]);
    refused(here, &[LOG, "--rows", "hours"], 2, &["samples", "minutes"]);
    refused(here, &[LOG, "--out", "table.txt"], 2, &[".csv", ".parquet"]);
    refused(here, &[LOG, "--out", "nowhere/table.csv"], 6, &["nowhere/table.csv", "--out"]);
    // A table that is there stays when a new one can't be written.
    fs::write(here.join("kept.csv"), "of before").unwrap();
    fs::create_dir(here.join("kept.csv.part")).unwrap();
    refused(here, &[LOG, "--out", "kept.csv"], 6, &["kept.csv"]);
    assert_eq!(fs::read_to_string(here.join("kept.csv")).unwrap(), "of before");
    // Whatever it is called, a log is not written over.
    fs::copy(&path, here.join("odd.csv")).unwrap();
    let before = fs::read(here.join("odd.csv")).unwrap();
    refused(here, &["odd.csv", "--out", "odd.csv"], 2, &["odd.csv", "database"]);
    refused(here, &[LOG, "--out", "odd.csv"], 2, &["odd.csv", "database"]);
    assert_eq!(fs::read(here.join("odd.csv")).unwrap(), before);
    assert!(Reader::open(&path).is_ok());
}

#[test]
fn an_export_that_is_killed_leaves_the_table_of_before() {
    let (folder, path) = place();
    write_log(&path);
    let (table, part) = (folder.path().join("kept.csv"), folder.path().join("kept.csv.part"));
    let arguments = [LOG, "--rows", "samples", "--out", "kept.csv"];
    assert!(run(folder.path(), &arguments).status.success());
    let whole = fs::read_to_string(&table).unwrap();
    // Killed at a moment of each kind: before it begins, while it writes, when it is done.
    for wait in 0..12 {
        fs::write(&table, "of before").unwrap();
        let mut child = command(folder.path(), &arguments).stdout(Stdio::null()).spawn().unwrap();
        std::thread::sleep(std::time::Duration::from_millis(3 * wait));
        child.kill().unwrap();
        child.wait().unwrap();
        let left = fs::read_to_string(&table).unwrap();
        assert!(left == "of before" || left == whole, "{left}");
    }
    // What a killed one left behind is in nobody's way.
    assert!(run(folder.path(), &arguments).status.success());
    assert_eq!(fs::read_to_string(&table).unwrap(), whole);
    assert!(!part.exists());
}

/// Asked to end at a moment of each kind, it leaves no part, and says what became of the table.
#[test]
fn an_export_that_is_interrupted_cleans_up() {
    let (folder, path) = place();
    write_log(&path);
    let (table, part) =
        (folder.path().join("kept.parquet"), folder.path().join("kept.parquet.part"));
    let arguments = [LOG, "--rows", "samples", "--out", "kept.parquet"];
    let mut interrupted = 0;
    for wait in 0..16 {
        fs::write(&table, "of before").unwrap();
        let mut command = command(folder.path(), &arguments);
        let child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
        std::thread::sleep(std::time::Duration::from_millis(2 * wait));
        let asked = Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
        let output = child.wait_with_output().unwrap();
        assert!(!part.exists(), "after {} ms", 2 * wait);
        let kept = fs::read(&table).unwrap() == b"of before";
        match output.status.code() {
            // Before its handler stood.
            None => assert!(kept && asked.success()),
            Some(0) => assert!(!kept),
            Some(code) => {
                let told = String::from_utf8_lossy(&output.stderr);
                assert!(code == 6 && kept && told.contains("interrupted"), "{code}: {told}");
                interrupted += 1;
            }
        }
    }
    println!("{interrupted} of 16 interrupted while they wrote");
}

#[test]
fn a_reader_that_has_enough_is_no_error() {
    let (folder, path) = place();
    write_log(&path);
    let mut child = command(folder.path(), &[LOG, "--rows", "samples"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    assert!(line.starts_with("time (UTC),"), "{line}");
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
}
