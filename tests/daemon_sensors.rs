//! A run on virtual instruments with a sensor of each kind: irradiance from Modbus TCP, module
//! temperature from a resistance thermometer on a meter, air temperature from a serial bus, and a
//! reference cell that a second channel holds.

#![allow(clippy::unwrap_used, reason = "a test that fails may panic")]
#![allow(clippy::panic, reason = "a test that fails may panic")]

use cresthold::daemon::field::{self, Stay};
use cresthold::daemon::live::Screen;
use cresthold::daemon::stop::StopFlag;
use cresthold::modbus::{Format, Kind, Table, WordOrder};
use cresthold::quantities::{Ohms, Volts};
use cresthold::station::Station;
use cresthold_sim::wire::fault::Fate;
use cresthold_sim::wire::instrument::{MeterFunction, VirtualLoad, VirtualMeter};
use cresthold_sim::wire::modbus::{ModbusDevice, Points};
use cresthold_sim::wire::resistive::ResistiveBench;
use cresthold_sim::wire::serve::{PtyServer, TcpServer};
use rusqlite::{Connection, OpenFlags};
use std::path::Path;
use std::time::{Duration, Instant};

/// Far longer than any step takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);

/// The virtual instruments; dropped at the end.
struct Yard {
    load: TcpServer,
    cell: TcpServer,
    bus: TcpServer,
    serial: PtyServer,
    meter: TcpServer,
}

impl Yard {
    fn new() -> Self {
        let bench = |volts, ohms| Box::new(ResistiveBench::new(Volts(volts), Ohms(ohms)));
        let load = VirtualLoad::load("Yard,VL-1,1,1", bench(40.0, 2.0));
        // 2 V behind 2 ohm, held at 1 V: 0.5 A.
        let cell = VirtualLoad::load("Yard,VL-2,1,1", bench(2.0, 2.0));
        let format = Format { kind: Kind::I32, order: WordOrder::LowFirst };
        let points = Points::default().with(Table::Input, 10, format, || 81_234.0);
        let bus = ModbusDevice::tcp().with_unit(3, points);
        let format = Format { kind: Kind::I16, order: WordOrder::HighFirst };
        let points = Points::default().with(Table::Holding, 0, format, || -123.0);
        let serial = ModbusDevice::rtu().with_unit(7, points);
        let ohms = |what| (what == MeterFunction::Ohms).then_some(123.2419); // 60 degC, IEC 60751
        let meter = VirtualMeter::meter("Yard,VM-1,1,1", ohms);
        Self {
            load: TcpServer::start(Box::new(load)).unwrap(),
            cell: TcpServer::start(Box::new(cell)).unwrap(),
            bus: TcpServer::start(Box::new(bus)).unwrap(),
            serial: PtyServer::start(Box::new(serial)).unwrap(),
            meter: TcpServer::start(Box::new(meter)).unwrap(),
        }
    }
}

/// The station, with names in place of addresses.
const STATION: &str = r#"
name = "Larkfell test yard"
[site]
latitude = 46.8
longitude = 6.9
elevation = 490
[control]
period_s = 0.1
sample_every_s = 0.2
max_sensor_age_s = 1.5
commit_every_s = 0.2
[[channel]]
name = "module-1"
remote_sense = true
mounting = { tilt_deg = 30, azimuth_deg = 180 }
tracker = { method = "hold", volts = 30 }
daylight = { wake_volts = 10 }
[channel.load]
link = { tcp = "LOAD" }
identity = "VL-1"
settling_s = 0.0
window_s = 0.0
latency_s = 0.0
current_protection_amps = 20
[channel.envelope]
device_volts_max = 100
device_amps_max = 20
device_watts_max = 500
load_volts_max = 100
load_watts_max = 500
capability = [[0, 0], [1, 20]]
[[channel]]
name = "cell"
remote_sense = true
mounting = { tilt_deg = 30, azimuth_deg = 180 }
tracker = { method = "hold", volts = 1 }
daylight = { wake_volts = 1 }
[channel.load]
link = { tcp = "CELL" }
identity = "VL-2"
settling_s = 0.0
window_s = 0.0
latency_s = 0.0
current_protection_amps = 2
[channel.envelope]
device_volts_max = 20
device_amps_max = 2
device_watts_max = 10
load_volts_max = 20
load_watts_max = 20
capability = [[0, 0], [0.5, 2]]
[[sensor]]
name = "plane-2"
quantity = "plane-irradiance"
channels = []
link = { channel = "cell" }
scale = 1500
[[sensor]]
name = "air-1"
quantity = "air-temperature"
period_s = 0.2
link = { serial = "SERIAL", baud = 115200, unit = 7 }
register = { table = "holding", address = 0, type = "i16" }
scale = 0.1
[[sensor]]
name = "plane-1"
quantity = "plane-irradiance"
period_s = 0.2
max_age_s = 1.0
deadline_s = 0.3
link = { tcp = "BUS", unit = 3 }
register = { table = "input", address = 10, type = "i32", word_order = "low-first" }
scale = 0.01
[[sensor]]
name = "back-1"
quantity = "module-temperature"
period_s = 0.2
max_age_s = 1.4
link = { tcp = "METER" }
identity = "VM-1"
query = "MEAS:FRES?"
conversion = "pt100"
"#;

fn station(yard: &Yard) -> Station {
    let text = STATION
        .replace("LOAD", &yard.load.address().to_string())
        .replace("CELL", &yard.cell.address().to_string())
        .replace("BUS", &yard.bus.address().to_string())
        .replace("METER", &yard.meter.address().to_string())
        .replace("SERIAL", &yard.serial.path().display().to_string());
    Station::parse("yard.toml", &text).unwrap_or_else(|error| panic!("{error}"))
}

/// Waits until the log answers `query` with something else than nothing and zero.
#[track_caller]
fn wait(log: &Path, query: &str) -> i64 {
    let until = Instant::now() + PATIENCE;
    while Instant::now() < until {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY;
        let found = Connection::open_with_flags(log, flags)
            .and_then(|conn| conn.query_row(query, [], |row| row.get::<_, Option<i64>>(0)));
        if let Ok(Some(found)) = found
            && found != 0
        {
            return found;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    panic!("never came true: {query}");
}

#[test]
fn irradiance_comes_and_goes_with_its_sensor() {
    let yard = Yard::new();
    let station = station(&yard);
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("yard.db");
    let stop = StopFlag::default();
    let run = std::thread::spawn({
        let (log, stop) = (log.clone(), stop.clone());
        move || {
            let stay = Stay { length: Some(4 * PATIENCE), patient: true, sweep: None };
            field::run(&station, &log, stay, &stop, &mut Screen::silent()).unwrap()
        }
    });

    wait(&log, "SELECT count(*) >= 5 FROM sample_view WHERE irradiance = 812.34");
    wait(&log, "SELECT count(*) >= 5 FROM sample_view WHERE abs(module_temperature - 60) < 0.001");
    yard.bus.control().set_fault(Box::new(|_: &mut Vec<u8>| Fate::Lost));
    let last = wait(&log, "SELECT max(id) FROM event WHERE code = 'sensor-lost'");
    wait(
        &log,
        "SELECT count(*) >= 3 FROM sample_view WHERE channel = 'module-1' AND irradiance IS NULL AND mono_us > \
                (SELECT mono_us FROM event WHERE code = 'sensor-lost')",
    );
    // The channel went on, and so did the other sensor.
    wait(
        &log,
        "SELECT count(*) >= 3 FROM sample_view WHERE irradiance IS NULL \
                AND activity = 'tracking' AND module_temperature > 59",
    );
    yard.bus.control().clear_fault();
    let back = wait(&log, "SELECT max(id) FROM event WHERE code = 'sensor-back'");
    assert!(back > last);
    wait(
        &log,
        "SELECT irradiance = 812.34 FROM sample_view WHERE channel = 'module-1' ORDER BY mono_us DESC LIMIT 1",
    );
    stop.raise();
    let ended = run.join().unwrap();
    assert!(ended.unconfirmed.is_empty());

    let conn = Connection::open(&log).unwrap();
    let one = |query: &str| conn.query_row(query, [], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(one("SELECT count(*) FROM event WHERE code = 'sensor-lost'"), 1);
    // A value is right or absent. A mean over fresh values of a constant is that constant.
    let wrong = "SELECT count(*) FROM sample_view WHERE irradiance <> 812.34";
    assert_eq!(one(wrong), 0);
    assert_eq!(one("SELECT count(*) FROM sensor"), 4);
    let mean = |name: &str, least: f64, most: f64| {
        one(&format!(
            "SELECT sum(count) >= 5 AND min(min) >= {least} AND max(max) <= {most} \
             FROM sensor_minute_view WHERE sensor = '{name}'"
        ))
    };
    assert_eq!(mean("air-1", -12.3001, -12.2999), 1);
    // 0.5 A at 1500 W/m2 per A.
    assert_eq!(mean("plane-2", 749.0, 751.0), 1);
    assert!(one("SELECT sum(count) FROM sensor_minute_view WHERE sensor = 'plane-1'") >= 5);
    let whole = "SELECT sum(wanted) >= sum(count) FROM sensor_minute_view WHERE sensor = 'plane-1'";
    assert_eq!(one(whole), 1);
    let text = "SELECT count(*) FROM sensor WHERE conversion LIKE '%IEC 60751%'";
    assert_eq!(one(text), 1);
}
