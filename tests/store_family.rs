//! More than one file: months, files beside a locked or damaged one, thinning out, copies, logs of
//! an older schema, tails that a run left.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod store_common;

use cresthold::control::record::{Happening, Record};
use cresthold::quantities::WattHours;
use cresthold::store::{
    Book, Keep, Locked, Log, Reader, StoreError, Thinned, Writer, backup, others, tail_path,
};
use cresthold::time::{Instant, Stamp, Utc};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::time::Duration;
use store_common::{EVER, day, event, facts, minute, open, place, sample, second};

fn tailed(path: &Path) -> Log {
    Log::open_with_tail(path, &facts(), &|log| Ok(Box::new(Locked::open(log)?))).unwrap()
}

fn count(path: &Path, channel: usize) -> usize {
    let reader = Reader::open(path).unwrap();
    let id = reader.channels().unwrap()[channel].id;
    reader.samples(id, EVER.0, EVER.1).unwrap().len()
}

fn check(path: &Path) -> String {
    let conn = Connection::open(path).unwrap();
    conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap()
}

#[test]
fn what_a_run_left_in_its_tail_is_taken_up_by_the_next_run_or_reader() {
    let (_folder, path) = place();
    for boot in 1..=2 {
        let mut log = tailed(&path);
        assert_eq!(log.boot(), boot);
        for s in 0..10 {
            log.write(&Record::Sample(sample(0, f64::from(s)))).unwrap();
        }
        log.write(&event(Some(0), 10.0, Happening::TrackingBegan)).unwrap();
        log.commit().unwrap();
        log.write(&Record::Sample(sample(0, 11.0))).unwrap();
        assert_eq!((log.rows().samples, log.open_rows(), log.waiting_rows()), (10, 1, 12));
        let conn = Connection::open(&path).unwrap();
        let packed: i64 = conn.query_row("SELECT count(*) FROM sample", [], |r| r.get(0)).unwrap();
        assert_eq!(packed, 10 * (boot - 1), "committed, not packed");
        // While the writer lives nobody takes its tail, and readers see what is in it.
        assert_eq!(count(&path, 0), usize::try_from(packed).unwrap() + 10);
        assert!(matches!(Locked::open(&path), Err(StoreError::Busy { .. })));
        drop(log); // as a kill does: nothing is packed, the lock is gone
    }
    assert_eq!(count(&path, 0), 20, "the reader took up the second tail");
    assert!(!tail_path(&path).exists());
    let reader = Reader::open(&path).unwrap();
    assert_eq!(reader.events(EVER.0, EVER.1).unwrap().len(), 2);
    let east = reader.channels().unwrap()[0].id;
    let boots: Vec<i64> =
        reader.samples(east, EVER.0, EVER.1).unwrap().iter().map(|row| row.boot).collect();
    assert_eq!(boots.iter().filter(|boot| **boot == 1).count(), 10);
    assert_eq!(check(&path), "ok");
}

#[test]
fn a_tail_of_another_file_is_set_aside_and_told() {
    let (folder, path) = place();
    let mut log = tailed(&path);
    log.write(&Record::Sample(sample(0, 1.0))).unwrap();
    log.commit().unwrap();
    drop(log);
    // The database is taken away, the tail is not; the new one begins at another time.
    std::fs::rename(&path, folder.path().join("elsewhere.db")).unwrap();
    let mut other = facts();
    other.began = second(5000.0);
    let log = Log::open_with_tail(&path, &other, &|log| Ok(Box::new(Locked::open(log)?))).unwrap();
    log.finish().unwrap();
    assert_eq!(count(&path, 0), 0);
    let events = Reader::open(&path).unwrap().events(EVER.0, EVER.1).unwrap();
    assert!(events.iter().any(|event| event.code == "tail-set-aside"), "{events:?}");
    // What was told as kept is kept: with its log back, its rows are.
    let kept = folder.path().join("roof log.db-tail-kept-1");
    std::fs::rename(folder.path().join("elsewhere.db"), &path).unwrap();
    std::fs::rename(kept, folder.path().join("roof log.db-tail")).unwrap();
    assert_eq!(count(&path, 0), 1);
}

/// Somebody removes or renames the log, or its tail, under the run.
#[test]
fn a_log_that_is_taken_away_is_gone_on_with_beside() {
    for taken in ["roof log.db", "roof log.db-tail"] {
        let (folder, path) = place();
        let writer = Writer::start_with(book(&path).open().unwrap(), book(&path)).unwrap();
        let handle = writer.handle();
        let offer = |s: f64| handle.offer(Record::Sample(sample(0, s)));
        offer(1.0);
        let wait = |wanted: &dyn Fn() -> bool| {
            let began = std::time::Instant::now();
            while !wanted() {
                assert!(
                    began.elapsed() < Duration::from_secs(60),
                    "{taken}: {:?}",
                    handle.status()
                );
                std::thread::sleep(Duration::from_millis(10));
            }
        };
        wait(&|| handle.status().rows.samples == 1);
        std::fs::rename(folder.path().join(taken), folder.path().join("elsewhere")).unwrap();
        offer(2.0);
        // It looks after each commit.
        wait(&|| !others(&path).is_empty());
        offer(3.0);
        writer.finish().unwrap();
        let reader = Reader::open(&path).unwrap();
        let east = reader.channels().unwrap()[0].id;
        let rows = reader.samples(east, EVER.0, EVER.1).unwrap();
        let seconds: Vec<f64> = rows.iter().map(|row| row.at.mono.as_secs_f64()).collect();
        // The first may have been packed into the file that was taken away.
        assert!(seconds.ends_with(&[2.0, 3.0]), "{taken}: {seconds:?}");
        let events = reader.events(EVER.0, EVER.1).unwrap();
        let moved = events.iter().find(|event| event.code == "log-moved").unwrap();
        assert!(moved.text.contains("was moved or removed"), "{}", moved.text);
    }
}

/// A book whose writer commits quickly.
fn book(path: &Path) -> Book {
    let mut book = Book::new(path, facts());
    book.interval = Duration::from_millis(20);
    book.patience = Duration::ZERO;
    book
}

#[test]
fn a_damaged_log_is_left_for_one_beside_it_at_the_start() {
    let (_folder, path) = place();
    let mut log = tailed(&path);
    for s in 0..2000 {
        log.write(&Record::Sample(sample(0, f64::from(s)))).unwrap();
    }
    log.commit().unwrap();
    log.pack().unwrap();
    drop(log); // its tail is there, so the file is ours
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[..4096].fill(0x5A);
    std::fs::write(&path, &bytes).unwrap();
    let opened = book(&path).open().unwrap();
    let why = opened.instead.as_ref().unwrap();
    assert!(why.is_damage(), "{why}");
    let beside = opened.log.as_ref().unwrap().path().to_path_buf();
    assert!(beside.ends_with("roof log.beside-1.db"), "{}", beside.display());
    let writer = Writer::start_with(opened, book(&path)).unwrap();
    writer.handle().offer(Record::Sample(sample(0, 1.0)));
    writer.finish().unwrap();
    assert_eq!(std::fs::read(&path).unwrap(), bytes, "nothing is overwritten");
    assert_eq!(check(&beside), "ok");
    let events = Reader::open(&beside).unwrap().events(EVER.0, EVER.1).unwrap();
    assert!(events.iter().any(|event| event.code == "log-moved"), "{events:?}");
    // The next start goes on in the same file.
    let opened = book(&path).open().unwrap();
    assert_eq!(opened.log.unwrap().path(), beside);
}

#[test]
fn a_log_locked_for_long_does_not_stop_the_start() {
    let (_folder, path) = place();
    open(&path).finish().unwrap();
    let stranger = Connection::open(&path).unwrap();
    stranger.execute_batch("BEGIN IMMEDIATE").unwrap();
    let opened = book(&path).open().unwrap();
    assert!(matches!(opened.instead, Some(StoreError::Busy { .. })));
    opened.log.unwrap().finish().unwrap();
}

#[test]
fn what_is_not_ours_is_refused_and_gets_no_file_beside_it() {
    let (_folder, path) = place();
    std::fs::write(&path, "a letter to a friend\n".repeat(100)).unwrap();
    assert!(matches!(book(&path).open(), Err(StoreError::NotADatabase { .. })));
    assert!(others(&path).is_empty());
}

/// Noon of a day, with a monotonic clock that fits.
fn noon(date: &str) -> Stamp {
    let utc: Utc = format!("{date}T12:00:00Z").parse().unwrap();
    let since = utc.saturating_since(second(0.0).utc);
    Stamp { mono: Instant::ZERO + since, utc }
}

/// Writes a sample, a minute and totals at each of the dates, as one run.
fn run_over(path: &Path, dates: &[&str], keep: Keep) {
    let mut book = book(path);
    (book.monthly, book.keep) = (true, keep);
    let writer = Writer::start_with(book.open().unwrap(), book).unwrap();
    let handle = writer.handle();
    for (index, date) in dates.iter().enumerate() {
        let at = noon(date);
        for s in 0..100 {
            let mut one = sample(0, 0.0);
            one.at = at.later(Duration::from_secs(s));
            handle.offer(Record::Sample(one));
        }
        let mut one = minute(0, 0.0);
        (one.start, one.at) = (at.utc, at.later(Duration::from_secs(60)));
        handle.offer(Record::Minute(one));
        // Totals go on: those of the first date are told again after it.
        let mut totals = day(0, 100.0 * (index + 1) as f64, 1.5 * (index + 1) as f64);
        (totals.day, totals.at) = (noon(dates[0]).utc, at);
        handle.offer(Record::Day(totals));
        std::thread::sleep(Duration::from_millis(300));
    }
    writer.finish().unwrap();
}

fn named(path: &Path, part: &str) -> PathBuf {
    path.with_file_name(format!("roof log.{part}.db"))
}

#[test]
fn a_month_gets_a_file_of_its_own_and_readers_see_all() {
    let (_folder, path) = place();
    run_over(&path, &["2016-06-15", "2016-07-01", "2016-09-01"], Keep::default());
    assert_eq!(others(&path), [named(&path, "2016-06"), named(&path, "2016-07")]);
    for file in others(&path).iter().chain([&path]) {
        assert_eq!(check(file), "ok");
        let conn = Connection::open(file).unwrap();
        let rows: i64 =
            conn.query_row("SELECT count(*) FROM sample_view", [], |row| row.get(0)).unwrap();
        assert_eq!(rows, 100, "{}", file.display());
    }
    let reader = Reader::open(&path).unwrap();
    let channels = reader.channels().unwrap();
    assert_eq!(channels.iter().map(|c| c.name.as_str()).collect::<Vec<_>>(), ["east", "west"]);
    let samples = reader.samples(channels[0].id, EVER.0, EVER.1).unwrap();
    assert_eq!(samples.len(), 300);
    assert!(samples.is_sorted_by_key(|row| row.at.utc));
    assert_eq!(reader.minutes(channels[0].id, EVER.0, EVER.1).unwrap().len(), 3);
    let days = reader.day_totals("2016-06-15", "2016-06-15").unwrap();
    assert_eq!(days.len(), 1);
    assert_eq!(days[0].energy, WattHours(4.5), "the newest totals of a run, not their sum");
    // A second run of the same month goes on in the file.
    let mut again = book(&path);
    again.monthly = true;
    again.facts.began = noon("2016-09-02");
    let opened = Book::new(&path, again.facts).open().unwrap();
    let log = opened.log.unwrap();
    assert_eq!(log.boot(), 2);
    log.finish().unwrap();
    assert_eq!(others(&path).len(), 2);
}

#[test]
fn a_run_that_broke_off_in_another_month_is_told_of() {
    let (_folder, path) = place();
    let mut log = book(&path).open().unwrap().log.unwrap();
    log.write(&event(None, 0.0, Happening::RunBegan)).unwrap();
    log.write(&Record::Sample(sample(0, 60.0))).unwrap();
    log.commit().unwrap();
    drop(log);
    let mut facts = facts();
    facts.began = noon("2016-09-01");
    let mut next = Book::new(&path, facts);
    next.monthly = true;
    let log = next.open().unwrap().log.unwrap();
    assert_eq!(others(&path).len(), 1, "June has a file of its own");
    assert_eq!(log.broke_off(), Some(second(60.0).utc));
    assert_eq!(log.newest_before(), Some(second(60.0).utc));
}

#[test]
fn raw_samples_of_old_months_go_first_and_the_rest_stays() {
    let (_folder, path) = place();
    run_over(&path, &["2016-06-15", "2016-07-01", "2016-09-01"], Keep::default());
    let days = |days: u64| Duration::from_secs(days * 86_400);
    let keep = Keep { samples: Some(days(60)), size: None };
    let now = noon("2016-09-15").utc;
    // June ended 76 days ago, July 45 days ago.
    let done = keep.apply(&path, now);
    assert!(
        matches!(done.as_slice(), [Thinned::Month { file, .. }] if *file == named(&path, "2016-06")),
        "{done:?}"
    );
    assert_eq!(keep.apply(&path, now), [], "it is done");
    let reader = Reader::open(&path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    assert_eq!(reader.samples(east, EVER.0, EVER.1).unwrap().len(), 200);
    assert_eq!(reader.minutes(east, EVER.0, EVER.1).unwrap().len(), 3);
    assert_eq!(reader.day_totals("2016-06-15", "2016-06-15").unwrap()[0].energy, WattHours(4.5));
    assert_eq!(check(&named(&path, "2016-06")), "ok");
    // By size: July goes as well, and then there is nothing left to let go.
    let tight = Keep { samples: None, size: Some(1) };
    let done = tight.apply(&path, now);
    assert!(
        matches!(done.as_slice(), [Thinned::Month { .. }, Thinned::TooLarge { .. }]),
        "{done:?}"
    );
    assert_eq!(count(&path, 0), 100, "the current month is never thinned out");
}

#[test]
fn a_copy_is_made_while_the_log_is_written() {
    let (_folder, path) = place();
    let target = tempfile::tempdir().unwrap();
    let mut log = tailed(&path);
    for s in 0..50 {
        log.write(&Record::Sample(sample(0, f64::from(s)))).unwrap();
        if s == 30 {
            log.commit().unwrap();
            log.pack().unwrap();
        }
    }
    log.commit().unwrap();
    let copies = backup(&path, target.path()).unwrap();
    let copy = target.path().join("roof log.db");
    assert_eq!(copies, std::slice::from_ref(&copy));
    // The writer goes on; the copy has what was committed, its tail included.
    log.write(&Record::Sample(sample(0, 50.0))).unwrap();
    log.finish().unwrap();
    assert_eq!((count(&copy, 0), count(&path, 0)), (50, 51));
    assert_eq!(check(&copy), "ok");
    assert!(matches!(backup(&path, target.path()), Err(StoreError::Exists { .. })));
}

/// A log as version 4 of the schema wrote it: its steps, with rows around a step of the wall clock.
fn older(path: &Path) {
    let conn = Connection::open(path).unwrap();
    for step in 1..=4 {
        let file = format!("{}/src/store/schema_{step}.sql", env!("CARGO_MANIFEST_DIR"));
        conn.execute_batch(&std::fs::read_to_string(file).unwrap()).unwrap();
    }
    let noon = second(0.0).utc.as_micros();
    conn.pragma_update(None, "application_id", cresthold::store::APPLICATION_ID).unwrap();
    conn.pragma_update(None, "user_version", 4).unwrap();
    conn.pragma_update(None, "journal_mode", "WAL").unwrap();
    conn.execute_batch(
        "INSERT INTO activity VALUES (3, 'tracking'); \
         INSERT INTO channel VALUES (1, 'east', 'module', 'hold 30 V')",
    )
    .unwrap();
    conn.execute("INSERT INTO boot VALUES (1, ?1, '0', 'roof', 'f', NULL, NULL)", [noon]).unwrap();
    for s in 0..7200_i64 {
        // Set back by an hour in the middle.
        let (mono, utc) = (s * 1_000_000, noon + (s - i64::from(s >= 3000) * 3600) * 1_000_000);
        conn.execute(
            "INSERT INTO sample VALUES (1, ?1, 1, ?2, 3, 10, 30000000, 8000000, 240000000, \
             30100000, 900000, 45000, NULL)",
            (mono, utc),
        )
        .unwrap();
        if s % 60 == 59 {
            conn.execute(
                "INSERT INTO minute VALUES (1, 1, ?1, ?2, ?3, 3, 30.0, 29.5, 30.25, 0.125, 60, \
                 8.0, 7.5, 8.5, 0.25, 60, 240.0, 230.0, 250.0, 5.0, 60, \
                 900.0, 890.0, 910.0, 2.5, 60, NULL, NULL, NULL, NULL, 0, 4.0, 59.5, 0.5)",
                (utc / 1_000_000 - 59, mono, utc),
            )
            .unwrap();
        }
    }
}

#[test]
fn a_log_of_before_is_brought_up_to_date_with_all_its_rows() {
    let (_folder, path) = place();
    older(&path);
    open(&path).finish().unwrap();
    assert_eq!(check(&path), "ok");
    let reader = Reader::open(&path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    let rows = reader.samples(east, EVER.0, EVER.1).unwrap();
    assert_eq!(rows.len(), 7200);
    for (s, row) in rows.iter().enumerate() {
        let at = second(s as f64);
        assert_eq!(row.at.mono, at.mono);
        let back = Duration::from_secs(if s >= 3000 { 3600 } else { 0 });
        assert_eq!(row.at.utc, at.utc - back);
        assert_eq!((row.readings, row.volts.unwrap().0.to_bits()), (10, 30.0_f64.to_bits()));
    }
    let minutes = reader.minutes(east, EVER.0, EVER.1).unwrap();
    assert_eq!(minutes.len(), 120);
    assert!(minutes.iter().any(|minute| minute.start == second(0.0).utc));
    for minute in &minutes {
        let v = minute.volts;
        let bits = |values: [f64; 4]| values.map(f64::to_bits);
        assert_eq!(bits([v.mean, v.min, v.max, v.deviation]), bits([30.0, 29.5, 30.25, 0.125]));
        assert_eq!((v.count, minute.module_temperature.count), (60, 0));
        assert_eq!(minute.watts.max.to_bits(), 250.0_f64.to_bits());
        assert_eq!(minute.covered, Duration::from_millis(59_500));
    }
}
