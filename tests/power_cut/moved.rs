//! A file that can't be written any more is left for a fresh one beside it. Wherever the power fails
//! meanwhile: no row is lost and none is there twice, in whichever of the files.

use crate::disk::{self, Act, Disk, Trouble};
use crate::image::Damage;
use crate::store_common::{EVER, event, facts, sample, second};
use crate::{NAME, cut, sound};
use cresthold::control::record::{Happening, Record};
use cresthold::store::{Book, Reader, Writer, others};
use std::cell::Cell;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::LazyLock;
use std::time::{Duration, Instant};

/// Samples of each channel; before the file is spoilt, and in all.
const SOUND: u32 = 30;
const ALL: u32 = 60;
/// One a second, and an event so often: the writer packs soon after.
const PERIOD: Duration = Duration::from_secs(1);
const PER_EVENT: u32 = 10;

static BEGAN: LazyLock<Instant> = LazyLock::new(Instant::now);

thread_local! {
    static PAST: Cell<Duration> = const { Cell::new(Duration::ZERO) };
}

fn now() -> Instant {
    *BEGAN + PAST.get()
}

/// A run whose file is spoilt half way, and every act of it.
fn written_down() -> Vec<Act> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(NAME);
    let disk = Disk::under(folder.path());
    disk.record();
    let mut book = Book::new(&path, facts());
    (book.patience, book.tails) = (Duration::ZERO, disk::tail);
    let (writer, hand) = Writer::by_hand(book.open().unwrap(), book, now);
    for s in 1..=ALL {
        if s == SOUND {
            disk.fall_ill(Trouble::Damaged);
        }
        for channel in 0..2 {
            writer.handle().offer(Record::Sample(sample(channel, f64::from(s))));
        }
        if s.is_multiple_of(PER_EVENT) {
            writer.handle().offer(event(Some(0), f64::from(s), Happening::TrackingBegan));
        }
        PAST.set(PAST.get() + PERIOD);
        hand.turn();
        if writer.status().waiting == 0 {
            disk.told(s);
        }
    }
    assert_eq!(others(&path).len(), 1, "it went on in a file beside");
    disk.recorded()
}

/// What is wrong after the next start on what a cut left; `told` is what had been told as kept.
fn judge(folder: &Path, told: u32) -> Result<(), String> {
    let path = folder.join(NAME);
    let opened = Book::new(&path, facts()).open().map_err(|e| format!("the restart: {e}"))?;
    let log = opened.log.ok_or("the restart has no log")?;
    log.finish().map_err(|error| format!("the run after: {error}"))?;
    let reader = Reader::open(&path).map_err(|error| error.to_string())?;
    for file in others(&path).into_iter().chain([path]) {
        sound(&file)?;
    }
    for channel in reader.channels().map_err(|error| error.to_string())? {
        let rows = reader.samples(channel.id, EVER.0, EVER.1).map_err(|e| e.to_string())?;
        let mut seen: BTreeMap<u32, u32> = BTreeMap::new();
        for row in &rows {
            *seen.entry(row.at.mono.as_secs_f64().round() as u32).or_default() += 1;
        }
        let wrong: Vec<_> = (1..=ALL)
            .map(|s| (s, seen.get(&s).copied().unwrap_or_default()))
            .filter(|(s, count)| *count > 1 || *count == 0 && *s <= told)
            .collect();
        if !wrong.is_empty() {
            return Err(format!("told up to {told}; (sample, how often it is there): {wrong:?}"));
        }
    }
    Ok(())
}

#[test]
fn a_move_to_a_fresh_file_neither_loses_nor_doubles_a_row() {
    let acts = written_down();
    let (cuts, wrong) = cut(&acts, 0..4, 1, (Damage::Unflushed, judge));
    println!("{cuts} cuts after {} acts: {} wrong", acts.len(), wrong.len());
    assert!(wrong.is_empty(), "{} of {cuts}: {:#?}", wrong.len(), &wrong[..wrong.len().min(5)]);
    assert!(cuts > 500, "{cuts}");
}

/// A run goes on beside a file that it can't pack, and after the turn of the month in a file of the old
/// name. What then lies in its tail is not taken for what the one beside has taken over.
#[test]
fn a_run_that_comes_back_to_a_name_loses_nothing() {
    /// Of samples of channel 0 (s): those before the turn of the month, and those after it.
    const OLD: std::ops::Range<u32> = 1..30;
    const NEW: std::ops::Range<u32> = 1_500_000..1_500_010;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(NAME);
    let disk = Disk::under(folder.path());
    let mut book = Book::new(&path, facts());
    (book.patience, book.tails, book.monthly) = (Duration::ZERO, disk::tail, true);
    let (writer, hand) = Writer::by_hand(book.open().unwrap(), book.clone(), now);
    disk.fall_ill(Trouble::Damaged);
    for s in OLD.chain(NEW) {
        if s == NEW.start {
            assert_eq!(others(&path).len(), 1, "it went on in a file beside");
            disk.fall_ill(Trouble::None);
        }
        writer.handle().offer(Record::Sample(sample(0, f64::from(s))));
        PAST.set(PAST.get() + 2 * PERIOD);
        hand.turn();
        assert_eq!(writer.status().waiting, 0, "told as kept");
    }
    assert_eq!(others(&path).len(), 2, "a month of its own, and the one beside");
    // The process is killed.
    drop((writer, hand));
    book.facts.began = second(f64::from(2 * NEW.end));
    book.open().unwrap().log.unwrap().finish().unwrap();
    let reader = Reader::open(&path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    let rows = reader.samples(east, EVER.0, EVER.1).unwrap();
    let seen: Vec<u32> = rows.iter().map(|row| row.at.mono.as_secs_f64().round() as u32).collect();
    assert_eq!(seen, OLD.chain(NEW).collect::<Vec<_>>());
}
