//! Recorded days that are wrong, and what the reader says of them.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]
#![allow(clippy::float_cmp, reason = "exact by construction")]

use cresthold_sim::quantities::Irradiance;
use cresthold_sim::sky::recorded::{Day, Fault, MOST_PROBLEMS, RecordedSky};
use cresthold_sim::sky::sun::Site;
use cresthold_sim::sky::{Place, Sky};
use proptest::prelude::*;
use std::path::Path;

const HEADER: &str = "time_utc,ghi,dni,dhi,temp_air,pressure";

fn with_rows(rows: &[&str]) -> String {
    format!("{HEADER}\n{}\n", rows.join("\n"))
}

fn message(text: &str) -> String {
    Day::parse("day.csv", text).unwrap_err().to_string()
}

/// Every kind of problem in one file, all said at once, each with line, column and remedy.
#[test]
fn all_problems_are_said_at_once() {
    let said = message(include_str!("data/broken-day.csv"));
    let wanted = [
        "line 3, column ghi: `9x8` is not a number; give a decimal such as 512.0",
        "line 4, column ghi: no value; give a number, or leave the minute's row out at either end \
         of the record",
        "line 5, column dhi: no value, and dni has none either; give one of the two, the other \
         follows from it",
        "line 6, column ghi: 2958 W/m2 is impossible; -15..=2200 W/m2 would be right",
        "line 6, column ghi_max: 2963 W/m2 is impossible; -15..=2200 W/m2 would be right",
        "line 7, column time_utc: 2016-06-15T10:04:00.000Z stands twice; leave one row a minute",
        "line 8, column time_utc: 2016-06-15T10:03:00.000Z comes after 2016-06-15T10:04:00.000Z; \
         sort the rows by time",
        "line 9, column temp_air: 183 degC is impossible; -90..=60 degC would be right",
        "line 9, column time_utc: 2 minute(s) missing before 2016-06-15T10:07:00.000Z; fill them \
         or cut the record there",
        "line 10, column time_utc: 2016-06-15T10:08:30.000Z is not a full minute; give one row a \
         minute, stamped with its start",
        "line 11, column dni: 1953 W/m2 is impossible; -15..=1450 W/m2 would be right",
        "line 11, column time_utc: `2016-06-15 ten` is not a time; give the minute's start such as \
         2016-06-15T04:12:00Z",
        "line 12: 8 fields where the header has 9; give one value for each column",
        "line 13, column pressure: -947 hPa is impossible; 300..=1100 hPa would be right",
        "line 13, column ghi: mean 858 W/m2 lies outside the minute's own 947..=963 W/m2; one of \
         the three is wrong",
        "line 13, column time_utc: 1 minute(s) missing before 2016-06-15T10:11:00.000Z; fill them \
         or cut the record there",
    ];
    let wanted: Vec<String> = wanted.iter().map(|line| format!("day.csv: {line}")).collect();
    assert_eq!(said.lines().collect::<Vec<_>>(), wanted);
}

#[test]
fn headers_are_checked() {
    assert_eq!(
        message("time_utc,ghi,dni,temp_air,pressure\n"),
        "day.csv: line 1, column dhi: the column is missing; the header needs \
         time_utc,ghi,dni,dhi,temp_air,pressure"
    );
    assert_eq!(
        message(&format!("{HEADER},ghi_std,ghi\n")),
        "day.csv: line 1, column ghi: the column stands twice in the header; leave one\n\
         day.csv: line 1, column ghi_min: the column is missing; give all of \
         ghi_std,ghi_min,ghi_max or none\n\
         day.csv: line 1, column ghi_max: the column is missing; give all of \
         ghi_std,ghi_min,ghi_max or none"
    );
    assert_eq!(message("").lines().count(), 6); // every required column
    let one = with_rows(&["2016-06-15T10:00:00Z,958,953,130,18.3,947"]);
    assert_eq!(message(&one), "day.csv: line 2: 1 minute(s) are no record; give at least two");
    let missing = Day::load(Path::new("no such day.csv")).unwrap_err();
    assert!(matches!(missing.problems[0].fault, Fault::Unreadable(_)));
    assert!(missing.to_string().starts_with("no such day.csv: cannot be read: "), "{missing}");
}

#[test]
fn the_list_is_bounded() {
    let row = "2016-06-15T10:00:00Z,x,953,130,18.3,947";
    let error = Day::parse("day.csv", &with_rows(&[row; 100])).unwrap_err();
    assert_eq!((error.problems.len(), error.more), (MOST_PROBLEMS, 199 - MOST_PROBLEMS));
    assert!(error.to_string().ends_with("day.csv: and 179 more problems"));
}

/// Night offsets are clipped; a blank component follows from the others; order of columns and
/// unknown ones don't matter.
#[test]
fn mercies_are_kept() {
    let text = "note,pressure,temp_air,dhi,dni,ghi,time_utc\n\
                a,947,12.0,-2.3,-0.8,-4.4,2016-06-15T11:00:00Z\n\
                b,947,12.0,100,,900,2016-06-15T11:01:00Z\n\
                c,947,12.0,,900,900,2016-06-15T11:02:00+00:00\n";
    let day = Day::parse("day.csv", text).unwrap();
    let zero = Some(Irradiance::ZERO);
    let [first, second, third] = day.minutes() else { panic!("three minutes") };
    assert_eq!((first.global, first.direct, first.diffuse), (Irradiance::ZERO, zero, zero));
    assert_eq!((second.direct, third.diffuse), (None, None));
    let mut sky = RecordedSky::new(day, Site::new(46.815, 6.944, 491.0).unwrap(), 1);
    let middle = sky.state("2016-06-15T11:01:30Z".parse().unwrap(), Place::default());
    // (900 - 100) / cos z, and neighbours of 0 and 900 pull the middle up a little.
    assert!((middle.direct.0 - 800.0 / middle.sun.up).abs() < 250.0, "{middle:?}");
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    /// No text makes the reader panic; what it accepts has two minutes at least.
    #[test]
    fn no_text_panics(text in "(time_utc,ghi,dni,dhi,temp_air,pressure\n)?([0-9TZ:,.a-e\"\n -]{0,200})") {
        if let Ok(day) = Day::parse("any", &text) {
            prop_assert!(day.minutes().len() >= 2);
        }
    }

    /// Whatever the statistics say, the mean is kept and the drawn values stay within bounds.
    #[test]
    fn any_statistics_can_be_drawn(
        least in 0.0..900.0_f64, range in 0.0..900.0_f64, place in 0.0..=1.0_f64,
        deviation in 0.0..500.0_f64, direct in 0.0..1000.0_f64, seed in any::<u64>(),
    ) {
        let (greatest, mean) = (least + range, least + place * range);
        let row = |minute: u32| format!(
            "2016-06-15T11:0{minute}:00Z,{mean},{direct},100,18.3,947,{deviation},{least},{greatest}"
        );
        let text = format!("{HEADER},ghi_std,ghi_min,ghi_max\n{}\n{}\n", row(0), row(1));
        let day = Day::parse("day.csv", &text).unwrap();
        let start = day.start();
        let mut sky = RecordedSky::new(day, Site::new(46.815, 6.944, 491.0).unwrap(), seed);
        let states: Vec<_> = (0..240_u64)
            .map(|i| sky.state(start + std::time::Duration::from_millis(250 * i), Place::default()))
            .collect();
        let global = states.iter().map(|s| s.global.0).sum::<f64>() / 240.0;
        prop_assert!((global - mean).abs() <= 1e-9 * mean.max(1.0), "{} {}", global, mean);
        let beam = states.iter().map(|s| s.direct.0).sum::<f64>() / 240.0;
        prop_assert!((beam - direct).abs() <= 1e-9 * direct.max(1.0), "{} {}", beam, direct);
        for s in &states {
            prop_assert!(s.global.0 >= least - 1e-9 && s.global.0 <= greatest + 1e-9);
            prop_assert!(s.direct.0 >= 0.0 && s.diffuse.0 >= 0.0);
        }
    }
}
