//! The real binary takes the station that it prints, and whoever stops reading it does it no harm. (Shipped
//! station files: `tests/house`.)
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use std::fs::{self, File};
use std::process::{Command, Stdio};

fn cresthold() -> Command {
    Command::new(env!("CARGO_BIN_EXE_cresthold"))
}

/// `cresthold station > yard.toml`, as the README says, gives a file that `cresthold check` finds nothing
/// wrong with.
#[test]
fn the_printed_station_passes_the_check() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("yard.toml");
    fs::write(&file, cresthold().arg("station").output().unwrap().stdout).unwrap();
    let answer = cresthold().arg("check").arg(&file).output().unwrap();
    assert_eq!(answer.status.code(), Some(0), "{}", text(&answer.stderr));
    assert!(text(&answer.stdout).contains("nothing wrong"), "{}", text(&answer.stdout));
}

/// Help without a terminal is wrapped at 100 columns: no line of a command's text is so long that its end
/// stands alone, within a paragraph or as an example that can't be pasted.
#[test]
fn help_has_no_broken_lines() {
    let help =
        |command: &str| text(&cresthold().args([command, "--help"]).output().unwrap().stdout);
    let whole = text(&cresthold().arg("--help").output().unwrap().stdout);
    let commands = whole.lines().skip_while(|line| *line != "Commands:").skip(1);
    let commands: Vec<_> = commands.map_while(|line| line.split_whitespace().next()).collect();
    assert!(commands.len() >= 19, "{commands:?}");
    for command in commands {
        let help = help(command);
        let lines: Vec<_> = help.lines().collect();
        for pair in lines.windows(2) {
            let short = pair[0].split_whitespace().count() <= 3 && !pair[0].ends_with([':', ',']);
            let prose = |line: &str| line.starts_with(|first: char| first.is_alphanumeric());
            assert!(!(short && prose(pair[0]) && prose(pair[1])), "{command}: {pair:?}");
        }
        let examples = lines.iter().skip_while(|line| **line != "Examples:").skip(1);
        for line in examples.take_while(|line| line.starts_with("  ")) {
            let begins = line.starts_with("  cresthold ") || line.starts_with("      ");
            assert!(begins, "{command}: {line}");
        }
    }
}

/// A mistake put into it is told with its line and key, and nothing is said to be right.
#[test]
fn a_spoilt_station_does_not_pass() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("spoilt.toml");
    let whole = text(&cresthold().arg("station").output().unwrap().stdout);
    let line = 1 + whole.lines().position(|line| line.starts_with("device_volts_max")).unwrap();
    fs::write(&file, whole.replacen("\ndevice_volts_max", "\ndevice_volt_max", 1)).unwrap();
    let answer = cresthold().arg("check").arg(&file).output().unwrap();
    assert_eq!(answer.status.code(), Some(3));
    assert_eq!(text(&answer.stdout), "");
    let told = text(&answer.stderr);
    assert!(told.contains(&format!("spoilt.toml:{line}: ")), "{line}: {told}");
    assert!(told.contains("device_volt_max"), "{told}");
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
    assert_eq!(answer.status.code(), Some(6));
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}
