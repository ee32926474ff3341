//! Sensors in the log: what they are, and their minutes.

#![allow(clippy::unwrap_used, reason = "a test that fails may panic")]
#![allow(clippy::float_cmp, reason = "what is stored must come back exactly")]

mod store_common;

use cresthold::control::record::Spread;
use cresthold::sensors::{SensorId, SensorMinute};
use cresthold::store::{SensorFacts, StoreError, Writer};
use rusqlite::Connection;
use store_common::{open, place, second};

fn facts(name: &str, calibration: &str) -> SensorFacts {
    SensorFacts {
        name: name.to_owned(),
        quantity: "plane-irradiance".to_owned(),
        unit: "W/m2".to_owned(),
        channels: "east, west".to_owned(),
        rank: 1,
        link: "Modbus".to_owned(),
        conversion: "linear".to_owned(),
        calibration: calibration.to_owned(),
    }
}

fn minute(sensor: u16, s: f64, count: u32) -> SensorMinute {
    let values = Spread { count, mean: 812.0, min: 800.0, max: 820.5, deviation: 4.25 };
    let at = second(s);
    SensorMinute { sensor: SensorId(sensor), start: at.utc.minute_start(), at, values, wanted: 60 }
}

#[test]
fn minutes_come_back_with_names_units_and_times() {
    let (_folder, path) = place();
    let mut log = open(&path);
    log.enrol_sensors(second(0.0), &[facts("a", "2026-03-12"), facts("b", "none")]).unwrap();
    let writer = Writer::start(log).unwrap();
    writer.handle().sensor_minute(minute(1, 61.0, 58));
    writer.handle().sensor_minute(minute(0, 61.0, 0));
    assert_eq!(writer.finish().unwrap().rows.minutes, 2);
    let conn = Connection::open(&path).unwrap();
    let row: (String, String, String, f64, f64, i64, i64) = conn
        .query_row(
            "SELECT time, quantity, unit, mean, deviation, count, wanted FROM sensor_minute_view \
             WHERE sensor = 'b'",
            [],
            |row| {
                let text = (row.get(0)?, row.get(1)?, row.get(2)?);
                Ok((text.0, text.1, text.2, row.get(3)?, row.get(4)?, row.get(5)?, row.get(6)?))
            },
        )
        .unwrap();
    assert_eq!(
        (row.0.as_str(), row.1.as_str(), row.2.as_str()),
        ("2016-06-15T12:01:00Z", "plane-irradiance", "W/m2")
    );
    assert_eq!((row.3, row.4, row.5, row.6), (812.0, 4.25, 58, 60));
    // Nothing came: nothing is known, which is no zero.
    let query = "SELECT mean IS NULL AND min IS NULL AND count = 0 FROM sensor_minute_view \
                 WHERE sensor = 'a'";
    assert!(conn.query_row(query, [], |row| row.get::<_, bool>(0)).unwrap());
}

#[test]
fn a_sensor_keeps_its_number_and_its_changes_are_told() {
    let (_folder, path) = place();
    let mut log = open(&path);
    log.enrol_sensors(second(0.0), &[facts("a", "2025"), facts("b", "none")]).unwrap();
    log.finish().unwrap();
    let mut log = open(&path);
    // In another order, one of them calibrated anew.
    log.enrol_sensors(second(1.0), &[facts("b", "none"), facts("a", "2026")]).unwrap();
    log.sensor_minute(&minute(1, 61.0, 60)).unwrap();
    log.finish().unwrap();
    let conn = Connection::open(&path).unwrap();
    let text = |query: &str| conn.query_row(query, [], |row| row.get::<_, String>(0)).unwrap();
    assert_eq!(text("SELECT sensor FROM sensor_minute_view"), "a");
    assert_eq!(text("SELECT calibration FROM sensor WHERE id = 1"), "2026");
    let told = text("SELECT group_concat(text) FROM event WHERE code = 'sensor-changed'");
    assert!(told.starts_with("sensor a changed: before"), "{told}");
    assert!(told.contains("2025; now") && told.ends_with("2026"), "{told}");
}

#[test]
fn a_sensor_that_is_not_enrolled_is_refused() {
    let (_folder, path) = place();
    let mut log = open(&path);
    log.enrol_sensors(second(0.0), &[facts("a", "none")]).unwrap();
    let refused = log.sensor_minute(&minute(1, 61.0, 60));
    assert!(matches!(refused, Err(StoreError::Refused { .. })), "{refused:?}");
    log.finish().unwrap();
}
