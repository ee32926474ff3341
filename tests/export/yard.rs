//! A log with everything in it: two files, two channels, numbers that are none, clocks that were set,
//! words that need quotes.

use crate::store_common::{day, event, facts, minute, open, sample, second};
use cresthold::control::record::{
    Activity, ChannelId, Curve, CurveEnd, CurvePoint, Happening, Record, Severity, Spread,
    SweepDirection,
};
use cresthold::quantities::{Amps, Celsius, Irradiance, Volts, WattHours, Watts};
use cresthold::sensors::{SensorId, SensorMinute};
use cresthold::store::{Appraise, CurveResult, Expanded, Log, Note, SensorFacts};
use cresthold::time::Utc;
use std::path::Path;
use std::time::Duration;

const DAY: f64 = 86_400.0;

/// The month before in a file of its own, then the current file.
pub(crate) fn write_log(path: &Path) {
    let before = path.with_file_name("roof log.2016-05.db");
    write_file(open(path), 0.0);
    std::fs::rename(path, before).unwrap();
    let mut later = facts();
    later.began = second(DAY);
    write_file(Log::open(path, &later).unwrap(), DAY);
}

fn write_file(log: Log, s: f64) {
    let mut log = log.with_appraisal(Appraise::new(|_, _, _| result()));
    log.enrol_sensors(second(s), &[sensor("lamp", "east"), sensor("sky", "east, west")]).unwrap();
    for channel in 0..2 {
        samples(&mut log, channel, s);
        minutes(&mut log, channel, s);
        curve(&mut log, channel, s);
        let mut total = day(channel, s + 100.0, 55.123_456_789);
        total.available = (channel == 1).then_some(WattHours(55.5));
        log.write(&Record::Day(total)).unwrap();
    }
    for sensor in 0..2 {
        for step in 0..3 {
            let at = second(s + 60.0 * f64::from(step));
            let values = Spread { count: 58, mean: 812.1, min: 800.3, max: 820.5, deviation: 4.2 };
            let values = if step == 1 { Spread::default() } else { values };
            let start = at.utc.minute_start();
            let sensor = SensorId(sensor);
            log.sensor_minute(&SensorMinute { sensor, start, at, values, wanted: 60 }).unwrap();
        }
    }
    log.write(&event(Some(1), s + 10.0, Happening::TrackingBegan)).unwrap();
    log.write(&event(None, s + 11.0, Happening::TrackingBegan)).unwrap();
    log.note(&Note {
        channel: Some(ChannelId(0)),
        at: second(s + 12.0),
        severity: Severity::Warning,
        code: "said",
        text: "a \"quoted\" word, a comma,\nand a second line; 25 \u{b0}C".to_owned(),
        detail: Some("{\"amps\":[1,2]}".to_owned()),
    })
    .unwrap();
    log.finish().unwrap();
}

fn samples(log: &mut Log, channel: u16, s: f64) {
    for n in 0..200 {
        let mut one = sample(channel, s + 0.25 * f64::from(n));
        match n {
            3 => (one.volts, one.watts) = (Volts(f64::NAN), Watts(f64::INFINITY)),
            4 => (one.setpoint, one.irradiance, one.module_temperature) = (None, None, None),
            5 => one.crest = Some(Watts(260.5)),
            6 => one.activity = Activity::LockedOff,
            7 => one.amps = Amps(-1e-6),
            // The clock had lost its battery, and later somebody set it back by an hour.
            8 => one.at.utc = Utc::from_micros(5_000_000),
            150.. => one.at.utc = one.at.utc - Duration::from_secs(3600),
            _ => {}
        }
        log.write(&Record::Sample(one)).unwrap();
    }
}

fn minutes(log: &mut Log, channel: u16, s: f64) {
    for n in 0..200 {
        let mut one = minute(channel, s + 60.0 * f64::from(n));
        match n {
            3 => one.energy = WattHours(f64::NAN),
            4 => one.watts.count = 0,
            5 => one.irradiance.mean = f64::NAN,
            6 => {
                one.module_temperature =
                    Spread { count: 7, mean: -3.25, min: -4.0, max: -2.0, deviation: 0.5 }
            }
            _ => {}
        }
        log.write(&Record::Minute(one)).unwrap();
    }
}

/// A whole curve, one that the dark broke off, and one that a power cut left without an end.
fn curve(log: &mut Log, channel: u16, s: f64) {
    let channel = ChannelId(channel);
    for (number, end) in [(1, CurveEnd::Whole), (2, CurveEnd::Dark), (3, CurveEnd::Dark)] {
        let began = second(s + 1000.0 * f64::from(number));
        for index in 0..20_u16 {
            log.write(&Record::CurvePoint(CurvePoint {
                channel,
                curve: number,
                index,
                at: began.later(Duration::from_millis(u64::from(index) * 30)),
                volts: Volts(37.5 - 1.9 * f64::from(index)),
                amps: Amps(if index == 5 { f64::NAN } else { 0.4 * f64::from(index) }),
                setpoint: Volts(37.5 - 1.9 * f64::from(index)),
                irradiance: (index > 3).then_some(Irradiance(850.125)),
                module_temperature: (index > 4).then_some(Celsius(45.5)),
            }))
            .unwrap();
        }
        if number == 3 {
            continue;
        }
        log.write(&Record::Curve(Curve {
            channel,
            curve: number,
            began,
            at: began.later(Duration::from_millis(600)),
            points: 20,
            direction: SweepDirection::Down,
            end,
            missed: WattHours(if number == 2 { f64::NAN } else { 0.012_3 }),
        }))
        .unwrap();
    }
}

/// Every figure another one, so that none can stand in another's place.
fn result() -> CurveResult {
    let expanded = |n: u8| Expanded { value: 0.01 * f64::from(n), coverage: 2.0 + f64::from(n) };
    CurveResult {
        grade: "fair".to_owned(),
        reasons: "light moved, a little".to_owned(),
        isc: Some(Amps(8.1)),
        isc_origin: Some("measured".to_owned()),
        voc: Some(Volts(37.6)),
        pmp: Some(Watts(230.1)),
        vmp: Some(Volts(30.2)),
        imp: Some(Amps(7.62)),
        ff: Some(0.755),
        irradiance: Some(Irradiance(850.1)),
        module_temperature: None,
        voc_origin: Some("extrapolated".to_owned()),
        efficiency: Some(0.165),
        expanded: [1, 2, 3, 4, 5, 6, 7].map(|n| (n != 4).then(|| expanded(n))),
    }
}

fn sensor(name: &str, channels: &str) -> SensorFacts {
    SensorFacts {
        name: name.to_owned(),
        quantity: "plane-irradiance".to_owned(),
        unit: "W/m2".to_owned(),
        channels: channels.to_owned(),
        rank: 1,
        link: "Modbus".to_owned(),
        conversion: "linear".to_owned(),
        calibration: "none".to_owned(),
    }
}
