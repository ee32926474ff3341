//! Fault scripts: what they mean, and all that can be wrong with them.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::daemon::serve::{Offer, VirtualBench, places};
use cresthold::station::{FaultScript, Station};
use cresthold_sim::wire::fault::{
    Fault, Lasting, Mishap, Place, RandomFaults, Role, SensorFault, What,
};
use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;

fn yard() -> Vec<Place> {
    [("a load", Role::Load, true), ("a boost", Role::Supply, false), ("sun", Role::Sensor, false)]
        .map(|(name, role, terminal)| Place { name: name.to_owned(), role, terminal })
        .to_vec()
}

#[test]
fn the_shipped_example_has_every_kind() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/faults/ten-bad-minutes.toml");
    let places = places(&Station::rehearsal(), true);
    let faults = FaultScript::load(&file, &places).unwrap();
    let kinds: BTreeSet<_> = faults.iter().map(|fault| fault.what.name()).collect();
    assert_eq!(kinds, BTreeSet::from(What::NAMES));
    assert!(faults.iter().all(|fault| fault.at < Duration::from_secs(600)));
}

/// The logger's own checks take their time: whoever plays the example wants to see each fault told.
#[test]
fn the_shipped_sensors_faults_last_until_the_logger_tells_them() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/faults/ten-bad-minutes.toml");
    let station = Station::rehearsal();
    let faults = FaultScript::load(&file, &places(&station, true)).unwrap();
    let noon = Duration::from_secs(12 * 3600);
    let offer = Offer { port: Some(0), terminals: None, at: noon, speed: 1.0 };
    let bench = VirtualBench::start(&station, &offer).unwrap();
    let written = Station::parse("bench.toml", &bench.station_file()).unwrap();
    // The board judges once a second.
    let look = Duration::from_secs(1);
    for fault in &faults {
        let What::Sensor(what) = fault.what else { continue };
        let lasts = match fault.lasting {
            Lasting::For(lasts) => lasts,
            Lasting::Once | Lasting::Replies(_) => Duration::ZERO,
        };
        let name = &places(&station, true)[fault.place].name;
        let sensor = written.sensors.iter().map(|one| &one.sensor).find(|one| one.name == *name);
        let sensor = sensor.unwrap();
        match what {
            SensorFault::Stuck => {
                assert!(lasts >= sensor.stuck_after.unwrap() + sensor.period + look, "{fault:?}");
            }
            SensorFault::Drifting { per_second } => {
                let (low, _) = sensor.quantity.plausible();
                // The brightest noon of the recorded day has 1200 W/m2 at cloud edges.
                assert!(
                    1200.0 + per_second * lasts.saturating_sub(look).as_secs_f64() < low,
                    "{fault:?}"
                );
            }
            SensorFault::NotANumber => assert!(lasts >= sensor.period + look, "{fault:?}"),
        }
    }
}

#[test]
fn faults_are_read_and_sorted() {
    let text = r#"
        [[fault]]
        at_s = 2
        what = "drifting"
        per_s = -0.5
        for_s = 3.5
        where = "sun"
        [[fault]]
        at_s = 1.5
        what = "partial"
        replies = 4
        where = "a boost"
    "#;
    let seconds = Duration::from_secs_f64;
    let expected = [
        Fault {
            at: seconds(1.5),
            lasting: Lasting::Replies(4),
            what: What::Replies(Mishap::Truncated(3)),
            place: 1,
        },
        Fault {
            at: seconds(2.0),
            lasting: Lasting::For(seconds(3.5)),
            what: What::Sensor(SensorFault::Drifting { per_second: -0.5 }),
            place: 2,
        },
    ];
    assert_eq!(FaultScript::parse("f.toml", text, &yard()).unwrap(), expected);
}

#[test]
fn what_was_announced_can_be_played_again() {
    let faults: Vec<Fault> =
        RandomFaults::new(11, Duration::from_secs(30), &yard()).take(300).collect();
    let written: Vec<_> =
        faults.iter().map(|fault| fault.written(&yard()[fault.place].name)).collect();
    let text = format!("fault = [\n{},\n]\n", written.join(",\n"));
    assert_eq!(FaultScript::parse("again.toml", &text, &yard()).unwrap(), faults);
}

#[test]
fn everything_wrong_is_told_at_once() {
    let text = r#"[[fault]]
at_s = -1
what = "garbeld"
where = "a lod"
[[fault]]
at_s = 1
what = "late"
replies = 0
where = "a load"
[[fault]]
what = "garbled"
at_s = 1
where = "a load"
[[fault]]
at_s = 1
what = "tripped"
for_s = 2
replies = 3
where = "a boost"
[[fault]]
at_s = 1
what = "closed"
for_s = 2
where = "a boost"
[[fault]]
at_s = 1
what = "renumbered"
for_s = 2
where = "a boost"
[[fault]]
at_s = 1
what = "stuck"
per_s = 2
where = "sun"
[[fault]]
at_s = 1
what = "restarted"
for_s = 1
wheer = "sun"
[[fault]]
at_s = 1
what = "dropped"
for_s = 1
replies = 1
where = "a load"
"#;
    let error = FaultScript::parse("f.toml", text, &yard()).unwrap_err();
    let told = error.to_string();
    for expected in [
        "f.toml:2: fault[1].at_s: -1 s is outside 0..=10000000 s",
        "f.toml:3: fault[1].what: there is no \"garbeld\"; did you mean garbled?",
        "f.toml:4: fault[1].where: there is no \"a lod\"; did you mean a load?",
        "f.toml:5: fault[2].by_s: missing",
        "f.toml:10: fault[3].for_s: missing; state how long it lasts (for_s), or replies",
        "f.toml:16: fault[4].what: \"tripped\" can't happen to a boost, a boost supply",
        "f.toml:18: fault[4].replies: \"tripped\" is not counted in replies",
        "f.toml:23: fault[5].for_s: \"closed\" is over at once",
        "f.toml:27: fault[6].what: \"renumbered\" can't happen to a boost",
        "f.toml:30: fault[7].for_s: missing",
        "f.toml:33: fault[7].per_s: goes with what = \"drifting\" only",
        "f.toml:35: fault[8].where: missing",
        "f.toml:39: fault[8].wheer: unknown key; did you mean where?",
        "f.toml:44: fault[9].replies: for_s is stated too",
    ] {
        assert!(told.contains(expected), "{expected:?} is missing in:\n{told}");
    }
    assert!(FaultScript::parse("f.toml", "fault = 3", &yard()).is_err());
    assert!(FaultScript::parse("f.toml", "", &yard()).is_err());
    assert!(FaultScript::parse("f.toml", "[[fault]\n", &yard()).is_err());
}
