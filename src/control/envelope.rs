//! The envelope: the limits that no tracker, reading or configuration may leave.

use super::derating::Derating;
use crate::quantities::{Amps, Celsius, Irradiance, Volts, Watts};
use arrayvec::ArrayVec;
use std::time::Duration;

/// The most points a capability curve may have; a knee needs three.
pub const MAX_CAPABILITY_POINTS: usize = 8;

/// A point of a load's capability curve: at `volts` across its terminals it can sink `amps`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CapabilityPoint {
    /// Load terminal voltage (V, 0..).
    pub volts: Volts,
    /// Largest current it can sink there (A, 0..).
    pub amps: Amps,
}

/// What a load can sink at low voltage.
///
/// Model: straight lines between stated points, zero below the first, constant above the last. A
/// load sinks its full current only above a knee of a volt or two, falling to nothing at 0 V
/// (common practice, no source).
#[derive(Clone, Debug, PartialEq)]
pub struct Capability {
    points: ArrayVec<CapabilityPoint, MAX_CAPABILITY_POINTS>,
}

/// Why a capability curve can't be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CapabilityError {
    /// No point at all.
    #[error("the capability curve is empty; state at least the volts and amps of the knee")]
    Empty,
    /// Too many points.
    #[error("the capability curve has more than {MAX_CAPABILITY_POINTS} points; keep the knee")]
    TooMany,
    /// Volts or amps that are negative, not finite or not rising.
    #[error(
        "point {index} of the capability curve: volts must rise from point to point, amps must \
         not fall, and both must be finite and at least 0"
    )]
    NotRising {
        /// Which point, from one.
        index: usize,
    },
}

impl Capability {
    /// A curve through `points`, by rising volts.
    ///
    /// # Errors
    /// When there is no point, more than [`MAX_CAPABILITY_POINTS`], or volts or amps fall.
    pub fn new(points: &[CapabilityPoint]) -> Result<Self, CapabilityError> {
        if points.is_empty() {
            return Err(CapabilityError::Empty);
        }
        let mut kept = ArrayVec::new();
        let mut last: Option<CapabilityPoint> = None;
        for (index, point) in points.iter().enumerate() {
            let finite = point.volts.is_finite() && point.amps.is_finite();
            let positive = point.volts.0 >= 0.0 && point.amps.0 >= 0.0;
            let rising = last.is_none_or(|p| point.volts > p.volts && point.amps >= p.amps);
            if !(finite && positive && rising) {
                return Err(CapabilityError::NotRising { index: index + 1 });
            }
            kept.try_push(*point).map_err(|_| CapabilityError::TooMany)?;
            last = Some(*point);
        }
        Ok(Self { points: kept })
    }

    /// The largest current the load can sink at `volts` (A).
    ///
    /// ```
    /// use cresthold::control::{Capability, CapabilityPoint};
    /// use cresthold::quantities::{Amps, Volts};
    /// let knee = [
    ///     CapabilityPoint { volts: Volts(0.0), amps: Amps(0.0) },
    ///     CapabilityPoint { volts: Volts(2.0), amps: Amps(20.0) },
    /// ];
    /// let load = Capability::new(&knee).unwrap();
    /// assert_eq!(load.amps_at(Volts(1.0)), Amps(10.0));
    /// assert_eq!(load.volts_for(Amps(10.0)), Some(Volts(1.0)));
    /// assert_eq!(load.volts_for(Amps(21.0)), None);
    /// ```
    #[must_use]
    pub fn amps_at(&self, volts: Volts) -> Amps {
        let mut below: Option<CapabilityPoint> = None;
        for point in &self.points {
            if volts < point.volts {
                return below.map_or(Amps::ZERO, |b| {
                    let share = (volts - b.volts) / (point.volts - b.volts);
                    b.amps + (point.amps - b.amps) * share
                });
            }
            below = Some(*point);
        }
        below.map_or(Amps::ZERO, |b| b.amps)
    }

    /// The least load voltage at which `amps` can be sunk; none when they never can.
    #[must_use]
    pub fn volts_for(&self, amps: Amps) -> Option<Volts> {
        let mut below: Option<CapabilityPoint> = None;
        for point in &self.points {
            if point.amps >= amps {
                return Some(below.map_or(point.volts, |b| {
                    let share = (amps - b.amps) / (point.amps - b.amps);
                    b.volts + (point.volts - b.volts) * share.max(0.0)
                }));
            }
            below = Some(*point);
        }
        None
    }
}

/// The limits of one channel. Every value is absolute: nothing may pass it, however briefly.
#[derive(Clone, Debug, PartialEq)]
pub struct Envelope {
    /// Largest device voltage (V, above the largest open-circuit voltage to be met).
    pub device_volts_max: Volts,
    /// How far below 0 V the device may be driven, needed to interpolate Isc (V, 0..=5).
    pub reverse_allowance: Volts,
    /// Largest device current (A).
    pub device_amps_max: Amps,
    /// Largest device power (W).
    pub device_watts_max: Watts,
    /// Largest voltage at the load's terminals (V).
    pub load_volts_max: Volts,
    /// Largest dissipation of the load (W).
    pub load_watts_max: Watts,
    /// Current rating of the boost supply (A); none without a supply.
    pub boost_amps_max: Option<Amps>,
    /// What the load can sink at low voltage.
    pub capability: Capability,
    /// The limits that only the station's sensors can check.
    pub sensed: SensedLimits,
    /// What counts as following, and as the boost supply's stated voltage.
    pub tolerances: Tolerances,
}

/// Limits that only the station's sensors can check. One that is stated must be checkable: with its
/// sensor silent for longer than the grace, the device is let go.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SensedLimits {
    /// Largest back-of-module temperature (degC, -40..=300).
    pub device_temperature_max: Option<Celsius>,
    /// Largest temperature of the load's heat sink (degC, -40..=200).
    pub heatsink_temperature_max: Option<Celsius>,
    /// How far below that it must have cooled before the input goes on (K, 0..=50). The device has
    /// no such margin: in open circuit it gets warmer, not cooler.
    pub heatsink_margin: f64,
    /// Irradiance above which the device is let go (W/m2, 50..=5000).
    pub irradiance_max: Option<Irradiance>,
    /// Largest pointing error of a sun-tracking mount (degrees, 0.01..=90).
    pub pointing_error_max: Option<f64>,
    /// Whether a sun-tracking mount must say that it follows the sun.
    pub needs_on_sun: bool,
    /// Largest load watts over a temperature.
    pub derating: Option<Derating>,
    /// How long after its sensor's last fresh value a limit may go unchecked (s, 0..=3600).
    pub blind_grace: Duration,
}

/// What counts as right when two voltages are compared.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerances {
    /// How long the boost supply may take to rise before its voltage is judged (s, 0.05..=30).
    pub boost_rise: Duration,
    /// How far its voltage may lie from the stated one: share of that (0..=0.5) ...
    pub boost_share: f64,
    /// ... plus this (V, 0.01..=5).
    pub boost_volts: Volts,
    /// How far the load's voltage may lie above its setpoint before it counts as not following:
    /// share of the setpoint (0..=0.2) ...
    pub follow_share: f64,
    /// ... plus this (V, 0.01..=5); also how far below the reverse allowance a reading may lie.
    pub follow_volts: Volts,
    /// How many readings in a row must not follow before the device is let go (1..=100).
    pub follow_readings: u8,
}

impl Default for Tolerances {
    /// Supplies of this size rise within some tenths of a second (common practice, no source). The
    /// following is wide enough for gain errors of half a per cent, and one or two readings above it
    /// happen while a cloud edge passes or the load changes range.
    fn default() -> Self {
        Self {
            boost_rise: Duration::from_secs(1),
            boost_share: 0.1,
            boost_volts: Volts(0.3),
            follow_share: 0.01,
            follow_volts: Volts(0.2),
            follow_readings: 5,
        }
    }
}
