//! What a bench is like in a study: rhythm, load, meters, sensors; and the channel that fits it.
//!
//! Model: the load fits the device: full scale of its voltmeter is [`VOLTS_SCALE`] open-circuit
//! voltages, of its ammeter [`AMPS_SCALE`] short-circuit currents, both under standard conditions. Noise,
//! resolution and offset are shares of full scale, as data sheets state them.
//!
//! The channel never sleeps: a study asks how well the crest is held, not when a day begins. All other
//! limits are in force, and the guard with them.

use super::Plant;
use crate::control::record::{ChannelId, SweepDirection};
use crate::control::{
    Capability, CapabilityPoint, ChannelConfig, DaySplit, Daylight, Envelope, GLANCED_AFTER, Retry,
    SensedLimits, SeriesPath, SweepBy, SweepConditions, SweepConfig, Tolerances, ZeroLimits,
};
use crate::quantities::{Amps, Irradiance, Ohms, Volts, Watts};
use crate::trackers::TrackerConfig;
use cresthold_sim::bench::{Bench, LoadParams, Meter, SensorParams};
use std::time::Duration;

/// Full scale of volts over the open-circuit voltage: room for a frosty morning.
pub const VOLTS_SCALE: f64 = 1.25;
/// Full scale of amps over the short-circuit current: room for an enhancement by clouds to 1.5 times
/// the clear sky (section 4 of the project's facts).
pub const AMPS_SCALE: f64 = 1.6;
/// Largest power over the rated one, for the same reason.
const WATTS_SCALE: f64 = 2.0;
/// Where the load can sink its full current (V).
const KNEE: Volts = Volts(2.0);
/// A channel begins above this share of the rated open-circuit voltage; thousandths of a sun give more.
const WAKE_SHARE: f64 = 0.2;
/// How often it looks until then (s).
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Longer than any scenario: nothing is ever dark for so long.
const NEVER: Duration = Duration::from_secs(1_000_000_000);
/// Samples are for people; the study counts by itself (s).
const SAMPLE_EVERY: Duration = Duration::from_secs(60);
/// A span between readings that counts as a gap, in periods.
const GAP_PERIODS: u32 = 10;
/// Sensors speak at each turn; older than this a value isn't used (s).
const SENSOR_AGE: Duration = Duration::from_secs(5);
/// Points of an I-V curve, where a study takes them.
const SWEEP_POINTS: u16 = 40;

/// How a sensor lets the controller down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SensorFault {
    /// From the end of the setup on it shows what it showed then.
    Stuck,
    /// From the end of the setup on it says nothing.
    Dead,
    /// It shows its value times this, all the time.
    Wrong(f64),
    /// It shows what was so long ago, all the time.
    Late(Duration),
}

/// An irradiance sensor in the plane of the device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorSettings {
    /// The sensor itself.
    pub params: SensorParams,
    /// What is wrong with it.
    pub fault: Option<SensorFault>,
}

impl SensorSettings {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        match self.fault {
            None => "sound".to_owned(),
            Some(SensorFault::Stuck) => "stuck".to_owned(),
            Some(SensorFault::Dead) => "dead".to_owned(),
            Some(SensorFault::Wrong(gain)) => format!("times {gain}"),
            Some(SensorFault::Late(delay)) => format!("{} s late", delay.as_secs_f64()),
        }
    }
}

/// A bench of a study.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BenchSettings {
    /// Control period (s).
    pub period: Duration,
    /// Time constant of the load (s).
    pub settling: Duration,
    /// From a command to its effect (s).
    pub latency: Duration,
    /// Measurement window (s).
    pub window: Duration,
    /// Noise of one reading of volts and of amps (share of full scale).
    pub noise: f64,
    /// Resolution of volts, of amps and of the setpoint (share of full scale).
    pub resolution: f64,
    /// Offset of volts (share of full scale).
    pub offset_volts: f64,
    /// Offset of amps (share of full scale).
    pub offset_amps: f64,
    /// An irradiance sensor, if there is one.
    pub irradiance: Option<SensorSettings>,
    /// A thermometer on the module's back, if there is one.
    pub thermometer: Option<SensorParams>,
    /// How often the channel takes an I-V curve; none: never.
    pub sweep_every: Option<Duration>,
}

impl Default for BenchSettings {
    /// The conditions that trackers are compared under unless stated otherwise: 100 ms period, 15 ms
    /// settling, noise 1e-4 and resolution 1e-5 of full scale, no offsets, no sensors.
    fn default() -> Self {
        Self {
            period: Duration::from_millis(100),
            settling: Duration::from_millis(15),
            latency: Duration::from_millis(5),
            window: Duration::from_millis(20),
            noise: 1e-4,
            resolution: 1e-5,
            offset_volts: 0.0,
            offset_amps: 0.0,
            irradiance: None,
            thermometer: None,
            sweep_every: None,
        }
    }
}

impl BenchSettings {
    /// A slow serial load: one turn a second, 60 ms settling, 20 ms latency, 100 ms window (invented,
    /// of the usual size).
    #[must_use]
    pub fn slow() -> Self {
        Self {
            period: Duration::from_secs(1),
            settling: Duration::from_millis(60),
            latency: Duration::from_millis(20),
            window: Duration::from_millis(100),
            ..Self::default()
        }
    }

    /// A fast load: a turn each 20 ms, 1.5 ms settling, 0.5 ms latency, 5 ms window (invented).
    #[must_use]
    pub fn fast() -> Self {
        Self {
            period: Duration::from_millis(20),
            settling: Duration::from_micros(1500),
            latency: Duration::from_micros(500),
            window: Duration::from_millis(5),
            ..Self::default()
        }
    }

    /// Without noise, and with all the digits: what theory speaks of.
    #[must_use]
    pub fn ideal() -> Self {
        Self { noise: 0.0, resolution: 0.0, ..Self::default() }
    }

    /// Full scale of volts and amps at a bench for `plant` (V, A).
    #[must_use]
    pub fn full_scale(plant: &Plant) -> (Volts, Amps) {
        (plant.open_circuit() * VOLTS_SCALE, plant.short_circuit() * AMPS_SCALE)
    }

    /// The bench with `plant` on it; `seed` feeds the meters' noise.
    #[must_use]
    pub fn bench(&self, plant: &Plant, seed: u64) -> Bench {
        let (volts_max, amps_max) = Self::full_scale(plant);
        let meter = |range: f64, offset: f64| Meter {
            gain: 0.0,
            offset: offset * range,
            noise: self.noise * range,
            resolution: self.resolution * range,
            range,
        };
        let load = LoadParams {
            settling: self.settling,
            latency: self.latency,
            window: self.window,
            volts_max,
            amps_max,
            watts_max: plant.crest().watts * WATTS_SCALE,
            knee: KNEE,
            set_resolution: volts_max * self.resolution,
            volts_meter: meter(volts_max.0, self.offset_volts),
            amps_meter: meter(amps_max.0, self.offset_amps),
        };
        Bench::new(plant.source().clone(), load, None, Ohms(0.0), seed)
    }

    /// The channel that runs `tracker` on that bench.
    #[must_use]
    pub fn channel(&self, plant: &Plant, tracker: TrackerConfig) -> ChannelConfig {
        ChannelConfig {
            id: ChannelId(0),
            period: self.period,
            glance: self.settling * GLANCED_AFTER,
            sample_every: SAMPLE_EVERY.max(self.period),
            max_gap: self.period * GAP_PERIODS,
            max_sensor_age: SENSOR_AGE.max(self.period * 2),
            envelope: envelope(plant),
            path: SeriesPath::default(),
            boost_switched: false,
            tracker,
            sweep: SweepConfig {
                every: self.sweep_every,
                points: SWEEP_POINTS,
                settle: self.period,
                readings: 1,
                by: SweepBy::Steps,
                direction: SweepDirection::Down,
                beyond: Volts::ZERO,
                conditions: SweepConditions::default(),
            },
            day: DaySplit::UTC,
            daylight: Daylight {
                wake_irradiance: Irradiance::ZERO,
                sleep_irradiance: Irradiance::ZERO,
                wake_volts: plant.open_circuit() * WAKE_SHARE,
                sleep_watts: Watts::ZERO,
                dusk_delay: NEVER,
                look_every: LOOK_EVERY.max(self.period),
                zeros: ZeroLimits::usual(BenchSettings::full_scale(plant).1),
            },
            retry: Retry {
                first: Duration::from_secs(1),
                longest: Duration::from_secs(60),
                times: u32::MAX,
                anew_each_day: false,
            },
        }
    }
}

fn envelope(plant: &Plant) -> Envelope {
    let (volts, amps) = BenchSettings::full_scale(plant);
    let watts = plant.crest().watts * WATTS_SCALE;
    let knee = [
        CapabilityPoint { volts: Volts::ZERO, amps: Amps::ZERO },
        CapabilityPoint { volts: KNEE, amps },
    ];
    Envelope {
        device_volts_max: volts,
        reverse_allowance: Volts::ZERO,
        device_amps_max: amps,
        device_watts_max: watts,
        load_volts_max: volts,
        load_watts_max: watts,
        boost_amps_max: None,
        capability: Capability::new(&knee).expect("two rising points"),
        sensed: SensedLimits::default(),
        tolerances: Tolerances::default(),
    }
}
