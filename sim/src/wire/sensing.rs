//! Sensors that look at a living plant, behind a Modbus register or a multimeter.
//!
//! Model: a [`LiveSensor`] sees one quantity of its plant's weather through a
//! [`bench::Sensor`](crate::bench::Sensor) (lag, gain, noise) and shows it through its
//! [`Sickness`]. Its interfaces only carry the number; one that is none is NaN in a register and
//! 9.91E37 from a meter.

use super::fault::Sickness;
use super::instrument::{Instrument, MeterFunction, VirtualMeter};
use super::modbus::{ModbusDevice, Points};
use super::plant::{LivePlant, Weather};
use crate::bench::Sensor;
use crate::modbus::{Format, Kind, Table, WordOrder};
use std::sync::{Arc, Mutex, PoisonError};

/// What a sensor senses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sensed {
    /// Irradiance on the device (W/m2).
    Plane,
    /// Direct normal irradiance (W/m2).
    Direct,
    /// Temperature of the device's back (degC).
    Back,
    /// Air temperature (degC).
    Air,
    /// Wind speed (m/s).
    Wind,
}

impl Sensed {
    const fn of(self, weather: &Weather) -> f64 {
        match self {
            Self::Plane => weather.plane.0,
            Self::Direct => weather.direct.0,
            Self::Back => weather.back.0,
            Self::Air => weather.air.0,
            Self::Wind => weather.wind.0,
        }
    }
}

/// A sensor at a living plant; clones are the same one.
#[derive(Clone)]
pub struct LiveSensor {
    plant: LivePlant,
    sensed: Sensed,
    sensor: Arc<Mutex<Sensor>>,
    sickness: Sickness,
}

impl LiveSensor {
    /// A healthy sensor.
    #[must_use]
    pub fn new(plant: LivePlant, sensed: Sensed, sensor: Sensor) -> Self {
        let sensor = Arc::new(Mutex::new(sensor));
        Self { plant, sensed, sensor, sickness: Sickness::default() }
    }

    /// What it senses.
    #[must_use]
    pub const fn sensed(&self) -> Sensed {
        self.sensed
    }

    /// What makes it sick.
    #[must_use]
    pub fn sickness(&self) -> Sickness {
        self.sickness.clone()
    }

    /// What it shows now; NaN where that is not a number.
    #[must_use]
    pub fn look(&self) -> f64 {
        let weather = self.plant.weather();
        let mut sensor = self.sensor.lock().unwrap_or_else(PoisonError::into_inner);
        let healthy = sensor.look(weather.at, self.sensed.of(&weather));
        self.sickness.show(weather.at, healthy)
    }

    /// The sensor as a Modbus device: unit [`UNIT`], a 32-bit float in the input registers from
    /// [`ADDRESS`] on, the high word first. RTU on a serial line, else TCP.
    #[must_use]
    pub fn modbus(&self, serial: bool) -> Box<dyn Instrument> {
        let device = if serial { ModbusDevice::rtu() } else { ModbusDevice::tcp() };
        let format = Format { kind: Kind::F32, order: WordOrder::HighFirst };
        let sensor = self.clone();
        let points = Points::default().with(Table::Input, ADDRESS, format, move || sensor.look());
        Box::new(device.with_unit(UNIT, points))
    }

    /// The sensor as a resistance thermometer of 100 ohm at a multimeter of that identity.
    #[must_use]
    pub fn meter(&self, identity: &str) -> Box<dyn Instrument> {
        let sensor = self.clone();
        Box::new(VirtualMeter::meter(identity, move |what| {
            (what == MeterFunction::Ohms).then(|| platinum(sensor.look()))
        }))
    }
}

/// The Modbus unit of a sensor.
pub const UNIT: u8 = 1;
/// Where a sensor's input registers begin.
pub const ADDRESS: u16 = 0;

/// Resistance (ohm) of a Pt100 at `celsius`: R = 100 (1 + A t + B t^2 + C (t - 100) t^3), with
/// A = 3.9083e-3, B = -5.775e-7, and C = -4.183e-12 below 0 degC only (IEC 60751, from memory).
///
/// ```
/// // IEC 60751's table (from memory): 138.51 ohm at 100 degC, 96.09 ohm at -10 degC.
/// # use cresthold_sim::wire::sensing::platinum;
/// assert!((platinum(100.0) - 138.5055).abs() < 1e-4);
/// assert!((platinum(-10.0) - 96.09).abs() < 5e-3);
/// ```
#[must_use]
pub fn platinum(celsius: f64) -> f64 {
    let t = celsius;
    let cold = if t < 0.0 { -4.183e-12 * (t - 100.0) * t.powi(3) } else { 0.0 };
    100.0 * (1.0 + 3.9083e-3 * t - 5.775e-7 * t * t + cold)
}
