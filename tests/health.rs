//! How a run is, from outside: the service manager, `status`, and monitoring systems.
//!
//! The binary is real, and so are sockets, the service manager's socket and the lines to the
//! instruments. The forms of the messages are those of sd_notify(3) and of the OpenMetrics
//! specification, version 1.0.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod noon;

use cresthold::daemon::health::Health;
use cresthold::store::Reader;
use cresthold_sim::wire::instrument::{VirtualLoad, VirtualSupply};
use cresthold_sim::wire::plant::LivePlant;
use cresthold_sim::wire::serve::TcpServer;
use noon::{Daemon, plant, station};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Command, Output};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// The load of a bench, on a port; 0 lets the system choose.
fn serve_load(plant: &LivePlant, port: u16) -> TcpServer {
    let load = VirtualLoad::load("Test Yard,VL-1,0001,1.0", Box::new(plant.clone()));
    TcpServer::start_on(Box::new(load), port).unwrap()
}

/// Load and boost supply of a bench, and the station file for them.
fn serve(plant: &LivePlant, file: &Path) -> (TcpServer, TcpServer) {
    let load = serve_load(plant, 0);
    let boost = VirtualSupply::supply("Test Yard,VB-1,0002,1.0", Box::new(plant.clone()));
    let boost = TcpServer::start(Box::new(boost)).unwrap();
    let link = |server: &TcpServer| format!("{{ tcp = \"{}\" }}", server.address());
    std::fs::write(file, station(&link(&load), &link(&boost))).unwrap();
    (load, boost)
}

/// Far longer than any step takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);

fn cresthold() -> Command {
    Command::new(env!("CARGO_BIN_EXE_cresthold"))
}

fn status(log: &Path, more: &[&str]) -> Output {
    cresthold().arg("status").arg(log).args(more).output().unwrap()
}

/// Waits until `ready` gives something.
fn wait<T>(mut ready: impl FnMut() -> Option<T>) -> T {
    let until = Instant::now() + PATIENCE;
    loop {
        if let Some(found) = ready() {
            return found;
        }
        assert!(Instant::now() < until, "nothing within {PATIENCE:?}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn ask(log: &Path) -> Option<Health> {
    let asked = status(log, &["--json"]);
    asked.status.success().then(|| serde_json::from_slice(&asked.stdout).unwrap())
}

/// An HTTP question as the standard has it, head and body of the answer.
fn get(address: &str, method: &str, path: &str) -> (String, String) {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    write!(stream, "{method} {path} HTTP/1.1\r\nhost: {address}\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    (head.to_ascii_lowercase(), body.to_owned())
}

/// What the service manager has heard so far.
fn heard(socket: &UnixDatagram, all: &mut Vec<String>) {
    let mut message = [0; 1024];
    while let Ok(length) = socket.recv(&mut message) {
        all.push(String::from_utf8_lossy(&message[..length]).trim().to_owned());
    }
}

#[test]
fn a_run_tells_how_it_is() {
    let plant = plant();
    let directory = tempfile::tempdir().unwrap();
    let (file, log) = (directory.path().join("yard.toml"), directory.path().join("yard.sqlite"));
    let (load, _boost) = serve(&plant, &file);
    let recorded = std::fs::read_to_string(&file).unwrap() + "[recording]\nfolder = \"heard\"\n";
    std::fs::write(&file, recorded).unwrap();
    let nobody = status(&log, &[]);
    assert_eq!(nobody.status.code(), Some(4), "{nobody:?}");

    let manager = UnixDatagram::bind(directory.path().join("notify")).unwrap();
    manager.set_nonblocking(true).unwrap();
    let mut command = cresthold();
    command.env("NOTIFY_SOCKET", directory.path().join("notify"));
    command.env("WATCHDOG_USEC", "900000").env_remove("WATCHDOG_PID");
    let mut daemon = Daemon::start_with(command, &file, &log);
    let mut told = Vec::new();
    wait(|| {
        heard(&manager, &mut told);
        told.iter().any(|message| message == "READY=1").then_some(())
    });
    let health = wait(|| {
        ask(&log).filter(|health| health.channels[0].power_w.is_some_and(|watts| watts > 10.0))
    });
    let crest = plant.truth().crest.0;
    let channel = &health.channels[0];
    assert_eq!((channel.name.as_str(), channel.doing.as_str()), ("slope-1", "tracking"));
    // Clouds pass: within a factor of two, the order of magnitude tells volts from watts.
    assert!((0.5..2.0).contains(&(channel.power_w.unwrap() / crest)), "{channel:?} {crest}");
    assert!(health.turning && health.troubles.is_empty() && health.log.trouble.is_none());
    assert!(health.cost.processor_s.unwrap() < health.up_s, "{:?}", health.cost);
    assert!(health.cost.resident_bytes.unwrap() < 30_000_000, "{:?}", health.cost);
    assert!(health.log.bytes > 10_000 && health.log.lost == 0, "{:?}", health.log);
    let free = free(directory.path());
    let room = health.log.free_bytes.unwrap();
    // Others write to this disk meanwhile.
    assert!(room.abs_diff(free) < free / 20 + 1_000_000_000, "{room} {free}");
    let table = String::from_utf8(status(&log, &[]).stdout).unwrap();
    println!("{table}");
    let recording = &health.recordings[0];
    let length = std::fs::metadata(recording.file.as_ref().unwrap()).unwrap().len();
    assert!((1..=length).contains(&recording.bytes) && recording.ended.is_none(), "{recording:?}");
    let codes: Vec<&str> = health.events.iter().map(|event| event.code.as_str()).collect();
    for code in ["connected", "tracking-began"] {
        assert!(codes.contains(&code), "{code} is not in {codes:?}");
    }
    for word in ["last events", "-1.recording", "tracking began"] {
        assert!(table.contains(word), "{word:?} is not in\n{table}");
    }
    for word in ["slope-1", "tracking", " V ", " A ", " W ", "control turns", "turns: ", "log: "] {
        assert!(table.contains(word), "{word:?} is not in\n{table}");
    }
    look_at_metrics(&log);
    // What a dead line said last is soon no answer any more. Meanwhile nobody reads what the manager is
    // told, many times a watchdog's meal, which holds nothing up.
    let port = load.address().port();
    drop(load);
    let health = wait(|| ask(&log).filter(|health| health.channels[0].power_w.is_none()));
    let channel = &health.channels[0];
    assert!(channel.sample_time.is_some() && channel.doing == "connecting", "{channel:?}");
    let _load = serve_load(&plant, port);
    wait(|| ask(&log).filter(|health| health.channels[0].power_w.is_some()));
    heard(&manager, &mut told);

    let kill = Command::new("kill").args(["-TERM", &daemon.0.id().to_string()]).status().unwrap();
    assert!(kill.success());
    assert_eq!(daemon.0.wait().unwrap().code(), Some(0));
    heard(&manager, &mut told);
    let fed = told.iter().filter(|message| *message == "WATCHDOG=1").count();
    assert!(fed >= 2, "{told:?}");
    assert_eq!(told.last().map(String::as_str), Some("STOPPING=1"));
    assert!(told.iter().any(|message| message.starts_with("STATUS=channels: 1 ")), "{told:?}");
    assert_eq!(status(&log, &[]).status.code(), Some(4), "nobody runs any more");
}

/// What a run before made of the day is in what is shown of it, and not in what this run made.
#[test]
fn the_day_goes_on_after_a_restart() {
    let plant = plant();
    let directory = tempfile::tempdir().unwrap();
    let (file, log) = (directory.path().join("yard.toml"), directory.path().join("yard.sqlite"));
    let (_load, _boost) = serve(&plant, &file);
    let tracking = || {
        let daemon = Daemon::start(&file, &log);
        let health = wait(|| ask(&log).filter(|health| health.channels[0].doing == "tracking"));
        (daemon, health)
    };
    let (mut first, _) = tracking();
    std::thread::sleep(Duration::from_secs(3));
    let kill = Command::new("kill").args(["-TERM", &first.0.id().to_string()]).status().unwrap();
    assert!(kill.success());
    assert_eq!(first.0.wait().unwrap().code(), Some(0));
    let (_second, health) = tracking();
    // Also within the first minute, whose record is not there yet.
    let made = wait(|| {
        let channel = ask(&log)?.channels.swap_remove(0);
        (channel.energy_wh > 0.05 && channel.energy_wh <= channel.today_wh)
            .then_some(channel.energy_wh)
    });
    let up = ask(&log).unwrap().up_s;
    assert!(up < 60.0 && made < up * 400.0 / 3600.0, "{made} Wh after {up} s");
    let today = health.time.get(..10).unwrap();
    let rows = Reader::open(&log).unwrap().day_totals(today, today).unwrap();
    let before: f64 = rows.iter().map(|row| row.energy.0).sum();
    let channel = &health.channels[0];
    assert!(channel.today_wh >= before && channel.energy_wh <= channel.today_wh, "{channel:?}");
    // Some 200 W for 3 s; nothing where midnight has passed meanwhile.
    assert!(before > 0.05 || rows.is_empty(), "{before}");
    let table = String::from_utf8(status(&log, &[]).stdout).unwrap();
    assert!(table.contains("today") && table.contains(" Wh"), "{table}");
}

/// What the system's own tool says is free on a directory's disk (bytes).
fn free(directory: &Path) -> u64 {
    let told = Command::new("df").args(["-P", "-B1"]).arg(directory).output().unwrap();
    let text = String::from_utf8(told.stdout).unwrap();
    text.lines().nth(1).unwrap().split_whitespace().nth(3).unwrap().parse().unwrap()
}

fn look_at_metrics(log: &Path) {
    let mut lock = log.as_os_str().to_owned();
    lock.push(".lock");
    let address = std::fs::read_to_string(lock).unwrap();
    let address = address.trim();
    let (head, text) = get(address, "GET", "/metrics");
    assert!(head.starts_with("http/1.1 200") && head.contains("application/openmetrics-text"));
    assert!(text.ends_with("# EOF\n"), "{text}");
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        let (name, value) = line.rsplit_once(' ').unwrap();
        assert!(name.starts_with("cresthold_") && value.parse::<f64>().is_ok(), "{line}");
    }
    for wanted in [
        "cresthold_turning 1.0",
        "cresthold_device_power_watts{channel=\"slope-1\"} ",
        "cresthold_device_energy_joules_total{channel=\"slope-1\"} ",
        "cresthold_activity{channel=\"slope-1\",doing=\"tracking\"} 1.0",
        "cresthold_log_sound 1.0",
        "cresthold_log_free_bytes ",
    ] {
        assert!(text.contains(wanted), "{wanted} is not in\n{text}");
    }
    assert!(get(address, "GET", "/health").0.starts_with("http/1.1 200"));
    assert!(
        get(address, "POST", "/status").0.starts_with("http/1.1 405"),
        "nothing can be changed"
    );
    assert!(get(address, "GET", "/other").0.starts_with("http/1.1 404"));
    if let Ok(place) = std::env::var("CRESTHOLD_KEEP_METRICS") {
        std::fs::write(place, text).unwrap();
    }
}

/// Standard error goes into a pipe that nobody reads any more, as when a terminal is held or a connection
/// hangs. Control goes on, and so do the log and the answers.
#[test]
fn a_reader_who_stops_reading_holds_nothing_up() {
    let plant = plant();
    let directory = tempfile::tempdir().unwrap();
    let (file, log) = (directory.path().join("yard.toml"), directory.path().join("yard.sqlite"));
    let (load, _boost) = serve(&plant, &file);
    let (unread, mut pipe) = std::io::pipe().unwrap();
    let mut command = cresthold();
    command.stderr(pipe.try_clone().unwrap());
    let mut daemon = Daemon::start_with(command, &file, &log);
    let doing = |what: &str| {
        let is = |health: &Health| health.channels[0].doing == what;
        wait(|| ask(&log).filter(is));
    };
    doing("tracking");
    let filled = Arc::new(AtomicUsize::new(0));
    let count = Arc::clone(&filled);
    // It waits in its last write until the test has dropped the reader.
    std::thread::spawn(move || {
        while let Ok(more) = pipe.write(&[b'-'; 1024]) {
            count.fetch_add(more, Ordering::Relaxed);
        }
    });
    let mut before = 0;
    wait(|| {
        std::thread::sleep(Duration::from_millis(200));
        let now = filled.load(Ordering::Relaxed);
        (now > 0 && std::mem::replace(&mut before, now) == now).then_some(())
    });
    // Warnings are due now.
    let port = load.address().port();
    drop(load);
    doing("connecting");
    let _load = serve_load(&plant, port);
    doing("tracking");
    let kill = Command::new("kill").args(["-TERM", &daemon.0.id().to_string()]).status().unwrap();
    assert!(kill.success());
    assert_eq!(wait(|| daemon.0.try_wait().unwrap()).code(), Some(0));
    assert_eq!(plant.switches(), (false, false), "input and boost are off at the end");
    drop(unread);
}

#[test]
fn a_second_run_leaves_the_first_ones_address_alone() {
    let directory = tempfile::tempdir().unwrap();
    let log = directory.path().join("yard.sqlite");
    let lock = directory.path().join("yard.sqlite.lock");
    let held = std::fs::File::create(&lock).unwrap();
    held.try_lock().unwrap();
    std::fs::write(&lock, "127.0.0.1:9\n").unwrap();
    let short = ["run", "--speed", "max", "--for", "1min", "--log"];
    let run = cresthold().args(short).arg(&log).output().unwrap();
    assert_eq!(run.status.code(), Some(4), "{run:?}");
    assert_eq!(std::fs::read_to_string(&lock).unwrap(), "127.0.0.1:9\n");
    // Nobody listens there.
    let asked = status(&log, &[]);
    assert_eq!(asked.status.code(), Some(4));
    assert!(
        String::from_utf8_lossy(&asked.stderr).contains("127.0.0.1:9: the run does not answer")
    );
}
