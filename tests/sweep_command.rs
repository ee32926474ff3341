//! `cresthold sweep` as a person and a script meet it: consent, one curve, a request to a campaign; and
//! how fast a sweep over sockets is.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test: what is not there fails it")]

mod commission_yard;

use commission_yard::{Parts, Yard};
use cresthold::store::{ChannelFacts, CurveRow, Log, OpenFacts, Reader};
use cresthold::time::{Stamp, Utc};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
    command.args(arguments).stdin(Stdio::null());
    command
}

fn once(yard: &Yard, more: &[&str]) -> Output {
    let (file, log) = (yard.write_station(), yard.log());
    let (file, log) = (file.to_str().unwrap(), log.to_str().unwrap());
    command(&["sweep", file, "--log", log]).args(more).output().unwrap()
}

fn curves(yard: &Yard, channel: usize) -> Vec<CurveRow> {
    let reader = Reader::open(&yard.log()).unwrap();
    let id = reader.channels().unwrap()[channel].id;
    reader.curves(id, Utc::from_micros(i64::MIN / 4), Utc::from_micros(i64::MAX / 4)).unwrap()
}

/// A load that is read in 5 ms: 4 ms of window, 1 ms of latency.
fn quick() -> Parts {
    let mut parts = Parts { seed: 21, ..Parts::default() };
    parts.load.settling = Duration::from_millis(1);
    parts.load.window = Duration::from_millis(4);
    parts.load.latency = Duration::from_millis(1);
    parts
}

/// Its yard, with the shortest dwell that the load allows.
fn quick_yard(channels: usize) -> Yard {
    let dwell = "[channel.sweep]\ndwell_s = 0.01\n[channel.daylight]\nlook_every_s = 0.2\n";
    Yard::new(&vec![quick(); channels])
        .stating("settling_s = 0.045", "settling_s = 0.001")
        .stating("window_s = 0.002", "window_s = 0.004")
        .stating("[channel.daylight]\n", dwell)
}

#[test]
fn nobody_there_means_no_and_names_are_checked() {
    let yard = quick_yard(1);
    let output = once(&yard, &["--channel", "slope-0"]);
    assert_eq!(output.status.code(), Some(9));
    let output = once(&yard, &["--channel", "slope-7", "--yes"]);
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("slope-7") && said.contains("slope-0"), "{said}");
    assert!(!yard.log().exists(), "nothing was begun");
    assert_eq!(yard.plants[0].switches(), (false, false));
}

#[test]
fn one_curve_without_a_campaign() {
    let yard = quick_yard(2);
    let output = once(&yard, &["--channel", "slope-1", "--yes"]);
    let told = String::from_utf8(output.stdout).unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(0), "{told}{said}");
    assert!(said.contains("CAUTION"), "{said}");
    println!("{told}");
    for word in ["Pmp", "Isc", "Voc", "log: "] {
        assert!(told.contains(word), "{word} is missing in {told}");
    }
    for plant in &yard.plants {
        assert_eq!(plant.switches(), (false, false), "off at the end");
    }
    assert!(curves(&yard, 0).is_empty());
    let curve = curves(&yard, 1).pop().unwrap();
    let took = took(&curve);
    println!("{} points in {took:?}", curve.points);
    assert_eq!((curve.ending.as_str(), curve.points), ("whole", 100));
    // The goal is 1.5 s on a quiet machine (see below); a busy one takes longer.
    assert!(took < Duration::from_secs(6), "{took:?}");
    // The steady sun of this yard, no sensor: what it says, but no irradiance to level it by.
    let result = curve.result.unwrap();
    assert_eq!(result.isc_origin.as_deref(), Some("interpolated"));
    assert!(!result.reasons.contains("open circuit"), "it was measured: {result:?}");
    assert!((200.0..320.0).contains(&result.pmp.unwrap().0), "{result:?}");
    let output = once(&yard, &["--channel", "slope-1", "--yes", "--json"]);
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(report.is_object(), "{report}");
    assert_eq!(curves(&yard, 1).len(), 2);
}

fn took(curve: &CurveRow) -> Duration {
    curve.at.mono.saturating_since(curve.began.mono)
}

/// The words of the virtual load's list.
fn by_list(yard: Yard) -> Yard {
    let list = "[commands.virtual-load]\ninstrument = \"load\"\nlist = {}\n[control]\n";
    yard.stating("[control]\n", list)
        .stating("settling_s = 0.001", "commands = \"virtual-load\"\nsettling_s = 0.001")
        .stating("dwell_s = 0.01\n", "dwell_s = 0.01\nby = \"list\"\n")
}

#[test]
fn the_load_steps_by_itself() {
    let yard = by_list(quick_yard(1));
    let output = once(&yard, &["--channel", "slope-0", "--yes"]);
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert_eq!(yard.plants[0].switches(), (false, false), "off at the end");
    let curve = curves(&yard, 0).pop().unwrap();
    println!("{} points in {:?}", curve.points, took(&curve));
    assert_eq!((curve.ending.as_str(), curve.points), ("whole", 100));
    let reader = Reader::open(&yard.log()).unwrap();
    let id = reader.channels().unwrap()[0].id;
    let points = reader.curve_points(id, curve.boot, curve.curve).unwrap();
    assert!(points.windows(2).all(|two| two[1].at.mono > two[0].at.mono), "each has its own time");
    let result = curve.result.unwrap();
    assert!((200.0..320.0).contains(&result.pmp.unwrap().0), "{result:?}");
    assert_eq!(result.isc_origin.as_deref(), Some("interpolated"));
}

#[test]
#[ignore = "a measurement, for a quiet machine"]
fn a_hundred_points_over_sockets_end_within_1_5_s() {
    for (way, yard) in [("steps", quick_yard(1)), ("list", by_list(quick_yard(1)))] {
        let output = once(&yard, &["--channel", "slope-0", "--yes"]);
        assert_eq!(output.status.code(), Some(0));
        let curve = curves(&yard, 0).pop().unwrap();
        let took = took(&curve);
        println!("by {way}: {} points in {:.3} s", curve.points, took.as_secs_f64());
        assert!(curve.points == 100 && took < Duration::from_millis(1500), "by {way}: {took:?}");
    }
}

/// A run, and what it says to a request, as soon as it hears one and `enough` of it.
fn asked(yard: &Yard, channel: &str, enough: impl Fn(&Output) -> bool) -> Output {
    let (file, log) = (yard.write_station(), yard.log());
    let (file, log) = (file.to_str().unwrap(), log.to_str().unwrap());
    let mut run = command(&["run", file, "--log", log, "--quiet", "--for", "60s"]);
    let mut run = run.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let began = Instant::now();
    let ask = || command(&["sweep", log, "--channel", channel]).output().unwrap();
    let mut output = ask();
    while !enough(&output) && began.elapsed() < Duration::from_secs(40) {
        std::thread::sleep(Duration::from_millis(200));
        output = ask();
    }
    let stopped = Command::new("kill").arg(run.id().to_string()).status().unwrap();
    assert!(stopped.success() && run.wait().unwrap().success());
    output
}

fn says(output: &Output, code: i32, what: &str) -> bool {
    output.status.code() == Some(code) && String::from_utf8_lossy(&output.stderr).contains(what)
}

#[test]
fn whoever_asks_in_vain_is_told_why() {
    // For this channel the day begins at 47 V, which its device never has.
    let yard = quick_yard(1).stating("wake_volts = 20.0", "wake_volts = 47.0");
    // A channel of an earlier run, which this one doesn't have.
    let facts = OpenFacts {
        began: Stamp {
            mono: cresthold::time::Instant::ZERO,
            utc: "2026-06-15T00:00:00Z".parse().unwrap(),
        },
        version: "test".to_owned(),
        station: "yard".to_owned(),
        fingerprint: String::new(),
        seed: None,
        note: None,
        day: cresthold::control::DaySplit::UTC,
        channels: vec![ChannelFacts {
            name: "slope-9".to_owned(),
            device: "module".to_owned(),
            tracker: "hold".to_owned(),
        }],
    };
    Log::open(&yard.log(), &facts).unwrap().finish().unwrap();
    let gone = "the run has no channel slope-9; it has slope-0";
    let output = asked(&yard, "slope-9", |output| says(output, 2, gone));
    assert!(says(&output, 2, gone), "{output:?}");
    let dark = "slope-0 is not swept: it is too dark";
    let output = asked(&yard, "slope-0", |output| says(output, 10, dark));
    assert!(says(&output, 10, dark), "{output:?}");
    assert!(curves(&yard, 1).is_empty(), "nor later");
    assert_eq!(left_behind(&yard), Vec::<String>::new());
}

/// Files of requests and answers.
fn left_behind(yard: &Yard) -> Vec<String> {
    let names = std::fs::read_dir(yard.folder.path()).unwrap().flatten();
    let names = names.map(|entry| entry.file_name().to_string_lossy().into_owned());
    let kinds = [".sweep-", ".asking-", ".answer-", ".answering-"];
    names.filter(|name| kinds.iter().any(|kind| name.contains(kind))).collect()
}

#[test]
fn a_campaign_is_asked_for_a_curve() {
    let yard = quick_yard(2);
    let (file, log) = (yard.write_station(), yard.log());
    let (file, log) = (file.to_str().unwrap(), log.to_str().unwrap());
    let mut run = command(&["run", file, "--log", log, "--quiet", "--for", "60s"]);
    let mut run = run.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let patience = Duration::from_secs(40);
    let ask = || command(&["sweep", log, "--channel", "slope-0"]).output().unwrap();
    let began = Instant::now();
    let mut output = ask();
    while output.status.code() != Some(0) && began.elapsed() < patience {
        std::thread::sleep(Duration::from_millis(200));
        output = ask();
    }
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(0), "{said}");
    // It waits for the curve and prints it.
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(told.contains("Pmp") && said.contains("slope-0 is swept"), "{told}{said}");
    let unknown = command(&["sweep", log, "--channel", "nobody"]).output().unwrap();
    assert_eq!(unknown.status.code(), Some(2));
    let stopped = Command::new("kill").arg(run.id().to_string()).status().unwrap();
    assert!(stopped.success() && run.wait().unwrap().success());
    let found = curves(&yard, 0);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].ending, "whole");
    assert!(curves(&yard, 1).is_empty(), "nobody asked");
    // With nobody to hear it, it says so and leaves nothing behind.
    let output = ask();
    assert_eq!(output.status.code(), Some(4));
    assert!(String::from_utf8(output.stderr).unwrap().contains("no run writes this log"));
    assert_eq!(left_behind(&yard), Vec::<String>::new());
}
