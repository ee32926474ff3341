//! Sixteen devices at 10 Hz over TCP, with shared sensors, in one daemon: what it costs, and
//! whether its turns begin in time.
//!
//! The virtual bench lives in this process, the daemon is the real binary. The stated goals are
//! held for 60 s by `cargo test --test many_channels -- --ignored --nocapture`. The shorter test
//! that always runs holds those for processor and memory, which other work on the machine hardly
//! changes, and is lenient about lateness: on a busy machine the kernel lets the daemon wait. How
//! long it does is seen from a metronome, a thread that only sleeps, as often as turns are due.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod noon;

use cresthold::daemon::serve::{Offer, VirtualBench};
use cresthold::daemon::stop::StopFlag;
use cresthold::store::Reader;
use cresthold::time::Utc;
use cresthold_sim::wire::fault::Player;
use noon::{metronome, usage};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const CHANNELS: usize = 16;
/// Most resident memory (kB) and most of one core (%) that the daemon may use; stated goals.
const MOST_RESIDENT: f64 = 20.0 * 1024.0;
const MOST_PROCESSOR: f64 = 15.0;
/// Start-up: some 2 s, counted apart, since it opens 35 lines at once.
const START: Duration = Duration::from_secs(4);
/// Sixteen turns each 100 ms.
const BEAT: Duration = Duration::from_micros(6250);

/// What a run showed.
struct Seen {
    resident: f64,
    /// % of one core.
    processor: f64,
    turns: u64,
    late: u64,
    latest: f64,
    /// What share of its wake-ups a thread that only sleeps had too late meanwhile.
    machine: f64,
    samples: usize,
    with_irradiance: usize,
    /// Least share of the crest's energy that a device delivered.
    efficiency: f64,
}

/// How many rows at the crest the log has, and how many of them with an irradiance.
fn rows(log: &Path) -> (usize, usize) {
    let reader = Reader::open(log).unwrap();
    let ever = (Utc::from_micros(i64::MIN), Utc::from_micros(i64::MAX));
    let (mut samples, mut with_irradiance) = (0, 0);
    for channel in reader.channels().unwrap() {
        let rows = reader.samples(channel.id, ever.0, ever.1).unwrap();
        samples += rows.iter().filter(|row| row.setpoint.is_some()).count();
        with_irradiance +=
            rows.iter().filter(|row| row.setpoint.is_some() && row.irradiance.is_some()).count();
    }
    for event in reader.events(ever.0, ever.1).unwrap() {
        assert!(!matches!(event.code.as_str(), "samples-left-out" | "let-go"), "{event:?}");
        if event.code == "turns-late" {
            println!("{}", event.text);
        }
    }
    (samples, with_irradiance)
}

/// Runs the daemon on sixteen channels; `length` is what is measured, after the start-up.
fn run(length: Duration) -> Seen {
    let directory = tempfile::tempdir().unwrap();
    let offer =
        Offer { port: Some(0), terminals: None, at: Duration::from_secs(12 * 3600), speed: 1.0 };
    let mut bench = VirtualBench::start(&noon::roof(CHANNELS), &offer).unwrap();
    // The first channel's irradiance sensor serves all.
    let text = bench.station_file();
    let shared = text.replace("channels = [\"slope-1\"]\n", "");
    assert_ne!(text, shared);
    let (file, log) = (directory.path().join("many.toml"), directory.path().join("many.sqlite"));
    std::fs::write(&file, shared).unwrap();
    let whole = format!("{}s", (START + length).as_secs());
    let mut child = Command::new(env!("CARGO_BIN_EXE_cresthold"))
        .args(["run", file.to_str().unwrap(), "--log", log.to_str().unwrap()])
        .args(["--for", &whole, "--json"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let end = StopFlag::default();
    let until = end.clone();
    let (resident, processor, output) = std::thread::scope(|scope| {
        let plants = bench.plants().to_vec();
        scope.spawn(move || bench.live(Player::new(), None, &until, &mut |_| {}));
        std::thread::sleep(START);
        let beats = scope.spawn(move || metronome(length, BEAT));
        let (began, (_, before)) = (Instant::now(), usage(&child).unwrap());
        // Half a second before its end, while it still is what is measured.
        std::thread::sleep(length - Duration::from_millis(500));
        let ((resident, after), took) = (usage(&child).unwrap(), began.elapsed());
        assert!(child.try_wait().unwrap().is_none(), "the daemon ended early");
        let on = plants.iter().filter(|plant| plant.switches() == (true, true)).count();
        assert_eq!(on, CHANNELS, "all devices are held");
        let output = child.wait_with_output().unwrap();
        assert!(plants.iter().all(|plant| plant.switches() == (false, false)), "off at the end");
        end.raise();
        let processor = (after - before) / took.as_secs_f64() * 100.0;
        (resident, processor, (output, plants, beats.join().unwrap()))
    });
    let (output, plants, machine) = output;
    assert_eq!(output.status.code(), Some(0));
    let said: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let devices = said["devices"].as_array().unwrap();
    assert_eq!(devices.len(), CHANNELS);
    let sum = |key: &str| devices.iter().map(|device| device[key].as_u64().unwrap()).sum();
    let latest = devices.iter().map(|device| device["latest_turn_s"].as_f64().unwrap());
    let (samples, with_irradiance) = rows(&log);
    let share = plants.iter().map(|plant| {
        let truth = plant.truth();
        truth.delivered.0 / truth.available.0
    });
    Seen {
        resident,
        processor,
        turns: sum("turns"),
        late: sum("turns_late"),
        latest: latest.fold(0.0, f64::max),
        machine,
        samples,
        with_irradiance,
        efficiency: share.fold(1.0, f64::min),
    }
}

/// `most_late` is beyond what the machine does by itself.
fn check(seen: &Seen, length: Duration, most_late: f64) {
    println!(
        "{:.1} MB resident, {:.2} % of a core; of {} turns {} late, the latest by {:.1} ms \
         (the machine itself: {:.3} %); {} rows, {} with irradiance; at least {:.2} % of the crest",
        seen.resident / 1024.0,
        seen.processor,
        seen.turns,
        seen.late,
        seen.latest * 1e3,
        seen.machine * 100.0,
        seen.samples,
        seen.with_irradiance,
        seen.efficiency * 100.0
    );
    let due = CHANNELS as f64 * length.as_secs_f64() * 10.0;
    #[expect(clippy::cast_precision_loss, reason = "thousands")]
    let (turns, late) = (seen.turns as f64, seen.late as f64);
    assert!(turns >= 0.99 * due, "{turns} of {due} turns");
    assert!(late <= (most_late + seen.machine) * turns, "{late} of {turns} turns were late");
    assert!(seen.resident <= MOST_RESIDENT, "{} kB", seen.resident);
    assert!(seen.processor <= MOST_PROCESSOR, "{} % of a core", seen.processor);
    // A row a second and channel; the shared sensor is in all but those of the first second or so.
    let rows = CHANNELS * usize::try_from(length.as_secs()).unwrap();
    assert!(seen.samples >= rows, "{} rows of {rows}", seen.samples);
    assert!(seen.with_irradiance >= rows - 2 * CHANNELS, "{} rows", seen.with_irradiance);
}

#[test]
fn sixteen_channels_are_cheap() {
    let length = Duration::from_secs(15);
    let seen = run(length);
    // A quarter is what no working scheduler of ours would reach, however busy the machine.
    check(&seen, length, 0.25);
}

#[test]
#[ignore = "a measurement of a minute, for a quiet machine"]
fn sixteen_channels_for_a_minute_are_cheap_and_punctual() {
    let length = Duration::from_secs(60);
    let seen = run(length);
    check(&seen, length, 0.001);
    // Perturb and observe: above 97 % in the literature (Hohm & Ropp 2003, from memory); the bench
    // waits for the daemon's start-up meanwhile.
    assert!(seen.efficiency > 0.9, "{}", seen.efficiency);
}
