//! The real binary records over pseudo-terminals, is killed, and `cresthold replay` tells what came of it.

use crate::noon::{Daemon, plant, station, usage};
use cresthold_sim::wire::instrument::FrontEnd;
use cresthold_sim::wire::serve::PtyServer;
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};
use std::thread::sleep;
use std::time::{Duration, Instant};

fn replay(arguments: &[&Path]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
    command.arg("replay").args(arguments).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Waits until a recording holds some seconds at the crest.
fn wait_for(file: &Path) {
    let began = Instant::now();
    while fs::read_to_string(file).is_ok_and(|text| text.matches("SetVoltage").count() < 30)
        || !file.exists()
    {
        assert!(began.elapsed() < Duration::from_secs(60), "nothing is recorded");
        sleep(Duration::from_millis(200));
    }
}

/// A module's load and boost supply on terminals, as long as they are held, and the station that has them.
fn bench() -> ([PtyServer; 2], String) {
    let plant = plant();
    let load = FrontEnd::load("Test Yard,VL-1,0001,1.0", Box::new(plant.clone()));
    let boost = FrontEnd::supply("Test Yard,VB-1,0002,1.0", Box::new(plant));
    let lines =
        [PtyServer::start(Box::new(load)).unwrap(), PtyServer::start(Box::new(boost)).unwrap()];
    let [load, boost] = lines
        .each_ref()
        .map(|line| format!("{{ serial = \"{}\", baud = 115200 }}", line.path().display()));
    let text = station(&load, &boost);
    (lines, text)
}

#[test]
fn the_binary_records_and_replays() {
    let scratch = tempfile::tempdir().unwrap();
    let (_lines, plain) = bench();
    let (file, other) = (scratch.path().join("yard.toml"), scratch.path().join("other.toml"));
    fs::write(&file, format!("{plain}[recording]\nfolder = \"heard\"\n")).unwrap();
    fs::write(&other, plain.replace("step_volts = 0.2", "step_volts = 0.3")).unwrap();
    let log = scratch.path().join("yard.sqlite");
    let [first, second] =
        [1, 2].map(|n| scratch.path().join(format!("heard/slope-1-{n}.recording")));

    // Killed: the recording has no end, and what it has is replayed.
    let daemon = Daemon::start(&file, &log);
    wait_for(&first);
    drop(daemon);
    let answer = replay(&[&first]);
    let said = text(&answer.stdout);
    assert_eq!(answer.status.code(), Some(0), "{said}{}", text(&answer.stderr));
    assert!(said.contains("slope-1, recorded by ") && said.contains("breaks off"), "{said}");

    // Stopped: a file of its own, to its end.
    let mut daemon = Daemon::start(&file, &log);
    wait_for(&second);
    let kill = Command::new("kill").args(["-TERM", &daemon.0.id().to_string()]).status().unwrap();
    assert!(kill.success() && daemon.0.wait().unwrap().success());
    let answer = replay(&[&second, Path::new("--json")]);
    assert_eq!(answer.status.code(), Some(0), "{}", text(&answer.stderr));
    let told: Value = serde_json::from_slice(&answer.stdout).unwrap();
    assert_eq!(told["end"], "whole", "{told}");
    assert_eq!(told["program"], told["replayed_by"], "{told}");
    assert_eq!(told["difference"], Value::Null, "{told}");
    assert!(told["inputs"].as_u64().unwrap() > 90, "{told}");

    // Other settings part at a setpoint.
    let answer = replay(&[&second, Path::new("--station"), &other, Path::new("--json")]);
    assert_eq!(answer.status.code(), Some(13), "{}", text(&answer.stderr));
    let told: Value = serde_json::from_slice(&answer.stdout).unwrap();
    assert!(told["difference"]["now"].as_str().unwrap().contains("SetVoltage"), "{told}");
    let said = text(&replay(&[&second, Path::new("--station"), &other]).stdout);
    let line = &told["difference"]["line"];
    assert!(said.contains(&format!("not the same: line {line}, ")), "{said}");

    // What is no recording, and what can't be read.
    assert_eq!(replay(&[&file]).status.code(), Some(14));
    assert_eq!(replay(&[&scratch.path().join("none")]).status.code(), Some(6));
    let broken = scratch.path().join("broken.toml");
    fs::write(&broken, "name = 7\n").unwrap();
    assert_eq!(replay(&[&second, Path::new("--station"), &broken]).status.code(), Some(3));
}

/// What recording costs the daemon at 10 Hz, beside the same without.
#[test]
#[ignore = "a measurement: a minute on a quiet machine"]
fn what_recording_costs() {
    /// On a quiet machine a tenth of a percent is seen; more than one would be noticed on a roof.
    const MOST_PERCENT: f64 = 1.0;
    let scratch = tempfile::tempdir().unwrap();
    let mut costs = Vec::new();
    for recorded in [false, true] {
        let (_lines, mut text) = bench();
        if recorded {
            text.push_str("[recording]\nfolder = \"heard\"\n");
        }
        let file = scratch.path().join(format!("{recorded}.toml"));
        fs::write(&file, text).unwrap();
        let daemon = Daemon::start(&file, &scratch.path().join(format!("{recorded}.sqlite")));
        sleep(Duration::from_secs(5));
        let (_, before) = usage(&daemon.0).unwrap();
        sleep(Duration::from_secs(25));
        let (resident, after) = usage(&daemon.0).unwrap();
        let percent = (after - before) / 25.0 * 100.0;
        println!("recorded: {recorded}, {resident:.0} kB resident, {percent:.2} % of a core");
        costs.push(percent);
    }
    let bytes = fs::metadata(scratch.path().join("heard/slope-1-1.recording")).unwrap().len();
    println!("{bytes} bytes in 30 s");
    assert!(costs[1] - costs[0] < MOST_PERCENT, "{costs:?}");
}
