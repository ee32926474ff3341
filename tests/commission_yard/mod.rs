//! A virtual bench to commission: plants under a steady sun, their instruments on sockets.

#![allow(dead_code, reason = "each test file uses its part")]
#![allow(clippy::unwrap_used, reason = "a helper that fails is a test that fails")]

use cresthold::commission::{Check, Commissioning, Light, Reason, Verdict, text};
use cresthold::daemon::commission::{Order, Person, run};
use cresthold::daemon::stop::StopFlag;
use cresthold::quantities::{Amps, Celsius, Irradiance, MetresPerSecond, Ohms, Volts, Watts};
use cresthold::station::{ChannelSpec, Station};
use cresthold::time::Utc;
use cresthold_sim::bench::{Bench, Boost, LoadParams, Sensor, SensorParams, Wiring};
use cresthold_sim::device::examples;
use cresthold_sim::sky::plane::Mounting;
use cresthold_sim::sky::{Place, Sky, SkyState, SunVector};
use cresthold_sim::thermal::{Thermal, ThermalParams};
use cresthold_sim::wire::instrument::FrontEnd;
use cresthold_sim::wire::plant::{LivePlant, PlantParts};
use cresthold_sim::wire::sensing::{ADDRESS, LiveSensor, Sensed, UNIT};
use cresthold_sim::wire::serve::TcpServer;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tempfile::TempDir;

/// Noon in June at the yard.
pub(crate) const NOON: &str = "2016-06-15T11:30:00Z";
pub(crate) const AIR: Celsius = Celsius(18.0);

/// A sun that stands still, behind clouds that let through a share of it, by seconds since [`NOON`].
struct Steady(Irradiance, fn(f64) -> f64);

impl Sky for Steady {
    fn state(&mut self, at: Utc, _: Place) -> SkyState {
        let passed = at.saturating_since(NOON.parse().unwrap()).as_secs_f64();
        let light = self.0 * (self.1)(passed);
        SkyState {
            global: light,
            direct: light,
            diffuse: Irradiance::ZERO,
            air: AIR,
            wind: MetresPerSecond(2.0),
            sun: SunVector::from_degrees(30.0, 180.0),
        }
    }
}

/// One channel's plant; what a test doesn't touch is as it must be.
#[derive(Clone, Debug)]
pub(crate) struct Parts {
    pub(crate) load: LoadParams,
    pub(crate) lead: Ohms,
    pub(crate) wiring: Wiring,
    pub(crate) irradiance: Irradiance,
    /// What clouds let through of it, by seconds (s).
    pub(crate) clouds: fn(f64) -> f64,
    pub(crate) thin_film: bool,
    pub(crate) identity: &'static str,
    pub(crate) seed: u64,
}

impl Default for Parts {
    fn default() -> Self {
        let mut load = LoadParams::usual(Volts(80.0), Amps(20.0), Watts(600.0));
        load.settling = Duration::from_millis(40);
        load.window = Duration::from_millis(2);
        load.latency = Duration::from_millis(1);
        load.amps_meter.offset = 0.012;
        Self {
            load,
            lead: Ohms(0.02),
            wiring: Wiring::default(),
            irradiance: Irradiance(820.0),
            clouds: |_| 1.0,
            thin_film: false,
            identity: "VL",
            seed: 11,
        }
    }
}

impl Parts {
    pub(crate) fn cell(&self) -> Celsius {
        let wind = MetresPerSecond(2.0);
        Thermal::steady(&ThermalParams::OPEN_RACK, self.irradiance, AIR, wind)
    }

    fn plant(&self) -> LivePlant {
        let device = if self.thin_film {
            examples::thin_film_module()
        } else {
            examples::crystalline_module()
        };
        let boost = Boost { volts: Volts(6.0), limit: Amps(20.0) };
        let mut bench = Bench::new(device, self.load, Some(boost), self.lead, self.seed);
        bench.set_wiring(self.wiring);
        LivePlant::new(PlantParts {
            bench,
            thermal: Thermal::new(ThermalParams::OPEN_RACK, self.cell()),
            sky: Box::new(Steady(self.irradiance, self.clouds)),
            began: NOON.parse().unwrap(),
            mounting: Mounting::TwoAxis,
        })
    }
}

/// Channels on their sockets, and the station file that fits them.
pub(crate) struct Yard {
    pub(crate) plants: Vec<LivePlant>,
    servers: Vec<TcpServer>,
    pub(crate) folder: TempDir,
    pub(crate) text: String,
}

impl Yard {
    pub(crate) fn new(channels: &[Parts]) -> Self {
        Self::wired(channels, false)
    }

    /// The same; with `exchanged`, each load stands on the other channel's device.
    pub(crate) fn wired(channels: &[Parts], exchanged: bool) -> Self {
        let plants: Vec<LivePlant> = channels.iter().map(Parts::plant).collect();
        let mut servers = Vec::new();
        let mut text = String::from(
            "name = \"Larkfell test yard\"\n[site]\nlatitude = 46.8\nlongitude = 6.9\n\
             elevation = 490.0\n[control]\nperiod_s = 0.25\nsample_every_s = 1.0\n",
        );
        for (index, parts) in channels.iter().enumerate() {
            let other = if exchanged { channels.len() - 1 - index } else { index };
            let load = Box::new(plants[other].clone());
            let load = FrontEnd::load(&format!("Larkfell,{},{index},1", parts.identity), load);
            let load = TcpServer::start(Box::new(load)).unwrap();
            let boost = Box::new(plants[index].clone());
            let boost = FrontEnd::supply(&format!("Larkfell,VB,{index},1"), boost);
            let boost = TcpServer::start(Box::new(boost)).unwrap();
            text.push_str(&channel(index, &load, &boost));
            servers.extend([load, boost]);
        }
        Self { plants, servers, folder: tempfile::tempdir().unwrap(), text }
    }

    /// States something else in the station file.
    pub(crate) fn stating(mut self, what: &str, instead: &str) -> Self {
        assert!(self.text.contains(what), "{what} is not in {}", self.text);
        self.text = self.text.replace(what, instead);
        self
    }

    /// With irradiance and air sensors on Modbus; the third's port is closed.
    pub(crate) fn with_sensors(mut self) -> Self {
        let names = ["plane", "air", "dead"];
        let quantities = ["plane-irradiance", "air-temperature", "wind-speed"];
        for (name, (quantity, sensed)) in names.into_iter().zip(quantities.into_iter().zip([
            Sensed::Plane,
            Sensed::Air,
            Sensed::Wind,
        ])) {
            let sensor = Sensor::new(SensorParams::REFERENCE_CELL, 5);
            let sensor = LiveSensor::new(self.plants[0].clone(), sensed, sensor).modbus(false);
            let server = TcpServer::start(sensor).unwrap();
            self.text.push_str(&format!(
                "[[sensor]]\nname = \"{name}\"\nquantity = \"{quantity}\"\n\
                 link = {{ tcp = \"{}\", unit = {UNIT} }}\n\
                 register = {{ table = \"input\", address = {ADDRESS}, type = \"f32\" }}\n",
                server.address()
            ));
            if name != "dead" {
                self.servers.push(server);
            }
        }
        self
    }

    pub(crate) fn log(&self) -> PathBuf {
        self.folder.path().join("larkfell.sqlite")
    }

    pub(crate) fn commission(&self, light: Light) -> Commissioning {
        self.commission_at(light, NOON, &mut Agreeing(true))
    }

    pub(crate) fn commission_at(
        &self,
        light: Light,
        now: &str,
        person: &mut dyn Person,
    ) -> Commissioning {
        self.commission_until(light, now, person, &StopFlag::default())
    }

    pub(crate) fn commission_until(
        &self,
        light: Light,
        now: &str,
        person: &mut dyn Person,
        stop: &StopFlag,
    ) -> Commissioning {
        let station = Station::parse("larkfell.toml", &self.text).unwrap();
        let log = self.log();
        let order = Order { log: &log, light, clock: Some(now.parse().unwrap()) };
        let report = run(&station, &order, person, stop).unwrap();
        for plant in &self.plants {
            assert_eq!(plant.switches(), (false, false), "everything is off at the end");
        }
        println!("{}", text::text(&report));
        report
    }

    pub(crate) fn write_station(&self) -> PathBuf {
        let file = self.folder.path().join("larkfell.toml");
        std::fs::write(&file, &self.text).unwrap();
        file
    }
}

/// A person who always gives the same answer.
pub(crate) struct Agreeing(pub(crate) bool);

impl Person for Agreeing {
    fn agrees(&mut self, _: &ChannelSpec, _: bool) -> bool {
        self.0
    }
    fn hears(&mut self, _: &str) {}
}

fn channel(index: usize, load: &TcpServer, boost: &TcpServer) -> String {
    format!(
        r#"
[[channel]]
name = "slope-{index}"
lead_ohms = 0.02
[channel.mounting]
two_axis = true
[channel.rated]
open_circuit_volts = 38.3
short_circuit_amps = 9.43
crest_volts = 31.0
crest_amps = 8.71
open_circuit_volts_per_kelvin = -0.138
short_circuit_amps_per_kelvin = 0.0057
[channel.load]
link = {{ tcp = "{}" }}
identity = "VL,{index}"
settling_s = 0.045
window_s = 0.002
latency_s = 0.001
current_protection_amps = 16.0
[channel.boost]
volts = 6.0
amps = 20.0
link = {{ tcp = "{}" }}
identity = "VB,{index}"
measured = true
[channel.envelope]
device_volts_max = 48.0
reverse_allowance_volts = 0.5
device_amps_max = 15.5
device_watts_max = 520.0
load_volts_max = 80.0
load_watts_max = 600.0
capability = [[0.0, 0.0], [2.0, 20.0]]
[channel.tracker]
method = "perturb-and-observe"
step_volts = 0.2
[channel.daylight]
wake_volts = 20.0
"#,
        load.address(),
        boost.address()
    )
}

/// What a person with two hand-held meters would state.
pub(crate) fn metered(parts: &Parts) -> Light {
    Light { irradiance: Some(parts.irradiance), module: Some(parts.cell()) }
}

pub(crate) fn find<'r>(report: &'r Commissioning, what: &str) -> &'r Check {
    report.all().find(|check| check.what == what).unwrap_or_else(|| panic!("no check {what:?}"))
}

/// What is wrong with the reasons a report fails for; nothing where it fails for `reason` and at
/// most for those in `also` besides.
pub(crate) fn wrong_reasons(
    report: &Commissioning,
    reason: Reason,
    also: &[Reason],
) -> Vec<String> {
    let failed: Vec<Reason> = report
        .all()
        .filter(|check| check.verdict == Verdict::Failed)
        .filter_map(|check| check.reason)
        .collect();
    let mut wrong = Vec::new();
    if !failed.contains(&reason) {
        wrong.push(format!("{reason:?} is not told"));
    }
    let strange = failed.iter().filter(|other| **other != reason && !also.contains(other));
    wrong.extend(strange.map(|other| format!("{other:?} is told")));
    wrong
}

pub(crate) fn fails(report: &Commissioning, reason: Reason, also: &[Reason]) {
    let wrong = wrong_reasons(report, reason, also);
    assert!(wrong.is_empty(), "{wrong:?}");
}

pub(crate) fn lies_in(path: &Path, words: &[&str]) {
    let text = std::fs::read_to_string(path).unwrap();
    for word in words {
        assert!(text.contains(word), "{word:?} is missing in {}", path.display());
    }
}
