//! The log as CSV and Parquet: every value as the reader has it, and what the command refuses.
#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]
#![allow(clippy::float_cmp, reason = "what is exported must be the log's number to the last bit")]

#[path = "../store_common/mod.rs"]
mod store_common;

mod command;
mod figures;
mod rows;
mod yard;

use cresthold::export::{
    About, CsvSheet, Export, Form, Heading, ParquetSheet, Rows, Sheet, Value, Wanted, Zone,
};
use cresthold::store::Reader;
use cresthold::time::Utc;
use parquet::basic::{LogicalType, TimeUnit};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::Field;
use proptest::prelude::*;
use rows::Cell;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{Seek, Write};
use std::time::Duration;
use store_common::{place, second};
use yard::write_log;

fn wanted(rows: Rows) -> Wanted {
    Wanted { rows, channels: Vec::new(), from: None, until: None, zone: Zone::UTC }
}

fn as_csv(reader: &Reader, wanted: Wanted) -> String {
    let zone = wanted.zone;
    let export = Export::new(reader, wanted).unwrap();
    let mut sheet = CsvSheet::new(Vec::new(), &export.headings(), zone).unwrap();
    let mut read = 0;
    export.write(&mut sheet, &mut || read += 1).unwrap();
    assert_eq!(read, export.pieces());
    String::from_utf8(sheet.finish().unwrap()).unwrap()
}

fn parquet_of(
    headings: &[Heading],
    channels: &[String],
    fill: impl FnOnce(&mut ParquetSheet<File>),
) -> SerializedFileReader<File> {
    let about = About {
        station: "roof".to_owned(),
        channels: channels.to_owned(),
        rows: "whatever".to_owned(),
        version: "9.9.9".to_owned(),
    };
    let file = tempfile::tempfile().unwrap();
    let mut sheet = ParquetSheet::new(file, headings, &about).unwrap();
    fill(&mut sheet);
    let mut file = sheet.finish().unwrap();
    file.flush().unwrap();
    file.rewind().unwrap();
    SerializedFileReader::new(file).unwrap()
}

fn as_parquet(reader: &Reader, wanted: Wanted) -> SerializedFileReader<File> {
    let channels = wanted.channels.clone();
    let export = Export::new(reader, wanted).unwrap();
    parquet_of(&export.headings(), &channels, |sheet| {
        export.write(sheet, &mut || {}).unwrap();
    })
}

#[test]
fn every_value_of_every_kind_is_the_readers_in_csv() {
    let (_folder, path) = place();
    write_log(&path);
    let reader = Reader::open(&path).unwrap();
    for kind in Rows::ALL {
        let (header, expected) = rows::expected(&reader, kind);
        let text = as_csv(&reader, wanted(kind));
        let mut csv = csv::Reader::from_reader(text.as_bytes());
        assert_eq!(csv.headers().unwrap().iter().collect::<Vec<_>>(), header, "{kind:?}");
        let got: Vec<csv::StringRecord> = csv.records().map(Result::unwrap).collect();
        assert_eq!(got.len(), expected.len(), "{kind:?}");
        assert!(got.len() > 2, "{kind:?} is hardly tested");
        for (got, expected) in got.iter().zip(&expected) {
            let same = got.iter().zip(expected).all(|(got, expected)| expected.is_csv(got));
            assert!(same && got.len() == expected.len(), "{kind:?}: {got:?} {expected:?}");
        }
    }
}

#[test]
fn every_value_of_every_kind_is_the_readers_in_parquet() {
    let (_folder, path) = place();
    write_log(&path);
    let reader = Reader::open(&path).unwrap();
    for kind in Rows::ALL {
        let (header, expected) = rows::expected(&reader, kind);
        let file = as_parquet(&reader, wanted(kind));
        let got: Vec<_> = file.get_row_iter(None).unwrap().map(Result::unwrap).collect();
        assert_eq!(got.len(), expected.len(), "{kind:?}");
        for (got, expected) in got.into_iter().zip(&expected) {
            let got = got.into_columns();
            assert!(got.iter().map(|(name, _)| name).eq(&header), "{kind:?}: {got:?}");
            let same = got.iter().zip(expected).all(|((_, got), cell)| cell.is_field(got));
            assert!(same, "{kind:?}: {got:?} {expected:?}");
        }
    }
}

#[test]
fn parquet_tells_types_units_and_where_it_is_from() {
    let (_folder, path) = place();
    write_log(&path);
    let reader = Reader::open(&path).unwrap();
    let of_east = Wanted { channels: vec!["east".to_owned()], ..wanted(Rows::Samples) };
    let file = as_parquet(&reader, of_east);
    let about = file.metadata().file_metadata();
    let said: BTreeMap<String, String> = about
        .key_value_metadata()
        .unwrap()
        .iter()
        .map(|entry| (entry.key.clone(), entry.value.clone().unwrap()))
        .collect();
    assert_eq!((said["station"].as_str(), said["channel"].as_str()), ("roof", "east"));
    assert_eq!((said["version"].as_str(), said["time zone"].as_str()), ("9.9.9", "UTC"));
    let units: serde_json::Value = serde_json::from_str(&said["units"]).unwrap();
    assert_eq!((&units["power (W)"], &units["irradiance (W/m2)"]), (&"W".into(), &"W/m2".into()));
    assert_eq!(about.created_by().unwrap(), "cresthold version 9.9.9");
    let time = about.schema_descr().column(0);
    assert_eq!(
        time.logical_type_ref().cloned(),
        Some(LogicalType::timestamp(true, TimeUnit::MICROS))
    );
}

#[test]
fn a_file_of_many_groups_has_all_rows_in_order() {
    let headings = [
        Heading { name: "n".to_owned(), unit: String::new(), form: Form::Whole },
        Heading { name: "half".to_owned(), unit: "1".to_owned(), form: Form::Number },
        Heading { name: "word".to_owned(), unit: String::new(), form: Form::Text },
    ];
    // Two full groups and a row.
    let rows = 2 * 131_072 + 1;
    let file = parquet_of(&headings, &[], |sheet| {
        for row in 0..rows {
            sheet.put(Value::Whole(row)).unwrap();
            let half = if row % 3 == 0 { Value::Unknown } else { Value::Number(row as f64 / 2.0) };
            sheet.put(half).unwrap();
            sheet.put(Value::Text(if row % 2 == 0 { "even" } else { "odd" })).unwrap();
            sheet.end_row().unwrap();
        }
    });
    assert_eq!(file.metadata().num_row_groups(), 3);
    let mut next = 0;
    for row in file.get_row_iter(None).unwrap() {
        let row = row.unwrap().into_columns();
        assert_eq!(row[0].1, Field::Long(next));
        let half = if next % 3 == 0 { Field::Null } else { Field::Double(next as f64 / 2.0) };
        assert_eq!(row[1].1, half);
        assert_eq!(row[2].1, Field::Str(if next % 2 == 0 { "even" } else { "odd" }.to_owned()));
        next += 1;
    }
    assert_eq!(next, rows);
}

#[test]
fn the_same_log_gives_the_same_bytes() {
    let (_folder, path) = place();
    write_log(&path);
    let reader = Reader::open(&path).unwrap();
    let bytes = || {
        let export = Export::new(&reader, wanted(Rows::Minutes)).unwrap();
        let mut sheet =
            ParquetSheet::new(Vec::new(), &export.headings(), &About::default()).unwrap();
        export.write(&mut sheet, &mut || {}).unwrap();
        sheet.finish().unwrap()
    };
    assert_eq!(bytes(), bytes());
}

#[test]
fn a_zone_moves_the_clock_and_the_limits_of_days_but_no_moment() {
    let (_folder, path) = place();
    write_log(&path);
    let reader = Reader::open(&path).unwrap();
    let zone: Zone = "-03:30".parse().unwrap();
    let text = as_csv(&reader, Wanted { zone, ..wanted(Rows::Minutes) });
    let mut lines = text.lines();
    assert!(lines.next().unwrap().starts_with("time (UTC-03:30),channel,"), "{text}");
    assert!(lines.next().unwrap().starts_with("2016-06-15T08:30:00-03:30,east,"), "{text}");
    let times = |text: &str| -> Vec<Utc> {
        let time = |line: &str| line.split(',').next().unwrap().parse().unwrap();
        text.lines().skip(1).map(time).collect()
    };
    assert_eq!(times(&text), times(&as_csv(&reader, wanted(Rows::Minutes))));
    // Midnight of the 16th is 03:30 later there: that day has begun in UTC, not in the zone.
    let from: Utc = "2016-06-16T00:00:00Z".parse().unwrap();
    let until: Utc = "2016-06-17T00:00:00Z".parse().unwrap();
    let dates = |zone| {
        let days = Wanted { from: Some(from), until: Some(until), zone, ..wanted(Rows::Days) };
        let date = |line: &str| line.split(',').next().unwrap().to_owned();
        as_csv(&reader, days).lines().skip(1).map(date).collect::<Vec<_>>()
    };
    assert_eq!(dates(Zone::UTC), ["2016-06-16", "2016-06-16"]);
    assert_eq!(dates("+00:01".parse().unwrap()), [""; 0]);
    assert_eq!(dates("-00:01".parse().unwrap()), ["2016-06-16", "2016-06-16"]);
}

#[test]
fn only_what_is_asked_for_comes() {
    let (_folder, path) = place();
    write_log(&path);
    let reader = Reader::open(&path).unwrap();
    for kind in Rows::ALL {
        let west = Wanted { channels: vec!["west".to_owned()], ..wanted(kind) };
        let text = as_csv(&reader, west);
        let mut csv = csv::Reader::from_reader(text.as_bytes());
        let channel = csv.headers().unwrap().iter().position(|name| name == "channel");
        let got: Vec<csv::StringRecord> = csv.records().map(Result::unwrap).collect();
        match channel {
            Some(at) => assert!(got.iter().all(|row| &row[at] == "west"), "{kind:?}: {text}"),
            // The sensor that serves both channels, not that of the east alone.
            None => assert!(got.iter().all(|row| &row[1] == "sky"), "{kind:?}: {text}"),
        }
        assert!(!got.is_empty(), "{kind:?}");
    }
    let error =
        Export::new(&reader, Wanted { channels: vec!["north".to_owned()], ..wanted(Rows::Days) });
    let text = error.unwrap_err().to_string();
    assert_eq!(text, "there is no channel `north`; there are: east, west");
}

#[test]
fn zones_that_are_none_are_refused() {
    for text in ["", "+1", "01:00", "+15:00", "+01:60", "+14:01", "+0a:00", "CET", "+01:00:00"] {
        assert!(text.parse::<Zone>().is_err(), "{text}");
    }
    for (text, shown) in [("UTC", "UTC"), ("+00:00", "UTC"), ("-14:00", "UTC-14:00")] {
        assert_eq!(text.parse::<Zone>().unwrap().to_string(), shown);
    }
}

/// A law: a log cut anywhere gives the rows of the whole, each once, in the same order.
#[test]
fn a_log_in_two_parts_is_the_log() {
    let (_folder, path) = place();
    write_log(&path);
    let reader = Reader::open(&path).unwrap();
    let begin = (second(0.0).utc - Duration::from_secs(7200)).as_micros();
    let config = ProptestConfig { cases: 24, ..ProptestConfig::default() };
    proptest!(config, |(at in 0_i64..200_000_000_000)| {
        let cut = Utc::from_micros(begin + at);
        for kind in Rows::ALL {
            // The east has two sensors, one after the other.
            if kind == Rows::Sensors {
                continue;
            }
            for name in ["east", "west"] {
                let one = Wanted { channels: vec![name.to_owned()], ..wanted(kind) };
                let all = as_csv(&reader, one.clone());
                let early = as_csv(&reader, Wanted { until: Some(cut), ..one.clone() });
                let late = as_csv(&reader, Wanted { from: Some(cut), ..one });
                let late: String = late.split_inclusive('\n').skip(1).collect();
                prop_assert_eq!(&all, &format!("{early}{late}"), "{:?}", kind);
            }
        }
    });
}

#[test]
fn cells_know_what_they_are_not() {
    // The comparison itself must be able to fail.
    assert!(!Cell::Number(1.5).is_csv("1.5000001") && Cell::Number(1.5).is_csv("1.5"));
    assert!(!Cell::Nothing.is_csv("0") && !Cell::Number(0.0).is_csv(""));
    assert!(!Cell::Time(5).is_csv("1970-01-01T00:00:00.000005"), "no zone, no moment");
    assert!(Cell::Time(5).is_csv("1970-01-01T01:00:00.000005+01:00"));
    assert!(!Cell::Number(2.0).is_field(&Field::Long(2)));
}
