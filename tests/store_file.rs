//! The file: made, opened again, refused, left alone.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod store_common;

use cresthold::control::record::{Event, Happening, Record};
use cresthold::store::{APPLICATION_ID, Log, Reader, SCHEMA_VERSION, StoreError};
use cresthold::time::Utc;
use rusqlite::Connection;
use std::collections::BTreeSet;
use std::path::Path;
use store_common::{EVER, facts, open, place, sample, second};

fn refusal(path: &Path) -> StoreError {
    Log::open(path, &facts()).map(|_| ()).unwrap_err()
}

#[test]
fn sqlite_is_free_of_the_wal_reset_bug() {
    // sqlite.org, "WAL-mode file format", WAL-reset bug: 3.7.0 to 3.51.2 can corrupt a file. Logs of
    // before were in that mode, and are opened once.
    assert!(rusqlite::version_number() >= 3_051_003, "SQLite {}", rusqlite::version());
}

#[test]
fn a_new_file_carries_marks_mode_and_settings() {
    let (_folder, path) = place();
    let log = open(&path);
    assert_eq!(log.boot(), 1);
    log.finish().unwrap();
    let conn = Connection::open(&path).unwrap();
    let number = |name: &str| -> i64 { conn.pragma_query_value(None, name, |r| r.get(0)).unwrap() };
    assert_eq!(number("application_id"), i64::from(APPLICATION_ID));
    assert_eq!(number("user_version"), i64::from(SCHEMA_VERSION));
    let mode: String = conn.pragma_query_value(None, "journal_mode", |r| r.get(0)).unwrap();
    assert_eq!(mode, "delete", "no mode that outlives the run");
    let loose: i64 = conn
        .query_row(
            "SELECT count(*) FROM pragma_table_list WHERE schema = 'main' AND type = 'table' \
             AND name NOT LIKE 'sqlite_%' AND strict = 0",
            [],
            |r| r.get(0),
        )
        .unwrap();
    assert_eq!(loose, 0, "every table is STRICT");
}

#[test]
fn a_run_without_an_end_is_known_to_the_next() {
    let (_folder, path) = place();
    let happening = |s: f64, what| Record::Event(Event { channel: None, at: second(s), what });
    let mut log = open(&path);
    assert_eq!(log.broke_off(), None, "there was none before");
    log.write(&happening(0.0, Happening::RunBegan)).unwrap();
    log.write(&Record::Sample(sample(0, 7.0))).unwrap();
    log.write(&happening(5.0, Happening::TrackingBegan)).unwrap();
    log.finish().unwrap();
    // A boot that is no run, as of commissioning, changes nothing.
    let log = open(&path);
    assert_eq!(log.broke_off(), Some(second(7.0).utc));
    log.finish().unwrap();
    let mut log = open(&path);
    let broke_off = log.broke_off().unwrap();
    assert_eq!(broke_off, second(7.0).utc, "the newest of samples and events");
    log.write(&happening(0.0, Happening::RunBegan)).unwrap();
    log.write(&happening(0.0, Happening::LastRunBrokeOff { last: broke_off })).unwrap();
    log.write(&happening(9.0, Happening::RunEnded)).unwrap();
    log.finish().unwrap();
    let log = open(&path);
    assert_eq!(log.broke_off(), None, "that one ended");
    log.finish().unwrap();
    let conn = Connection::open(&path).unwrap();
    let told: String = conn
        .query_row(
            "SELECT json_extract(detail, '$.last_utc') FROM event \
             WHERE code = 'last-run-broke-off'",
            [],
            |row| row.get(0),
        )
        .unwrap();
    assert_eq!(told.parse::<Utc>().unwrap(), broke_off);
}

#[test]
fn the_log_explains_every_column() {
    let (_folder, path) = place();
    open(&path).finish().unwrap();
    let conn = Connection::open(&path).unwrap();
    let pairs = |sql: &str| -> BTreeSet<(String, String)> {
        let mut statement = conn.prepare(sql).unwrap();
        let rows = statement.query_map([], |r| Ok((r.get(0)?, r.get(1)?))).unwrap();
        rows.map(Result::unwrap).collect()
    };
    let there = pairs(
        "SELECT s.name, c.name FROM sqlite_schema AS s, pragma_table_info(s.name) AS c \
         WHERE s.type IN ('table', 'view') AND s.name NOT LIKE 'sqlite_%'",
    );
    let told = pairs("SELECT table_name, column_name FROM quantity");
    assert_eq!(there.difference(&told).collect::<Vec<_>>(), Vec::<&(String, String)>::new());
    assert_eq!(told.difference(&there).collect::<Vec<_>>(), Vec::<&(String, String)>::new());
    assert!(there.len() > 100);
}

#[test]
fn opening_again_counts_the_boots_and_keeps_the_channels() {
    let (_folder, path) = place();
    for boot in 1..=3 {
        let log = open(&path);
        assert_eq!(log.boot(), boot);
        log.finish().unwrap();
    }
    // The other order and another tracker: same numbers by name, and the change is told.
    let mut other = facts();
    other.channels.reverse();
    other.channels[0].tracker = "climb".to_owned();
    let mut log = Log::open(&path, &other).unwrap();
    log.write(&Record::Sample(sample(0, 1.0))).unwrap();
    log.finish().unwrap();
    let reader = Reader::open(&path).unwrap();
    let boots = reader.boots().unwrap();
    assert_eq!(boots.iter().map(|b| b.number).collect::<Vec<_>>(), [1, 2, 3, 4]);
    assert_eq!(boots[0].seed, Some(u64::MAX));
    assert_eq!(boots[0].began, second(0.0).utc);
    let channels = reader.channels().unwrap();
    let names: Vec<_> = channels.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(names, ["east", "west"]);
    assert_eq!(channels[1].tracker, "climb");
    assert_eq!(reader.samples(channels[1].id, EVER.0, EVER.1).unwrap().len(), 1);
    let events = reader.events(EVER.0, EVER.1).unwrap();
    assert_eq!(events.len(), 1);
    assert_eq!(events[0].code, "channel-changed");
    assert!(events[0].text.contains("hold 30 V") && events[0].text.contains("climb"));
}

#[test]
fn a_newer_schema_is_refused() {
    let (_folder, path) = place();
    open(&path).finish().unwrap();
    let conn = Connection::open(&path).unwrap();
    conn.pragma_update(None, "user_version", SCHEMA_VERSION + 1).unwrap();
    drop(conn);
    let before = std::fs::read(&path).unwrap();
    let error = refusal(&path);
    assert!(matches!(error, StoreError::Newer { found, .. } if found == SCHEMA_VERSION + 1));
    assert!(error.to_string().contains("roof log.db"));
    assert!(matches!(Reader::open(&path), Err(StoreError::Newer { .. })));
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn a_database_of_another_program_is_left_alone() {
    for mode in ["delete", "wal"] {
        let (folder, path) = place();
        let conn = Connection::open(&path).unwrap();
        conn.pragma_update(None, "journal_mode", mode).unwrap();
        conn.execute_batch("CREATE TABLE theirs (x); INSERT INTO theirs VALUES (1)").unwrap();
        drop(conn);
        let before = std::fs::read(&path).unwrap();
        assert!(matches!(refusal(&path), StoreError::Foreign { application_id: 0, .. }));
        assert!(matches!(Reader::open(&path), Err(StoreError::Foreign { .. })));
        assert_eq!(std::fs::read(&path).unwrap(), before);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "no side files");
    }
}

#[test]
fn a_live_database_of_another_program_is_left_alone() {
    let (_folder, path) = place();
    let theirs = Connection::open(&path).unwrap();
    theirs.pragma_update(None, "journal_mode", "wal").unwrap();
    theirs.execute_batch("CREATE TABLE theirs (x); INSERT INTO theirs VALUES (1)").unwrap();
    let files = || {
        let wal = path.with_file_name("roof log.db-wal");
        (std::fs::read(&path).unwrap(), std::fs::read(wal).unwrap())
    };
    // Their table lies in the -wal file only: the file itself still looks blank.
    let before = files();
    assert!(matches!(refusal(&path), StoreError::Foreign { application_id: 0, .. }));
    assert_eq!(files(), before);
    // The same as a kill of their program leaves it: nobody has it open.
    let (_other, killed) = place();
    std::fs::write(&killed, &before.0).unwrap();
    std::fs::write(killed.with_file_name("roof log.db-wal"), &before.1).unwrap();
    assert!(matches!(refusal(&killed), StoreError::Foreign { application_id: 0, .. }));
    assert_eq!(std::fs::read(&killed).unwrap(), before.0);
    assert_eq!(std::fs::read(killed.with_file_name("roof log.db-wal")).unwrap(), before.1);
}

#[test]
fn what_is_no_database_is_left_alone() {
    let (_folder, path) = place();
    let text = "a letter to a friend\n".repeat(100);
    std::fs::write(&path, &text).unwrap();
    assert!(matches!(refusal(&path), StoreError::NotADatabase { .. }));
    assert!(matches!(Reader::open(&path), Err(StoreError::NotADatabase { .. })));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
    // An empty file is a blank database and may become a log.
    std::fs::write(&path, "").unwrap();
    assert_eq!(open(&path).boot(), 1);
}

#[test]
fn places_that_cannot_be_are_named() {
    let (folder, path) = place();
    let error = refusal(folder.path());
    assert!(matches!(error, StoreError::NotAFile { .. }), "{error}");
    let error = refusal(&folder.path().join("nowhere").join("roof.db"));
    assert!(matches!(error, StoreError::NoFolder { .. }), "{error}");
    assert!(error.to_string().contains("nowhere does not exist"), "{error}");
    assert!(!folder.path().join("nowhere").exists());
    assert!(matches!(Reader::open(&path), Err(StoreError::Missing { .. })));
    assert!(!path.exists());
}

#[cfg(target_os = "linux")]
#[test]
fn a_place_without_the_right_to_write_is_named() {
    // A folder of the kernel's that lets nobody make files, not even root.
    let error = refusal(Path::new("/proc/roof.db"));
    assert!(matches!(error, StoreError::Unwritable { .. }), "{error}");
    assert!(error.to_string().contains("/proc/roof.db"), "{error}");
    let (_folder, path) = place();
    open(&path).finish().unwrap();
    let mut rights = std::fs::metadata(&path).unwrap().permissions();
    rights.set_readonly(true);
    std::fs::set_permissions(&path, rights).unwrap();
    if std::fs::OpenOptions::new().append(true).open(&path).is_err() {
        let error = refusal(&path); // root may write all the same, so only others get here
        assert!(matches!(error, StoreError::Unwritable { .. }), "{error}");
    }
}

#[test]
fn a_cut_while_the_file_was_made_does_not_stop_the_next_start() {
    let (folder, path) = place();
    // The state a power cut leaves when the journal is synced but page one is not yet written: a
    // file of zeros beside a journal without a valid header (nothing to roll back).
    std::fs::write(&path, vec![0_u8; 8192]).unwrap();
    assert!(matches!(refusal(&path), StoreError::NotADatabase { .. }), "no journal: not ours");
    // With a true journal: begin to make a file, copy both in the middle of the transaction.
    let other = folder.path().join("cut.db");
    let conn = Connection::open(&other).unwrap();
    conn.execute_batch(
        "PRAGMA cache_size = 1; PRAGMA cache_spill = 1; BEGIN IMMEDIATE; CREATE TABLE t (x)",
    )
    .unwrap();
    for _ in 0..2000 {
        conn.execute("INSERT INTO t VALUES (randomblob(500))", []).unwrap();
    }
    let journal = std::fs::read(other.with_file_name("cut.db-journal")).unwrap();
    std::fs::write(path.with_file_name("roof log.db-journal"), journal).unwrap();
    assert_eq!(open(&path).boot(), 1);
}
