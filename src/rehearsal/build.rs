//! From a station file to a yard: every channel on a simulated bench of the stated qualities.

use super::{Stand, StandParts, Yard};
use crate::control::Channel;
use crate::quantities::Celsius;
use crate::station::{ChannelSpec, DaySource, DeviceSpec, PlantSpec, SensorSpec, Station};
use crate::time::Utc;
use cresthold_sim::bench::{Bench, Boost, LoadParams, Meter, Sensor, SensorParams};
use cresthold_sim::sky::Place;
use cresthold_sim::sky::recorded::{Day, DayError, RecordedSky, embedded_payerne};
use cresthold_sim::thermal::{Thermal, ThermalParams};

/// Distance from one stand to the next, along the yard (m).
const STAND_SPACING: f64 = 4.0;
/// What one seed of the station is stretched to for the parts of a stand.
const SEEDS_PER_STAND: u64 = 8;
/// Full scale of the simulated current meter over the load's protection; loads are chosen larger.
const RANGE_SHARE: f64 = 1.25;

/// Why a yard can't be built.
#[derive(Debug, thiserror::Error)]
pub enum YardError {
    /// The station has no plant.
    #[error(
        "{station} has no [plant]: its instruments are real and run in real time; a rehearsal \
         needs a [plant] table and link = \"plant\" in every channel"
    )]
    NoPlant {
        /// The station's name.
        station: String,
    },
    /// A channel lacks a device for the plant.
    #[error("channel {channel} has no device: state device = \"crystalline-module\" or another")]
    NoDevice {
        /// The channel's name.
        channel: String,
    },
    /// The recorded day can't be used.
    #[error(transparent)]
    Day(#[from] DayError),
}

/// The yard of a station whose instruments are all simulated; it begins where its recorded day does.
///
/// # Errors
/// [`YardError`] without a plant or a device, or with a recorded day that can't be used.
pub fn yard(station: &Station) -> Result<Yard<RecordedSky>, YardError> {
    let (sky, began) = sky(station)?;
    let parts = |(index, spec)| stand_parts(spec, index, station.seed).map(Stand::new);
    let stands = station.channels.iter().enumerate().map(parts).collect::<Result<_, _>>()?;
    Ok(Yard::new(sky, began, stands))
}

/// The sky over a station's plant, and when its recorded day begins.
///
/// # Errors
/// [`YardError`] without a plant or with a recorded day that can't be used.
pub fn sky(station: &Station) -> Result<(RecordedSky, Utc), YardError> {
    let plant = station
        .plant
        .as_ref()
        .ok_or_else(|| YardError::NoPlant { station: station.name.clone() })?;
    let day = recorded_day(plant)?;
    let began = day.start();
    Ok((RecordedSky::new(day, station.site, station.seed).with_wind(plant.wind), began))
}

fn recorded_day(plant: &PlantSpec) -> Result<Day, DayError> {
    match &plant.day {
        DaySource::EmbeddedPayerne => Ok(embedded_payerne().0),
        DaySource::File(path) => Day::load(path),
    }
}

/// What one channel's stand is made of: the device and the instruments that its table states.
///
/// # Errors
/// [`YardError::NoDevice`].
pub fn stand_parts(spec: &ChannelSpec, index: usize, seed: u64) -> Result<StandParts, YardError> {
    let device =
        spec.build_device().ok_or_else(|| YardError::NoDevice { channel: spec.name.clone() })?;
    let seed = seed.wrapping_mul(1_000_003).wrapping_add(index as u64 * SEEDS_PER_STAND);
    let boost = spec.boost.as_ref().map(|boost| Boost { volts: boost.volts, limit: boost.amps });
    let params = match spec.device {
        Some(DeviceSpec::Receiver) => ThermalParams::HEAT_SINK,
        _ => ThermalParams::OPEN_RACK,
    };
    let lead = spec.control.path.lead;
    let mut bench = Bench::new(device, load_params(spec), boost, lead, seed);
    bench.set_protection(spec.load.current_protection);
    Ok(StandParts {
        channel: Channel::new(spec.control.clone()),
        bench,
        thermal: Thermal::new(params, Celsius(12.0)),
        mounting: spec.mounting,
        place: Place { east: index as f64 * STAND_SPACING, north: 0.0 },
        irradiance: sensor(spec.irradiance.as_ref(), SensorParams::REFERENCE_CELL, seed + 1),
        thermometer: sensor(
            spec.module_temperature.as_ref(),
            SensorParams::MODULE_THERMOMETER,
            seed + 2,
        ),
        boost_measured: spec.boost.as_ref().is_some_and(|boost| boost.measured),
    })
}

fn load_params(spec: &ChannelSpec) -> LoadParams {
    let load = &spec.load;
    let envelope = &spec.control.envelope;
    let amps_max = load.current_protection * RANGE_SHARE;
    let usual = LoadParams::usual(envelope.load_volts_max, amps_max, envelope.load_watts_max);
    LoadParams {
        settling: load.settling,
        latency: load.latency,
        window: load.window,
        set_resolution: load.resolution_volts,
        volts_meter: Meter {
            gain: load.gain_volts,
            offset: load.offset_volts.0,
            noise: load.noise_volts.0,
            resolution: load.resolution_volts.0,
            range: envelope.load_volts_max.0,
        },
        amps_meter: Meter {
            gain: load.gain_amps,
            offset: load.offset_amps.0,
            noise: load.noise_amps.0,
            resolution: load.resolution_amps.0,
            range: amps_max.0,
        },
        ..usual
    }
}

fn sensor(spec: Option<&SensorSpec>, usual: SensorParams, seed: u64) -> Option<Sensor> {
    spec.map(|spec| {
        let meter = Meter { gain: spec.gain, ..usual.meter };
        Sensor::new(SensorParams { lag: spec.lag, meter, ..usual }, seed)
    })
}
