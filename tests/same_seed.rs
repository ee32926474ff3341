//! Same seed, same rows: the built-in rehearsal twice, and once with another seed.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

use cresthold::daemon::live::Screen;
use cresthold::daemon::rehearse::{Pace, run};
use cresthold::daemon::stop::StopFlag;
use cresthold::station::Station;
use std::path::Path;
use std::time::Duration;

/// Every row of every table, in the order of its key, as text.
fn rows(path: &Path) -> Vec<String> {
    let conn = rusqlite::Connection::open(path).unwrap();
    let sound: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(sound, "ok");
    let mut names =
        conn.prepare("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name").unwrap();
    let names: Vec<String> =
        names.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    let mut all = Vec::new();
    for name in names {
        let mut statement = conn.prepare(&format!("SELECT * FROM \"{name}\"")).unwrap();
        let columns = statement.column_count();
        let mut found = statement.query([]).unwrap();
        while let Some(row) = found.next().unwrap() {
            let values: Vec<_> = (0..columns).map(|i| row.get_ref(i).unwrap()).collect();
            all.push(format!("{name} {values:?}"));
        }
    }
    all
}

fn rehearse(path: &Path, seed: u64) -> Vec<String> {
    let mut station = Station::rehearsal();
    station.seed = seed;
    // The sun of the recorded day rises within these hours.
    let pace = Pace { speed: f64::INFINITY, length: Duration::from_secs(7 * 3600) };
    run(&station, path, pace, &StopFlag::default(), &mut Screen::silent()).unwrap();
    rows(path)
}

#[test]
fn the_same_seed_gives_the_same_rows() {
    let directory = tempfile::tempdir().unwrap();
    let first = rehearse(&directory.path().join("first.sqlite"), 1);
    let second = rehearse(&directory.path().join("second.sqlite"), 1);
    let other = rehearse(&directory.path().join("other.sqlite"), 2);
    assert!(first.len() > 10_000, "{} rows", first.len());
    assert!(first == second, "two runs of one seed differ");
    assert!(first != other, "another seed gives other noise");
}
