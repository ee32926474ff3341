//! A wall clock that drifts and steps, in virtual time: what the books of a day say.
//!
//! The same recorded day is lived through with clocks that go wrong in every way; the plant and the
//! controller are the same to the last digit, so the books must be too.
#![allow(clippy::unwrap_used, reason = "a test: what is not there fails it")]

mod support;

use cresthold::control::DaySplit;
use cresthold::control::record::{DayTotal, Event, Happening, Minute, Record, Sample};
use cresthold::quantities::MetresPerSecond;
use cresthold::rehearsal::{WallClock, Yard};
use cresthold::report::summary::Summary;
use cresthold::time::{Instant, Utc};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use std::collections::BTreeMap;
use std::sync::LazyLock;
use std::time::Duration;
use support::{channel_config, crystalline_stand, perturb_and_observe};

const HOUR: i64 = 3_600_000_000;
const DAY: i64 = 24 * HOUR;
/// Forty years of 365.25 days (us): the board of 2016 finds itself in 1976.
const FORTY_YEARS: i64 = 14_610 * DAY;

/// What is promised (relative): the day's energy does not depend on the wall clock. It is the same
/// sum of the same numbers, so that even this is generous.
const PROMISED: f64 = 1e-6;

struct Lived {
    /// The newest totals of each book, by when it was begun.
    days: BTreeMap<Instant, DayTotal>,
    minutes: Vec<Minute>,
    samples: Vec<Sample>,
    /// What was told of the clock.
    steps: Vec<Happening>,
    summary: Summary,
}

impl Lived {
    /// Energy (Wh) and length of what was covered, by date.
    fn dates(&self) -> Vec<(String, f64)> {
        let mut dates = BTreeMap::new();
        for day in self.days.values() {
            *dates.entry(day.day.date()).or_insert(0.0) += day.energy.0;
        }
        dates.into_iter().collect()
    }

    fn energy(&self) -> f64 {
        self.days.values().map(|day| day.energy.0).sum()
    }
}

fn at(hours: f64) -> Instant {
    Instant::ZERO + Duration::from_secs_f64(hours * 3600.0)
}

/// The recorded day, seen by a clock that goes wrong. One period of a second keeps it short.
///
/// Whatever time the clock shows is believed, or none before the first of January.
fn live(wall: WallClock) -> Lived {
    live_after(wall, Utc::from_micros(i64::MIN))
}

fn live_after(wall: WallClock, earliest: Utc) -> Lived {
    live_split(wall, earliest, DaySplit::UTC)
}

fn live_split(wall: WallClock, earliest: Utc, day_split: DaySplit) -> Lived {
    let (day, site) = embedded_payerne();
    let began: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    let sky = RecordedSky::new(day, site, 7).with_wind(MetresPerSecond(2.0));
    let mut config = channel_config(perturb_and_observe(0.25));
    config.period = Duration::from_secs(1);
    config.day = day_split;
    let mut yard = Yard::new(sky, began, vec![crystalline_stand(config, 11)]);
    let first = yard.stamp(Instant::ZERO);
    yard.stands_mut()[0].set_wall_clock(wall, earliest, first);
    let mut lived = Lived {
        days: BTreeMap::new(),
        minutes: Vec::new(),
        samples: Vec::new(),
        steps: Vec::new(),
        summary: Summary::default(),
    };
    let mut log = |record| match record {
        Record::Day(total) => {
            lived.summary.take(&total);
            lived.days.insert(total.began, total);
        }
        Record::Minute(minute) => lived.minutes.push(minute),
        Record::Sample(sample) => lived.samples.push(sample),
        Record::Event(Event { what, .. }) if what.code().starts_with("clock") => {
            lived.steps.push(what);
        }
        _ => {}
    };
    yard.run_until(at(24.0), &mut log);
    yard.stop(at(24.0) - Duration::from_millis(1), &mut log);
    lived
}

fn steps(steps: &[(f64, i64)]) -> WallClock {
    let steps = steps.iter().map(|(hours, by)| (at(*hours), *by)).collect();
    WallClock { drift: 0.0, steps }
}

/// The day with a clock that is right.
static RIGHT: LazyLock<Lived> = LazyLock::new(|| live(WallClock::default()));

/// Energies agree with those of the right clock; minutes, days and the run's summary say the same.
fn same_energy(lived: &Lived, what: &str) {
    let (right, found) = (RIGHT.energy(), lived.energy());
    let off = (found / right - 1.0).abs();
    println!("{what}: {found:.6} Wh, {off:.1e} off; {:?}", lived.dates());
    assert!(off < PROMISED, "{what}: {found} against {right}");
    let minutes: f64 = lived.minutes.iter().map(|minute| minute.energy.0).sum();
    assert!((minutes / right - 1.0).abs() < PROMISED, "{what}: minutes have {minutes} of {right}");
    let sums = lived.summary.sums(cresthold::control::record::ChannelId(0));
    assert!((sums.energy / right - 1.0).abs() < PROMISED, "{what}: the summary {}", sums.energy);
    assert!(
        lived.samples.is_sorted_by_key(|sample| sample.at.mono),
        "{what}: samples out of order"
    );
    assert_eq!(lived.samples.len(), RIGHT.samples.len(), "{what}");
}

#[test]
fn a_clock_that_steps_at_noon_leaves_the_day_whole() {
    for (what, by, date) in [
        ("-40 years", -FORTY_YEARS, "1976-06-15"),
        ("+40 years", FORTY_YEARS, "2056-06-15"),
        ("+1 h", HOUR, "2016-06-15"),
        ("-1 h", -HOUR, "2016-06-15"),
        ("+1 s", HOUR / 3600, "2016-06-15"),
    ] {
        let lived = live(steps(&[(11.7, by)]));
        same_energy(&lived, what);
        assert_eq!(lived.steps, [Happening::ClockSet { by, corrects: None }]);
        println!("{}", lived.steps[0]);
        let day = lived.days.values().find(|day| day.energy.0 > 0.0).unwrap();
        assert_eq!(day.day.date(), date, "{what}");
        let right = RIGHT.days.values().next().unwrap();
        assert_eq!(
            (day.energy, day.peak, day.tracking, day.covered, day.missing, day.gaps),
            (right.energy, right.peak, right.tracking, right.covered, right.missing, right.gaps),
            "{what}"
        );
    }
}

/// As the field runs: a time before the program was written is not believed.
#[test]
fn a_clock_that_falls_back_by_forty_years_changes_nothing() {
    let earliest: Utc = "2016-01-01T00:00:00Z".parse().unwrap();
    let lived = live_after(steps(&[(11.7, -FORTY_YEARS)]), earliest);
    same_energy(&lived, "-40 years, not believed");
    assert_eq!(lived.dates(), RIGHT.dates());
    assert_eq!(lived.minutes, RIGHT.minutes);
    assert_eq!(lived.samples, RIGHT.samples);
    assert_eq!(lived.steps, [Happening::ClockDoubted { by: -FORTY_YEARS }]);
    println!("{}", lived.steps[0]);
}

#[test]
fn a_clock_that_is_put_right_again_leaves_one_day_under_its_own_date() {
    for by in [-FORTY_YEARS, FORTY_YEARS, HOUR, -HOUR, -13 * HOUR] {
        let lived = live(steps(&[(9.0, by), (12.0, -by)]));
        same_energy(&lived, &format!("{} h and back", by / HOUR));
        let dates: Vec<_> = lived.dates().into_iter().filter(|(_, energy)| *energy > 0.0).collect();
        assert_eq!(dates.len(), 1);
        assert_eq!(dates[0].0, "2016-06-15");
    }
}

#[test]
fn a_clock_that_drifts_is_followed_and_is_no_step() {
    for drift in [-500.0, -100.0, 20.0, 500.0] {
        let lived = live(WallClock { drift, steps: Vec::new() });
        same_energy(&lived, &format!("{drift} ppm"));
        assert!(lived.steps.is_empty(), "{:?}", lived.steps);
    }
}

/// A board without a battery clock begins in the past and is told the time in the morning, at noon.
#[test]
fn a_run_that_begins_in_the_past_books_to_the_day_that_it_is_told() {
    for told in [4.0, 5.5, 11.7] {
        // It began at 08:00 or 23:30 of its own time.
        for early in [FORTY_YEARS - 8 * HOUR, FORTY_YEARS + HOUR / 2] {
            let lived = live(steps(&[(0.0, -early), (told, early)]));
            same_energy(&lived, &format!("told the time at {told} h"));
            let day = lived.days.values().last().unwrap();
            assert_eq!(day.day.date(), "2016-06-15");
            let off = day.energy.0 / RIGHT.energy() - 1.0;
            // What came before its own midnight is a book of its own, of the eve: only where the clock
            // was told so late that light had come by then.
            assert!(off.abs() < PROMISED || told > 11.0, "{:?}", lived.dates());
        }
    }
}

/// Where midnight of UTC lies in the light: what one date loses the other has, whatever the clock does
/// about it.
#[test]
fn a_midnight_in_the_light_splits_once() {
    let right = live(steps(&[(0.0, 12 * HOUR)]));
    same_energy(&right, "midnight at noon");
    let dates = right.dates();
    assert_eq!(dates.len(), 2);
    for (what, more) in [
        ("back over midnight", vec![(12.5, -HOUR)]),
        ("forth over midnight", vec![(11.5, HOUR)]),
        ("back and forth", vec![(12.2, -HOUR), (12.4, HOUR)]),
        (
            "flicker",
            (0..20)
                .map(|i| (12.0 + f64::from(i) / 3600.0, if i % 2 == 0 { -HOUR } else { HOUR }))
                .collect(),
        ),
        (
            "-40 years and back, the false midnight between",
            vec![(11.0, -FORTY_YEARS), (13.0, FORTY_YEARS)],
        ),
        ("half a second back at midnight", vec![(12.0 + 0.2 / 3600.0, -HOUR / 7200)]),
    ] {
        let lived = live(steps(&[vec![(0.0, 12 * HOUR)], more].concat()));
        same_energy(&lived, what);
        let found = lived.dates();
        let names =
            |dates: &[(String, f64)]| dates.iter().map(|date| date.0.clone()).collect::<Vec<_>>();
        assert_eq!(names(&found), names(&dates), "{what}");
        // What a step of an hour moves from one date to the other is at most an hour at noon.
        assert!((found[0].1 - dates[0].1).abs() <= 400.0, "{what}: {found:?} against {dates:?}");
        // While it was wrong in the small, it was believed; forty years rename what was booked.
        if what.ends_with("between") {
            assert!((found[0].1 / dates[0].1 - 1.0).abs() < PROMISED, "{what}: {found:?}");
        }
    }
}

/// The same where the station splits days by the sun: one day, whatever the zone, the year's end and a
/// step of the clock.
#[test]
fn days_by_the_sun_are_whole_wherever_the_station_stands() {
    let june: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
    for (longitude, began) in [
        (-175.0, "2016-06-15T00:00:00Z"),
        (-105.87, "2015-12-31T00:00:00Z"),
        (175.0, "2016-02-29T00:00:00Z"),
    ] {
        // The recorded day begins at midnight of its own longitude, 6.944 degrees east; elsewhere the
        // same light comes so much later or earlier.
        let there: Utc = began.parse().unwrap();
        let later = ((6.944 - longitude) * 240e6) as i64;
        let moved = there.as_micros() - june.as_micros() + later;
        for more in [vec![], vec![(6.0, HOUR), (14.0, -HOUR)], vec![(11.0, -2 * HOUR)]] {
            let wall = steps(&[vec![(0.0, moved)], more].concat());
            let split = DaySplit::mean_solar(longitude);
            let lived = live_split(wall, Utc::from_micros(i64::MIN), split);
            same_energy(&lived, &format!("{longitude} degrees east"));
            let lit: Vec<_> = lived.dates().into_iter().filter(|(_, wh)| *wh > 0.0).collect();
            assert_eq!(lit.len(), 1, "{lit:?}");
            // It began 28 min after the sun's midnight of its date.
            assert_eq!(lit[0].0, there.date());
        }
        // By UTC the same light is cut in two.
        let cut = live(steps(&[(0.0, moved)]));
        assert_eq!(cut.dates().iter().filter(|(_, energy)| *energy > 0.0).count(), 2);
    }
}

/// The dates of a leap year's end of February and of 31 December, stepped over and back.
#[test]
fn the_calendars_odd_days_are_days_as_others() {
    for date in ["2016-02-29", "2015-02-28", "2016-12-31", "2100-02-28", "1999-12-31"] {
        let wanted: Utc = format!("{date}T00:00:00Z").parse().unwrap();
        let there: Utc = "2016-06-15T00:00:00Z".parse().unwrap();
        let moved = wanted.as_micros() - there.as_micros();
        let lived = live(steps(&[(0.0, moved), (6.0, HOUR), (14.0, -HOUR)]));
        same_energy(&lived, date);
        let dates: Vec<_> = lived.dates().into_iter().filter(|(_, energy)| *energy > 0.0).collect();
        assert_eq!(dates.len(), 1);
        assert_eq!(dates[0].0, date);
    }
}
