//! What a run has committed and not packed, as readers see it who can't take it up: beside a run under way, and
//! without the right to write. Their answers are those that everybody gives once it is packed.
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod store_common;

use cresthold::control::record::{
    ChannelId, Curve, CurveEnd, CurvePoint, Happening, Record, SweepDirection,
};
use cresthold::quantities::{Amps, Volts, WattHours};
use cresthold::store::{
    BootRow, CurvePointRow, CurveRow, DayRow, Endless, EventRow, Locked, Log, MinuteRow, Reader,
    RowsOf, SampleRow, tail_path,
};
use rusqlite::Connection;
use std::collections::BTreeSet;
use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::{Command, Output};
use store_common::{EVER, day, event, facts, minute, place, sample, second};

fn tailed(path: &Path) -> Log {
    Log::open_with_tail(path, &facts(), &|log| Ok(Box::new(Locked::open(log)?))).unwrap()
}

/// All that a reader can be asked of the first channel and the log.
#[derive(Debug, PartialEq)]
struct Answers {
    boots: Vec<BootRow>,
    samples: Vec<SampleRow>,
    minutes: Vec<MinuteRow>,
    days: Vec<DayRow>,
    events: Vec<EventRow>,
    curves: Vec<CurveRow>,
    points: Vec<Vec<CurvePointRow>>,
    endless: Vec<Endless>,
    dates: BTreeSet<i64>,
}

fn ask(reader: &Reader) -> Answers {
    let east = reader.channels().unwrap()[0].id;
    let curves = reader.curves(east, EVER.0, EVER.1).unwrap();
    Answers {
        boots: reader.boots().unwrap(),
        samples: reader.samples(east, EVER.0, EVER.1).unwrap(),
        minutes: reader.minutes(east, EVER.0, EVER.1).unwrap(),
        days: reader.day_totals("", "9999").unwrap(),
        events: reader.events(EVER.0, EVER.1).unwrap(),
        points: curves
            .iter()
            .map(|curve| reader.curve_points(east, curve.boot, curve.curve).unwrap())
            .collect(),
        curves,
        endless: reader.endless(east).unwrap(),
        dates: reader.days(RowsOf::Samples(east)).unwrap(),
    }
}

fn point(curve: u32, index: u16, s: f64) -> Record {
    let (volts, amps) = (Volts(40.0 - f64::from(index)), Amps(8.0));
    Record::CurvePoint(CurvePoint {
        channel: ChannelId(0),
        curve,
        index,
        at: second(s),
        volts,
        amps,
        setpoint: volts,
        irradiance: None,
        module_temperature: None,
    })
}

fn whole_curve(curve: u32, (began, at): (f64, f64), points: u16) -> Record {
    Record::Curve(Curve {
        channel: ChannelId(0),
        curve,
        began: second(began),
        at: second(at),
        points,
        direction: SweepDirection::Down,
        end: CurveEnd::Whole,
        missed: WattHours(0.1),
    })
}

/// Four minutes of two channels; half of them are packed, in the middle of a curve. Another curve has no end.
fn half_packed(path: &Path) -> Log {
    let mut log = tailed(path);
    log.write(&event(None, 0.0, Happening::RunBegan)).unwrap();
    for s in 1..=240_u32 {
        let at = f64::from(s);
        for channel in 0..2 {
            log.write(&Record::Sample(sample(channel, at))).unwrap();
            if s.is_multiple_of(60) {
                log.write(&Record::Minute(minute(channel, at - 60.0))).unwrap();
                log.write(&Record::Day(day(channel, at, at))).unwrap();
            }
        }
        match s {
            5 => log.write(&point(1, 0, at)).unwrap(), // without an end
            10 => log.write(&point(2, 0, at)).unwrap(),
            118..=122 => log.write(&point(3, (s - 118) as u16, at)).unwrap(),
            123 => log.write(&whole_curve(3, (118.0, at), 5)).unwrap(),
            130 => log.write(&point(2, 1, at)).unwrap(),
            131 => log.write(&whole_curve(2, (10.0, at), 3)).unwrap(), // a point is missing
            200 => log.write(&point(4, 0, at)).unwrap(),
            210 => log.write(&event(Some(1), at, Happening::LinkLost)).unwrap(),
            _ => {}
        }
        if s == 120 {
            log.commit().unwrap();
            log.pack().unwrap();
        }
    }
    log.commit().unwrap();
    log
}

#[test]
fn beside_a_run_all_that_is_committed_is_seen_once() {
    let (_folder, path) = place();
    let mut log = half_packed(&path);
    let reader = Reader::open(&path).unwrap();
    let before = ask(&reader);
    assert_eq!((before.samples.len(), before.minutes.len(), before.days.len()), (240, 4, 2));
    let whole: Vec<(u32, bool)> = before.curves.iter().map(|row| (row.curve, row.whole)).collect();
    assert_eq!(whole, [(2, false), (3, true)]);
    let endless: Vec<u32> = before.endless.iter().map(|one| one.curve).collect();
    assert_eq!(endless, [1, 4]);
    let packed: u32 = Connection::open(&path)
        .unwrap()
        .query_row("SELECT count(*) FROM sample", [], |row| row.get(0))
        .unwrap();
    assert_eq!(packed, 240, "of two channels: half is in the tail");
    // Whoever was looking while the run packs neither misses nor doubles a row.
    log.pack().unwrap();
    assert_eq!(ask(&reader), before);
    assert_eq!(ask(&Reader::open(&path).unwrap()), before);
    // What comes then waits in the next tail.
    log.write(&Record::Sample(sample(0, 241.0))).unwrap();
    log.commit().unwrap();
    assert_eq!(ask(&Reader::open(&path).unwrap()).samples.len(), 241);
    log.finish().unwrap();
    assert_eq!(ask(&Reader::open(&path).unwrap()).samples.len(), 241);
}

#[test]
fn who_cannot_take_up_what_a_kill_left_sees_it_all_the_same() {
    let (_folder, path) = place();
    drop(half_packed(&path)); // as a kill does
    // Somebody's lock lets nobody write.
    let lock = Connection::open(&path).unwrap();
    lock.execute_batch("BEGIN IMMEDIATE").unwrap();
    let mut beside = ask(&Reader::open(&path).unwrap());
    assert_eq!(beside.samples.len(), 240);
    assert!(tail_path(&path).exists(), "nothing was taken up");
    lock.execute_batch("ROLLBACK").unwrap();
    let mut taken = ask(&Reader::open(&path).unwrap());
    assert!(!tail_path(&path).exists(), "now it was");
    // But for events' numbers.
    beside.events.iter_mut().chain(&mut taken.events).for_each(|event| event.id = 0);
    assert_eq!(beside, taken);
}

#[test]
fn the_minute_that_a_kill_broke_off_is_made_without_the_right_to_write_too() {
    let (_folder, path) = place();
    let mut log = half_packed(&path);
    for s in 241..=270 {
        log.write(&Record::Sample(sample(0, f64::from(s)))).unwrap();
        log.commit().unwrap();
    }
    drop(log);
    let lock = Connection::open(&path).unwrap();
    lock.execute_batch("BEGIN IMMEDIATE").unwrap();
    let mut beside = ask(&Reader::open(&path).unwrap());
    assert_eq!(beside.minutes.len(), 5);
    assert!(
        (beside.minutes[4].covered.as_secs_f64() - 30.0).abs() < 1.1,
        "{:?}",
        beside.minutes[4]
    );
    lock.execute_batch("ROLLBACK").unwrap();
    let mut taken = ask(&Reader::open(&path).unwrap());
    beside.events.iter_mut().chain(&mut taken.events).for_each(|event| event.id = 0);
    assert_eq!(beside, taken);
}

/// The binary as a user who may write nothing there.
fn export(path: &Path) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
    command.args(["export", path.to_str().unwrap(), "--rows", "samples"]);
    // Rights bind everybody but root.
    if is_root() {
        command.uid(65_534).gid(65_534);
    }
    command.output().unwrap()
}

fn is_root() -> bool {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let uid = status.lines().find_map(|line| line.strip_prefix("Uid:")).unwrap();
    uid.split_whitespace().nth(1) == Some("0")
}

fn rights(path: &Path, mode: u32) {
    fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
}

#[test]
fn a_read_only_folder_hides_nothing_and_an_unreadable_tail_is_told() {
    let (folder, path) = place();
    drop(half_packed(&path));
    let lines = |output: &Output| String::from_utf8_lossy(&output.stdout).lines().count() - 1;
    for (file, mode) in
        [(path.as_path(), 0o444), (&tail_path(&path), 0o444), (folder.path(), 0o555)]
    {
        rights(file, mode);
    }
    let seen = export(&path);
    assert_eq!((lines(&seen), String::from_utf8_lossy(&seen.stderr).as_ref()), (480, ""));
    rights(&tail_path(&path), 0o000);
    let blind = export(&path);
    assert_eq!(lines(&blind), 240, "what is in the tables");
    let told = String::from_utf8_lossy(&blind.stderr);
    for words in [
        "-tail: can't be read (Permission denied",
        "after 2016-06-15T12:02:00.000Z is not",
        "right to read",
    ] {
        assert!(told.contains(words), "{words}: {told}");
    }
    assert_eq!(told.lines().count(), 1, "{told}");
    rights(folder.path(), 0o755);
}
