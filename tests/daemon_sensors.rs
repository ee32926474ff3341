//! A run on virtual instruments whose irradiance comes from a Modbus sensor and whose module
//! temperature from a resistance thermometer on a meter.

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
use cresthold_sim::wire::serve::TcpServer;
use rusqlite::{Connection, OpenFlags};
use std::path::Path;
use std::time::{Duration, Instant};

/// Far longer than any step takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);

fn station(load: &TcpServer, bus: &TcpServer, meter: &TcpServer) -> Station {
    let (load, bus, meter) = (load.address(), bus.address(), meter.address());
    let text = format!(
        r#"
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
mounting = {{ tilt_deg = 30, azimuth_deg = 180 }}
tracker = {{ method = "hold", volts = 30 }}
daylight = {{ wake_volts = 10 }}
[channel.load]
link = {{ tcp = "{load}" }}
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
[[sensor]]
name = "plane-1"
quantity = "plane-irradiance"
period_s = 0.2
max_age_s = 1.0
deadline_s = 0.3
link = {{ tcp = "{bus}", unit = 3 }}
register = {{ table = "input", address = 10, type = "i32", word_order = "low-first" }}
scale = 0.01
[[sensor]]
name = "back-1"
quantity = "module-temperature"
period_s = 0.2
max_age_s = 1.4
link = {{ tcp = "{meter}" }}
identity = "VM-1"
query = "MEAS:FRES?"
conversion = "pt100"
"#
    );
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
    let bench = ResistiveBench::new(Volts(40.0), Ohms(2.0));
    let load = TcpServer::start(Box::new(VirtualLoad::load("Yard,VL-1,1,1", Box::new(bench))));
    let format = Format { kind: Kind::I32, order: WordOrder::LowFirst };
    let points = Points::default().with(Table::Input, 10, format, || 81_234.0);
    let bus = TcpServer::start(Box::new(ModbusDevice::tcp().with_unit(3, points)));
    let ohms = |what| (what == MeterFunction::Ohms).then_some(123.2419); // 60 degC, IEC 60751
    let meter = TcpServer::start(Box::new(VirtualMeter::meter("Yard,VM-1,1,1", ohms)));
    let (load, bus, meter) = (load.unwrap(), bus.unwrap(), meter.unwrap());
    let station = station(&load, &bus, &meter);
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("yard.db");
    let stop = StopFlag::default();
    let run = std::thread::spawn({
        let (log, stop) = (log.clone(), stop.clone());
        move || {
            let stay = Stay { length: Some(4 * PATIENCE), patient: true };
            field::run(&station, &log, stay, &stop, &mut Screen::new(true)).unwrap()
        }
    });

    wait(&log, "SELECT count(*) >= 5 FROM sample_view WHERE irradiance = 812.34");
    wait(&log, "SELECT count(*) >= 5 FROM sample_view WHERE abs(module_temperature - 60) < 0.001");
    bus.control().set_fault(Box::new(|_: &mut Vec<u8>| Fate::Lost));
    let last = wait(&log, "SELECT max(id) FROM event WHERE code = 'sensor-lost'");
    wait(
        &log,
        "SELECT count(*) >= 3 FROM sample_view WHERE irradiance IS NULL AND mono_us > \
                (SELECT mono_us FROM event WHERE code = 'sensor-lost')",
    );
    // The channel went on, and so did the other sensor.
    wait(
        &log,
        "SELECT count(*) >= 3 FROM sample_view WHERE irradiance IS NULL \
                AND activity = 'tracking' AND module_temperature > 59",
    );
    bus.control().clear_fault();
    let back = wait(&log, "SELECT max(id) FROM event WHERE code = 'sensor-back'");
    assert!(back > last);
    wait(&log, "SELECT irradiance = 812.34 FROM sample_view ORDER BY mono_us DESC LIMIT 1");
    stop.raise();
    let ended = run.join().unwrap();
    assert!(ended.unconfirmed.is_empty());

    let conn = Connection::open(&log).unwrap();
    let one = |query: &str| conn.query_row(query, [], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(one("SELECT count(*) FROM event WHERE code = 'sensor-lost'"), 1);
    // A value is right or absent. A mean over fresh values of a constant is that constant.
    let wrong = "SELECT count(*) FROM sample_view WHERE irradiance <> 812.34";
    assert_eq!(one(wrong), 0);
    assert_eq!(one("SELECT count(*) FROM sensor"), 2);
    assert!(one("SELECT sum(count) FROM sensor_minute_view WHERE sensor = 'plane-1'") >= 5);
    let whole = "SELECT sum(wanted) >= sum(count) FROM sensor_minute_view WHERE sensor = 'plane-1'";
    assert_eq!(one(whole), 1);
    let text = "SELECT count(*) FROM sensor WHERE conversion LIKE '%IEC 60751%'";
    assert_eq!(one(text), 1);
}
