//! The writer thread: it never holds up a channel and loses nothing silently.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod store_common;

use cresthold::control::record::{Happening, Record};
use cresthold::store::{COMMIT_INTERVAL, QUEUE_LENGTH, Reader, Status, Writer, WriterHandle};
use rusqlite::Connection;
use std::path::Path;
use std::time::{Duration, Instant};
use store_common::{EVER, day, event, minute, open, place, sample};

/// A short commit interval keeps the tests short.
const INTERVAL: Duration = Duration::from_millis(50);

fn start(path: &Path) -> Writer {
    Writer::start(open(path).with_commit_interval(INTERVAL)).unwrap()
}

/// Waits, ten seconds at most, until the status is as wanted.
fn wait_until(handle: &WriterHandle, wanted: impl Fn(&Status) -> bool) -> Status {
    let begin = Instant::now();
    loop {
        let status = handle.status();
        if wanted(&status) {
            return status;
        }
        assert!(begin.elapsed() < Duration::from_secs(10), "{status:?}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn many_channels_offer_and_everything_arrives() {
    let (_folder, path) = place();
    let writer = Writer::start(open(&path)).unwrap();
    let threads: Vec<_> = (0..2_u16)
        .map(|channel| {
            let handle = writer.handle();
            std::thread::spawn(move || {
                for s in 0..1000 {
                    handle.offer(Record::Sample(sample(channel, f64::from(s))));
                }
                handle.offer(Record::Minute(minute(channel, 60.0)));
                handle.offer(Record::Day(day(channel, 60.0, 1.0)));
                handle.offer(event(Some(channel), 61.0, Happening::FellAsleep));
            })
        })
        .collect();
    for thread in threads {
        thread.join().unwrap();
    }
    let totals = writer.finish().unwrap();
    assert_eq!(totals.rows.samples, 2000);
    assert_eq!((totals.rows.minutes, totals.rows.days, totals.rows.events), (2, 2, 2));
    assert_eq!((totals.left_out, totals.lost, totals.refused), (0, 0, 0));
    assert_eq!(COMMIT_INTERVAL, Duration::from_secs(2));
    for side in ["-wal", "-journal", "-tail"] {
        let side = path.with_file_name(format!("roof log.db{side}"));
        assert!(!side.exists(), "{} is emptied and gone", side.display());
    }
}

#[test]
fn commits_come_by_time_without_being_asked() {
    let (_folder, path) = place();
    let writer = start(&path);
    let handle = writer.handle();
    handle.offer(Record::Sample(sample(0, 1.0)));
    let status = wait_until(&handle, |status| status.rows.samples == 1);
    assert_eq!((status.waiting, status.error), (0, None));
    assert!(status.commit_age.unwrap() < Duration::from_secs(10));
    assert!(handle.status().turn_age < Duration::from_secs(5));
    writer.finish().unwrap();
}

#[test]
fn a_stalled_writer_holds_nobody_up_and_tells_what_it_left_out() {
    let (_folder, path) = place();
    let writer = start(&path);
    let handle = writer.handle();
    let stranger = Connection::open(&path).unwrap();
    stranger.execute_batch("BEGIN IMMEDIATE").unwrap();
    handle.offer(Record::Sample(sample(0, 0.0)));
    let status = wait_until(&handle, |status| status.error.is_some());
    assert!(status.error.unwrap().contains("another program holds the write lock"));

    // More than the queue and the writer's memory hold together.
    let offered = 4 * u32::try_from(QUEUE_LENGTH).unwrap();
    let begin = Instant::now();
    for s in 1..=offered {
        handle.offer(Record::Sample(sample(0, f64::from(s))));
    }
    handle.offer(Record::Minute(minute(0, 60.0)));
    handle.offer(Record::Day(day(0, 60.0, 1.0)));
    handle.offer(event(Some(0), 61.0, Happening::FellAsleep));
    // The lock is held until after this line: an offer that waited for it would wait for ever.
    // 16 000 offers take a few milliseconds; the bound allows for a busy machine.
    assert!(begin.elapsed() < Duration::from_secs(5), "{:?}", begin.elapsed());
    let left_out = handle.status().left_out;
    assert!(left_out > 0);

    stranger.execute_batch("ROLLBACK").unwrap();
    drop(stranger);
    // That it fell asleep, what was left out, and that the log is written again.
    let status = wait_until(&handle, |status| status.rows.events == 3);
    assert_eq!((status.lost, status.error), (0, None));
    let totals = writer.finish().unwrap();
    assert_eq!(totals.left_out, left_out);
    assert_eq!(totals.rows.samples + left_out, u64::from(offered) + 1);
    assert_eq!((totals.rows.minutes, totals.rows.days, totals.lost), (1, 1, 0));
    let events = Reader::open(&path).unwrap().events(EVER.0, EVER.1).unwrap();
    let told = events.iter().find(|event| event.code == "samples-left-out").unwrap();
    assert!(told.text.contains(&format!("{left_out} samples left out")), "{}", told.text);
}

#[test]
fn a_full_pocket_is_counted() {
    let (_folder, path) = place();
    let writer = start(&path);
    let handle = writer.handle();
    let stranger = Connection::open(&path).unwrap();
    stranger.execute_batch("BEGIN IMMEDIATE").unwrap();
    handle.offer(Record::Sample(sample(0, 0.0)));
    wait_until(&handle, |status| status.error.is_some());
    let offered = 3 * u32::try_from(QUEUE_LENGTH).unwrap();
    for s in 0..offered {
        handle.offer(Record::Minute(minute(0, 60.0 * f64::from(s))));
    }
    stranger.execute_batch("ROLLBACK").unwrap();
    let totals = writer.finish().unwrap();
    assert!(totals.lost > 0);
    assert_eq!(totals.rows.minutes + totals.lost, u64::from(offered));
}

#[test]
fn what_the_database_refuses_is_counted_and_the_rest_is_kept() {
    let (_folder, path) = place();
    let writer = start(&path);
    let handle = writer.handle();
    handle.offer(Record::Sample(sample(0, 1.0)));
    handle.offer(Record::Sample(sample(9, 1.0))); // no such channel
    handle.offer(Record::Sample(sample(1, 1.0)));
    let totals = writer.finish().unwrap();
    assert_eq!((totals.rows.samples, totals.refused), (2, 1));
}

#[test]
fn a_handle_that_outlives_the_writer_counts_and_never_panics() {
    let (_folder, path) = place();
    let writer = start(&path);
    let handle = writer.handle();
    assert_eq!(writer.finish().unwrap().rows.all(), 0);
    handle.offer(Record::Sample(sample(0, 1.0)));
    handle.offer(Record::Minute(minute(0, 1.0)));
    assert_eq!(handle.status().lost, 2);
}

#[test]
fn finishing_under_a_lock_that_stays_says_so_and_keeps_what_was_committed() {
    let (_folder, path) = place();
    let writer = start(&path);
    let handle = writer.handle();
    handle.offer(Record::Sample(sample(0, 1.0)));
    wait_until(&handle, |status| status.rows.samples == 1);
    let stranger = Connection::open(&path).unwrap();
    stranger.execute_batch("BEGIN IMMEDIATE").unwrap();
    handle.offer(Record::Sample(sample(0, 2.0)));
    let error = writer.finish().unwrap_err();
    assert!(error.to_string().contains("write lock"), "{error}");
    assert_eq!(handle.status().lost, 1);
    drop(stranger);
    let reader = Reader::open(&path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    assert_eq!(reader.samples(east, EVER.0, EVER.1).unwrap().len(), 1);
}
