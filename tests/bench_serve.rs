//! The virtual bench: the station file it prints fits it, the logger tracks on it, and its faults
//! happen.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::daemon::field::{self, Stay};
use cresthold::daemon::live::Screen;
use cresthold::daemon::serve::{BenchError, Offer, VirtualBench, places};
use cresthold::daemon::stop::StopFlag;
use cresthold::station::{Address, Station};
use cresthold::store::{Reader, SampleRow};
use cresthold::time::Utc;
use cresthold_sim::wire::fault::{Fault, Lasting, Player, What};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

/// How long the logger runs: some three seconds suffice to begin tracking.
const RUN: Duration = Duration::from_secs(8);

fn offer(terminals: Option<PathBuf>) -> Offer {
    let port = if terminals.is_none() { Some(0) } else { None };
    Offer { port, terminals, at: Duration::from_secs(12 * 3600), speed: 1.0 }
}

/// Runs the logger on a bench while its faults are played; the samples that track, by channel.
fn run(bench: &mut VirtualBench, faults: Player, directory: &Path) -> Vec<usize> {
    let text = bench.station_file();
    let station = Station::parse("bench.toml", &text).unwrap();
    let log = directory.join("bench.sqlite");
    let stay = Stay { length: Some(RUN), patient: false, sweep: None };
    let place = log.clone();
    let logger = std::thread::spawn(move || {
        field::run(&station, &place, stay, &StopFlag::default(), &mut Screen::silent()).unwrap()
    });
    let end = StopFlag::default();
    let until = end.clone();
    let ended = std::thread::scope(|scope| {
        let served = scope.spawn(move || bench.live(faults, None, &until, &mut |_| {}));
        let ended = logger.join().unwrap();
        end.raise();
        served.join().unwrap();
        ended
    });
    assert_eq!(ended.unconfirmed, Vec::<String>::new());
    assert_eq!(ended.unreached, Vec::<String>::new(), "{:?}", ended.troubles);
    let reader = Reader::open(&log).unwrap();
    let always = (Utc::from_micros(i64::MIN), Utc::from_micros(i64::MAX));
    let tracking = |id| {
        let samples = reader.samples(id, always.0, always.1).unwrap();
        let sensed = |sample: &SampleRow| {
            // Warmer than the air of 17 degC: the devices have stood in the sun before the bench began.
            let degrees = sample.module_temperature.is_some_and(|t| (20.0..80.0).contains(&t.0));
            degrees && sample.irradiance.is_some_and(|light| light.0 > 100.0)
        };
        assert!(samples.iter().any(sensed), "its sensors are read: {samples:?}");
        samples
            .iter()
            .filter(|sample| {
                sample.setpoint.is_some() && sample.watts.is_some_and(|watts| watts.0 > 1.0)
            })
            .count()
    };
    reader.channels().unwrap().iter().map(|channel| tracking(channel.id)).collect()
}

#[test]
fn the_logger_tracks_on_sockets() {
    let directory = tempfile::tempdir().unwrap();
    let mut bench = VirtualBench::start(&Station::rehearsal(), &offer(None)).unwrap();
    let tracking = run(&mut bench, Player::new(), directory.path());
    assert!(tracking.len() == 3 && tracking.iter().all(|count| *count >= 2), "{tracking:?}");
    for plant in bench.plants() {
        assert_eq!(plant.switches(), (false, false), "off at the end");
        assert!(plant.truth().delivered.0 > 0.0);
    }
}

#[test]
fn the_logger_tracks_on_terminals_through_faults() {
    let directory = tempfile::tempdir().unwrap();
    let terminals = directory.path().join("yard");
    let station = Station::rehearsal();
    let mut bench = VirtualBench::start(&station, &offer(Some(terminals.clone()))).unwrap();
    let load = terminals.join("slope-1-load");
    let number = std::fs::read_link(&load).unwrap();
    let mut faults = Player::new();
    // Before anything runs, and while it does.
    faults.add([(0, What::Renumbered), (5, What::Closed)].into_iter().map(|(at, what)| Fault {
        at: Duration::from_secs(at),
        lasting: match what {
            What::Closed => Lasting::Once,
            _ => Lasting::For(Duration::from_millis(1)),
        },
        what,
        place: 0,
    }));
    let told = std::cell::Cell::new(0);
    bench.live(faults, Some(Duration::from_millis(50)), &StopFlag::default(), &mut |line| {
        assert!(line.contains(r#"what = "renumbered", for_s = 0.001, where = "slope-1 load""#));
        told.set(told.get() + 1);
    });
    assert_eq!(told.get(), 2, "its beginning and its end");
    assert_ne!(std::fs::read_link(&load).unwrap(), number);
    let tracking = run(&mut bench, Player::new(), directory.path());
    assert!(tracking.iter().all(|count| *count >= 2), "{tracking:?}");
    drop(bench);
    assert!(!load.is_symlink(), "names go with the bench");
}

#[test]
fn the_printed_station_is_the_same_but_for_its_links() {
    let station = Station::rehearsal();
    let bench = VirtualBench::start(&station, &offer(None)).unwrap();
    let printed = Station::parse("bench.toml", &bench.station_file()).unwrap();
    assert!(printed.plant.is_none());
    assert_eq!(printed.site, station.site);
    for (real, plant) in printed.channels.iter().zip(&station.channels) {
        assert_eq!(real.control, plant.control, "envelope, tracker, rhythm");
        assert!(matches!(real.load.address, Address::Tcp { .. }));
        assert!(matches!(real.boost.as_ref().unwrap().address, Some(Address::Tcp { .. })));
        let rated = real.rated.unwrap();
        assert!(rated.crest_volts < rated.open_circuit && rated.open_circuit_per_kelvin.0 < 0.0);
    }
    assert_eq!(printed.sensors.len(), 8, "two of each channel, two of the yard");
    let names: Vec<String> = places(&station, false).into_iter().map(|place| place.name).collect();
    let served: Vec<&str> = bench.outlets().iter().map(|outlet| outlet.name.as_str()).collect();
    assert_eq!(names, served);
}

#[test]
fn a_boost_without_link_is_on_and_served_by_nobody() {
    // The first boost supply's link and what only one with a link has.
    let (head, rest) = Station::REHEARSAL.split_once("[channel.boost]").unwrap();
    let (own, rest) = rest.split_once("\n\n").unwrap();
    let stays = |line: &&str| !line.starts_with("link") && !line.starts_with("measured");
    let own: Vec<&str> = own.lines().filter(stays).collect();
    let text = format!("{head}[channel.boost]{}\n\n{rest}", own.join("\n"));
    let station = Station::parse("fixed.toml", &text).unwrap();
    assert!(station.channels[0].boost.as_ref().unwrap().address.is_none());
    let bench = VirtualBench::start(&station, &offer(None)).unwrap();
    assert_eq!(bench.plants()[0].switches(), (false, true));
    assert_eq!(bench.plants()[1].switches(), (false, false));
    assert!(bench.outlets().iter().all(|outlet| outlet.name != "slope-1 boost"));
    assert!(Station::parse("bench.toml", &bench.station_file()).is_ok());
}

#[test]
fn both_kinds_of_line_lead_to_the_same_instrument() {
    let directory = tempfile::tempdir().unwrap();
    let terminals = Some(directory.path().to_owned());
    let both = Offer { port: Some(0), terminals, ..offer(None) };
    let bench = VirtualBench::start(&Station::rehearsal(), &both).unwrap();
    let outlet = &bench.outlets()[0];
    let Some(Address::Tcp { host, port }) = &outlet.also else { unreachable!() };
    let ask = |line: &mut dyn ReadWrite, message: &str| {
        line.write_all(message.as_bytes()).unwrap();
        let mut reply = String::new();
        std::io::BufRead::read_line(&mut std::io::BufReader::new(line), &mut reply).unwrap();
        reply
    };
    let mut socket = std::net::TcpStream::connect((host.as_str(), *port)).unwrap();
    assert_eq!(ask(&mut socket, "VOLT 33;VOLT?\n"), "33.0000\n");
    let path = directory.path().join("slope-1-load");
    let mut terminal = std::fs::OpenOptions::new().read(true).write(true).open(path).unwrap();
    assert_eq!(ask(&mut terminal, "VOLT?\n"), "33.0000\n");
}

trait ReadWrite: std::io::Read + std::io::Write {}
impl<T: std::io::Read + std::io::Write> ReadWrite for T {}

#[test]
fn what_can_t_be_served_is_told() {
    let station = Station::rehearsal();
    let start = |offer: &Offer| VirtualBench::start(&station, offer).err().unwrap();
    let late = Offer { at: Duration::from_secs(25 * 3600), ..offer(None) };
    assert!(matches!(start(&late), BenchError::NoSuchTime { .. }));
    let high = Offer { port: Some(65_530), ..offer(None) };
    assert!(matches!(start(&high), BenchError::Ports { needed: 14, .. }));
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port();
    let busy = Offer { port: Some(port.min(65_000)), ..offer(None) };
    if port <= 65_000 {
        assert!(matches!(start(&busy), BenchError::Serve(_)));
    }
    let real = include_str!("../deploy/stations/one-module-tcp.toml");
    let real = Station::parse("real.toml", real).unwrap();
    assert!(matches!(VirtualBench::start(&real, &offer(None)), Err(BenchError::Yard(_))));
}

#[test]
fn the_command_prints_a_station_file_that_check_accepts() {
    let directory = tempfile::tempdir().unwrap();
    let cresthold = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
        command.args(arguments).current_dir(directory.path()).output().unwrap()
    };
    let served = cresthold(&["bench", "--for", "1s", "--write", "bench.toml"]);
    let said = String::from_utf8_lossy(&served.stderr);
    assert!(served.status.success() && said.contains("slope-1 load"), "{said}");
    assert!(said.contains("the crest offered"), "{said}");
    let check = cresthold(&["check", "bench.toml"]);
    assert!(check.status.success(), "{}", String::from_utf8_lossy(&check.stderr));
    let printed = cresthold(&["bench", "--for", "1s", "--terminals", "yard", "--at", "06:00"]);
    let text = String::from_utf8(printed.stdout).unwrap();
    assert!(Station::parse("bench.toml", &text).is_ok(), "{text}");
    std::fs::copy(directory.path().join("bench.toml"), directory.path().join("yard.toml")).unwrap();
    let over = cresthold(&["bench", "yard.toml", "--for", "1s", "--write", "./yard.toml"]);
    let told = String::from_utf8_lossy(&over.stderr);
    assert!(over.status.code() == Some(2) && told.contains("is being read"), "{told}");
    let random = ["bench", "--for", "2s", "--random-faults", "5", "--mean", "1s"];
    let random = String::from_utf8(cresthold(&random).stderr).unwrap();
    assert!(random.contains("seed 5") && random.contains("begins: { at_s = "), "{random}");

    std::fs::write(directory.path().join("bad.toml"), "[[fault]]\nat_s = -1\n").unwrap();
    let bad = cresthold(&["bench", "--faults", "bad.toml"]);
    assert_eq!(bad.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&bad.stderr).contains("bad.toml:2: fault[1].at_s"));
    assert_eq!(cresthold(&["bench", "--at", "24:30"]).status.code(), Some(2));
    assert_eq!(cresthold(&["bench", "bench.toml"]).status.code(), Some(3), "its links are real");
}
