//! A wall clock that steps, through the files of a log: months, labels put right, power cuts.
//!
//! The same three hours around noon are lived through with clocks that go wrong; what a reader finds is
//! compared with what the right clock wrote.
#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod store_common;
mod support;

use cresthold::control::record::{Event, Happening, Record};
use cresthold::control::{DaySplit, WRITTEN};
use cresthold::quantities::MetresPerSecond;
use cresthold::rehearsal::{WallClock, Yard};
use cresthold::report::picture::draw_day;
use cresthold::store::{Book, EventRow, Keep, MinuteRow, Reader, SampleRow, Writer, others};
use cresthold::time::{Instant, Stamp, Utc};
use cresthold_sim::sky::Sky;
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use std::path::Path;
use std::time::Duration;
use store_common::{EVER, facts, place};
use support::{channel_config, crystalline_stand, perturb_and_observe};

const HOUR: i64 = 3_600_000_000;
const DAY: i64 = 24 * HOUR;
const FORTY_YEARS: i64 = 14_610 * DAY;
const MINUTE_S: f64 = 60.0;

/// Time from one commit to the next, which a power cut costs.
const COMMIT: Duration = Duration::from_secs(30);

/// Rows keep their times to a millisecond, and a step of a clock that is put right to a microsecond.
const TIME_KEPT: Duration = Duration::from_millis(1);

/// The recorded sky of 2016 over other dates, so that months end where a test wants them to.
struct Moved {
    sky: RecordedSky,
    by: Duration,
}

impl Sky for Moved {
    fn state(&mut self, at: Utc, place: cresthold_sim::sky::Place) -> cresthold_sim::sky::SkyState {
        self.sky.state(at - self.by, place)
    }
}

/// How a run goes.
#[derive(Clone)]
struct Run<'a> {
    /// The true time at which it begins: 10:30 in the recorded day.
    began: &'a str,
    minutes: u64,
    /// When the clock is set (s), and by how much (us).
    steps: Vec<(f64, i64)>,
    keep: Keep,
    /// Whether the power fails at the end.
    cut: bool,
    split: DaySplit,
}

impl Run<'_> {
    fn of<'a>(began: &'a str, steps: &[(f64, i64)]) -> Run<'a> {
        let steps = steps.to_vec();
        Run { began, minutes: 60, steps, keep: Keep::default(), cut: false, split: DaySplit::UTC }
    }
}

fn paused() -> std::time::Instant {
    tokio::time::Instant::now().into_std()
}

fn utc(text: &str) -> Utc {
    text.parse().unwrap()
}

/// Lives through a run and writes it to the log at `path`.
async fn write(path: &Path, run: Run<'_>) {
    let (day, site) = embedded_payerne();
    let began = utc(run.began);
    let by = began.saturating_since(utc("2016-06-15T10:30:00Z"));
    let sky = RecordedSky::new(day, site, 7).with_wind(MetresPerSecond(2.0));
    let mut config = channel_config(perturb_and_observe(0.25));
    config.period = Duration::from_secs(1);
    config.day = run.split;
    let mut yard = Yard::new(Moved { sky, by }, began, vec![crystalline_stand(config, 11)]);
    let first = yard.stamp(Instant::ZERO);
    let steps = run.steps.iter().map(|(s, by)| (Instant::ZERO + Duration::from_secs_f64(*s), *by));
    let wall = WallClock { drift: 0.0, steps: steps.collect() };
    let seen = wall.seen(first);
    yard.stands_mut()[0].set_wall_clock(wall, WRITTEN, first);

    let mut facts = facts();
    (facts.began, facts.day) = (seen, run.split);
    let mut book = Book::new(path, facts);
    (book.monthly, book.keep) = (true, run.keep);
    // Not every two seconds: a sync takes milliseconds, and virtual time none.
    book.interval = COMMIT;
    let (writer, hand) = Writer::by_hand(book.open().unwrap(), book, paused);
    let handle = writer.handle();
    let event = |what, at| Record::Event(Event { channel: None, at, what });
    handle.offer(event(Happening::RunBegan, seen));
    for s in 1..=run.minutes * 60 {
        yard.run_until(Instant::ZERO + Duration::from_secs(s), &mut |record| {
            handle.offer(record);
        });
        tokio::time::advance(Duration::from_secs(1)).await;
        hand.turn();
    }
    if run.cut {
        drop((writer, hand));
        return;
    }
    let end = Instant::ZERO + Duration::from_secs(run.minutes * 60);
    yard.stop(end, &mut |record| {
        handle.offer(record);
    });
    let totals = writer.finish().unwrap();
    assert_eq!((totals.left_out, totals.lost, totals.refused), (0, 0, 0));
}

struct Found {
    samples: Vec<SampleRow>,
    minutes: Vec<MinuteRow>,
    events: Vec<EventRow>,
    /// Date and energy (Wh).
    days: Vec<(String, f64)>,
    /// Names of the other files.
    files: Vec<String>,
}

fn read(path: &Path) -> Found {
    let reader = Reader::open(path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    let days = reader.day_totals("0000-01-01", "9999-12-31").unwrap();
    let name = |path: &std::path::PathBuf| path.file_name().unwrap().to_string_lossy().into_owned();
    Found {
        samples: reader.samples(east, EVER.0, EVER.1).unwrap(),
        minutes: reader.minutes(east, EVER.0, EVER.1).unwrap(),
        events: reader.events(EVER.0, EVER.1).unwrap(),
        days: days.into_iter().map(|day| (day.date, day.energy.0)).collect(),
        files: others(path).iter().map(name).collect(),
    }
}

impl Found {
    fn energy(&self) -> f64 {
        self.days.iter().map(|(_, energy)| energy).sum()
    }

    /// Rows are in the order of both clocks, and labelled as those of `right`.
    fn is_labelled_as(&self, right: &Self, what: &str) {
        assert_eq!(self.samples.len(), right.samples.len(), "{what}");
        for (found, wanted) in self.samples.iter().zip(&right.samples) {
            let off = apart(found.at, wanted.at);
            assert!(off <= TIME_KEPT, "{what}: {:?} against {:?}", found.at, wanted.at);
            assert_eq!((found.watts, found.readings), (wanted.watts, wanted.readings), "{what}");
        }
        let order = |row: &MinuteRow| (row.start, row.at.mono);
        assert!(self.minutes.is_sorted_by_key(order), "{what}");
        let sum = |found: &Self| found.minutes.iter().map(|row| row.energy.0).sum::<f64>();
        assert!((sum(self) / sum(right) - 1.0).abs() < 1e-6, "{what}: minutes");
        for row in &self.minutes {
            // Closed within a minute of its beginning, but for the second that both are kept to.
            let late = row.at.utc.saturating_since(row.start).as_secs_f64();
            assert!((0.0..=MINUTE_S + 2.0).contains(&late), "{what}: {row:?}");
        }
        assert_eq!(self.days.len(), right.days.len(), "{what}: {:?}", self.days);
        for (found, wanted) in self.days.iter().zip(&right.days) {
            assert_eq!(found.0, wanted.0, "{what}");
            assert!((found.1 / wanted.1 - 1.0).abs() < 1e-6, "{what}: {found:?}, {wanted:?}");
        }
    }
}

fn apart(a: Stamp, b: Stamp) -> Duration {
    a.utc.saturating_since(b.utc).max(b.utc.saturating_since(a.utc))
}

fn sound(path: &Path) {
    let files = std::iter::once(path.to_path_buf()).chain(others(path));
    for file in files {
        let conn = rusqlite::Connection::open(&file).unwrap();
        let check: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
        assert_eq!(check, "ok", "{}", file.display());
    }
}

const NOON: &str = "2026-06-15T10:30:00Z";

async fn right() -> Found {
    let (_folder, path) = place();
    write(&path, Run::of(NOON, &[])).await;
    read(&path)
}

#[tokio::test(start_paused = true)]
async fn a_fresh_log_begun_in_1986_is_put_right_when_the_time_is_told() {
    let right = right().await;
    for (what, steps) in [
        ("told at once", vec![(0.0, -FORTY_YEARS), (1.0, FORTY_YEARS)]),
        ("told after 20 min", vec![(0.0, -FORTY_YEARS), (1200.0, FORTY_YEARS)]),
        (
            "told in two steps",
            vec![(0.0, -FORTY_YEARS), (600.0, 3 * DAY), (1500.0, FORTY_YEARS - 3 * DAY)],
        ),
        (
            "its own midnight between",
            vec![(0.0, 13 * HOUR - FORTY_YEARS), (2400.0, FORTY_YEARS - 13 * HOUR)],
        ),
    ] {
        for cut in [false, true] {
            let (_folder, path) = place();
            let run = Run { cut, ..Run::of(NOON, &steps) };
            write(&path, run).await;
            let found = read(&path);
            assert!(found.files.is_empty(), "{what}: {:?}", found.files);
            if cut {
                // What a power cut costs is told elsewhere; labels are right of all that is there.
                assert!(found.samples.len() + 31 > right.samples.len(), "{what}");
                let early =
                    found.samples.iter().find(|row| row.at.utc < utc("2026-01-01T00:00:00Z"));
                assert_eq!(early, None, "{what}");
                assert!(
                    found.days.iter().all(|(date, _)| date == "2026-06-15"),
                    "{:?}",
                    found.days
                );
            } else {
                found.is_labelled_as(&right, what);
            }
            let told: Vec<_> = found.events.iter().filter(|row| row.code == "clock-set").collect();
            assert_eq!(told.len(), steps.len() - 1, "{what}");
            assert!(found.events.iter().all(|row| row.at.utc >= utc(NOON)), "{:?}", found.events);
            assert!(told[0].text.contains("is put right"), "{}", told[0].text);
            let reader = Reader::open(&path).unwrap();
            assert_eq!(reader.boots().unwrap()[0].began, utc(NOON), "{what}");
            sound(&path);
        }
    }
}

/// Midnight of UTC lies in the light here, and so does the false one; days end by the sun.
#[tokio::test(start_paused = true)]
async fn days_by_the_sun_are_put_right_too() {
    let split = DaySplit::mean_solar(-175.0);
    let began = "2026-06-15T23:40:00Z";
    let (_folder, path) = place();
    write(&path, Run { split, ..Run::of(began, &[]) }).await;
    let right = read(&path);
    assert_eq!(right.days.len(), 1);
    assert_eq!(right.days[0].0, "2026-06-15", "noon of the sun is at 23:40 of UTC");
    for steps in [
        vec![(0.0, -FORTY_YEARS), (2400.0, FORTY_YEARS)],
        // Its own midnight of the sun comes 20 min after it began.
        vec![
            (0.0, 12 * HOUR - FORTY_YEARS - HOUR / 3),
            (2400.0, FORTY_YEARS + HOUR / 3 - 12 * HOUR),
        ],
    ] {
        let (_folder, path) = place();
        write(&path, Run { split, ..Run::of(began, &steps) }).await;
        read(&path).is_labelled_as(&right, "by the sun");
        let reader = Reader::open(&path).unwrap();
        assert_eq!(reader.boots().unwrap()[0].day_ahead_micros, -175 * 240_000_000);
        let picture = draw_day(&reader, None).unwrap();
        assert_eq!(picture.date, "2026-06-15");
        assert!(picture.svg.contains("mean solar time"));
    }
}

#[tokio::test(start_paused = true)]
async fn a_boot_in_1986_neither_begins_nor_loses_a_month() {
    // Last month's run, then one whose clock begins in the past: what it wrote until it was told the
    // time stays in the file it lies in, and the month turns behind it.
    let (_folder, path) = place();
    write(&path, Run { minutes: 5, ..Run::of("2026-05-31T10:30:00Z", &[]) }).await;
    let before = read(&path);
    write(&path, Run::of(NOON, &[(0.0, -FORTY_YEARS), (1200.0, FORTY_YEARS)])).await;
    let found = read(&path);
    assert_eq!(found.files, ["roof log.2026-05.db"]);
    let right = right().await;
    assert_eq!(found.samples.len(), before.samples.len() + right.samples.len());
    assert!(found.samples.is_sorted_by_key(|row| row.at.utc));
    let dates: Vec<_> = found.days.iter().map(|(date, _)| date.as_str()).collect();
    assert_eq!(dates, ["2026-05-31", "2026-06-15"]);
    assert!((found.days[1].1 / right.energy() - 1.0).abs() < 1e-6, "{:?}", found.days);
    assert_eq!(found.days[0], before.days[0]);
    sound(&path);

    // In the same month the file is the same.
    write(
        &path,
        Run {
            minutes: 5,
            ..Run::of("2026-06-20T10:30:00Z", &[(0.0, -FORTY_YEARS), (60.0, FORTY_YEARS)])
        },
    )
    .await;
    let later = read(&path);
    assert_eq!(later.files, found.files);
    assert!(later.samples.is_sorted_by_key(|row| row.at.utc));
    assert_eq!(later.days.last().unwrap().0, "2026-06-20");
}

#[tokio::test(start_paused = true)]
async fn a_step_back_over_a_months_end_keeps_every_row() {
    let turn = "2026-06-30T23:40:00Z";
    let (_folder, path) = place();
    write(&path, Run::of(turn, &[])).await;
    let right = read(&path);
    assert_eq!(right.files, ["roof log.2026-06.db"]);
    // Midnight comes after 20 min; after 30 min the clock is set back by an hour, or by half a minute
    // just behind midnight, and the month begins again.
    for (what, steps) in [
        ("an hour", vec![(1800.0, -HOUR)]),
        ("half a minute", vec![(1205.0, -HOUR / 120)]),
        ("an hour and forth", vec![(1800.0, -HOUR), (2400.0, HOUR)]),
        ("forth over it and back", vec![(600.0, HOUR), (900.0, -HOUR)]),
    ] {
        let (_folder, path) = place();
        write(&path, Run::of(turn, &steps)).await;
        let found = read(&path);
        // A month that the clock was in too early is turned twice, and each file keeps its rows.
        let twice = ["roof log.2026-06-2.db", "roof log.2026-06.db"];
        let early = what.ends_with("and back");
        assert_eq!(found.files, if early { &twice[..] } else { &twice[1..] }, "{what}");
        assert_eq!(found.samples.len(), right.samples.len(), "{what}");
        assert!((found.energy() / right.energy() - 1.0).abs() < 1e-6, "{what}: {:?}", found.days);
        let dates: Vec<_> = found.days.iter().map(|(date, _)| date.as_str()).collect();
        assert_eq!(dates, ["2026-06-30", "2026-07-01"], "{what}");
        let mut monos: Vec<_> = found.samples.iter().map(|row| row.at.mono).collect();
        monos.sort();
        monos.dedup();
        assert_eq!(monos.len(), right.samples.len(), "{what}: a sample twice or lost");
        sound(&path);
    }
}

#[tokio::test(start_paused = true)]
async fn a_future_that_passes_leaves_neither_a_date_nor_a_hole() {
    let right = right().await;
    let (_folder, path) = place();
    let month = Duration::from_secs(30 * 86_400);
    // A month with samples that forty years would let go.
    write(&path, Run { minutes: 5, ..Run::of("2026-05-31T10:30:00Z", &[]) }).await;
    let kept = read(&path).samples.len();
    let steps = [(1000.0, FORTY_YEARS), (1600.0, -FORTY_YEARS)];
    let keep = Keep { samples: Some(month), size: None };
    write(&path, Run { keep, ..Run::of(NOON, &steps) }).await;
    let found = read(&path);
    assert_eq!(found.samples.len(), kept + right.samples.len(), "nothing was let go for its age");
    assert!(found.samples.is_sorted_by_key(|row| row.at.utc));
    assert!(found.samples.last().unwrap().at.utc < utc("2026-06-16T00:00:00Z"));
    let dates: Vec<_> = found.days.iter().map(|(date, _)| date.as_str()).collect();
    assert_eq!(dates, ["2026-05-31", "2026-06-15"], "{:?}", found.days);
    assert!((found.days[1].1 / right.energy() - 1.0).abs() < 1e-6, "{:?}", found.days);
    println!("{:?}", found.files);
    // The file begun in the future was given its month when the clock came back: the next one turns it.
    write(&path, Run { minutes: 5, ..Run::of("2026-07-03T10:30:00Z", &[]) }).await;
    let later = read(&path);
    assert!(later.samples.len() > found.samples.len());
    assert!(later.files.contains(&"roof log.2026-06-2.db".to_owned()), "{:?}", later.files);
    sound(&path);
}

#[tokio::test(start_paused = true)]
async fn forty_years_back_and_small_steps_leave_the_files_as_they_were() {
    let right = right().await;
    for (what, steps, code) in [
        ("-40 years", vec![(1200.0, -FORTY_YEARS)], "clock-doubted"),
        (
            "-40 years and back",
            vec![(1200.0, -FORTY_YEARS), (1800.0, FORTY_YEARS)],
            "clock-doubted",
        ),
        ("+1 h and back", vec![(1200.0, HOUR), (1500.0, -HOUR)], "clock-set"),
        ("-1 h and back", vec![(1200.0, -HOUR), (1500.0, HOUR)], "clock-set"),
    ] {
        let (_folder, path) = place();
        write(&path, Run::of(NOON, &steps)).await;
        let found = read(&path);
        found.is_labelled_as(&right, what);
        assert!(found.files.is_empty(), "{what}");
        assert!(found.events.iter().any(|row| row.code == code), "{what}: {:?}", found.events);
    }
    for by in [HOUR, -HOUR] {
        let (_folder, path) = place();
        write(&path, Run::of(NOON, &[(1200.0, by)])).await;
        let found = read(&path);
        assert_eq!(found.samples.len(), right.samples.len());
        assert!((found.energy() / right.energy() - 1.0).abs() < 1e-6, "{:?}", found.days);
        assert_eq!(found.days.len(), 1);
        // In one file rows are in the order of the run, whatever their labels.
        assert!(found.samples.is_sorted_by_key(|row| row.at.mono));
    }
}
