//! The yard of a life: a module under a sky of years, its load, boost supply and sensors, and the
//! station file that names them.

use crate::bugs::{Bug, Terminals};
use crate::oracle::sensors::{self, PYRANOMETER, SENSITIVITY};
use crate::oracle::wire::{Manner, VirtualLine};
use crate::oracle::witness::Witness;
use crate::plan::{PLACES, Plan, THERMOMETER};
use crate::weather::Weather;
use cresthold::instruments::link::LinkSettings;
use cresthold::quantities::{Amps, Celsius, Ohms, Volts, Watts};
use cresthold::station::{Address, Station};
use cresthold::time::Utc;
use cresthold_sim::bench::{Bench, Boost, LoadParams, Sensor};
use cresthold_sim::device::examples;
use cresthold_sim::modbus::{Format, Kind, Table, WordOrder};
use cresthold_sim::sky::plane::{Mounting, Plane};
use cresthold_sim::thermal::{Thermal, ThermalParams};
use cresthold_sim::wire::fault::{Body, Line, Place, Role, Victim};
use cresthold_sim::wire::instrument::{
    Held, Instrument, LoadCommands, MeterFunction, SupplyCommands, VirtualLoad, VirtualMeter,
    VirtualSupply,
};
use cresthold_sim::wire::modbus::{ModbusDevice, Points};
use cresthold_sim::wire::plant::{LivePlant, PlantParts};
use cresthold_sim::wire::sensing::{LiveSensor, Sensed, UNIT, platinum};
use std::time::Duration;

/// What a cover leaves of the light.
const THROUGH_COVER: f64 = 0.01;

/// The device's temperature above which it is let go (degC).
pub(crate) const TOO_WARM: f64 = 46.0;
/// A sensor's value may be so many periods old.
pub(crate) const AGE_PERIODS: f64 = 3.5;
/// A span between readings of more periods is a gap.
pub(crate) const GAP_PERIODS: f64 = 3.5;
/// A limit whose sensor is silent is borne for so many periods.
pub(crate) const GRACE_PERIODS: f64 = 2.0;

const STATION: &str = r#"
name = "Larkfell swarm yard"
site = { latitude = LATITUDE, longitude = LONGITUDE, elevation = 490 }
[control]
period_s = 10
sample_every_s = 10
max_gap_s = 35
max_sensor_age_s = AGE
day = DAYS
[storage]
file_per = FILES
[[channel]]
name = "module-1"
remote_sense = true
mounting = { tilt_deg = TILT, azimuth_deg = AZIMUTH }
tracker = TRACKER
daylight = { wake_volts = 15, look_every_s = LOOK, dusk_delay_s = DUSK }
retry = { first_s = RETRY, longest_s = LONGEST, times = 6, anew_each_day = true }
sweep = { every_s = 10000, points = 12, dwell_s = 0.2 }
[channel.load]
link = LINK-load
identity = "VL-1"
deadline_s = 0.5
settling_s = 0.015
window_s = 0.02
latency_s = 0.005
current_protection_amps = 17
[channel.boost]
link = LINK-boost
identity = "VS-1"
volts = 6.0
amps = 18
measured = true
[channel.envelope]
device_volts_max = 55
reverse_allowance_volts = 1.0
device_amps_max = 16
device_watts_max = 450
load_volts_max = 65
load_watts_max = 600
capability = [[0, 0], [2, 20]]
device_temperature_max_degc = WARM
"#;

const SENSOR: &str = r#"
[[sensor]]
name = "NAME"
quantity = "QUANTITY"
rank = RANK
period_s = PERIOD
max_age_s = AGE
deadline_s = 0.3
stuck_after_s = STUCK
disagree_percent = 5
disagree_absolute = 60
disagree_after_s = STUCK
link = LINK-NAME
ASKED
"#;

/// Seconds as TOML has them.
fn written(span: Duration) -> String {
    format!("{:?}", span.as_secs_f64())
}

fn address(place: usize, manner: Manner) -> String {
    let name = PLACES[place];
    let modbus = place >= crate::plan::FIRST_SENSOR;
    match (manner, modbus) {
        (Manner::Serial, false) => format!("{{ serial = \"/yard/{name}\", baud = 115200 }}"),
        (Manner::Serial, true) => {
            format!("{{ serial = \"/yard/{name}\", baud = 115200, unit = 1 }}")
        }
        (Manner::Tcp, false) => format!("{{ tcp = \"{name}:1\" }}"),
        (Manner::Tcp, true) => format!("{{ tcp = \"{name}:1\", unit = 1 }}"),
        (Manner::Usb, _) => format!("{{ usbtmc = \"/yard/{name}\" }}"),
    }
}

fn sensor(place: usize, rank: u32, plan: &Plan) -> String {
    let asked = match (plan.manners[place], place == THERMOMETER) {
        (Manner::Serial | Manner::Tcp, _) => {
            "register = { table = \"input\", address = 0, type = \"f32\" }"
        }
        (Manner::Usb, true) => {
            "identity = \"VM-1\"\nquery = \"MEAS:FRES?\"\nconversion = \"pt100\""
        }
        (Manner::Usb, false) => {
            "identity = \"VM-1\"\nquery = \"MEAS:VOLT?\"\nconversion = \"sensitivity\"\n\
             sensitivity_uv_per_w_m2 = 8.52"
        }
    };
    let quantity = if place == THERMOMETER { "module-temperature" } else { "plane-irradiance" };
    SENSOR
        .replace("ASKED", asked)
        .replace("QUANTITY", quantity)
        .replace("RANK", &rank.to_string())
        .replace("PERIOD", &written(plan.period))
        .replace("AGE", &written(plan.period.mul_f64(AGE_PERIODS)))
        .replace("STUCK", &written(plan.period * 6))
        .replace("NAME", PLACES[place])
}

/// The station of a life.
pub(crate) fn station(plan: &Plan) -> Station {
    let quoted = |word: &str| format!("\"{word}\"");
    let days = quoted(if plan.solar_days { "solar" } else { "utc" });
    let files = quoted(if plan.monthly { "month" } else { "campaign" });
    let (tilt, azimuth) = plan.faces;
    let mut text = STATION
        .replace("AGE", &written(plan.period.mul_f64(AGE_PERIODS)))
        .replace("LATITUDE", &format!("{:?}", plan.weather.latitude))
        .replace("LONGITUDE", &format!("{:?}", plan.weather.longitude))
        .replace("DAYS", &days)
        .replace("FILES", &files)
        .replace("TILT", &format!("{tilt:?}"))
        .replace("AZIMUTH", &format!("{azimuth:?}"))
        .replace("TRACKER", plan.tracker)
        .replace("LOOK", &written((plan.period * 5).min(Duration::from_secs(600))))
        .replace("DUSK", &written(dusk_delay(plan)))
        .replace("RETRY", &written(plan.period / 2))
        .replace("LONGEST", &written(plan.period * 4))
        .replace("WARM", &format!("{TOO_WARM:?}"));
    text += &sensor(2, 1, plan);
    text += &sensor(3, 1, plan);
    text += &sensor(4, 2, plan);
    for (place, name) in PLACES.into_iter().enumerate() {
        text = text.replace(&format!("LINK-{name}"), &address(place, plan.manners[place]));
    }
    let mut station =
        Station::parse("yard.toml", &text).unwrap_or_else(|why| panic!("{why}\n{text}"));
    // A station file takes a minute at most, and a life of months needs longer turns.
    let control = &mut station.channels[0].control;
    (control.period, control.sample_every) = (plan.period, plan.period);
    control.max_gap = plan.period.mul_f64(GAP_PERIODS);
    control.max_sensor_age = plan.period.mul_f64(AGE_PERIODS);
    control.envelope.sensed.blind_grace = plan.period.mul_f64(GRACE_PERIODS);
    // By the writer's clock, whose turns take so long.
    station.commit_every = Duration::from_secs(10);
    station.health = None;
    station
}

/// How long it must be dark before the channel sleeps.
pub(crate) fn dusk_delay(plan: &Plan) -> Duration {
    (plan.period / 5).max(Duration::from_secs(60))
}

/// The instruments behind their lines.
pub(crate) struct Yard {
    pub(crate) witness: Witness,
    pub(crate) lines: Vec<VirtualLine>,
    pub(crate) load: Held<LoadCommands>,
    pub(crate) supply: Held<SupplyCommands>,
    pub(crate) victims: Vec<Victim>,
}

/// A pyranometer that may be covered, beside a device that may lie under snow.
struct Pyranometer {
    sensor: LiveSensor,
    witness: Witness,
    sky: Weather,
    began: Utc,
    /// When it is covered.
    covered: Vec<(Duration, Duration)>,
}

impl Pyranometer {
    /// What it shows (W/m2).
    fn look(&self) -> f64 {
        self.witness.look();
        let weather = self.witness.plant.weather();
        let past = weather.at.saturating_since(cresthold::time::Instant::ZERO);
        // The snow lies on the device, not on the sensor.
        let bare = weather.plane.0 / self.sky.through_snow(self.began + past);
        let shown = self.sensor.look() + bare - weather.plane.0;
        let covered = self.covered.iter().any(|(from, until)| past >= *from && past < *until);
        if covered { THROUGH_COVER * shown } else { shown }
    }
}

impl Yard {
    /// The yard of a life that begins now, in the runtime's time.
    pub(crate) fn new(plan: &Plan, station: &Station, bug: Option<Bug>) -> Self {
        let load = LoadParams::usual(Volts(65.0), Amps(20.0), Watts(600.0));
        let boost = Some(Boost { volts: Volts(6.0), limit: Amps(18.0) });
        let bench = Bench::new(examples::crystalline_module(), load, boost, Ohms::ZERO, plan.seed);
        let (tilt, azimuth) = plan.faces;
        let parts = PlantParts {
            bench,
            thermal: Thermal::new(ThermalParams::OPEN_RACK, Celsius(15.0)),
            sky: Box::new(plan.weather.clone()),
            began: plan.began,
            mounting: Mounting::Fixed(Plane::new(tilt, azimuth, 0.2).unwrap()),
        };
        let began = tokio::time::Instant::now();
        let plant = LivePlant::with_clock(parts, move || began.elapsed());
        let plant = plant.under_calm_sky(plan.period);
        let envelope = station.channels[0].control.envelope.clone();
        let witness = Witness::new(plant.clone(), envelope);
        let terminals = Terminals::new(witness.clone(), bug);
        let front = VirtualLoad::load("Yard,VL-1,1,1", Box::new(terminals.clone()));
        let supply = VirtualSupply::supply("Yard,VS-1,1,1", Box::new(terminals));
        let (load, supply) = (Held::new(front), Held::new(supply));
        let mut lines = vec![
            VirtualLine::new(Box::new(load.clone()), plan.manners[0]),
            VirtualLine::new(Box::new(supply.clone()), plan.manners[1]),
        ];
        let mut bodies = vec![Body::Load(load.clone()), Body::Supply(supply.clone())];
        for place in crate::plan::FIRST_SENSOR..PLACES.len() {
            let (instrument, body) = sense(plan, place, &witness);
            lines.push(VirtualLine::new(instrument, plan.manners[place]));
            bodies.push(body);
        }
        let victims = bodies.into_iter().enumerate().map(|(place, body)| {
            let role = match body {
                Body::Load(_) => Role::Load,
                Body::Supply(_) => Role::Supply,
                Body::Sensor(_) => Role::Sensor,
            };
            let terminal = plan.manners[place] != Manner::Tcp;
            let line = Box::new(lines[place].clone()) as Box<dyn Line>;
            let place = Place { name: PLACES[place].to_owned(), role, terminal };
            Victim { place, body, lines: vec![line] }
        });
        Self { witness, victims: victims.collect(), lines, load, supply }
    }

    /// How the logger reaches an address.
    pub(crate) fn dial(&self) -> impl Fn(&Address) -> Option<LinkSettings> + use<> {
        let settings: Vec<LinkSettings> =
            PLACES.iter().zip(&self.lines).map(|(name, line)| line.settings(name)).collect();
        move |address| {
            let name = match address {
                Address::Plant => return None,
                Address::Tcp { host, .. } => host.clone(),
                Address::Serial { path, .. } | Address::UsbTmc { path } => {
                    path.file_name()?.to_string_lossy().into_owned()
                }
            };
            Some(settings[PLACES.iter().position(|known| *known == name)?].clone())
        }
    }
}

/// A sensor's instrument, and what faults get hold of.
fn sense(plan: &Plan, place: usize, witness: &Witness) -> (Box<dyn Instrument>, Body) {
    let seed = plan.seed ^ place as u64;
    let live =
        |sensed, params| LiveSensor::new(witness.plant.clone(), sensed, Sensor::new(params, seed));
    let (show, sickness): (Box<dyn Fn() -> f64 + Send>, _) = if place == THERMOMETER {
        let (sensor, witness) = (live(Sensed::Back, sensors::THERMOMETER), witness.clone());
        let sickness = sensor.sickness();
        let show = move || {
            witness.look();
            sensor.look()
        };
        (Box::new(show), sickness)
    } else {
        let sensor = live(Sensed::Plane, PYRANOMETER);
        let sickness = sensor.sickness();
        let first = place == crate::plan::FIRST_SENSOR;
        let pyranometer = Pyranometer {
            sensor,
            witness: witness.clone(),
            sky: plan.weather.clone(),
            began: plan.began,
            covered: if first { plan.covered.clone() } else { Vec::new() },
        };
        (Box::new(move || pyranometer.look()), sickness)
    };
    let instrument: Box<dyn Instrument> = match plan.manners[place] {
        Manner::Usb if place == THERMOMETER => {
            Box::new(VirtualMeter::meter("Yard,VM-1,1,1", move |what| {
                (what == MeterFunction::Ohms).then(|| platinum(show()))
            }))
        }
        Manner::Usb => Box::new(VirtualMeter::meter("Yard,VM-1,1,1", move |what| {
            (what == MeterFunction::Volts).then(|| SENSITIVITY * show())
        })),
        manner => {
            let serial = manner == Manner::Serial;
            let device = if serial { ModbusDevice::rtu() } else { ModbusDevice::tcp() };
            let format = Format { kind: Kind::F32, order: WordOrder::HighFirst };
            let points = Points::default().with(Table::Input, 0, format, show);
            Box::new(device.with_unit(UNIT, points))
        }
    };
    (instrument, Body::Sensor(sickness))
}
