//! The virtual instruments of a station, each on its lines.

use super::{BenchError, Offer};
use crate::rehearsal::stand_parts;
use crate::station::{Address, ChannelSpec, Flow, Mounting, Parity, Station};
use cresthold_sim::bench::{Meter, Sensor, SensorParams};
use cresthold_sim::sky::Sky as _;
use cresthold_sim::sky::recorded::RecordedSky;
use cresthold_sim::time::Utc;
use cresthold_sim::wire::fault::{Body, Line, Place, Role, Victim};
use cresthold_sim::wire::instrument::{Held, Instrument, VirtualLoad, VirtualSupply};
use cresthold_sim::wire::plant::{LivePlant, PlantParts};
use cresthold_sim::wire::sensing::{LiveSensor, Sensed};
use cresthold_sim::wire::serve::{PtyServer, ServeError, TcpServer};
use std::path::PathBuf;
use std::time::{Duration, Instant as WallInstant};

/// Pseudo-terminals take any speed; this one is usual.
const BAUD: u32 = 115_200;

/// The yard's sensors, without lag (invented).
const PLAIN: SensorParams = SensorParams {
    lag: Duration::ZERO,
    meter: Meter { gain: 0.0, offset: 0.0, noise: 0.05, resolution: 0.01, range: 2000.0 },
    drift_per_day: 0.0,
};

/// Where an instrument is served.
#[derive(Clone, Debug)]
pub struct Outlet {
    /// Its name, as fault scripts have it.
    pub name: String,
    /// Its answer to `*IDN?`; empty where it has none.
    pub identity: String,
    /// What the station file is told: the terminal, where there is one.
    pub address: Address,
    /// Its TCP address, where it is served on both.
    pub also: Option<Address>,
    /// What it senses, if it is a sensor.
    pub sensed: Option<Sensed>,
    /// The channel it belongs to; none for the yard's sensors.
    pub channel: Option<String>,
}

/// What is behind an outlet.
enum Behind {
    Load(Held<cresthold_sim::wire::instrument::LoadCommands>),
    Supply(Held<cresthold_sim::wire::instrument::SupplyCommands>),
    Modbus(LiveSensor),
    Meter(LiveSensor),
}

impl Behind {
    const fn role(&self) -> Role {
        match self {
            Self::Load(_) => Role::Load,
            Self::Supply(_) => Role::Supply,
            Self::Modbus(_) | Self::Meter(_) => Role::Sensor,
        }
    }

    /// The instrument for one line.
    fn instrument(&self, serial: bool, identity: &str) -> Box<dyn Instrument> {
        match self {
            Self::Load(load) => Box::new(load.clone()),
            Self::Supply(supply) => Box::new(supply.clone()),
            Self::Modbus(sensor) => sensor.modbus(serial),
            Self::Meter(sensor) => sensor.meter(identity),
        }
    }

    fn body(self) -> Body {
        match self {
            Self::Load(load) => Body::Load(load),
            Self::Supply(supply) => Body::Supply(supply),
            Self::Modbus(sensor) | Self::Meter(sensor) => Body::Sensor(sensor.sickness()),
        }
    }
}

/// What a channel has, by name and in the order in which it is served.
pub(super) fn names(spec: &ChannelSpec) -> Vec<(String, Role)> {
    let mut names = vec![(format!("{} load", spec.name), Role::Load)];
    if spec.boost.as_ref().is_some_and(|boost| boost.address.is_some()) {
        names.push((format!("{} boost", spec.name), Role::Supply));
    }
    if spec.irradiance.is_some() {
        names.push((format!("{}-irradiance", spec.name), Role::Sensor));
    }
    if spec.module_temperature.is_some() {
        names.push((format!("{}-temperature", spec.name), Role::Sensor));
    }
    names
}

/// The sensors of the yard.
pub(super) const YARD: [(&str, Sensed); 2] =
    [("air-temperature", Sensed::Air), ("wind-speed", Sensed::Wind)];

/// The instruments of one channel's plant, with the names of [`names`].
fn channel(spec: &ChannelSpec, plant: &LivePlant, sensors: [Option<Sensor>; 2]) -> Vec<Behind> {
    let identity = |what| identity(what, &spec.name);
    let load = VirtualLoad::load(&identity("load"), Box::new(plant.clone()));
    let mut all = vec![Behind::Load(Held::new(load))];
    if spec.boost.as_ref().is_some_and(|boost| boost.address.is_some()) {
        let supply = VirtualSupply::supply(&identity("boost"), Box::new(plant.clone()));
        all.push(Behind::Supply(Held::new(supply)));
    }
    let [irradiance, thermometer] = sensors;
    let live = |sensed, sensor| LiveSensor::new(plant.clone(), sensed, sensor);
    let light = if spec.mounting == Mounting::TwoAxis { Sensed::Direct } else { Sensed::Plane };
    all.extend(irradiance.map(|sensor| Behind::Modbus(live(light, sensor))));
    all.extend(thermometer.map(|sensor| Behind::Meter(live(Sensed::Back, sensor))));
    all
}

fn identity(what: &str, name: &str) -> String {
    format!("Virtual bench,{what},{name},1")
}

fn serial(path: PathBuf) -> Address {
    let (parity, flow) = (Parity::None, Flow::None);
    Address::Serial { path, baud: BAUD, data_bits: 8, parity, stop_bits: 1, flow }
}

/// The devices have stood in the light of the beginning for this long: many of their time constants.
const IN_THE_SUN: Duration = Duration::from_secs(3600);

/// Everything that is served.
pub(super) struct Served {
    pub(super) plants: Vec<LivePlant>,
    pub(super) victims: Vec<Victim>,
    pub(super) outlets: Vec<Outlet>,
}

/// Puts a station's instruments on their lines, under `sky`, whose time is `began` now.
pub(super) fn serve(
    station: &Station,
    offer: &Offer,
    (sky, began): (&RecordedSky, Utc),
    started: WallInstant,
) -> Result<Served, BenchError> {
    let mut served = Served { plants: vec![], victims: vec![], outlets: vec![] };
    let mut port = offer.port;
    for (index, spec) in station.channels.iter().enumerate() {
        let mut parts = stand_parts(spec, index, station.seed)?;
        let mut sky = sky.clone();
        let state = sky.state(began, parts.place);
        let light = parts.mounting.irradiance(&state);
        parts.thermal.step(IN_THE_SUN, light, state.air, state.wind);
        let plant = LivePlant::with_clock(
            PlantParts {
                bench: parts.bench,
                thermal: parts.thermal,
                sky: Box::new(sky),
                began,
                mounting: parts.mounting,
            },
            move || started.elapsed(),
        )
        .under_fast_sky(offer.speed);
        let fixed = spec.boost.as_ref().is_some_and(|boost| boost.address.is_none());
        let plant = if fixed { plant.with_fixed_boost() } else { plant };
        let sensors = [parts.irradiance, parts.thermometer];
        for ((name, _), behind) in names(spec).into_iter().zip(channel(spec, &plant, sensors)) {
            let outlet = served.put(name, behind, offer, &mut port)?;
            served.outlets.push(Outlet { channel: Some(spec.name.clone()), ..outlet });
        }
        served.plants.push(plant);
    }
    if let Some(plant) = served.plants.first().cloned() {
        for (seed, (name, sensed)) in (station.seed..).zip(YARD) {
            let sensor = LiveSensor::new(plant.clone(), sensed, Sensor::new(PLAIN, seed));
            let outlet = served.put(name.to_owned(), Behind::Modbus(sensor), offer, &mut port)?;
            served.outlets.push(outlet);
        }
    }
    Ok(served)
}

impl Served {
    /// Puts one instrument on its lines. `port` is the next to use, 0 for any.
    fn put(
        &mut self,
        name: String,
        behind: Behind,
        offer: &Offer,
        port: &mut Option<u16>,
    ) -> Result<Outlet, ServeError> {
        let sensed = match &behind {
            Behind::Modbus(sensor) | Behind::Meter(sensor) => Some(sensor.sensed()),
            _ => None,
        };
        let identity = match &behind {
            Behind::Modbus(_) => String::new(),
            Behind::Meter(_) => identity("meter", &name),
            Behind::Load(_) | Behind::Supply(_) => {
                let (channel, what) = name.rsplit_once(' ').unwrap_or((&name, ""));
                self::identity(what, channel)
            }
        };
        let mut lines: Vec<Box<dyn Line>> = Vec::new();
        let mut addresses = Vec::new();
        if let Some(directory) = &offer.terminals {
            let path = directory.join(name.replace(' ', "-"));
            let server = PtyServer::start_named(behind.instrument(true, &identity), &path)?;
            lines.push(Box::new(server));
            addresses.push(serial(path));
        }
        if let Some(number) = port {
            let server = TcpServer::start_on(behind.instrument(false, &identity), *number)?;
            let address = server.address();
            let (host, port) = (address.ip().to_string(), address.port());
            addresses.push(Address::Tcp { host, port });
            lines.push(Box::new(server));
            if *number > 0 {
                *number = number.wrapping_add(1);
            }
        }
        let (role, terminal) = (behind.role(), offer.terminals.is_some());
        let place = Place { name: name.clone(), role, terminal };
        self.victims.push(Victim { place, body: behind.body(), lines });
        let mut addresses = addresses.into_iter();
        // An offer without lines is one for a plant that nobody asks.
        let address = addresses.next().unwrap_or(Address::Plant);
        Ok(Outlet { name, identity, address, also: addresses.next(), sensed, channel: None })
    }
}
