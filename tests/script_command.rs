//! Trackers from outside as people meet them: in the station file, and with `cresthold tracker`.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]
#![cfg(feature = "field")]

use cresthold::station::{Station, StationError};
use cresthold::trackers::TrackerConfig;
use std::path::Path;
use std::process::{Command, Output};

const CLIMB: &str = include_str!("../deploy/trackers/perturb-and-observe.rhai");
const BUILT_IN: &str = "method = \"perturb-and-observe\"\nstep_volts = 0.2 # (V, 0.001 to 50)";

/// The rehearsal station whose first channel has this tracker, beside these scripts.
fn station(tracker: &str, scripts: &[(&str, &str)]) -> Result<Station, StationError> {
    let scratch = tempfile::tempdir().unwrap();
    for (name, text) in scripts {
        std::fs::write(scratch.path().join(name), text).unwrap();
    }
    assert!(Station::REHEARSAL.contains(BUILT_IN));
    let file = scratch.path().join("yard.toml");
    std::fs::write(&file, Station::REHEARSAL.replacen(BUILT_IN, tracker, 1)).unwrap();
    Station::load(&file)
}

#[track_caller]
fn refused(tracker: &str, scripts: &[(&str, &str)], key: &str, says: &str) {
    let error = station(tracker, scripts).unwrap_err();
    assert_eq!(error.problems.len(), 1, "{error}");
    assert_eq!(error.problems[0].key, key, "{error}");
    assert!(error.problems[0].text.contains(says), "{error}");
}

#[test]
fn a_station_names_a_script_and_its_settings() {
    let tracker = "method = \"script\"\nfile = \"a.rhai\"\nset = { step = 0.3 }";
    let station = station(tracker, &[("a.rhai", CLIMB)]).unwrap();
    let TrackerConfig::Script(config) = &station.channels[0].control.tracker else {
        panic!("no script")
    };
    assert_eq!(config.settings().collect::<Vec<_>>(), [("step", 0.3)]);
    assert_eq!(config.script().file(), "a.rhai");
    // What has run is in the log: the station's text has the script's.
    assert!(
        station.fingerprint().contains("# a.rhai, the tracker of slope-1:\n// Perturb and observe")
    );
}

#[test]
fn whatever_is_wrong_with_a_script_is_a_problem_of_the_station() {
    let file = "channel[1].tracker.file";
    let named = "method = \"script\"\nfile = \"a.rhai\"";
    refused("method = \"script\"", &[], file, "missing; state the script's file");
    refused(named, &[], file, "the script can't be read");
    let two = "fn start(from, set) { 1.0 }\nfn step(seen, set) { ";
    refused(named, &[("a.rhai", &format!("{two} let }}"))], file, "a.rhai:2:");
    let late = format!("{two} if seen.amps > 3.0 {{ loop {{}} }} 30.0 }}");
    refused(named, &[("a.rhai", &late)], file, "more operations than a step may have");
    refused(named, &[("a.rhai", &format!("{two} seen.volt }}"))], file, "a.rhai:2:28: step(): ");
    refused(named, &[("a.rhai", &" ".repeat(70_000))], file, "70000 bytes are more than");
    let set = |set: &str| format!("{named}\nset = {{ {set} }}");
    let climb = [("a.rhai", CLIMB)];
    refused(&set("stepp = 1"), &climb, "channel[1].tracker.set.stepp", "did you mean step?");
    refused(&set("colour = 1"), &climb, "channel[1].tracker.set.colour", "it has: step");
    refused(&set("step = \"a\""), &climb, "channel[1].tracker.set.step", "a number belongs");
    let foreign = format!("{named}\nstep_volts = 0.2");
    let says = "script has no such setting; it has: file, set";
    refused(&foreign, &climb, "channel[1].tracker.step_volts", says);
    let hold = "method = \"hold\"\nshare = 0.8\nfile = \"a.rhai\"";
    refused(hold, &climb, file, "hold has no such setting");
}

fn try_out(arguments: &[&str], directory: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cresthold"))
        .arg("tracker")
        .args(arguments)
        .current_dir(directory)
        .output()
        .unwrap()
}

#[test]
fn a_script_is_tried_without_hardware() {
    let scratch = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(scratch.path().join(name), text).unwrap();
    write("good.rhai", CLIMB);
    // The same step as the one beside it: the same energy.
    let shown = try_out(&["good.rhai", "--set", "step=0.2", "--for", "6h"], scratch.path());
    let text = String::from_utf8(shown.stdout).unwrap();
    assert_eq!(shown.status.code(), Some(0), "{}", String::from_utf8_lossy(&shown.stderr));
    let rows: Vec<Vec<&str>> =
        text.lines().skip(1).map(|line| line.split_whitespace().collect()).collect();
    assert_eq!((rows[0][0], rows[1][0]), ("script", "perturb-and-observe"), "{text}");
    assert_eq!(rows[0][1..], rows[1][1..], "{text}");

    // Fails on real light only: told with time and line, and with exit code 3.
    write(
        "late.rhai",
        &CLIMB.replace(
            "this.watts = seen.watts;",
            "this.watts = seen.watts; if seen.time > 20000.0 { throw 1; }",
        ),
    );
    let shown = try_out(&["late.rhai", "--for", "6h"], scratch.path());
    let told = String::from_utf8(shown.stderr).unwrap();
    assert_eq!(shown.status.code(), Some(3), "{told}");
    assert_eq!(told.lines().count(), 2, "{told}");
    assert!(told.starts_with("2016-06-15T05:33:20"), "{told}");
    assert!(told.contains("failed 10 times in a row: a mistake in the script"), "{told}");

    write("wrong.rhai", "fn start(from, set) { 1.0 }\nfn step(seen, set) { let }");
    for (arguments, says) in [
        (&["wrong.rhai"][..], "wrong.rhai:2:"),
        (&["nowhere.rhai"], "nowhere.rhai: the script can't be read"),
        (&["good.rhai", "--set", "stride=1"], "no such setting; it has: step"),
    ] {
        let shown = try_out(arguments, scratch.path());
        let told = String::from_utf8(shown.stderr).unwrap();
        assert_eq!(shown.status.code(), Some(3), "{told}");
        assert!(told.contains(says), "{told}");
    }
    let shown = try_out(&["good.rhai", "--set", "step"], scratch.path());
    assert_eq!(shown.status.code(), Some(2));
}

/// The script in the README.
#[test]
fn the_readmes_script_works() {
    let readme = include_str!("../README.md");
    let (_, rest) = readme.split_once("```rust\n").unwrap();
    let (text, _) = rest.split_once("```").unwrap();
    let tracker = "method = \"script\"\nfile = \"share.rhai\"\nset = { share = 0.78 }";
    let station = station(tracker, &[("share.rhai", text)]).unwrap();
    assert!(readme.contains(&tracker.replace("\nset", "     # relative to the station file\nset")));
    assert_eq!(station.channels[0].control.tracker.name(), "script");
}
