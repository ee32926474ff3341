//! The real binary is killed again and again, at any moment of starting, committing and packing:
//! the log stays sound, loses no more than the last commit interval, and the next start goes on.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod noon;

use cresthold::store::{Reader, others};
use cresthold::time::Utc;
use cresthold_sim::wire::instrument::VirtualLoad;
use cresthold_sim::wire::serve::TcpServer;
use noon::plant;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, SystemTime};

/// The commit interval of the station (s), and what is added for a machine that is busy: the
/// writer's thread may be kept waiting.
const PROMISE_S: f64 = 0.2 + 2.0;

fn station(load: &str) -> String {
    format!(
        r#"
name = "Larkfell test yard"
[site]
latitude = 46.8
longitude = 6.9
elevation = 490.0
[control]
period_s = 0.1
sample_every_s = 0.1
commit_every_s = 0.2
[[channel]]
name = "slope-1"
lead_ohms = 0.0
mounting = {{ tilt_deg = 20.0, azimuth_deg = 180.0 }}
tracker = {{ method = "perturb-and-observe", step_volts = 0.2 }}
daylight = {{ wake_volts = 20.0 }}
[channel.load]
link = {{ tcp = "{load}" }}
identity = "VL-1"
settling_s = 0.01
window_s = 0.02
latency_s = 0.005
current_protection_amps = 16.0
[channel.envelope]
device_volts_max = 48.0
device_amps_max = 15.5
device_watts_max = 520.0
load_volts_max = 80.0
load_watts_max = 600.0
capability = [[0.0, 0.0], [2.0, 20.0]]
"#
    )
}

fn now_s() -> f64 {
    SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap().as_secs_f64()
}

fn seconds(utc: Utc) -> f64 {
    utc.as_micros() as f64 / 1e6
}

/// Boots, samples, and the newest row's time (s).
fn look(log: &Path) -> (usize, usize, f64) {
    let conn = rusqlite::Connection::open(log).unwrap();
    let sound: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(sound, "ok");
    drop(conn);
    let reader = Reader::open(log).unwrap();
    let ever = (Utc::from_micros(i64::MIN / 4), Utc::from_micros(i64::MAX / 4));
    let channels = reader.channels().unwrap();
    let samples = channels
        .first()
        .map_or_else(Vec::new, |one| reader.samples(one.id, ever.0, ever.1).unwrap());
    let events = reader.events(ever.0, ever.1).unwrap();
    let last = samples.iter().map(|row| row.at.utc).chain(events.iter().map(|row| row.at.utc));
    (reader.boots().unwrap().len(), samples.len(), last.max().map_or(0.0, seconds))
}

fn kill_often(times: u32) {
    let plant = plant();
    let load = VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(plant));
    let server = TcpServer::start(Box::new(load)).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let (file, log) = (folder.path().join("yard.toml"), folder.path().join("yard.sqlite"));
    std::fs::write(&file, station(&server.address().to_string())).unwrap();
    let (mut boots, mut samples, mut worst) = (0, 0, 0.0_f64);
    for kill in 0..times {
        // From the middle of the start to some packings later.
        let lives = Duration::from_millis(20 + u64::from(kill * 379 % 1500));
        let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
        command.args(["run", file.to_str().unwrap(), "--quiet", "--patient"]);
        let mut daemon = command.args(["--log", log.to_str().unwrap()]).spawn().unwrap();
        std::thread::sleep(lives);
        daemon.kill().unwrap(); // SIGKILL
        daemon.wait().unwrap();
        let killed = now_s();
        // Every other time the next start finds what was left, else a reader.
        if kill % 2 == 0 || !log.exists() {
            continue;
        }
        let before = (boots, samples);
        let (now_boots, now_samples, last) = look(&log);
        (boots, samples) = (now_boots, now_samples);
        assert!(boots >= before.0 && samples >= before.1, "rows vanished");
        if samples > before.1 && boots > before.0 && lives > Duration::from_millis(1200) {
            worst = worst.max(killed - last);
        }
    }
    assert!(others(&log).is_empty(), "no restart had to leave the file");
    let (boots, samples, _) = look(&log);
    println!(
        "{times} kills: {boots} runs in the log, {samples} samples; the newest row at most \
         {worst:.2} s older than the kill"
    );
    assert!(boots * 2 >= times as usize, "most runs came so far as to begin");
    assert!(samples > 0 && worst <= PROMISE_S, "{worst} s");
}

#[test]
fn killed_a_dozen_times() {
    kill_often(12);
}

#[test]
#[ignore = "two hundred kills take some minutes"]
fn killed_two_hundred_times() {
    kill_often(200);
}
