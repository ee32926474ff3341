//! How many points a curve needs for its figures in the log: what `check` says of it, and whether it is so.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::quantities::Irradiance;
use cresthold::report::curve_result::ENOUGH_POINTS;
use cresthold::store::Reader;
use cresthold::time::Utc;
use std::path::Path;
use std::process::{Command, Output};

fn cresthold(arguments: &[&str], here: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cresthold"))
        .args(arguments)
        .current_dir(here)
        .output()
        .unwrap()
}

/// The built-in station with curves of so many points every ten minutes.
fn write_station(points: u16, here: &Path) {
    let station = String::from_utf8(cresthold(&["station"], here).stdout).unwrap();
    let changed = station.replacen("# every_s = 600.0", "every_s = 600.0", 1).replacen(
        "points = 100 ",
        &format!("points = {points} "),
        1,
    );
    assert!(changed.contains("\nevery_s = 600.0") && changed.contains(&format!("= {points} ")));
    std::fs::write(here.join("yard.toml"), changed).unwrap();
}

/// Curves of slope-1 in 200 W/m2 and more on the recorded day: how many, and how many of them lack their crest.
fn curves(points: u16) -> (usize, usize) {
    let scratch = tempfile::tempdir().unwrap();
    let here = scratch.path();
    write_station(points, here);
    let run =
        ["run", "yard.toml", "--speed", "max", "--for", "14h", "--log", "l.sqlite", "--quiet"];
    assert!(cresthold(&run, here).status.success());
    let reader = Reader::open(&here.join("l.sqlite")).unwrap();
    let id = reader.channels().unwrap()[0].id;
    let ever = (Utc::from_micros(i64::MIN), Utc::from_micros(i64::MAX));
    let curves = reader.curves(id, ever.0, ever.1).unwrap();
    let bright = curves.iter().filter(|curve| curve.whole).filter_map(|curve| {
        let result = curve.result.as_ref()?;
        (result.irradiance? >= Irradiance(200.0)).then_some(result.pmp.is_none())
    });
    let bright: Vec<bool> = bright.collect();
    (bright.len(), bright.iter().filter(|lacks| **lacks).count())
}

#[test]
fn enough_is_enough_and_half_of_it_is_not() {
    let (all, lack) = curves(ENOUGH_POINTS);
    println!("{ENOUGH_POINTS} points: {lack} of {all} lack their crest");
    assert!(all > 30 && lack == 0);
    let (all, lack) = curves(ENOUGH_POINTS / 2);
    println!("{} points: {lack} of {all} lack their crest", ENOUGH_POINTS / 2);
    assert!(lack * 10 > all * 9);
}

#[test]
fn check_says_when_a_curve_has_too_few() {
    let scratch = tempfile::tempdir().unwrap();
    let check = |points| {
        write_station(points, scratch.path());
        cresthold(&["check", "yard.toml"], scratch.path())
    };
    let enough = check(ENOUGH_POINTS);
    assert!(enough.status.success());
    assert!(!String::from_utf8(enough.stdout).unwrap().contains("look at"));
    let few = check(40);
    let said = String::from_utf8(few.stdout).unwrap();
    // It is no mistake: a curve of forty points is a curve.
    assert!(few.status.success());
    for word in ["look at slope-1", "channel.sweep.points = 40", "state 80 or more"] {
        assert!(said.contains(word), "{word}: {said}");
    }
    let none = check(9);
    assert_eq!(none.status.code(), Some(3));
    assert!(String::from_utf8(none.stderr).unwrap().contains("outside 10..=2000"));
}
