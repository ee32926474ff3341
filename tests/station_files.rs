//! Station files that are right: the rehearsal station, the shipped examples, and what defaults are.

#![allow(clippy::panic, reason = "helpers of tests; the panic is the report")]

use cresthold::control::{DaySplit, SeriesPath};
use cresthold::quantities::{Amps, Celsius, Irradiance, Volts, Watts};
use cresthold::station::{
    Address, DaySource, DeviceSpec, Flow, Mounting, Parity, Station, StationError,
};
use cresthold_sim::sky::recorded::embedded_payerne;
use std::path::{Path, PathBuf};
use std::time::Duration;

fn example(name: &str) -> Result<Station, StationError> {
    Station::load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/stations").join(name))
}

fn read(file: &str, text: &str) -> Station {
    Station::parse(file, text).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn the_rehearsal_station_is_whole() {
    let station = read("rehearsal.toml", Station::REHEARSAL);
    assert_eq!(station, Station::rehearsal());
    assert_eq!(station.text, Station::REHEARSAL);
    assert_eq!(station.site, embedded_payerne().1, "the yard stands under the recorded sky");
    let plant = station.plant.expect("it is simulated");
    assert_eq!(plant.day, DaySource::EmbeddedPayerne);
    assert_eq!(station.commit_every, Duration::from_secs(2));
    let kinds: Vec<_> = station.channels.iter().map(|channel| channel.device).collect();
    let all = [DeviceSpec::Crystalline, DeviceSpec::ThinFilm, DeviceSpec::Receiver];
    assert_eq!(kinds, all.map(Some));
    assert!(matches!(station.channels[0].mounting, Mounting::Fixed(_)));
    assert_eq!(station.channels[2].mounting, Mounting::TwoAxis);
    for (index, channel) in station.channels.iter().enumerate() {
        assert_eq!(usize::from(channel.control.id.0), index);
        assert_eq!(channel.load.address, Address::Plant);
        assert_eq!(channel.control.period, Duration::from_millis(100));
        assert!(channel.control.boost_switched);
        assert!(channel.build_device().is_some());
    }
    assert!(
        (station.channels[0].build_device().unwrap().substrings()[1].mismatch - 0.99).abs() < 1e-12
    );
}

#[test]
fn days_end_by_utc_or_by_the_sun_over_the_site() {
    let stated = "day = \"utc\"";
    assert!(Station::REHEARSAL.contains(stated));
    let station = Station::rehearsal();
    assert_eq!(station.day, DaySplit::UTC);
    let left_out = read("yard.toml", &Station::REHEARSAL.replace(stated, ""));
    assert_eq!(left_out.day, DaySplit::UTC);
    let solar = read("yard.toml", &Station::REHEARSAL.replace(stated, "day = \"solar\""));
    assert_eq!(solar.day, DaySplit::mean_solar(6.944));
    assert_eq!(solar.day.ahead_micros(), 1_666_560_000, "6.944 degrees are 27 min 46.56 s");
    assert!(solar.channels.iter().all(|channel| channel.control.day == solar.day));
    let wrong = Station::REHEARSAL.replace(stated, "day = \"local\"");
    let error = Station::parse("yard.toml", &wrong).unwrap_err().to_string();
    assert!(error.contains("control.day"), "{error}");
    assert!(error.contains("write \"utc\" or \"solar\""), "{error}");
}

/// The limits hold for the simulated devices at cloud edges (1500 W/m2) from deep frost to heat.
#[test]
fn the_rehearsal_limits_hold_at_cloud_edges() {
    for channel in Station::rehearsal().channels {
        let envelope = &channel.control.envelope;
        let mut device = channel.build_device().expect("on a plant");
        for cell in [-20.0, 25.0, 75.0, 100.0] {
            device.set_conditions(Irradiance(1500.0), Celsius(cell));
            let seen = device.summary();
            assert!(seen.voc < envelope.device_volts_max, "{} at {cell}: {seen:?}", channel.name);
            assert!(seen.isc < envelope.device_amps_max, "{} at {cell}: {seen:?}", channel.name);
            assert!(seen.pmp < envelope.device_watts_max, "{} at {cell}: {seen:?}", channel.name);
            let at_load = (seen.vmp + channel.control.path.boost) * seen.imp;
            assert!(at_load < envelope.load_watts_max, "{} at {cell}: {at_load}", channel.name);
            assert!(seen.voc > channel.control.daylight.wake_volts);
        }
    }
}

#[test]
fn the_shipped_serial_example_reads() {
    let station = example("one-module-serial.toml").unwrap_or_else(|error| panic!("{error}"));
    assert!(station.plant.is_none());
    let channel = &station.channels[0];
    let (baud, data_bits, stop_bits) = (9600, 8, 1);
    let (parity, flow) = (Parity::None, Flow::None);
    let path = PathBuf::from("/dev/serial/by-id/usb-adapter-1");
    assert_eq!(
        channel.load.address,
        Address::Serial { path, baud, data_bits, parity, stop_bits, flow }
    );
    let boost = channel.boost.as_ref().expect("stated");
    assert_eq!((boost.address.as_ref(), boost.measured), (None, false));
    assert!(!channel.control.boost_switched);
    assert_eq!(channel.control.envelope.boost_amps_max, Some(Amps(20.0)));
    assert_eq!(channel.control.path.boost, Volts(6.0));
    assert!(channel.device.is_none() && channel.build_device().is_none());
    assert!(station.log.expect("stated").ends_with("deploy/stations/one-module.sqlite"));
}

#[test]
fn the_shipped_network_example_reads() {
    let station = example("one-module-tcp.toml").unwrap_or_else(|error| panic!("{error}"));
    let channel = &station.channels[0];
    assert_eq!(channel.load.address, Address::Tcp { host: "192.0.2.10".into(), port: 5025 });
    let boost = channel.boost.as_ref().expect("stated");
    assert!(boost.measured && channel.control.boost_switched);
    assert!(channel.load.identity.is_some() && boost.identity.is_some());
}

const SHORTEST: &str = r#"
name = "Shortest"
site = { latitude = 0, longitude = 0, elevation = 0 }
[[channel]]
name = "a"
remote_sense = true
mounting = { tilt_deg = 0, azimuth_deg = 0 }
load = { link = { tcp = "[2001:db8::10]:5025" }, identity = "X", settling_s = 0, window_s = 0, latency_s = 0, current_protection_amps = 10 }
daylight = { wake_volts = 10 }
tracker = { method = "hold", share = 0.8 }
[channel.envelope]
device_volts_max = 40
device_amps_max = 10
device_watts_max = 300
load_volts_max = 40
load_watts_max = 300
capability = [[0, 0], [1, 10]]
"#;

/// The defaults are those that the rehearsal file's comments and the brief of each field state.
#[test]
fn what_is_left_out_has_its_default() {
    let station = read("yard/short.toml", SHORTEST);
    assert_eq!((station.seed, station.log.as_ref()), (1, None));
    assert_eq!(station.commit_every, Duration::from_secs(2));
    let channel = &station.channels[0];
    let control = &channel.control;
    assert_eq!(control.period, Duration::from_millis(100));
    assert_eq!(control.sample_every, Duration::from_secs(1));
    assert_eq!(control.max_gap, Duration::from_secs(5));
    assert_eq!(control.max_sensor_age, Duration::from_secs(10));
    let daylight = control.daylight;
    assert_eq!(daylight.wake_irradiance, Irradiance(20.0));
    assert_eq!(daylight.sleep_irradiance, Irradiance(10.0));
    assert_eq!(daylight.sleep_watts, Watts(0.5));
    assert_eq!(daylight.dusk_delay, Duration::from_secs(60));
    assert_eq!(daylight.look_every, Duration::from_secs(10));
    assert_eq!(control.retry.first, Duration::from_secs(5));
    assert_eq!(control.retry.longest, Duration::from_secs(600));
    assert_eq!(control.retry.times, 6);
    assert_eq!(channel.load.deadline, Duration::from_secs(1));
    assert_eq!(channel.load.address.to_string(), "[2001:db8::10]:5025");
    assert!(channel.boost.is_none() && control.envelope.boost_amps_max.is_none());
    assert_eq!(control.path, SeriesPath::default());
}

#[test]
fn a_channel_may_state_its_own_rhythm() {
    let own = SHORTEST.replacen("name = \"a\"", "name = \"a\"\nperiod_s = 0.5\nmax_gap_s = 9", 1);
    let control = read("short.toml", &own).channels[0].control.clone();
    assert_eq!(control.period, Duration::from_millis(500));
    assert_eq!(control.max_gap, Duration::from_secs(9));
    assert_eq!(control.sample_every, Duration::from_secs(1));
}

#[test]
fn relative_paths_start_at_the_file() {
    let text = Station::REHEARSAL
        .replace("# log = \"larkfell.sqlite\"", "log = \"larkfell.sqlite\"")
        .replace("\"payerne-2016-06-15\"", "\"days/own.csv\"");
    let station = read("yards/larkfell.toml", &text);
    assert_eq!(station.log, Some(PathBuf::from("yards/larkfell.sqlite")));
    let day = DaySource::File(PathBuf::from("yards/days/own.csv"));
    assert_eq!(station.plant.expect("stated").day, day);
    let absolute = text.replace("\"larkfell.sqlite\"", "\"/var/lib/larkfell.sqlite\"");
    let station = read("yards/larkfell.toml", &absolute);
    assert_eq!(station.log, Some(PathBuf::from("/var/lib/larkfell.sqlite")));
}

#[test]
fn a_missing_file_is_told() {
    let error = example("no-such.toml").unwrap_err();
    assert_eq!(error.problems.len(), 1);
    assert!(error.to_string().contains("no-such.toml:1: the file can't be read"), "{error}");
}
