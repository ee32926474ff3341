//! The yard: a module, its load and boost supply, sensors, and the station file that names them.

use crate::cell::{Link, Place};
use crate::oracle::sensors::{PYRANOMETER, SENSITIVITY, THERMOMETER};
use crate::oracle::witness::Witness;
use cresthold::quantities::{Amps, Celsius, Irradiance, MetresPerSecond, Ohms, Volts, Watts};
use cresthold::station::Station;
use cresthold::time::Utc;
use cresthold_sim::bench::{Bench, Boost, LoadParams, Sensor};
use cresthold_sim::device::examples;
use cresthold_sim::sky::plane::Mounting;
use cresthold_sim::sky::{Place as Spot, Sky, SkyState, SunVector};
use cresthold_sim::thermal::{Thermal, ThermalParams};
use cresthold_sim::wire::fault::{Body, Line, Place as FaultPlace, Role, Victim};
use cresthold_sim::wire::instrument::{
    Held, Instrument, LoadCommands, MeterFunction, SupplyCommands, VirtualLoad, VirtualMeter,
    VirtualSupply,
};
use cresthold_sim::wire::plant::{LivePlant, PlantParts};
use cresthold_sim::wire::sensing::{LiveSensor, Sensed};
use std::time::Duration;

const STATION: &str = r#"
name = "Larkfell test yard"
site = { latitude = 46.8, longitude = 6.9, elevation = 490 }
[control]
period_s = 0.1
sample_every_s = 0.5
max_gap_s = 1.5
max_sensor_age_s = 2.0
commit_every_s = 1.0
[[channel]]
name = "module-1"
remote_sense = true
mounting = { two_axis = true }
tracker = { method = "perturb-and-observe", step_volts = 0.2 }
daylight = { wake_volts = 15, look_every_s = 2 }
retry = { first_s = 2, longest_s = 10, times = 20 }
sweep = { every_s = 9, points = 30, dwell_s = 0.1 }
[channel.load]
link = LINK-LOAD
identity = "VL-1"
deadline_s = 0.5
settling_s = 0.015
window_s = 0.02
latency_s = 0.005
current_protection_amps = 17
[channel.boost]
link = LINK-BOOST
identity = "VS-1"
volts = 6.0
amps = 18
measured = true
[channel.envelope]
device_volts_max = 48
reverse_allowance_volts = 1.0
device_amps_max = 16
device_watts_max = 450
load_volts_max = 60
load_watts_max = 600
capability = [[0, 0], [2, 20]]
device_temperature_max_degc = 75
blind_grace_s = 3
[[sensor]]
name = "plane-1"
quantity = "plane-irradiance"
period_s = 0.5
max_age_s = 2.0
deadline_s = 0.3
stuck_after_s = 3
link = LINK-IRRADIANCE
ASKED-IRRADIANCE
[[sensor]]
name = "back-1"
quantity = "module-temperature"
period_s = 0.5
max_age_s = 2.0
deadline_s = 0.3
stuck_after_s = 3
link = LINK-TEMPERATURE
ASKED-TEMPERATURE
[[sensor]]
name = "plane-2"
quantity = "plane-irradiance"
rank = 2
period_s = 0.5
max_age_s = 2.0
deadline_s = 0.3
disagree_percent = 5
disagree_absolute = 60
disagree_after_s = 2
link = LINK-PLANE-2
register = { table = "input", address = 0, type = "f32" }
[[sensor]]
name = "back-2"
quantity = "module-temperature"
channels = SPARE
rank = 2
period_s = 0.5
max_age_s = 2.0
deadline_s = 0.3
disagree_percent = 1
disagree_absolute = 3
disagree_after_s = 2
link = LINK-BACK-2
register = { table = "input", address = 0, type = "f32" }
"#;

/// Largest age of a sensor's value and grace of a limit, as [`STATION`] has them (s).
pub(crate) const MAX_AGE: f64 = 2.0;
pub(crate) const GRACE: f64 = 3.0;

/// Swings between 350 and 850 W/m2 within 40 s.
#[derive(Clone)]
struct Swing {
    began: Utc,
}

impl Sky for Swing {
    fn state(&mut self, at: Utc, _: Spot) -> SkyState {
        let micros = at.as_micros() - self.began.as_micros();
        let phase = micros as f64 / 40e6 * std::f64::consts::TAU;
        let direct = Irradiance(600.0 + 250.0 * phase.sin());
        SkyState {
            global: direct,
            direct,
            diffuse: Irradiance(0.0),
            air: Celsius(20.0),
            wind: MetresPerSecond(2.0),
            sun: SunVector::from_degrees(30.0, 180.0),
        }
    }
}

/// When every trial begins.
pub(crate) fn morning() -> Utc {
    "2016-06-15T10:00:00Z".parse().unwrap()
}

/// An address in the station file's words.
pub(crate) fn written(link: Link, at: &str) -> String {
    match link {
        Link::Serial => format!("{{ serial = \"{at}\", baud = 115200 }}"),
        Link::ModbusRtu => format!("{{ serial = \"{at}\", baud = 115200, unit = 1 }}"),
        Link::Tcp | Link::Meter => format!("{{ tcp = \"{at}\" }}"),
        Link::ModbusTcp => format!("{{ tcp = \"{at}\", unit = 1 }}"),
        Link::Usb => format!("{{ usbtmc = \"{at}\" }}"),
    }
}

/// The station; `at` is where each of the six instruments is, in the order of [`PLACES`]. `spare`
/// when the guard may take the second thermometer for the first.
pub(crate) fn station(links: [Link; 6], at: &[String; 6], spare: bool) -> Station {
    let mut text = STATION.replace("SPARE", if spare { "[\"module-1\"]" } else { "[]" });
    for ((place, link), at) in PLACES.into_iter().zip(links).zip(at) {
        text = text.replace(&format!("LINK-{place}"), &written(link, at));
    }
    let registers = "register = { table = \"input\", address = 0, type = \"f32\" }";
    for (place, link) in [("IRRADIANCE", links[2]), ("TEMPERATURE", links[3])] {
        let meter = if place == "IRRADIANCE" {
            "identity = \"VM-1\"\nquery = \"MEAS:VOLT?\"\nconversion = \"sensitivity\"\n\
             sensitivity_uv_per_w_m2 = 8.52"
        } else {
            "identity = \"VM-1\"\nquery = \"MEAS:FRES?\"\nconversion = \"pt100\""
        };
        let asked = if link == Link::Meter { meter } else { registers };
        text = text.replace(&format!("ASKED-{place}"), asked);
    }
    Station::parse("yard.toml", &text).unwrap_or_else(|why| panic!("{why}\n{text}"))
}

/// The instruments of the yard; the first four are where faults happen.
pub(crate) const PLACES: [&str; 6] =
    ["LOAD", "BOOST", "IRRADIANCE", "TEMPERATURE", "PLANE-2", "BACK-2"];

/// The links of a trial: sockets everywhere but at `place`.
pub(crate) fn links(place: Place, link: Link) -> [Link; 6] {
    let modbus = Link::ModbusTcp;
    let mut links = [Link::Tcp, Link::Tcp, modbus, modbus, modbus, modbus];
    links[place as usize] = link;
    links
}

/// The instruments behind their lines.
pub(crate) struct Yard {
    pub(crate) witness: Witness,
    load: Held<LoadCommands>,
    supply: Held<SupplyCommands>,
    sensors: [LiveSensor; 4],
}

impl Yard {
    /// A yard whose plant lives on `clock`.
    pub(crate) fn new(
        station: &Station,
        seed: u64,
        clock: impl Fn() -> Duration + Send + 'static,
    ) -> Self {
        let load = LoadParams::usual(Volts(60.0), Amps(20.0), Watts(600.0));
        let boost = Some(Boost { volts: Volts(6.0), limit: Amps(18.0) });
        let bench = Bench::new(examples::crystalline_module(), load, boost, Ohms::ZERO, seed);
        let parts = PlantParts {
            bench,
            thermal: Thermal::new(ThermalParams::OPEN_RACK, Celsius(45.0)),
            sky: Box::new(Swing { began: morning() }),
            began: morning(),
            mounting: Mounting::TwoAxis,
        };
        let plant = LivePlant::with_clock(parts, clock);
        let envelope = station.channels[0].control.envelope.clone();
        let witness = Witness::new(plant.clone(), envelope);
        let front = VirtualLoad::load("Yard,VL-1,1,1", Box::new(witness.clone()));
        let supply = VirtualSupply::supply("Yard,VS-1,1,1", Box::new(witness.clone()));
        let sensor = |sensed, params, more| {
            LiveSensor::new(plant.clone(), sensed, Sensor::new(params, seed ^ more))
        };
        Self {
            witness,
            load: Held::new(front),
            supply: Held::new(supply),
            sensors: [
                sensor(Sensed::Plane, PYRANOMETER, 1),
                sensor(Sensed::Back, THERMOMETER, 2),
                sensor(Sensed::Plane, PYRANOMETER, 3),
                sensor(Sensed::Back, THERMOMETER, 4),
            ],
        }
    }

    /// The instrument at one of [`PLACES`].
    pub(crate) fn instrument(&self, place: usize, link: Link) -> Box<dyn Instrument> {
        match place {
            0 => Box::new(self.load.clone()),
            1 => Box::new(self.supply.clone()),
            2 if link == Link::Meter => {
                let sensor = self.sensors[0].clone();
                Box::new(VirtualMeter::meter("Yard,VM-1,1,1", move |what| {
                    (what == MeterFunction::Volts).then(|| SENSITIVITY * sensor.look())
                }))
            }
            3 if link == Link::Meter => self.sensors[1].meter("Yard,VM-1,1,1"),
            _ => self.sensors[place - 2].modbus(link.is_serial()),
        }
    }

    /// One of [`PLACES`] as a fault sees it.
    pub(crate) fn victim(&self, place: usize, link: Link, line: Box<dyn Line>) -> Victim {
        let (role, body) = match place {
            0 => (Role::Load, Body::Load(self.load.clone())),
            1 => (Role::Supply, Body::Supply(self.supply.clone())),
            _ => (Role::Sensor, Body::Sensor(self.sensors[place - 2].sickness())),
        };
        let terminal = link.is_serial() || link == Link::Usb;
        let place = FaultPlace { name: PLACES[place].to_owned(), role, terminal };
        Victim { place, body, lines: vec![line] }
    }
}
