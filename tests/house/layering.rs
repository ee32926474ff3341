//! Which room may know which, and who may touch the outer world.

use crate::expect_none;
use crate::source::{Source, sources};

/// A room and the rooms it may name.
type Rule = (&'static str, &'static [&'static str]);

/// What lies under both crates and may be named anywhere.
const GROUND: [&str; 2] = ["quantities", "time"];

/// The logger's rooms; a room that isn't here fails until somebody decides what it may know.
const LOGGER: [Rule; 17] = [
    ("control", &["trackers"]),
    ("trackers", &[]),
    ("curve", &[]),
    ("yields", &["curve"]),
    ("season", &["control", "curve", "yields"]),
    ("rehearsal", &["control", "station"]),
    ("recording", &["control", "station"]),
    ("study", &["control", "trackers", "rehearsal", "station"]),
    ("sensors", &["control"]),
    ("store", &["control", "sensors"]),
    ("export", &["control", "store"]),
    ("instruments", &["control", "scpi", "modbus"]),
    ("station", &["control", "trackers", "curve", "instruments", "modbus", "sensors"]),
    ("report", &["control", "curve", "season", "store", "station", "study", "yields"]),
    ("commission", &["control", "trackers", "station", "report"]),
    (
        "daemon",
        &[
            "control",
            "trackers",
            "curve",
            "rehearsal",
            "recording",
            "study",
            "sensors",
            "store",
            "instruments",
            "station",
            "report",
            "commission",
            "yields",
            "scpi",
            "modbus",
        ],
    ),
    (
        "cli",
        &[
            "control",
            "trackers",
            "curve",
            "rehearsal",
            "recording",
            "study",
            "sensors",
            "store",
            "export",
            "instruments",
            "station",
            "report",
            "commission",
            "yields",
            "season",
            "daemon",
            "scpi",
            "modbus",
        ],
    ),
];

/// The plant's rooms.
const PLANT: [Rule; 10] = [
    ("quantities", &[]),
    ("time", &[]),
    ("device", &[]),
    ("thermal", &[]),
    ("sky", &[]),
    ("scene", &["device", "sky", "thermal"]),
    ("bench", &["device"]),
    ("scpi", &[]),
    ("modbus", &[]),
    ("wire", &["bench", "device", "scpi", "modbus", "sky", "thermal"]),
];

#[test]
fn rooms_know_only_the_rooms_below_them() {
    let mut wrong = Vec::new();
    for (root, rules) in [("src", &LOGGER[..]), ("sim/src", &PLANT[..])] {
        for source in sources(&[root]) {
            strangers(&source, root, rules, &mut wrong);
        }
    }
    expect_none("arrows run one way; see tests/house/layering.rs and DEVELOPERS.md", &wrong);
}

fn strangers(source: &Source, root: &str, rules: &[Rule], wrong: &mut Vec<String>) {
    let room = source.room(root);
    if room.is_empty() {
        return;
    }
    let Some((_, allowed)) = rules.iter().find(|(name, _)| *name == room) else {
        wrong.push(format!("{}: the room {room} has no rule", source.at(1)));
        return;
    };
    for named in source.paths() {
        let Some(other) = room_named(&named.path, depth(source, root)) else { continue };
        // A word with a capital is an item of lib.rs, not a room.
        let is_room = other.starts_with(|first: char| first.is_ascii_lowercase());
        if is_room && other != room && !GROUND.contains(&other) && !allowed.contains(&other) {
            wrong.push(format!("{}: {room} must not know {other}", source.at(named.line)));
        }
    }
}

/// How many modules the file lies below the crate's root.
fn depth(source: &Source, root: &str) -> usize {
    let parts = source.path[root.len()..].matches('/').count();
    if source.path.ends_with("/mod.rs") { parts - 1 } else { parts }
}

/// The room that a path leads to, if it starts at the crate's root.
fn room_named(path: &str, depth: usize) -> Option<&str> {
    if let Some(rest) = path.strip_prefix("crate::") {
        return rest.split("::").next();
    }
    let ups = path.split("::").take_while(|part| *part == "super").count();
    (ups > 0 && ups == depth).then(|| path.split("::").nth(ups)).flatten()
}

#[test]
fn the_plant_knows_nothing_of_the_logger() {
    let mut wrong = Vec::new();
    for source in sources(&["sim/src", "sim/tests", "sim/benches"]) {
        for named in source.paths() {
            if named.path.starts_with("cresthold::") {
                wrong.push(format!("{}: {}", source.at(named.line), named.path));
            }
        }
    }
    expect_none("sim is the ground floor", &wrong);
}

/// Clocks, threads and sockets. Addresses (`std::net::IpAddr` and its kin) are values and fine.
const OUTER_WORLD: [&str; 16] = [
    "std::thread",
    "std::time::Instant",
    "std::time::SystemTime",
    "std::time::UNIX_EPOCH",
    "std::net::TcpStream",
    "std::net::TcpListener",
    "std::net::UdpSocket",
    "std::net::ToSocketAddrs",
    "std::os::unix::net",
    "std::os::fd",
    "tokio",
    "serialport",
    "rustix",
    "jiff::Timestamp::now",
    "jiff::Zoned::now",
    "SystemTime::now",
];

/// Who may touch them: the shells and the lines, and the log's own thread.
const SHELLS: [&str; 6] = [
    "src/daemon/",
    "src/instruments/",
    "sim/src/wire/",
    "src/store/writer",
    "src/store/queue",
    "src/store/tail",
];

#[test]
fn only_the_shells_touch_clocks_threads_and_sockets() {
    let mut wrong = Vec::new();
    for source in sources(&["src", "sim/src"]) {
        if SHELLS.iter().any(|shell| source.path.starts_with(shell)) {
            continue;
        }
        for named in source.paths() {
            if OUTER_WORLD.iter().any(|world| is_below(&named.path, world)) {
                wrong.push(format!("{}: {}", source.at(named.line), named.path));
            }
        }
    }
    expect_none("time comes in as an argument; only the shells have clocks and threads", &wrong);
}

/// What the pure core must not name, as paths.
const IMPURE_PATHS: [&str; 15] = [
    "std::fs",
    "std::net",
    "std::thread",
    "std::env",
    "std::process",
    "std::io",
    "std::collections",
    "rusqlite",
    "tokio",
    "serialport",
    "rand",
    "cresthold_sim::bench",
    "cresthold_sim::device",
    "cresthold_sim::sky",
    "cresthold_sim::wire",
];

/// What the pure core must not name, as words: they leave the machine.
const IMPURE_WORDS: [&str; 5] = ["SystemTime", "rand", "println", "eprintln", "print"];

/// What it must not name either: they allocate.
const ALLOCATING_WORDS: [&str; 7] =
    ["Vec", "vec", "String", "Box", "format", "to_string", "to_vec"];

/// What is pure like the rest, but allocates: see its own opening lines.
const ALLOCATES: &str = "src/trackers/script/";

#[test]
fn the_core_and_the_trackers_are_pure() {
    let mut wrong = Vec::new();
    for source in sources(&["src/control", "src/trackers"]) {
        for named in source.paths() {
            if IMPURE_PATHS.iter().any(|path| is_below(&named.path, path)) {
                wrong.push(format!("{}: {}", source.at(named.line), named.path));
            }
        }
        let allocates = source.path.starts_with(ALLOCATES);
        let forbidden = |word: &&str| {
            IMPURE_WORDS.contains(word) || !allocates && ALLOCATING_WORDS.contains(word)
        };
        for (index, line) in source.code.lines().enumerate() {
            let words = line.split(|c: char| !c.is_alphanumeric() && c != '_');
            for word in words.filter(forbidden) {
                wrong.push(format!("{}: {word}", source.at(index + 1)));
            }
        }
    }
    expect_none("control and trackers are pure and allocate nothing", &wrong);
}

/// Whether a path is `above` or lies below it.
fn is_below(path: &str, above: &str) -> bool {
    path.strip_prefix(above).is_some_and(|rest| rest.is_empty() || rest.starts_with("::"))
}

#[test]
fn a_room_is_found_from_every_depth() {
    assert_eq!(room_named("crate::store::Log", 2), Some("store"));
    assert_eq!(room_named("super::super::store::Log", 2), Some("store"));
    assert_eq!(room_named("super::guard::Guard", 2), None);
    assert_eq!(room_named("super::store::Log", 1), Some("store"));
    assert_eq!(room_named("std::fs", 1), None);
}
