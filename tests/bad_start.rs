//! What can't be run: one clear error, its exit code, nothing moved, nothing lost.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::quantities::{Ohms, Volts};
use cresthold_sim::wire::instrument::{FrontEnd, Instrument};
use cresthold_sim::wire::resistive::ResistiveBench;
use cresthold_sim::wire::serve::TcpServer;
use std::path::Path;
use std::process::{Command, Output};

fn cresthold(arguments: &[&str], directory: &Path) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
    command.args(arguments).current_dir(directory).output().unwrap()
}

/// The exit code is `code` and standard error has all `words`.
fn fails(output: &Output, code: i32, words: &[&str]) {
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{said}");
    for word in words {
        assert!(said.contains(word), "{word:?} is missing in: {said}");
    }
}

fn station(link: &str) -> String {
    let serial = include_str!("../deploy/stations/one-module-tcp.toml");
    let lines = serial.lines().filter(|line| !line.starts_with("log"));
    let mut text = String::new();
    let mut replaced = false;
    for line in lines {
        if line.starts_with("link") && !replaced {
            replaced = true;
            text.push_str(link);
        } else {
            text.push_str(line);
        }
        text.push('\n');
    }
    assert!(replaced, "the example has a link");
    text
}

#[test]
fn a_missing_port_ends_the_run_with_its_name() {
    let directory = tempfile::tempdir().unwrap();
    let file = station(r#"link = { serial = "/dev/serial/by-id/none-such", baud = 9600 }"#);
    std::fs::write(directory.path().join("yard.toml"), file).unwrap();
    let output = cresthold(&["run", "yard.toml", "--log", "a.sqlite"], directory.path());
    fails(&output, 7, &["/dev/serial/by-id/none-such", "--patient"]);
}

#[test]
fn an_instrument_that_answers_as_something_else_is_left_alone() {
    let directory = tempfile::tempdir().unwrap();
    let bench = ResistiveBench::new(Volts(30.0), Ohms(2.0));
    let mut load = FrontEnd::load("Test Yard,OTHER,0009,1.0", Box::new(bench));
    let mut reply = Vec::new();
    load.handle(b"FUNC:MODE VOLT;:VOLT 25;:INP ON", &mut reply);
    let server = TcpServer::start(Box::new(load)).unwrap();
    let link = format!("link = {{ tcp = \"{}\" }}", server.address());
    std::fs::write(directory.path().join("yard.toml"), station(&link)).unwrap();
    let output = cresthold(&["run", "yard.toml", "--log", "a.sqlite"], directory.path());
    fails(&output, 7, &["Test Yard,OTHER,0009,1.0"]);
    let mut load = server.stop().unwrap();
    let mut reply = Vec::new();
    load.handle(b"VOLT?;:INP?", &mut reply);
    assert_eq!(
        String::from_utf8_lossy(&reply).trim(),
        "25.0000;1",
        "set to 25 V and on, as before"
    );
}

#[test]
fn station_files_logs_and_recorded_days_with_mistakes() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let good = cresthold::station::Station::REHEARSAL;
    let bad = good.replace("method = \"perturb-and-observe\"", "method = \"magic\"");
    std::fs::write(at.join("tracker.toml"), bad).unwrap();
    fails(&cresthold(&["check", "tracker.toml"], at), 3, &["tracker.toml:", "magic", "hold"]);
    fails(&cresthold(&["run", "tracker.toml"], at), 3, &["tracker.toml:", "magic"]);
    fails(&cresthold(&["run", "nowhere.toml"], at), 3, &["nowhere.toml"]);

    let day = "time_utc,ghi,dni,dhi,temp_air,pressure\n2016-06-15T10:00:00Z,500,400,200,20,950\n\
               2016-06-15T10:02:00Z,NaN,400,200,20,950\n2016-06-15T10:02:00Z,500,400,200,20,950\n";
    std::fs::write(at.join("day.csv"), day).unwrap();
    let bad = good.replace("day = \"payerne-2016-06-15\"", "day = \"day.csv\"");
    std::fs::write(at.join("day.toml"), bad).unwrap();
    fails(&cresthold(&["check", "day.toml"], at), 3, &["day.csv: line 3", "day.csv: line 4"]);

    std::fs::write(at.join("foreign.sqlite"), "not a database, but somebody's notes").unwrap();
    let run = ["run", "--speed", "max", "--for", "1min", "--log"];
    let with = |log| [run.as_slice(), &[log]].concat();
    fails(&cresthold(&with("foreign.sqlite"), at), 4, &["foreign.sqlite"]);
    let kept = std::fs::read_to_string(at.join("foreign.sqlite")).unwrap();
    assert_eq!(kept, "not a database, but somebody's notes");
    fails(&cresthold(&with("none/such/log.sqlite"), at), 4, &["none/such"]);
    fails(&cresthold(&["backup", "foreign.sqlite", "none"], at), 4, &["there is no such folder"]);
    fails(&cresthold(&["backup", "foreign.sqlite", "day.csv"], at), 4, &["this is no folder"]);
    std::fs::write(at.join("log.sqlite"), "SQLite format 3\0 and \u{fffd} more").unwrap();
    fails(
        &cresthold(&["run", "log.sqlite"], at),
        3,
        &["this is a database", "name a station file"],
    );
    let real = station("link = { tcp = \"127.0.0.1:9\" }");
    std::fs::write(at.join("real.toml"), real).unwrap();
    let real = |log| cresthold(&["run", "real.toml", "--log", log], at);
    fails(&real("foreign.sqlite"), 4, &["nothing was started"]);
    // No file can be made there, whoever runs this.
    fails(&real("/proc/log.sqlite"), 4, &["nothing was started", "With --patient the run goes on"]);
    fails(&cresthold(&["run", "--speed", "fast"], at), 2, &["--speed"]);
    fails(&cresthold(&["run", "--for", "soon"], at), 2, &["--for"]);
}
