//! The whole run on a sick disk: full, read-only, slow, returning errors, or with a file that can't
//! be written. Control keeps its time, the devices stay at the crest, and every record is in one of
//! the files or in a gap that is told.
//!
//! The tasks are the daemon's own, in real time over sockets to a virtual bench in this process; the
//! disk is the layer of `tests/disk`, under SQLite and under the tail. The stated goal, 99.9 % of the
//! turns begun within 5 ms of their time, is held by
//! `cargo test --test sick_disk -- --ignored --nocapture`; the test that always runs is lenient about
//! lateness, as a busy machine lets anybody wait.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod disk;
mod noon;
mod store_common;

use cresthold::control::Turns;
use cresthold::control::record::{Happening, Record};
use cresthold::daemon::bench::link;
use cresthold::daemon::field::{Field, Machine, Stay};
use cresthold::daemon::live::Screen;
use cresthold::daemon::serve::{Offer, VirtualBench};
use cresthold::daemon::stop::StopFlag;
use cresthold::daemon::{Ended, RunError};
use cresthold::station::Station;
use cresthold::store::{Book, Opened, Reader, StoreError, Writer, others};
use cresthold::time::Utc;
use cresthold_sim::wire::fault::Player;
use cresthold_sim::wire::plant::LivePlant;
use disk::{Disk, Trouble};
use noon::metronome;
use rusqlite::Connection;
use std::cell::Cell;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;
use store_common::event;
use tempfile::TempDir;

const TROUBLES: [Trouble; 6] = [
    Trouble::None,
    Trouble::Slow(Duration::from_secs(2)),
    Trouble::Full,
    Trouble::ReadOnly,
    Trouble::Errors,
    Trouble::Damaged,
];
/// Until all devices are at the crest, some 2 s; the disk is well meanwhile.
const START: Duration = Duration::from_secs(4);
/// The disk's last seconds, in which it is well again.
const END: Duration = Duration::from_secs(2);
/// After this long without success the log goes on in a fresh file: within the time that the disk
/// is sick.
const PATIENCE: Duration = Duration::from_secs(1);
const EVER: (Utc, Utc) = (Utc::from_micros(i64::MIN), Utc::from_micros(i64::MAX));

/// What a run on a sick disk showed.
struct Seen {
    trouble: Trouble,
    turns: Turns,
    /// Samples that the channels told.
    told: u64,
    /// Samples in the files.
    kept: u64,
    /// Samples that events say were left out.
    left_out: u64,
    files: usize,
    /// Least share of the crest's energy that a device delivered while the disk was sick.
    efficiency: f64,
    /// What share of its wake-ups a thread that only sleeps had too late meanwhile.
    machine: f64,
}

/// What the log's files say: samples, and those left out by events.
fn account(log: &Path) -> (u64, u64) {
    for file in others(log).into_iter().chain([log.to_path_buf()]) {
        let conn = Connection::open(&file).unwrap();
        let sound: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
        assert_eq!(sound, "ok", "{}", file.display());
    }
    let reader = Reader::open(log).unwrap();
    let channels = reader.channels().unwrap();
    let samples = channels.iter().map(|channel| {
        let rows = reader.samples(channel.id, EVER.0, EVER.1).unwrap();
        let mut times: Vec<_> = rows.iter().map(|row| row.at.mono).collect();
        times.sort_unstable();
        times.dedup();
        assert_eq!(times.len(), rows.len(), "no sample is there twice");
        rows.len() as u64
    });
    let events = reader.events(EVER.0, EVER.1).unwrap();
    assert!(!events.iter().any(|event| event.code == "let-go"), "no device is let go of");
    let left_out = events.iter().filter(|event| event.code == "samples-left-out").map(|event| {
        let detail = event.detail.as_deref().unwrap_or_default();
        let digits: String = detail.chars().filter(char::is_ascii_digit).collect();
        digits.parse::<u64>().unwrap()
    });
    (samples.sum(), left_out.sum())
}

/// A station whose log lies on a disk of its own, and its bench.
struct Yard {
    folder: TempDir,
    log: PathBuf,
    disk: Arc<Disk>,
    station: Station,
    bench: VirtualBench,
}

impl Yard {
    fn new(modules: usize) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let disk = Disk::under(folder.path());
        let at = Duration::from_secs(12 * 3600);
        let offer = Offer { port: Some(0), terminals: None, at, speed: 1.0 };
        let bench = VirtualBench::start(&noon::roof(modules), &offer).unwrap();
        let mut station = Station::parse("roof.toml", &bench.station_file()).unwrap();
        station.commit_every = Duration::from_millis(500);
        for channel in &mut station.channels {
            channel.control.sample_every = channel.control.period;
        }
        Self { log: folder.path().join("roof.sqlite"), folder, disk, station, bench }
    }

    /// Leaves what a run without an end left.
    fn begin_the_log(&self) {
        let mut book = Book::new(&self.log, store_common::facts());
        book.tails = disk::tail;
        let mut log = book.open().unwrap().log.unwrap();
        log.write(&event(None, 0.0, Happening::RunBegan)).unwrap();
        log.commit().unwrap();
    }

    /// A run with something done `meanwhile`; answers, besides, how many samples were told.
    fn live<T: Send>(
        &mut self,
        stay: Stay,
        meanwhile: impl FnOnce(&Disk, &[LivePlant]) -> T + Send,
    ) -> (Result<Ended, RunError>, u64, T) {
        let Self { log, disk, station, bench, .. } = self;
        let plants = bench.plants().to_vec();
        let (stop, over) = (StopFlag::default(), StopFlag::default());
        let heard = Rc::new(Cell::new(0_u64));
        let counter = Rc::clone(&heard);
        let machine = Machine {
            tails: disk::tail,
            writer: Rc::new(|opened: Opened, mut book: Book| {
                book.patience = PATIENCE;
                Writer::start_with(opened, book)
            }),
            heard: Rc::new(move |record| {
                counter.set(counter.get() + u64::from(matches!(record, Record::Sample(_))));
            }),
            ..Machine::default()
        };
        let (ended, done) = std::thread::scope(|scope| {
            let served = over.clone();
            scope.spawn(move || bench.live(Player::new(), None, &served, &mut |_| {}));
            let meanwhile = scope.spawn(|| meanwhile(disk, &plants));
            let field = Field { station, log, stay, lines: &link, machine };
            let runtime =
                tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            let ended = runtime.block_on(field.live(&stop, &mut Screen::silent()));
            over.raise();
            (ended, meanwhile.join().unwrap())
        });
        assert!(plants.iter().all(|plant| plant.switches() == (false, false)), "off at the end");
        (ended, heard.get(), done)
    }
}

fn stay(length: Duration) -> Stay {
    Stay { length: Some(length), patient: true, sweep: None }
}

/// Runs a station of so many modules, whose disk has the `trouble` for so long.
fn run(trouble: Trouble, modules: usize, sick: Duration) -> Seen {
    let mut yard = Yard::new(modules);
    let (ended, told, (efficiency, machine)) =
        yard.live(stay(START + sick + END), |disk, plants| {
            std::thread::sleep(START);
            let energy = || plants.iter().map(LivePlant::truth).collect::<Vec<_>>();
            let before = energy();
            disk.fall_ill(trouble);
            let machine = metronome(sick, Duration::from_millis(10));
            disk.fall_ill(Trouble::None);
            let share = energy().into_iter().zip(before).map(|(now, then)| {
                (now.delivered.0 - then.delivered.0) / (now.available.0 - then.available.0)
            });
            (share.fold(1.0, f64::min), machine)
        });
    let ended = ended.unwrap();
    assert!(ended.unconfirmed.is_empty() && ended.unreached.is_empty());
    let (kept, left_out) = account(&yard.log);
    let files = 1 + others(&yard.log).len();
    let turns = ended.summary.turns();
    drop(yard.folder);
    Seen { trouble, turns, told, kept, left_out, files, efficiency, machine }
}

/// `most_late` is beyond what the machine does by itself.
fn check(seen: &Seen, most_late: f64) {
    println!(
        "{:?}: of {} turns {} late, the latest by {:.1} ms (the machine itself: {:.2} %); {} of {} \
         samples in {} files, {} left out; at least {:.2} % of the crest",
        seen.trouble,
        seen.turns.due,
        seen.turns.late,
        seen.turns.latest.as_secs_f64() * 1e3,
        seen.machine * 100.0,
        seen.kept,
        seen.told,
        seen.files,
        seen.left_out,
        seen.efficiency * 100.0
    );
    assert_eq!(seen.kept + seen.left_out, seen.told, "every sample is kept or told as left out");
    let late = 1.0 - seen.turns.share_in_time().unwrap();
    assert!(late <= most_late + seen.machine, "{late}");
    // Perturb and observe: above 97 % in the literature (Hohm & Ropp 2003, from memory); a busy
    // machine takes from that.
    assert!(seen.efficiency > 0.9, "{}", seen.efficiency);
}

#[test]
fn a_sick_disk_holds_no_device_up() {
    // A packing is tried within 5 s, and again 10 s later: then a spoilt file is left.
    let sick = Duration::from_secs(14);
    let all: Vec<Seen> = std::thread::scope(|scope| {
        let runs = TROUBLES.map(|trouble| scope.spawn(move || run(trouble, 2, sick)));
        runs.into_iter().map(|run| run.join().unwrap()).collect()
    });
    for seen in &all {
        // Who waits for a disk that takes 2 s for each flush has more than a quarter late; a busy
        // machine alone has not.
        check(seen, 0.25);
        assert_eq!(seen.files, if seen.trouble == Trouble::Damaged { 2 } else { 1 });
    }
}

/// What a power cut leaves: loads that may be on, a disk that is full or read-only since, and the
/// log of a run without an end.
fn started_on(trouble: Trouble) {
    let mut yard = Yard::new(1);
    yard.begin_the_log();
    yard.disk.fall_ill(trouble);
    let (ended, told, tracked) = yard.live(stay(START + END), |disk, plants| {
        std::thread::sleep(START);
        let on = plants.iter().all(|plant| plant.switches() == (true, true));
        disk.fall_ill(Trouble::None);
        on
    });
    ended.unwrap();
    assert!(tracked, "{trouble:?}: the device is held meanwhile");
    let (kept, left_out) = account(&yard.log);
    println!("begun on {trouble:?}: {kept} of {told} samples");
    assert_eq!((kept, left_out), (told, 0));
    // Rows for all of the time, not only for what came after.
    assert!(told >= 10 * START.as_secs(), "{told}");
    let events = Reader::open(&yard.log).unwrap().events(EVER.0, EVER.1).unwrap();
    for code in ["log-late", "last-run-broke-off", "run-ended"] {
        assert_eq!(events.iter().filter(|event| event.code == code).count(), 1, "{code}");
    }
}

#[test]
fn a_start_on_a_sick_disk_leaves_no_device_alone() {
    std::thread::scope(|scope| {
        for trouble in [Trouble::Full, Trouble::ReadOnly, Trouble::Errors] {
            scope.spawn(move || started_on(trouble));
        }
    });
}

#[test]
fn without_patience_a_start_on_a_full_disk_is_refused() {
    let mut yard = Yard::new(1);
    yard.begin_the_log();
    yard.disk.fall_ill(Trouble::Full);
    let once = Stay { patient: false, ..stay(START) };
    let (ended, told, ()) = yard.live(once, |_, _| ());
    let error = ended.unwrap_err();
    assert!(matches!(error, RunError::NoLog(StoreError::Full { .. })), "{error}");
    assert_eq!(told, 0);
}

#[test]
#[ignore = "a measurement of two minutes, for a quiet machine"]
fn control_keeps_its_time_whatever_the_disk_does() {
    for trouble in TROUBLES {
        check(&run(trouble, 8, Duration::from_secs(15)), 0.001);
    }
}
