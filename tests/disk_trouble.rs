//! A full, read-only, slow or sick disk: nobody waits for it, and every record is in one of the
//! files or in a counted gap.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod disk;
mod store_common;

use cresthold::control::record::{Happening, Record};
use cresthold::store::{
    Book, EventRow, QUEUE_LENGTH, Reader, Status, Writer, WriterHandle, others,
};
use disk::{Disk, Trouble};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use store_common::{EVER, day, event, facts, minute, sample};
use tempfile::TempDir;

/// A short commit interval keeps the tests short.
const INTERVAL: Duration = Duration::from_millis(50);
/// Far longer than any step takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);

struct Yard {
    folder: TempDir,
    path: PathBuf,
    disk: Arc<Disk>,
    writer: Option<Writer>,
    handle: WriterHandle,
    /// Seconds, thus samples, offered so far.
    offered: u32,
}

impl Yard {
    /// A log on a disk of its own; a fresh file is begun after `patience`.
    fn new(patience: Duration) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("roof.sqlite");
        let disk = Disk::under(folder.path());
        let mut book = Book::new(&path, facts());
        (book.interval, book.patience, book.tails) = (INTERVAL, patience, disk::tail);
        let opened = book.open().unwrap();
        assert!(opened.instead.is_none());
        let writer = Writer::start_with(opened, book).unwrap();
        let handle = writer.handle();
        Self { folder, path, disk, writer: Some(writer), handle, offered: 0 }
    }

    fn offer(&mut self, samples: u32) {
        for _ in 0..samples {
            self.handle.offer(Record::Sample(sample(0, f64::from(self.offered))));
            self.offered += 1;
        }
    }

    fn wait_until(&self, wanted: impl Fn(&Status) -> bool) -> Status {
        let begin = Instant::now();
        loop {
            let status = self.handle.status();
            if wanted(&status) {
                return status;
            }
            assert!(begin.elapsed() < PATIENCE, "{status:?}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Ends the run; answers what the files say.
    fn end(mut self) -> Account {
        let totals = self.writer.take().unwrap().finish().unwrap();
        let reader = Reader::open(&self.path).unwrap();
        let east = reader.channels().unwrap()[0].id;
        let samples = reader.samples(east, EVER.0, EVER.1).unwrap();
        let mut seen: Vec<u64> =
            samples.iter().map(|row| row.at.mono.as_secs_f64() as u64).collect();
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen.len(), samples.len(), "no sample is there twice");
        assert_eq!(totals.rows.samples, samples.len() as u64);
        for file in others(&self.path).into_iter().chain([self.path.clone()]) {
            assert_eq!(check(&file), "ok", "{}", file.display());
        }
        Account {
            offered: self.offered.into(),
            samples: samples.len() as u64,
            left_out: totals.left_out,
            lost: totals.lost,
            minutes: reader.minutes(east, EVER.0, EVER.1).unwrap().len(),
            events: reader.events(EVER.0, EVER.1).unwrap(),
            files: 1 + others(&self.path).len(),
            _folder: self.folder,
        }
    }
}

fn check(path: &Path) -> String {
    let conn = Connection::open(path).unwrap();
    conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap()
}

/// What was offered and what became of it.
struct Account {
    offered: u64,
    samples: u64,
    left_out: u64,
    lost: u64,
    minutes: usize,
    events: Vec<EventRow>,
    files: usize,
    _folder: TempDir,
}

impl Account {
    /// Samples that events say were left out.
    fn told(&self) -> u64 {
        let of = |event: &EventRow| -> u64 {
            let detail = event.detail.as_deref().unwrap_or_default();
            detail.chars().filter(char::is_ascii_digit).collect::<String>().parse().unwrap()
        };
        self.events.iter().filter(|event| event.code == "samples-left-out").map(of).sum()
    }

    fn has(&self, code: &str) -> bool {
        self.events.iter().any(|event| event.code == code)
    }
}

/// While it lasts more is offered than the memory holds; then the disk is well again.
fn waited_out(trouble: Trouble) {
    let mut yard = Yard::new(Duration::from_millis(300));
    yard.offer(10);
    yard.wait_until(|status| status.rows.samples == 10);
    yard.disk.fall_ill(trouble);
    yard.offer(1);
    let status = yard.wait_until(|status| status.error.is_some());
    println!("{trouble:?}: {}", status.error.unwrap());
    yard.offer(4 * u32::try_from(QUEUE_LENGTH).unwrap());
    yard.handle.offer(Record::Minute(minute(0, 60.0)));
    yard.handle.offer(Record::Day(day(0, 60.0, 1.0)));
    // Long enough for a try to go on in a fresh file, which the same disk can't hold either.
    std::thread::sleep(Duration::from_secs(2));
    yard.disk.fall_ill(Trouble::None);
    let first = yard.wait_until(|status| status.error.is_none() && status.waiting == 0);
    yard.offer(10);
    yard.wait_until(|status| status.rows.samples >= first.rows.samples + 10);
    let account = yard.end();
    assert!(account.left_out > 0 && account.lost == 0);
    assert_eq!(account.samples + account.left_out, account.offered);
    assert_eq!(account.told(), account.left_out, "the gap is told");
    assert_eq!(account.minutes, 1);
}

#[test]
fn a_full_disk_is_waited_out_and_the_gap_is_told() {
    waited_out(Trouble::Full);
}

#[test]
fn a_disk_that_turns_read_only_is_waited_out_and_the_gap_is_told() {
    waited_out(Trouble::ReadOnly);
}

#[test]
fn a_disk_that_returns_errors_is_waited_out_and_the_gap_is_told() {
    waited_out(Trouble::Errors);
}

#[test]
fn a_spoilt_file_is_left_for_a_fresh_one_beside_it() {
    let mut yard = Yard::new(Duration::ZERO);
    yard.disk.fall_ill(Trouble::Damaged);
    yard.offer(100);
    yard.handle.offer(event(Some(0), 1.0, Happening::TrackingBegan));
    yard.handle.offer(Record::Minute(minute(0, 60.0)));
    yard.wait_until(|status| status.rows.samples == 100);
    let before = std::fs::read(&yard.path).unwrap();
    let begin = Instant::now();
    while others(&yard.path).is_empty() {
        assert!(begin.elapsed() < PATIENCE);
        std::thread::sleep(Duration::from_millis(5));
    }
    yard.offer(100);
    yard.wait_until(|status| status.rows.samples == 200);
    assert_eq!(std::fs::read(&yard.path).unwrap(), before, "the old file is left as it is");
    yard.disk.fall_ill(Trouble::None);
    let account = yard.end();
    assert_eq!((account.samples, account.left_out, account.lost), (200, 0, 0));
    assert_eq!((account.minutes, account.files), (1, 2));
    assert!(account.has("tracking-began") && account.has("log-moved"));
}

#[test]
fn a_slow_disk_holds_nobody_up_and_loses_nothing() {
    let mut yard = Yard::new(PATIENCE);
    yard.disk.fall_ill(Trouble::Slow(Duration::from_secs(2)));
    yard.offer(50);
    yard.handle.offer(event(Some(0), 1.0, Happening::TrackingBegan));
    yard.wait_until(|status| status.rows.samples == 50);
    yard.offer(50);
    yard.disk.fall_ill(Trouble::None);
    let account = yard.end();
    assert_eq!((account.samples, account.left_out, account.lost), (100, 0, 0));
}
