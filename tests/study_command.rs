//! `cresthold compare` and `cresthold tune` as people call them: lines that a station takes, periods that no
//! load stands, and slips of the hand.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use std::path::Path;
use std::process::{Command, Output};

fn cresthold(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cresthold")).args(arguments).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// A real station with the load of `--bench slow`, and what `tune` printed for it.
fn station(control: &str, tracker: &str) -> String {
    format!(
        r#"
name = "Larkfell test yard"
[site]
latitude = 46.8
longitude = 6.9
elevation = 490.0
{control}
[[channel]]
name = "slope-1"
lead_ohms = 0.0
mounting = {{ tilt_deg = 20.0, azimuth_deg = 180.0 }}
[channel.load]
link = {{ tcp = "192.0.2.10:5025" }}
identity = "0001"
settling_s = 0.06
window_s = 0.1
latency_s = 0.02
current_protection_amps = 16.0
[channel.envelope]
device_volts_max = 48.0
device_amps_max = 15.5
device_watts_max = 520.0
load_volts_max = 80.0
load_watts_max = 600.0
capability = [[0.0, 0.0], [2.0, 20.0]]
{tracker}
[channel.daylight]
wake_volts = 20.0
"#
    )
}

#[track_caller]
fn passes(text_of: &str, folder: &Path) {
    let file = folder.join("yard.toml");
    std::fs::write(&file, text_of).unwrap();
    let checked = cresthold(&["check", file.to_str().unwrap()]);
    assert!(checked.status.success(), "{text_of}\n{}", text(&checked.stderr));
}

#[test]
fn the_printed_lines_pass_check() {
    let scratch = tempfile::tempdir().unwrap();
    let grid = ["tune", "--bench", "slow", "--scenario", "level-50", "--seeds", "2", "--quiet"];
    for periods in ["0.42s", "0.84s", "1.68s", "6.72s", "60s"] {
        let tuned = cresthold(&[&grid[..], &["--values", "0.5%", "--periods", periods]].concat());
        let told = text(&tuned.stdout);
        assert!(tuned.status.success(), "{}", text(&tuned.stderr));
        assert!(!told.contains("0000000"), "numbers are written as people write them: {told}");
        let (_, lines) = told.split_once("for the station file:\n").unwrap();
        let (control, tracker) = lines.split_once("\n[channel.tracker]\n").unwrap();
        assert!(control.contains(&format!("period_s = {}\n", periods.trim_end_matches('s'))));
        passes(&station(control, &format!("[channel.tracker]\n{tracker}")), scratch.path());
    }
    // What a station doesn't take is not proposed.
    let tuned = cresthold(&[&grid[..], &["--values", "0.5%", "--periods", "61s"]].concat());
    assert_eq!(tuned.status.code(), Some(2));
    assert!(text(&tuned.stderr).contains("0.02 s to 60 s"), "{}", text(&tuned.stderr));
}

#[test]
fn a_period_too_short_for_the_load_is_told() {
    let with = |period: &str| {
        cresthold(&[
            "compare",
            "--device",
            "crystalline-module",
            "--scenario",
            "level-50",
            "--seeds",
            "2",
            "--tracker",
            "perturb-and-observe:step_volts=0.5%",
            "--quiet",
            "--period",
            period,
        ])
    };
    // The usual bench: 5 x 15 ms + 20 ms + 5 ms.
    let short = with("0.05s");
    assert!(short.status.success());
    let said = text(&short.stderr);
    assert!(said.contains("0.05 s is too short for its load"), "{said}");
    assert!(said.contains("0.100000 s at least"), "{said}");
    assert_eq!(text(&with("0.1s").stderr), "");
}

#[test]
fn slips_are_refused_with_what_was_meant() {
    let few = ["--scenario", "level-50", "--seeds", "2", "--quiet"];
    let compare = |more: &[&str]| cresthold(&[&["compare"], &few[..], more].concat());
    let tune = |more: &[&str]| cresthold(&[&["tune"], &few[..], more].concat());
    for (refused, word) in [
        (compare(&["--period", "0s"]), "state a control period, within 1ms..=10min"),
        (compare(&["--noise=-0.01"]), "within 0..=0.1"),
        (compare(&["--resolution", "-0.01"]), "within 0..=0.1"),
        (compare(&["--settling", "0s"]), "state a time constant"),
        (compare(&["--shard", "1/2"]), "--json"),
        (tune(&["--shard", "1/2"]), "--json"),
        (tune(&["--periods", "1ns"]), "state a control period"),
    ] {
        let said = text(&refused.stderr);
        assert_eq!(refused.status.code(), Some(2), "{word}: {said}");
        assert!(said.contains(word), "{word}: {said}");
    }
}
