//! The board: whose word counts, how long, and what is told.

#![allow(clippy::unwrap_used, reason = "a test that fails may panic")]

use cresthold::control::record::ChannelId;
use cresthold::quantities::{Celsius, Irradiance};
use cresthold::sensors::{
    Board, Calibration, Dependence, Disagreement, Meaning, Quantity, Sensor, SensorId, Told,
};
use cresthold::time::{Instant, Stamp, Utc};
use proptest::prelude::*;
use std::time::Duration;

const WEST: ChannelId = ChannelId(0);
const EAST: ChannelId = ChannelId(1);

fn second(s: f64) -> Stamp {
    let noon: Utc = "2016-06-15T12:00:00Z".parse().unwrap();
    Stamp { mono: Instant::ZERO, utc: noon }.later(Duration::from_secs_f64(s))
}

fn sensor(name: &str, quantity: Quantity, rank: u32) -> Sensor {
    Sensor {
        name: name.to_owned(),
        quantity,
        channels: vec![WEST],
        rank,
        period: Duration::from_secs(1),
        max_age: Duration::from_secs(5),
        meaning: Meaning::plain(quantity.plausible()),
        disagreement: None,
        stuck_after: None,
        polled: true,
    }
}

fn board(sensors: impl IntoIterator<Item = Sensor>) -> Board {
    Board::new(sensors, second(0.0).mono)
}

fn light(board: &Board, s: f64) -> Option<f64> {
    board.surroundings(WEST, second(s).mono).irradiance.map(|seen| seen.value.0)
}

fn codes(told: Vec<Told>) -> Vec<&'static str> {
    let code = |told| match told {
        Told::Event { code, .. } => Some(code),
        Told::Minute(_) => None,
    };
    told.into_iter().filter_map(code).collect()
}

#[test]
fn the_first_fresh_one_in_the_order_of_trust_counts() {
    let plane = Quantity::PlaneIrradiance;
    // In the file's order the trusted one comes last.
    let mut board = board([sensor("b", plane, 2), sensor("c", plane, 3), sensor("a", plane, 1)]);
    assert_eq!(light(&board, 0.0), None);
    board.take(SensorId(1), second(1.0), 803.0);
    assert_eq!(light(&board, 1.0), Some(803.0));
    board.take(SensorId(0), second(2.0), 802.0);
    assert_eq!(light(&board, 2.0), Some(802.0));
    board.take(SensorId(2), second(2.0), 801.0);
    assert_eq!(light(&board, 2.0), Some(801.0));
    board.take(SensorId(0), second(6.5), 812.0);
    // At 7 s the first is 5 s old and still counts; a little later it doesn't.
    assert_eq!(light(&board, 7.0), Some(801.0));
    assert_eq!(light(&board, 7.01), Some(812.0));
    assert_eq!(light(&board, 11.6), None);
    // It serves one channel only.
    assert_eq!(board.surroundings(EAST, second(7.0).mono).irradiance, None);
    // An answer that makes no value takes the word from it at once.
    board.take(SensorId(2), second(12.0), 801.0);
    board.take(SensorId(0), second(12.0), 802.0);
    board.take(SensorId(2), second(12.5), 9999.0);
    assert_eq!(light(&board, 12.5), Some(802.0));
    board.take(SensorId(0), second(12.5), f64::NAN);
    assert_eq!(light(&board, 12.5), None);
}

#[test]
fn every_quantity_finds_its_place() {
    let all = Quantity::ALL.into_iter().skip(1).map(|quantity| sensor("s", quantity, 1));
    let mut board = board(all);
    for (id, raw) in (0..7).zip([900.0, 45.0, 60.0, 21.0, 3.5, 0.2, 1.0]) {
        board.take(SensorId(id), second(1.0), raw);
    }
    let seen = board.surroundings(WEST, second(2.0).mono);
    assert_eq!(seen.irradiance.unwrap().value, Irradiance(900.0));
    assert_eq!(seen.irradiance.unwrap().at, second(1.0).mono);
    assert_eq!(seen.module_temperature.unwrap().value, Celsius(45.0));
    assert_eq!(seen.heatsink_temperature.unwrap().value, Celsius(60.0));
    assert_eq!(seen.air_temperature.unwrap().value, Celsius(21.0));
    assert!((seen.wind.unwrap().value.0 - 3.5).abs() < 1e-12);
    assert!((seen.pointing_error.unwrap().value - 0.2).abs() < 1e-12);
    assert!(seen.on_sun.unwrap().value);
    board.take(SensorId(6), second(2.0), 0.0);
    assert!(!board.surroundings(WEST, second(2.0).mono).on_sun.unwrap().value);
}

#[test]
fn a_lost_sensor_is_told_once_and_once_when_it_is_back() {
    let mut board = board([sensor("a", Quantity::PlaneIrradiance, 1)]);
    board.take(SensorId(0), second(0.5), 800.0);
    assert!(codes(board.tick(second(1.0))).is_empty());
    let mut told = vec![];
    for s in 1..20 {
        board.fail(SensorId(0), "no answer");
        told.extend(board.tick(second(f64::from(s))));
    }
    assert_eq!(told.len(), 1, "{told:?}");
    let Told::Event { text, .. } = &told[0] else { unreachable!() };
    assert_eq!(text, "sensor a: no answer");
    assert_eq!(board.troubles().collect::<Vec<_>>(), ["sensor a: no answer"]);
    board.take(SensorId(0), second(20.0), 800.0);
    assert_eq!(codes(board.tick(second(20.0))), ["sensor-back"]);
    assert_eq!(board.troubles().count(), 0);
}

#[test]
fn silence_without_a_failure_is_told_too() {
    let mut silent = sensor("a", Quantity::PlaneIrradiance, 1);
    let mut cell = sensor("cell", Quantity::PlaneIrradiance, 2);
    cell.polled = false; // it sleeps with its channel, which is no trouble
    silent.max_age = Duration::from_secs(3);
    let mut board = board([silent, cell]);
    assert!(codes(board.tick(second(3.0))).is_empty());
    assert_eq!(codes(board.tick(second(3.1))), ["sensor-stale"]);
    assert!(codes(board.tick(second(9.0))).is_empty());
    board.take(SensorId(0), second(9.5), 5.0);
    assert_eq!(codes(board.tick(second(10.0))), ["sensor-fresh"]);
}

#[test]
fn values_out_of_range_are_told_and_not_used() {
    let mut board = board([sensor("a", Quantity::AirTemperature, 1)]);
    board.take(SensorId(0), second(1.0), 850.0);
    assert_eq!(codes(board.tick(second(1.0))), ["sensor-unusable"]);
    assert_eq!(board.surroundings(WEST, second(1.0).mono).air_temperature, None);
    board.take(SensorId(0), second(2.0), 20.0);
    assert_eq!(codes(board.tick(second(2.0))), ["sensor-usable"]);
}

#[test]
fn a_stuck_sensor_loses_its_word() {
    let plane = Quantity::PlaneIrradiance;
    let mut first = sensor("a", plane, 1);
    first.stuck_after = Some(Duration::from_secs(60));
    let mut board = board([first, sensor("b", plane, 2)]);
    let mut told = vec![];
    for s in 0..200_u32 {
        let at = second(f64::from(s));
        board.take(SensorId(0), at, 800.0);
        // The other stands still, too, until 100 s: then nothing is wrong.
        board.take(SensorId(1), at, if s < 100 { 790.0 } else { f64::from(s) });
        let news = codes(board.tick(at));
        told.extend(news.into_iter().map(|code| (s, code)));
    }
    assert_eq!(told, [(100, "sensor-stuck")]);
    assert_eq!(light(&board, 199.0), Some(199.0));
    board.take(SensorId(0), second(200.0), 801.0);
    assert_eq!(codes(board.tick(second(200.0))), ["sensor-moves"]);
    assert_eq!(light(&board, 200.0), Some(801.0));
}

#[test]
fn disagreement_is_told_after_its_time_and_once() {
    let plane = Quantity::PlaneIrradiance;
    let limits = Disagreement { percent: 5.0, absolute: 20.0, after: Duration::from_secs(30) };
    let mut second_best = sensor("b", plane, 2);
    second_best.disagreement = Some(limits);
    let mut board = board([sensor("a", plane, 1), second_best]);
    let mut told = vec![];
    for s in 0..200_u32 {
        let at = second(f64::from(s));
        // A shadow of 20 s, then dirt from 60 s to 119 s.
        let other = if (10..30).contains(&s) || (60..120).contains(&s) { 600.0 } else { 795.0 };
        board.take(SensorId(0), at, 800.0);
        board.take(SensorId(1), at, other);
        let news = codes(board.tick(at));
        told.extend(news.into_iter().map(|code| (s, code)));
    }
    assert_eq!(told, [(90, "sensors-disagree"), (120, "sensors-agree")]);
}

#[test]
fn a_correction_waits_for_its_temperature() {
    let mut cell = sensor("cell", Quantity::PlaneIrradiance, 1);
    let dependence = Dependence { coefficient: 1e-3, reference: Celsius(25.0), from: SensorId(1) };
    cell.meaning.calibration =
        Calibration { temperature: Some(dependence), ..Calibration::default() };
    let mut board = board([cell, sensor("back", Quantity::ModuleTemperature, 1)]);
    board.take(SensorId(0), second(1.0), 1050.0);
    assert_eq!(light(&board, 1.0), None);
    board.take(SensorId(1), second(1.5), 75.0);
    board.take(SensorId(0), second(2.0), 1050.0);
    assert!((light(&board, 2.0).unwrap() - 1000.0).abs() < 1e-9);
    // Six seconds later that temperature is stale.
    board.take(SensorId(0), second(7.5), 1050.0);
    assert_eq!(light(&board, 7.5), None);
}

#[test]
fn minutes_count_what_came_and_what_should_have() {
    let mut board = board([sensor("a", Quantity::WindSpeed, 1)]);
    let mut minutes = vec![];
    let mut keep = |told: Vec<Told>| {
        minutes.extend(told.into_iter().filter_map(|told| match told {
            Told::Minute(minute) => Some(minute),
            Told::Event { .. } => None,
        }));
    };
    for s in 0..150_u32 {
        let at = second(f64::from(s));
        if !(60..100).contains(&s) {
            board.take(SensorId(0), at, f64::from(s % 10));
        } else {
            board.fail(SensorId(0), "no answer");
        }
        keep(board.tick(at));
    }
    keep(board.close(second(150.0)));
    let counts: Vec<_> =
        minutes.iter().map(|minute| (minute.values.count, minute.wanted)).collect();
    assert_eq!(counts, [(60, 60), (20, 60), (30, 30)]);
    // 0 to 9, six times: mean 4.5; squared deviations sum to 6 * 82.5 over 59.
    let first = minutes[0].values;
    assert!((first.mean - 4.5).abs() < 1e-12);
    assert!((first.deviation - (495.0_f64 / 59.0).sqrt()).abs() < 1e-12);
    assert_eq!(minutes[1].start, second(60.0).utc);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever happens, a value that is given was taken from a sensor that serves the channel,
    /// within its age, as the last word of that sensor.
    #[test]
    fn no_value_is_made_up(
        events in prop::collection::vec((0_u16..3, 0.0..3.0_f64, prop::option::of(0.0..2500.0_f64)), 1..60),
        wait in 0.0..8.0_f64,
    ) {
        let plane = Quantity::PlaneIrradiance;
        let mut board = board([sensor("a", plane, 1), sensor("b", plane, 2), sensor("c", plane, 2)]);
        let mut last: [Option<(f64, f64)>; 3] = [None; 3];
        let mut now = 0.0;
        for (id, pause, raw) in events {
            now += pause;
            match raw {
                Some(raw) => {
                    board.take(SensorId(id), second(now), raw);
                    last[usize::from(id)] = (raw <= 2000.0).then_some((now, raw));
                }
                None => board.fail(SensorId(id), "no answer"),
            }
            board.tick(second(now));
        }
        now += wait;
        let expected = last.iter().flatten().find(|(at, _)| now - at <= 5.0 - 1e-6);
        let edge = last.iter().flatten().any(|(at, _)| (now - at - 5.0).abs() < 1e-6);
        prop_assume!(!edge);
        prop_assert_eq!(light(&board, now), expected.map(|(_, raw)| *raw));
    }
}
