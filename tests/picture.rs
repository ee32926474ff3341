//! A day of a log as a picture.
#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod store_common;

use cresthold::control::record::{Record, Spread};
use cresthold::quantities::{WattHours, Watts};
use cresthold::report::picture::{PictureError, draw_day};
use cresthold::store::Reader;
use proptest::prelude::*;
use std::path::Path;
use std::process::Command;
use store_common::{day, minute, open, place, sample, spread};

/// A quarter of an hour from noon of 2016-06-15, with a crest on the second channel and every kind
/// of thing that is no number.
fn write_log(path: &Path) {
    let mut log = open(path);
    for channel in 0..2 {
        for step in 0..15_u8 {
            let start = f64::from(step) * 60.0;
            let mut record = minute(channel, start);
            record.watts = spread(200.0 + 3.0 * f64::from(step));
            match step {
                5 => record.watts.mean = f64::NAN,
                6 => record.watts = Spread::default(),
                7 => record.watts.max = f64::INFINITY,
                8 => record.irradiance.mean = f64::NAN,
                _ => {}
            }
            let mut reading = sample(channel, start + 30.0);
            reading.crest = (channel == 1).then_some(Watts(260.0));
            log.write(&Record::Sample(reading)).unwrap();
            log.write(&Record::Minute(record)).unwrap();
        }
        let mut total = day(channel, 900.0, 55.0);
        total.available = (channel == 1).then_some(WattHours(55.5));
        log.write(&Record::Day(total)).unwrap();
    }
    log.finish().unwrap();
}

/// Every element that is opened is closed, in order; attributes have pairs of quotes.
fn well_formed(svg: &str) {
    let mut open = Vec::new();
    for part in svg.split('<').skip(1) {
        let (tag, _text) = part.split_once('>').unwrap();
        assert_eq!(tag.matches('"').count() % 2, 0, "{tag}");
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name));
        } else if !tag.ends_with('/') {
            open.push(tag.split_whitespace().next().unwrap());
        }
    }
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn the_picture_names_devices_and_units_and_holds_no_nan() {
    let (_folder, path) = place();
    write_log(&path);
    let picture = draw_day(&Reader::open(&path).unwrap(), None).unwrap();
    assert_eq!(picture.date, "2016-06-15");
    let svg = &picture.svg;
    assert!(svg.starts_with("<svg width=\"900\""), "{}", &svg[..90]);
    well_formed(svg);
    for text in [
        "roof, 2016-06-15",
        "east (module): 55.0 Wh\n",
        // 55 / 55.5 = 0.990 99.
        "west (module): 55.0 Wh, 99.10 % of the crest&apos;s 55.5 Wh",
        "power (W)",
        "irradiance (W/m\u{b2})",
        "time of day (UTC)",
        "12:00",
        "crest",
        "stroke-dasharray",
    ] {
        assert!(svg.contains(text), "no {text:?}");
    }
    for bad in ["NaN", "inf", "-2147483648", "2147483647"] {
        assert!(!svg.contains(bad), "{bad}");
    }
    // The same log gives the same bytes.
    assert_eq!(picture, draw_day(&Reader::open(&path).unwrap(), Some("2016-06-15")).unwrap());
}

#[test]
fn a_date_without_rows_is_an_error_that_names_the_dates_there_are() {
    let (_folder, path) = place();
    write_log(&path);
    let reader = Reader::open(&path).unwrap();
    let error = draw_day(&reader, Some("2016-06-16")).unwrap_err();
    assert!(matches!(error, PictureError::NoSuchDate { .. }));
    let text = error.to_string();
    assert!(text.contains("2016-06-16") && text.contains("has 2016-06-15;"), "{text}");
    assert!(matches!(draw_day(&reader, Some("june")), Err(PictureError::NotADate { .. })));
}

#[test]
fn a_log_without_rows_says_so() {
    let (_folder, path) = place();
    open(&path).finish().unwrap();
    let reader = Reader::open(&path).unwrap();
    assert!(matches!(draw_day(&reader, None), Err(PictureError::Empty)));
    assert!(matches!(draw_day(&reader, Some("2016-06-15")), Err(PictureError::Empty)));
}

#[test]
fn the_command_draws_beside_the_log_and_tells_its_errors_apart() {
    let (folder, path) = place();
    write_log(&path);
    let run = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
        let output = command.arg("picture").args(arguments).output().unwrap();
        (output.status.code(), String::from_utf8(output.stdout).unwrap())
    };
    let log = path.to_str().unwrap();
    let drawn = folder.path().join("roof log-2016-06-15.svg");
    assert_eq!(run(&[log]), (Some(0), format!("{}\n", drawn.display())));
    assert!(std::fs::read_to_string(&drawn).unwrap().ends_with("</svg>\n"));
    // Drawing again replaces a picture, but never another kind of file.
    assert_eq!(run(&[log, "--out", drawn.to_str().unwrap()]).0, Some(0));
    let before = std::fs::read(&path).unwrap();
    assert_eq!(run(&[log, "--out", log]).0, Some(2));
    assert_eq!(std::fs::read(&path).unwrap(), before);
    assert_eq!(run(&[log, "--date", "2016-06-16"]).0, Some(2));
    assert_eq!(run(&[log, "--date", "yesterday"]).0, Some(2));
    assert_eq!(run(&["nowhere.sqlite"]).0, Some(4));
    assert_eq!(run(&[drawn.to_str().unwrap()]).0, Some(4));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// Whatever powers a log holds, the picture can be drawn and is one.
    #[test]
    fn any_powers_can_be_drawn(powers in proptest::collection::vec(proptest::num::f64::ANY, 1..8)) {
        let (_folder, path) = place();
        let mut log = open(&path);
        for (step, power) in (0_u8..).zip(powers) {
            let mut record = minute(0, f64::from(step) * 60.0);
            record.watts = spread(power);
            log.write(&Record::Minute(record)).unwrap();
        }
        log.write(&Record::Day(day(0, 900.0, 55.0))).unwrap();
        log.finish().unwrap();
        let picture = draw_day(&Reader::open(&path).unwrap(), None).unwrap();
        well_formed(&picture.svg);
        for bad in ["NaN", "inf", "-2147483648", "2147483647"] {
            prop_assert!(!picture.svg.contains(bad), "{bad}");
        }
    }
}
