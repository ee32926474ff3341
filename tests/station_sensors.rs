//! Sensors in station files: the shipped example, and every kind of problem at its line.

#![allow(clippy::unwrap_used, reason = "a test that fails may panic")]
#![allow(clippy::panic, reason = "helpers of tests; the panic is the report")]

use cresthold::control::record::ChannelId;
use cresthold::modbus::{Format, Function, Kind, Table, WordOrder};
use cresthold::quantities::{Celsius, Ohms};
use cresthold::sensors::{Conversion, Quantity, Reference, SensorId, Thermocouple};
use cresthold::station::{SensorSource, Station};
use std::time::Duration;

const EXAMPLE: &str = include_str!("../deploy/stations/modules-with-sensors.toml");

#[test]
fn the_example_says_what_it_means() {
    let station = Station::parse("yard.toml", EXAMPLE).unwrap_or_else(|error| panic!("{error}"));
    let [plane, cell, thermopile, back, sink, terminals, wind] = &station.sensors[..] else {
        panic!("seven sensors");
    };
    let SensorSource::Modbus { request, format, deadline, .. } = &plane.source else { panic!() };
    let function = Function::Read { table: Table::Input, address: 0, count: 2 };
    assert_eq!((request.unit(), request.function()), (1, function));
    let order = WordOrder::HighFirst;
    assert_eq!(*format, Some(Format { kind: Kind::F32, order }));
    assert_eq!(*deadline, Duration::from_millis(500));
    assert_eq!(plane.sensor.quantity, Quantity::PlaneIrradiance);
    assert_eq!(plane.sensor.channels, [ChannelId(0)]);
    assert_eq!(plane.sensor.meaning.calibration.date.as_deref(), Some("2026-03-12"));
    assert_eq!(plane.sensor.stuck_after, Some(Duration::from_secs(600)));
    assert_eq!(cell.source, SensorSource::Channel(ChannelId(1)));
    assert!(!cell.sensor.polled);
    let dependence = cell.sensor.meaning.calibration.temperature.unwrap();
    assert_eq!((dependence.from, dependence.reference), (SensorId(3), Celsius(25.0)));
    let SensorSource::Meter { query, identity, .. } = &thermopile.source else { panic!() };
    assert_eq!((query.as_str(), identity.as_str()), ("MEAS:VOLT?", "METER-SERIAL-NUMBER"));
    assert_eq!(thermopile.sensor.meaning.conversion, Conversion::Sensitivity(8.52));
    assert_eq!(back.sensor.meaning.conversion, Conversion::Platinum(Ohms(100.0)));
    assert_eq!(back.sensor.channels, [ChannelId(0), ChannelId(1)]);
    assert_eq!(back.sensor.max_age, Duration::from_secs(10));
    let couple = Conversion::Thermocouple(Thermocouple::T, Reference::Sensor(SensorId(5)));
    assert_eq!(sink.sensor.meaning.conversion, couple);
    assert!(terminals.sensor.channels.is_empty());
    assert_eq!(wind.sensor.meaning.valid, Quantity::WindSpeed.plausible());
}

/// The example with `from` replaced has one problem, on the line of `piece`, and `says` is in it.
#[track_caller]
fn wrong(from: &str, to: &str, key: &str, says: &str) {
    assert!(EXAMPLE.contains(from), "{from} is in the file");
    let text = EXAMPLE.replacen(from, to, 1);
    let error = Station::parse("yard.toml", &text).expect_err("it is wrong");
    assert_eq!(error.problems.len(), 1, "{error}");
    let problem = &error.problems[0];
    assert_eq!(problem.key, key, "{error}");
    assert!(problem.text.contains(says), "{error}");
    let sensors = EXAMPLE[..EXAMPLE.find("[[sensor]]").unwrap()].lines().count();
    assert!(problem.line > sensors, "{error}");
}

#[test]
fn names_and_channels() {
    wrong("name = \"plane-2\"", "name = \"plane-1\"", "sensor[2].name", "another sensor too");
    wrong("name = \"plane-2\"", "name = \"plane 2\"", "sensor[2].name", "can't be a sensor's name");
    let from = "channels = [\"module-1\"]        # default";
    wrong(from, "channels = [\"module-9\"] #", "sensor[1].channels", "there is no channel");
    wrong(from, "channels = \"module-1\" #", "sensor[1].channels", "write the names");
    wrong("= \"wind-speed\"", "= \"wind\"", "sensor[7].quantity", "there is no \"wind\"");
    wrong("rank = 1 ", "rank = 0 ", "sensor[1].rank", "outside 1..=100");
    wrong("rank = 1 ", "ranc = 1 ", "sensor[1].ranc", "did you mean rank?");
}

#[test]
fn ages_and_periods() {
    wrong("max_age_s = 5.0", "max_age_s = 0.5", "sensor[1].max_age_s", "not more than period_s");
    let says = "not less than max_sensor_age_s of channel module-1 (10 s)";
    wrong("period_s = 2.0", "period_s = 10.0", "sensor[3].period_s", says);
    let late = "disagree_percent = 5.0         # more than this from the one trusted before it ...\n\
                disagree_absolute = 20.0       # ... and more than this (in W/m2) ...\n";
    wrong(late, "", "sensor[2].disagree_after_s", "state disagree_percent");
}

#[test]
fn links_and_registers() {
    let tcp = "link = { tcp = \"192.0.2.20:502\", unit = 1 }";
    wrong(tcp, "link = \"plant\"", "sensor[1].link", "no sensor's link");
    let unit = "link = { tcp = \"192.0.2.20:502\", unit = 300 }";
    wrong(tcp, unit, "sensor[1].link.unit", "outside 1..=247");
    let taken = "link = { tcp = \"192.0.2.10:5025\", unit = 1 }";
    wrong(tcp, taken, "sensor[1].link", "is taken by channel[1].load.link");
    let map = "register = { table = \"input\", address = 2, type = \"u16\" }";
    let key = "sensor[7].register.type";
    wrong(map, &map.replace("u16", "u61"), key, "there is no \"u61\"");
    wrong(
        map,
        &map.replace("u16\"", "u16\", word_order = \"low\""),
        "sensor[7].register.word_order",
        "choose one of: high-first, low-first",
    );
    let key = "sensor[7].register.address";
    wrong(map, &map.replace("address = 2", "address = 40001.5"), key, "whole number");
    let long = map.replace("address = 2", "address = 65535").replace("u16", "u32");
    wrong(map, &long, key, "beyond the last address");
    wrong(map, &map.replace("input", "coil"), "sensor[7].register.type", "is one bit");
    wrong("unit = 13 }", "unit = 13, query = 1 }", "sensor[7].link.query", "unknown key");
    let bus = "baud = 9600, parity = \"even\", unit = 13";
    wrong(bus, &bus.replace("9600", "19200"), "sensor[7].link", "with other settings");
    wrong("query = \"MEAS:VOLT?\"", "query = \"MEAS:VOLT\"", "sensor[3].query", "no query");
    wrong(
        "{ channel = \"cell\" }",
        "{ channel = \"sell\" }",
        "sensor[2].link.channel",
        "there is no channel \"sell\"",
    );
}

#[test]
fn conversions_and_calibrations() {
    let sense = "sensitivity_uv_per_w_m2 = 8.52";
    wrong(sense, "", "sensor[3].sensitivity_uv_per_w_m2", "missing");
    wrong(
        "= \"pt100\"",
        "= \"sensitivity\"\nsensitivity_uv_per_w_m2 = 1",
        "sensor[4].conversion",
        "does not give module-temperature",
    );
    let cold = "cold_junction = \"terminals\"";
    wrong(cold, "cold_junction = \"plane-1\"", "sensor[5].cold_junction", "no other sensor's");
    wrong(cold, "cold_junction = \"sink-1\"", "sensor[5].cold_junction", "no other sensor's");
    wrong(cold, "cold_junction = \"sunk\"", "sensor[5].cold_junction", "there is no sensor");
    wrong(cold, "", "sensor[5].cold_junction_c", "missing");
    wrong("temperature = \"back-1\"", "temperature = \"sink-1\"", "sensor[2]", "stands alone");
    wrong("date = 2026-03-12", "date = \"spring\"", "sensor[1].calibration.date", "write a date");
    wrong("scale = 0.01", "scale = 0", "sensor[4].scale", "leaves nothing");
    wrong("valid = [-20.0, 1800.0]", "valid = [5, 1]", "sensor[1].valid", "the lesser first");
    wrong(
        "coefficient_per_k = 0.0005 ",
        "coefficient_per_k = 0.5 ",
        "sensor[2].calibration.coefficient_per_k",
        "outside -0.05..=0.05",
    );
}

#[test]
fn irradiances_of_two_kinds_do_not_serve_one_channel() {
    let direct = "rank = 3\nperiod_s";
    let text = EXAMPLE.replacen(
        "quantity = \"plane-irradiance\"\nchannels = [\"module-1\"]\nrank = 3",
        "quantity = \"direct-irradiance\"\nrank = 3",
        1,
    );
    assert!(text.contains(direct));
    let error = Station::parse("yard.toml", &text).expect_err("it is wrong");
    assert_eq!(error.problems.len(), 2, "against each of the two others: {error}");
    assert!(error.problems[0].text.contains("a concentrator takes direct"), "{error}");
}

#[test]
fn a_plant_has_no_real_sensors() {
    let sensors = &EXAMPLE[EXAMPLE.find("[[sensor]]").unwrap()..];
    let sensors = sensors.replace("module-1", "slope-1").replace("\"cell\"", "\"slope-2\"");
    let text = format!("{}\n{sensors}", Station::REHEARSAL);
    let error = Station::parse("yard.toml", &text).expect_err("it is wrong");
    assert_eq!(error.problems.len(), 1, "{error}");
    assert!(error.problems[0].text.contains("with a [plant] table"), "{error}");
}

/// Every limit that sensors check, on a station without the sensor.
#[test]
fn a_limit_without_its_sensor_is_told_at_its_line() {
    const REAL: &str = include_str!("../deploy/stations/one-module-tcp.toml");
    let limits = [
        ("device_temperature_max_degc = 90", "module-temperature"),
        ("heatsink_temperature_max_degc = 80", "heatsink-temperature"),
        ("load_watts_over_heatsink = [[600, 40], [300, 70]]", "heatsink-temperature"),
        ("load_watts_over_air = [[600, 30], [300, 50]]", "air-temperature"),
        ("irradiance_max = 1500", "plane-irradiance or direct-irradiance"),
        ("pointing_error_max_deg = 1", "pointing-error"),
        ("needs_on_sun = true", "on-sun"),
    ];
    let name = Station::parse("real.toml", REAL).unwrap().channels[0].name.clone();
    for (line, quantity) in limits {
        let text = REAL.replacen("device_watts_max", &format!("{line}\ndevice_watts_max"), 1);
        let at = 1 + text[..text.find(line).unwrap()].matches('\n').count();
        let error = Station::parse("real.toml", &text).expect_err(line);
        assert_eq!(error.problems.len(), 1, "{error}");
        let problem = &error.problems[0];
        let key = line.split(' ').next().unwrap();
        assert_eq!((problem.line, &problem.key), (at, &format!("channel[1].envelope.{key}")));
        assert!(problem.text.contains(&format!("gives {name} its {quantity}")), "{error}");
        assert!(problem.text.contains("add one whose channels have"), "{error}");

        let first = quantity.split(' ').next().unwrap();
        let sensor = format!(
            "{text}\n[[sensor]]\nname = \"s\"\nquantity = \"{first}\"\n\
             link = {{ tcp = \"192.0.2.20:502\", unit = 1 }}\n\
             register = {{ table = \"input\", address = 0, type = \"f32\" }}\n"
        );
        assert!(Station::parse("real.toml", &sensor).is_ok(), "{line}: with its sensor");
        let idle = sensor.replace("register =", "channels = []\nregister =");
        assert!(
            Station::parse("real.toml", &idle).is_err(),
            "{line}: its sensor serves no channel"
        );
    }
}

#[test]
fn a_plant_checks_only_what_it_simulates() {
    let limit = "device_temperature_max_degc = 95.0";
    let text = Station::REHEARSAL.replacen(limit, "heatsink_temperature_max_degc = 80.0 #", 1);
    let error = Station::parse("yard.toml", &text).expect_err("no such sensor");
    assert!(error.to_string().contains("a plant has none; take the limit out"), "{error}");
    let text = Station::REHEARSAL.replacen(limit, "load_watts_over_air = [[650.0, 40.0]] #", 1);
    assert!(Station::parse("yard.toml", &text).is_ok());
}
