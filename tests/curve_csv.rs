//! Tables of points: what was written is read again; what is wrong is told with its line.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]

use cresthold::curve::Point;
use cresthold::curve::csv::{CsvError, read, write};
use cresthold::quantities::{Amps, Celsius, Irradiance, Volts};
use cresthold::time::Utc;
use proptest::prelude::*;

#[test]
fn a_table_with_everything() {
    let text = "\u{feff}# Larkfell test yard, roof module\n\n\
                time (UTC), voltage (V), current (A), irradiance (W/m2), cell temperature (degC)\n\
                2026-06-21T10:00:00Z, -0.5, 8.5, 901.5, 44.1\n2026-06-21T12:00:00.250+02:00,0.5,8.4,,\n";
    let points = read(text).unwrap();
    assert_eq!(points.len(), 2);
    assert_eq!(points[0].volts, Volts(-0.5));
    assert_eq!(points[0].irradiance, Some(Irradiance(901.5)));
    assert_eq!(points[0].cell, Some(Celsius(44.1)));
    assert_eq!(points[1].irradiance, None);
    assert_eq!(points[1].utc, Some("2026-06-21T10:00:00.250Z".parse().unwrap()));
}

#[test]
fn what_is_wrong_is_told_with_its_line() {
    let refused = |text: &str| read(text).unwrap_err();
    assert_eq!(refused("# nothing\n"), CsvError::NoHeader);
    let error = refused("# yard\nvoltage (mV),current (A)\n1,2\n");
    assert_eq!(
        error.to_string(),
        "line 2: `voltage` must be in V, and the header says mV; convert the values and write \
         `voltage (V)`"
    );
    assert!(matches!(refused("voltage,current (A)\n"), CsvError::WrongUnit { line: 1, .. }));
    assert!(matches!(refused("volts (V),current (A)\n"), CsvError::UnknownColumn { line: 1, .. }));
    assert!(matches!(refused("voltage (V)\n"), CsvError::Columns { count: 0, .. }));
    let twice = refused("voltage (V),current (A),voltage (V)\n");
    assert!(matches!(twice, CsvError::Columns { count: 2, .. }));
    let comma = refused("voltage (V),current (A)\n1,2\n0,5,8,1\n");
    assert_eq!(comma, CsvError::Fields { line: 3, found: 4, expected: 2 });
    let word = refused("voltage (V),current (A)\n1,two\n");
    assert!(matches!(word, CsvError::Field { line: 2, .. }));
    assert!(matches!(refused("voltage (V),current (A)\n,1\n"), CsvError::Field { .. }));
}

fn points() -> impl Strategy<Value = Vec<Point>> {
    let value = || -1e6..1e6_f64;
    let point = (
        value(),
        value(),
        prop::option::of(value()),
        prop::option::of(value()),
        prop::option::of(0_i64..4_000_000_000_000),
    );
    let point = point.prop_map(|(v, i, g, t, ms)| Point {
        volts: Volts(v),
        amps: Amps(i),
        irradiance: g.map(Irradiance),
        cell: t.map(Celsius),
        // Times are written to the millisecond.
        utc: ms.map(|ms| Utc::from_micros(ms * 1000)),
    });
    prop::collection::vec(point, 0..40)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn written_and_read_again(points in points()) {
        prop_assert_eq!(read(&write(&points)).unwrap(), points);
    }

    #[test]
    fn any_text_is_read_or_refused(text in "\\PC{0,200}") {
        let _ = read(&text);
        let _ = read(&format!("voltage (V),current (A)\n{text}"));
    }
}
