//! The daemon is killed while it tracks: the next one finds the load on, makes it safe before it
//! touches anything else, verifies, and goes on within five seconds.
//!
//! The instruments live in this process and keep what they were told; the daemon is the real
//! binary. What was sent is seen from the instruments' side.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod noon;

use cresthold::store::{EventRow, Reader};
use cresthold::time::Utc;
use cresthold_sim::wire::instrument::{Held, Instrument, VirtualLoad, VirtualSupply};
use cresthold_sim::wire::plant::LivePlant;
use cresthold_sim::wire::serve::{PtyServer, TcpServer};
use noon::{Daemon, plant, station};
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant, SystemTime};

/// The stated goal, from the start of the second process to the first turn at the crest.
const BACK_WITHIN: Duration = Duration::from_secs(5);
/// Far longer than any step takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);

/// Who was told what, in order.
type Told = Arc<Mutex<Vec<(&'static str, String)>>>;

/// An instrument whose messages are written down.
struct Overheard<I> {
    who: &'static str,
    told: Told,
    instrument: I,
}

impl<I: Instrument> Instrument for Overheard<I> {
    fn handle(&mut self, message: &[u8], reply: &mut Vec<u8>) -> Duration {
        let text = String::from_utf8_lossy(message).trim().to_owned();
        self.told.lock().unwrap().push((self.who, text));
        self.instrument.handle(message, reply)
    }

    fn overrun(&mut self) {
        self.instrument.overrun();
    }
}

fn events(log: &Path) -> Vec<EventRow> {
    let ever = (Utc::from_micros(i64::MIN), Utc::from_micros(i64::MAX));
    Reader::open(log).and_then(|reader| reader.events(ever.0, ever.1)).unwrap_or_default()
}

/// Waits until the log has `count` events of this code.
#[track_caller]
fn wait_for(log: &Path, code: &str, count: usize) {
    let until = Instant::now() + PATIENCE;
    while events(log).iter().filter(|event| event.code == code).count() < count {
        assert!(Instant::now() < until, "no {code} in the log: {:?}", events(log));
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn utc_now() -> Utc {
    Utc::default() + SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap()
}

/// Whether a message sets something, beyond what brings question and answer into step: queries,
/// the status registers, an empty line.
fn sets(message: &str) -> bool {
    let harmless = |unit: &str| {
        let unit = unit.trim();
        unit.is_empty() || unit.ends_with('?') || unit == "*CLS" || unit.starts_with("*ESE ")
    };
    !message.split(';').all(harmless)
}

/// Kills a daemon that tracks, starts another, and looks at what it does.
fn killed_and_started(plant: &LivePlant, told: &Told, station: &str) {
    let directory = tempfile::tempdir().unwrap();
    let (file, log) = (directory.path().join("yard.toml"), directory.path().join("yard.sqlite"));
    std::fs::write(&file, station).unwrap();
    let mut first = Daemon::start(&file, &log);
    wait_for(&log, "tracking-began", 1);
    std::thread::sleep(Duration::from_secs(2));
    assert_eq!(plant.switches(), (true, true), "it tracks");
    first.0.kill().unwrap(); // SIGKILL
    first.0.wait().unwrap();
    let killed = utc_now();
    assert!(directory.path().join("yard.sqlite.lock").exists(), "the lock file stays behind");
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(plant.switches(), (true, true), "nobody switched off");
    let before = plant.truth().delivered;
    std::thread::sleep(Duration::from_millis(500));
    assert!(plant.truth().delivered > before, "the load goes on by itself");

    told.lock().unwrap().clear();
    let started = utc_now();
    let errors = directory.path().join("second.txt");
    let second = Daemon::start_told(&file, &log, &errors);
    wait_for(&log, "tracking-began", 2);
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(plant.switches(), (true, true), "it tracks again");
    let messages = told.lock().unwrap().clone();
    let kill = Command::new("kill").args(["-TERM", &second.0.id().to_string()]).status().unwrap();
    assert!(kill.success());
    let mut second = second;
    assert_eq!(second.0.wait().unwrap().code(), Some(0));
    assert_eq!(plant.switches(), (false, false), "off at the end");
    look_at_log(&log, killed, started);
    look_at_messages(&messages);
    look_at_errors(&std::fs::read_to_string(errors).unwrap());
}

/// What the journal of a service would show: that the start was no normal one, and that all is well again.
fn look_at_errors(told: &str) {
    println!("{told}");
    let line = |words: &[&str]| {
        let found: Vec<usize> = told
            .lines()
            .enumerate()
            .filter(|(_, line)| words.iter().all(|word| line.contains(word)))
            .map(|(number, _)| number)
            .collect();
        assert_eq!(found.len(), 1, "{words:?} is to be told once: {told}");
        found[0]
    };
    let broke_off = line(&["WARN", "the last run broke off without an end"]);
    let found_on = line(&["WARN", "slope-1: the load's input was found on"]);
    let back = line(&["INFO", "slope-1: tracking began"]);
    assert!(broke_off < found_on && found_on < back, "{told}");
    assert!(!told.contains("run began"), "what is in order is in the log alone: {told}");
}

/// What the second run found and when it was back.
fn look_at_log(log: &Path, killed: Utc, started: Utc) {
    let all = events(log);
    let boot = all.last().unwrap().boot;
    let run: Vec<&EventRow> = all.iter().filter(|event| event.boot == boot).collect();
    // What of the time without a run lay in daylight hangs on when the test is run.
    let codes: Vec<&str> =
        run.iter().map(|event| event.code.as_str()).filter(|code| *code != "without-run").collect();
    for event in &run {
        println!("{} {} {}", event.at.utc, event.code, event.text);
    }
    let begin = [
        "run-began",
        "last-run-broke-off",
        "instruments",
        "connected",
        "found-on",
        "woke",
        "tracking-began",
    ];
    assert_eq!(codes[..begin.len()], begin);
    let number = |code: &str, key: &str| {
        let event = run.iter().find(|event| event.code == code).unwrap();
        let detail: serde_json::Value =
            serde_json::from_str(event.detail.as_deref().unwrap()).unwrap();
        detail[key].as_f64().unwrap()
    };
    // Near the crest of a crystalline module, with 6 V of boost in series; the light passes clouds.
    let (volts, amps) = (number("found-on", "load_v"), number("found-on", "amps_a"));
    assert!((30.0..50.0).contains(&volts) && amps > 0.3, "found at {volts} V, {amps} A");
    // The rows of the last commit interval died with it.
    let last = number("last-run-broke-off", "last_utc_us") / 1e6;
    let at = |utc: Utc| utc.as_micros() as f64 / 1e6;
    let lost = at(killed) - last;
    assert!((0.0..3.0).contains(&lost), "the last row is {lost} s older than the kill");
    let back = run.iter().find(|event| event.code == "tracking-began").unwrap();
    let after = at(back.at.utc) - at(started);
    println!("back at the crest {after:.2} s after the start of the second process");
    assert!(after <= BACK_WITHIN.as_secs_f64(), "{after} s");
    let conn = rusqlite::Connection::open(log).unwrap();
    let sound: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(sound, "ok");
}

/// The input went off before anything else was set, and on again only after all was verified.
fn look_at_messages(messages: &[(&'static str, String)]) {
    let setting: Vec<&(&str, String)> =
        messages.iter().filter(|(_, message)| sets(message)).collect();
    println!("{:?}", &setting[..setting.len().min(12)]);
    let off = |message: &str| message.starts_with("INP") && message.contains(['0', 'F']);
    assert!(setting[0].0 == "load" && off(&setting[0].1), "{setting:?}");
    let place = |who: &str, wanted: &str| {
        let found = messages.iter().position(|(of, text)| *of == who && text.contains(wanted));
        found.unwrap_or_else(|| unreachable!("{who} never heard {wanted}: {messages:?}"))
    };
    let on = messages.iter().position(|(who, text)| {
        *who == "load" && text.starts_with("INP") && !text.contains('?') && !off(text)
    });
    let on = on.unwrap();
    assert!(place("load", "*IDN?") < on && place("boost", "*IDN?") < on);
    let boost_on = messages.iter().position(|(who, text)| {
        *who == "boost" && text.starts_with("OUTP") && (text.contains("ON") || text.contains('1'))
    });
    assert!(boost_on.unwrap() < on, "boost first, then the input");
}

fn overheard(plant: &LivePlant) -> (Told, Box<dyn Instrument>, Box<dyn Instrument>) {
    let told = Told::default();
    let load = VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(plant.clone()));
    let load = Overheard { who: "load", told: Arc::clone(&told), instrument: load };
    let boost = VirtualSupply::supply("Test Yard,VB-1,0002,1.0", Box::new(plant.clone()));
    let boost = Overheard { who: "boost", told: Arc::clone(&told), instrument: boost };
    (told, Box::new(load), Box::new(boost))
}

#[test]
fn killed_while_tracking_over_tcp() {
    let plant = plant();
    let (told, load, boost) = overheard(&plant);
    let (load, boost) = (TcpServer::start(load).unwrap(), TcpServer::start(boost).unwrap());
    let link = |server: &TcpServer| format!("{{ tcp = \"{}\" }}", server.address());
    killed_and_started(&plant, &told, &station(&link(&load), &link(&boost)));
}

#[test]
fn killed_while_tracking_over_pseudo_terminals() {
    let plant = plant();
    let (told, load, boost) = overheard(&plant);
    let (load, boost) = (PtyServer::start(load).unwrap(), PtyServer::start(boost).unwrap());
    let link = |server: &PtyServer| {
        format!("{{ serial = \"{}\", baud = 115200 }}", server.path().display())
    };
    killed_and_started(&plant, &told, &station(&link(&load), &link(&boost)));
}

#[test]
fn a_let_go_says_its_limit_on_standard_error() {
    let plant = plant();
    let (_, load, boost) = overheard(&plant);
    let (load, boost) = (TcpServer::start(load).unwrap(), TcpServer::start(boost).unwrap());
    let link = |server: &TcpServer| format!("{{ tcp = \"{}\" }}", server.address());
    let usual = station(&link(&load), &link(&boost));
    // Far below what the module gives at noon.
    let narrow = usual.replace("device_watts_max = 520.0", "device_watts_max = 20.0");
    assert_ne!(usual, narrow);
    let directory = tempfile::tempdir().unwrap();
    let (file, log) = (directory.path().join("yard.toml"), directory.path().join("yard.sqlite"));
    let errors = directory.path().join("told.txt");
    std::fs::write(&file, narrow).unwrap();
    let _daemon = Daemon::start_told(&file, &log, &errors);
    wait_for(&log, "let-go", 1);
    let told = std::fs::read_to_string(errors).unwrap();
    println!("{told}");
    let event = events(&log).into_iter().find(|event| event.code == "let-go").unwrap();
    let wanted = format!("ERROR slope-1: {}", event.text);
    assert!(wanted.contains("20.000 W"), "{wanted}");
    assert_eq!(told.lines().filter(|line| line.ends_with(&wanted)).count(), 1, "{told}");
}

/// A load whose protection trips is no lost link: the cause is told in the log and on standard error.
#[test]
fn a_tripped_load_is_told_as_tripped() {
    let plant = plant();
    let load = Held::new(VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(plant.clone())));
    let boost = VirtualSupply::supply("Test Yard,VB-1,0002,1.0", Box::new(plant.clone()));
    let server = TcpServer::start(Box::new(load.clone())).unwrap();
    let boost = TcpServer::start(Box::new(boost)).unwrap();
    let link = |server: &TcpServer| format!("{{ tcp = \"{}\" }}", server.address());
    let directory = tempfile::tempdir().unwrap();
    let (file, log) = (directory.path().join("yard.toml"), directory.path().join("yard.sqlite"));
    let errors = directory.path().join("told.txt");
    std::fs::write(&file, station(&link(&server), &link(&boost))).unwrap();
    let _daemon = Daemon::start_told(&file, &log, &errors);
    wait_for(&log, "tracking-began", 1);
    load.trip(true);
    wait_for(&log, "link-lost", 1);
    let told = std::fs::read_to_string(errors).unwrap();
    println!("{told}");
    let cause = "slope-1 load at";
    let says = "so it is off though it was switched on: one of its protections has tripped";
    let line = told.lines().find(|line| line.contains(cause) && line.contains(says));
    assert!(line.is_some(), "{told}");
    let events = events(&log);
    let lost = events.iter().position(|event| event.code == "link-lost").unwrap();
    let before = &events[lost - 1];
    assert!(before.code == "instrument" && before.text.contains(says), "{before:?}");
    assert!(events[lost].text.contains("an instrument that is out of order"), "{events:?}");
}
