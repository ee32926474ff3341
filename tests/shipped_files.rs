//! The real binary takes what is shipped, and whoever stops reading it does it no harm.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

fn cresthold() -> Command {
    Command::new(env!("CARGO_BIN_EXE_cresthold"))
}

fn shipped(folder: &str, ending: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy").join(folder);
    let mut files: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|found| found == ending))
        .collect();
    files.sort();
    assert!(!files.is_empty());
    files
}

/// `cresthold check` finds nothing wrong with any shipped station, nor with the built-in one as printed.
#[test]
fn every_shipped_station_passes_the_check() {
    let scratch = tempfile::tempdir().unwrap();
    let printed = scratch.path().join("built-in.toml");
    fs::write(&printed, cresthold().arg("station").output().unwrap().stdout).unwrap();
    for file in shipped("stations", "toml").into_iter().chain([printed]) {
        let answer = cresthold().arg("check").arg(&file).output().unwrap();
        let (said, told) = (text(&answer.stdout), text(&answer.stderr));
        assert_eq!(answer.status.code(), Some(0), "{}: {told}", file.display());
        assert!(said.contains("nothing wrong"), "{}: {said}", file.display());
    }
}

/// A mistake in one of them is found by the same command, with its line, and nothing is said to be right.
#[test]
fn a_spoilt_station_does_not_pass() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("spoilt.toml");
    let whole = fs::read_to_string(&shipped("stations", "toml")[0]).unwrap();
    let spoilt = whole.replace("device_volts_max", "device_volt_max");
    assert_ne!(whole, spoilt);
    fs::write(&file, spoilt).unwrap();
    let answer = cresthold().arg("check").arg(&file).output().unwrap();
    assert_eq!(answer.status.code(), Some(3));
    assert_eq!(text(&answer.stdout), "");
    assert!(text(&answer.stderr).contains("device_volt_max"), "{}", text(&answer.stderr));
}

/// Standard output is a pipe that nobody reads any more, as behind `| head -1`: the exit code is that of
/// the work, and nobody panics.
#[test]
fn a_closed_pipe_is_no_disaster() {
    for arguments in [&["station"][..], &["compare", "--list"]] {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let child = cresthold().args(arguments).stdout(writer).stderr(Stdio::piped()).spawn();
        let answer = child.unwrap().wait_with_output().unwrap();
        assert_eq!(answer.status.code(), Some(0), "{arguments:?}: {}", text(&answer.stderr));
        assert_eq!(text(&answer.stderr), "");
    }
}

/// A full disk behind `>` is told.
#[test]
fn a_full_disk_behind_standard_output_is_told() {
    let Ok(full) = File::options().write(true).open("/dev/full") else {
        println!("skipped: this system has no /dev/full");
        return;
    };
    let child = cresthold().arg("station").stdout(full).stderr(Stdio::piped()).spawn();
    let answer = child.unwrap().wait_with_output().unwrap();
    assert!(text(&answer.stderr).contains("standard output can't be written"));
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}
