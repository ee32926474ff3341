//! Power cuts after any act on any file: what was told as kept is there, and the file is sound.
//!
//! A day of the log is written once over a file layer that writes down every act (write, truncate,
//! flush, unlink). Then the power is cut after each of them: what was flushed is on the disk; of
//! the rest each write is there, dropped, torn or garbled, as the dice fall. On what is left the log
//! is opened again, as the next start does, and looked at.
//!
//! Two checks show that the test has teeth: a log that never flushes and a device that ignores
//! flushes must be caught.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

#[path = "../disk/mod.rs"]
mod disk;
mod image;
mod moved;
#[path = "../store_common/mod.rs"]
mod store_common;

use cresthold::control::record::{
    Activity, ChannelId, Curve, CurveEnd, CurvePoint, Happening, Record, SweepDirection,
};
use cresthold::quantities::{Amps, Volts, WattHours};
use cresthold::store::{Log, Reader};
use disk::{Act, Disk};
use image::{Damage, Files};
use rusqlite::Connection;
use std::collections::BTreeSet;
use std::path::Path;
use store_common::{EVER, day, event, facts, minute, sample, second};

/// Samples of each channel in the first run, and after the second start.
const FIRST: u32 = 80;
const SECOND: u32 = 120;
/// Samples of a channel to a commit: the promise at one a second and the default interval.
const PER_COMMIT: u32 = 2;
/// Commits to a packing.
const PER_PACK: u32 = 5;
/// A minute's record, day totals and an event come every so many samples; a curve twice as rarely.
const PER_MINUTE: u32 = 10;

const NAME: &str = "roof.sqlite";

/// Writes what belongs to second `s`.
fn write_second(log: &mut Log, s: u32) {
    let at = f64::from(s);
    for channel in 0..2 {
        log.write(&Record::Sample(sample(channel, at))).unwrap();
    }
    if s.is_multiple_of(PER_MINUTE) {
        log.write(&Record::Minute(minute(0, at))).unwrap();
        log.write(&Record::Day(day(0, at, at))).unwrap();
        log.write(&event(Some(0), at, Happening::TrackingBegan)).unwrap();
    }
    if s.is_multiple_of(2 * PER_MINUTE) {
        write_curve(log, s);
    }
}

fn write_curve(log: &mut Log, s: u32) {
    let (channel, at) = (ChannelId(0), second(f64::from(s)));
    for index in 0..10 {
        let (volts, amps) = (Volts(40.0 - f64::from(index)), Amps(8.0));
        let setpoint = volts;
        log.write(&Record::CurvePoint(CurvePoint {
            channel,
            curve: s,
            index,
            at,
            volts,
            amps,
            setpoint,
            irradiance: None,
            module_temperature: None,
        }))
        .unwrap();
    }
    log.write(&Record::Curve(Curve {
        channel,
        curve: s,
        began: at,
        at,
        points: 10,
        direction: SweepDirection::Down,
        end: CurveEnd::Whole,
        missed: WattHours(0.1),
    }))
    .unwrap();
}

/// Writes two runs and writes down every act.
fn written_down() -> Vec<Act> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(NAME);
    let disk = Disk::under(folder.path());
    disk.record();
    let mut s = 0;
    for end in [FIRST, SECOND] {
        let mut log = Log::open_with_tail(&path, &facts(), &disk::tail).unwrap();
        while s < end {
            s += 1;
            write_second(&mut log, s);
            if s.is_multiple_of(PER_COMMIT) {
                log.commit().unwrap();
                disk.told(s);
            }
            if s.is_multiple_of(PER_COMMIT * PER_PACK) {
                log.pack().unwrap();
            }
        }
        // The second run ends by a cut at the latest.
        if end == FIRST {
            log.finish().unwrap();
        }
    }
    disk.recorded()
}

/// What is wrong after the restart on what a cut left; `told` is what had been told as kept.
fn judge(folder: &Path, told: u32) -> Result<(), String> {
    let path = folder.join(NAME);
    let open = || Log::open_with_tail(&path, &facts(), &disk::tail);
    let mut log = open().map_err(|error| format!("the restart: {error}"))?;
    // It goes on by itself.
    let next = SECOND + 1;
    log.write(&Record::Sample(sample(0, f64::from(next)))).map_err(|e| e.to_string())?;
    log.finish().map_err(|error| format!("the run after: {error}"))?;
    sound(&path)?;
    let reader = Reader::open(&path).map_err(|error| error.to_string())?;
    let channels = reader.channels().map_err(|error| error.to_string())?;
    for (channel, row) in (0_u16..).zip(&channels) {
        let rows = reader.samples(row.id, EVER.0, EVER.1).map_err(|error| error.to_string())?;
        let mut seen = BTreeSet::new();
        for row in &rows {
            let s = row.at.mono.as_secs_f64().round();
            let wanted = sample(channel, s);
            if row.at != wanted.at
                || row.activity != Activity::Tracking
                || row.volts.is_none_or(|volts| (volts.0 - wanted.volts.0).abs() > 1e-6)
                || !seen.insert(s as u32)
            {
                return Err(format!("a row that nobody wrote, or twice: {row:?}"));
            }
        }
        let lost: Vec<u32> = (1..=told).filter(|s| !seen.contains(s)).collect();
        if !lost.is_empty() {
            return Err(format!("channel {channel}: told up to {told}, lost {lost:?}"));
        }
        if channel == 0 && !seen.contains(&next) {
            return Err("the sample after the restart is missing".to_owned());
        }
    }
    let Some(east) = channels.first() else { return Err("no channel".to_owned()) };
    let minutes = reader.minutes(east.id, EVER.0, EVER.1).map_err(|e| e.to_string())?.len();
    let events = reader.events(EVER.0, EVER.1).map_err(|e| e.to_string())?.len();
    let curves = reader.curves(east.id, EVER.0, EVER.1).map_err(|e| e.to_string())?;
    let whole = curves.iter().filter(|curve| curve.whole).count();
    let least = (told / PER_MINUTE) as usize;
    if minutes < least || events < least || whole < least / 2 {
        return Err(format!("told {told}: {minutes} minutes, {events} events, {whole} curves"));
    }
    Ok(())
}

/// Whether SQLite finds nothing wrong with a file.
fn sound(file: &Path) -> Result<(), String> {
    let conn = Connection::open(file).unwrap();
    let sound: String = conn
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .map_err(|error| error.to_string())?;
    if sound == "ok" { Ok(()) } else { Err(format!("integrity_check: {sound}")) }
}

/// Says what is wrong in a folder that a cut left, after so much had been told.
type Judge = fn(&Path, u32) -> Result<(), String>;

/// Cuts after each act, `seeds` times each, in steps of `stride`; answers how many cuts were made
/// and what was wrong.
fn cut(
    acts: &[Act],
    seeds: std::ops::Range<u64>,
    stride: usize,
    (damage, judge): (Damage, Judge),
) -> (usize, Vec<String>) {
    // Where there is one, a disk in memory.
    let shm = Path::new("/dev/shm");
    let place = || if shm.is_dir() { tempfile::tempdir_in(shm) } else { tempfile::tempdir() };
    let (mut files, mut told, mut cuts, mut wrong) = (Files::default(), 0, 0, Vec::new());
    for (index, act) in acts.iter().enumerate() {
        if let Act::Told(s) = act {
            told = *s;
            continue;
        }
        files.act(act, damage);
        if index % stride != 0 {
            continue;
        }
        for seed in seeds.clone() {
            let folder = place().unwrap();
            files.leave(folder.path(), damage, (index as u64) << 16 | seed);
            cuts += 1;
            if let Err(why) = judge(folder.path(), told) {
                wrong.push(format!("after act {index} of {}, seed {seed}: {why}", acts.len()));
            }
        }
    }
    (cuts, wrong)
}

fn survive(seeds: std::ops::Range<u64>, stride: usize) -> usize {
    let acts = written_down();
    let (cuts, wrong) = cut(&acts, seeds, stride, (Damage::Unflushed, judge));
    println!("{cuts} cuts after {} acts: {} wrong", acts.len(), wrong.len());
    assert!(wrong.is_empty(), "{} of {cuts}: {:#?}", wrong.len(), &wrong[..wrong.len().min(5)]);
    cuts
}

/// A part of the cuts; all of them: `cargo test --test power_cut -- --ignored --nocapture`.
#[test]
fn a_cut_loses_nothing_that_was_told() {
    assert!(survive(0..4, 3) > 500);
}

#[test]
#[ignore = "ten thousand cuts take a minute"]
fn ten_thousand_cuts_lose_nothing_that_was_told() {
    let cuts = survive(100..116, 1);
    assert!(cuts >= 10_000, "{cuts}");
}

#[test]
fn a_log_that_never_flushes_is_caught() {
    let (cuts, wrong) = cut(&written_down(), 0..2, 11, (Damage::NeverFlushed, judge));
    println!("without a flush: {} of {cuts} cuts caught", wrong.len());
    assert!(wrong.iter().any(|why| why.contains("lost")), "{cuts} cuts, none caught");
}

#[test]
fn a_device_that_ignores_flushes_is_caught() {
    let (cuts, wrong) = cut(&written_down(), 0..2, 11, (Damage::FlushIgnored, judge));
    println!("flush ignored: {} of {cuts} cuts caught", wrong.len());
    let corrupt = |why: &String| !why.contains("lost");
    assert!(wrong.iter().any(corrupt), "{cuts} cuts, no damage caught: {wrong:?}");
}
