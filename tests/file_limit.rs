//! A log that may not grow any further, as under `ulimit -f`: the system's signal for it would end the
//! process and leave the loads on.
//!
//! The binary is real, and so are the limit and the sockets to the instruments, which live in this process.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod noon;

use cresthold::store::{EventRow, Reader, others};
use cresthold::time::Utc;
use cresthold_sim::wire::instrument::{VirtualLoad, VirtualSupply};
use cresthold_sim::wire::serve::TcpServer;
use noon::{Daemon, plant, station};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

/// Far longer than any step takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);
/// What `ulimit -f` counts in (bytes; POSIX).
const UNIT: u64 = 512;
const EVER: (Utc, Utc) = (Utc::from_micros(i64::MIN), Utc::from_micros(i64::MAX));

/// The program, none of whose files may become longer than so many bytes.
fn limited(most: u64) -> Command {
    let mut shell = Command::new("sh");
    let script = format!("ulimit -f {} && exec \"$0\" \"$@\"", most / UNIT);
    shell.args(["-c", &script, env!("CARGO_BIN_EXE_cresthold")]);
    shell
}

/// Curves of 100 points that are asked for at most.
const CURVES_MAX: usize = 4;
/// What the log may still grow by (bytes): the start of a run and a curve take it.
const ROOM: u64 = 10 * 1024;

fn events(log: &Path) -> Vec<EventRow> {
    Reader::open(log).and_then(|reader| reader.events(EVER.0, EVER.1)).unwrap_or_default()
}

#[track_caller]
fn wait_for(log: &Path, code: &str, count: usize) {
    let until = Instant::now() + PATIENCE;
    while events(log).iter().filter(|event| event.code == code).count() < count {
        assert!(Instant::now() < until, "no {code} in the log: {:?}", events(log));
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn files(log: &Path) -> Vec<PathBuf> {
    others(log).into_iter().chain([log.to_path_buf()]).collect()
}

#[test]
fn a_log_that_may_not_grow_leaves_no_device_alone() {
    let plant = plant();
    let load = VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(plant.clone()));
    let boost = VirtualSupply::supply("Test Yard,VB-1,0002,1.0", Box::new(plant.clone()));
    let (load, boost) =
        (TcpServer::start(Box::new(load)).unwrap(), TcpServer::start(Box::new(boost)).unwrap());
    let link = |server: &TcpServer| format!("{{ tcp = \"{}\" }}", server.address());
    let text = station(&link(&load), &link(&boost));
    // Curves make a log grow fast.
    let sweep = "[channel.sweep]\ndwell_s = 0.08\n[channel.envelope]";
    let text = text.replace("[channel.envelope]", sweep);
    let folder = tempfile::tempdir().unwrap();
    let (file, log) = (folder.path().join("yard.toml"), folder.path().join("yard.sqlite"));
    std::fs::write(&file, text).unwrap();
    // A fresh file has room then for what this one has none for.
    let mut first = Command::new(env!("CARGO_BIN_EXE_cresthold"));
    first.args(["run", "--speed", "max", "--for", "3h", "--quiet", "--log"]).arg(&log);
    assert_eq!(first.output().unwrap().status.code(), Some(0));
    let most = log.metadata().unwrap().len() + ROOM;

    let told = folder.path().join("told.txt");
    let mut command = limited(most);
    command.stderr(std::fs::File::create(&told).unwrap());
    let mut daemon = Daemon::start_with(command, &file, &log);
    wait_for(&log, "tracking-began", 1);
    let mut asked = 0;
    while others(&log).is_empty() {
        assert!(asked < CURVES_MAX, "the limit of {most} bytes was not met");
        let mut sweep = Command::new(env!("CARGO_BIN_EXE_cresthold"));
        // Which of the files the curve goes to is not known when it is asked for, so it may end without.
        let sweep = sweep.arg("sweep").arg(&log).args(["--channel", "slope-1", "--within", "15s"]);
        let sweep = sweep.output().unwrap();
        assert_eq!(daemon.0.try_wait().unwrap(), None, "the limit ended the run");
        let said = String::from_utf8_lossy(&sweep.stderr).into_owned();
        assert!(said.contains("slope-1 is swept now"), "{said}");
        asked += 1;
    }
    wait_for(&log, "log-moved", 1);
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(plant.switches(), (true, true), "the device is held meanwhile");
    let kill = Command::new("kill").args(["-TERM", &daemon.0.id().to_string()]).status().unwrap();
    assert!(kill.success());
    let ended = daemon.0.wait().unwrap();
    let told = std::fs::read_to_string(&told).unwrap();
    println!("{told}");
    assert_eq!(ended.code(), Some(0));
    assert_eq!(plant.switches(), (false, false), "off at the end");

    let events = events(&log);
    let moved: Vec<_> = events.iter().filter(|event| event.code == "log-moved").collect();
    assert!(moved.iter().all(|event| event.text.contains("may not grow")), "{moved:?}");
    assert!(told.contains("ulimit -f"), "{told}");
    assert!(!events.iter().any(|event| event.code == "samples-left-out"));
    for file in files(&log) {
        assert!(file.metadata().unwrap().len() <= most);
        let conn = Connection::open(&file).unwrap();
        let sound: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
        assert_eq!(sound, "ok", "{}", file.display());
    }
    let reader = Reader::open(&log).unwrap();
    let channel = reader.channels().unwrap()[0].id;
    let curves = reader.curves(channel, EVER.0, EVER.1).unwrap();
    println!("{} curves in {} files of at most {most} bytes", curves.len(), files(&log).len());
    assert_eq!(curves.len(), asked, "every curve that was asked for is in one of the files");
    assert!(curves.iter().all(|curve| curve.ending == "whole" && curve.points == 100));
}

#[test]
fn a_rehearsal_whose_log_may_not_grow_ends_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("day.sqlite");
    let mut run = limited(300 * 1024);
    run.args(["run", "--speed", "max", "--for", "6h", "--quiet", "--log"]).arg(&log);
    let run = run.output().unwrap();
    let told = String::from_utf8(run.stderr).unwrap();
    assert_eq!(run.status.code(), Some(4), "{told}");
    assert!(told.contains("may not grow any further") && told.contains("ulimit -f"), "{told}");
}
