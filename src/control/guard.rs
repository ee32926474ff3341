//! The guard: nothing reaches the load except through it.
//!
//! Model: a tracker only *wishes* for a device voltage. [`Guard::admit`] turns a wish into a
//! [`Setpoint`], held inside the envelope, and it is the only function anywhere that can make one;
//! the command that sets a voltage takes nothing else. [`Guard::judge`] holds every reading against
//! the envelope. A PV device is a current source, so the safe direction is up, toward open circuit:
//! a wish that is no number becomes the envelope's top.
//!
//! Rejected: letting trackers clamp themselves (every new tracker would be a new hole), and raising
//! the voltage instead of letting go on a breach (the load that failed is the one asked to mend).

use super::envelope::Envelope;
use super::record::Limit;
use super::wiring::SeriesPath;
use crate::quantities::{Amps, Volts};

/// How far the load's voltage may lie above its setpoint before it counts as not following: the
/// share of the setpoint plus the fixed part. Wide enough for gain errors of half a per cent.
const FOLLOW_SHARE: f64 = 0.01;
/// The fixed part of the same (V).
const FOLLOW_FLOOR: Volts = Volts(0.2);
/// How many readings in a row must not follow before it is a breach; one or two happen while a
/// cloud edge passes or the load changes range.
const FOLLOW_READINGS: u8 = 5;
/// How far a measured boost voltage may lie from the stated one: share of the stated voltage.
const BOOST_SHARE: f64 = 0.1;
/// The fixed part of the same (V).
const BOOST_FLOOR: Volts = Volts(0.3);

/// A voltage that the guard has admitted. Only [`Guard`] can make one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setpoint {
    device: Volts,
    load: Volts,
    held: bool,
}

impl Setpoint {
    /// The device voltage aimed at (V).
    #[must_use]
    pub fn device(&self) -> Volts {
        self.device
    }

    /// The voltage to command at the load's terminals (V).
    #[must_use]
    pub fn load(&self) -> Volts {
        self.load
    }

    /// Whether the wish lay outside the envelope and was held at its edge.
    #[must_use]
    pub fn held(&self) -> bool {
        self.held
    }
}

/// A limit that was passed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Breach {
    /// Which limit.
    pub limit: Limit,
    /// The value found.
    pub value: f64,
    /// The limit's value.
    pub bound: f64,
}

/// Holds wishes and readings against one channel's envelope.
#[derive(Clone, Debug)]
pub struct Guard {
    envelope: Envelope,
    unfollowed: u8,
}

impl Guard {
    /// A guard for `envelope`.
    #[must_use]
    pub fn new(envelope: Envelope) -> Self {
        Self { envelope, unfollowed: 0 }
    }

    /// The limits it holds.
    #[must_use]
    pub fn envelope(&self) -> &Envelope {
        &self.envelope
    }

    /// The highest admissible setpoint: the device at open circuit, no current.
    #[must_use]
    pub fn open(&self, path: &SeriesPath) -> Setpoint {
        self.admit(self.envelope.device_volts_max, Amps::ZERO, path)
    }

    /// Turns a wished device voltage into a setpoint inside the envelope.
    ///
    /// `amps` is the current last measured: the load must be able to sink it at the new voltage.
    #[must_use]
    pub fn admit(&self, wish: Volts, amps: Amps, path: &SeriesPath) -> Setpoint {
        let envelope = &self.envelope;
        let amps = if amps.is_finite() { amps.max(Amps::ZERO) } else { Amps::ZERO };
        let capable = envelope.capability.volts_for(amps).unwrap_or(envelope.load_volts_max);
        let floor = (-envelope.reverse_allowance).max(path.device_volts(capable, amps));
        let top = envelope.device_volts_max.min(path.device_volts(envelope.load_volts_max, amps));
        let device = if wish.0.is_nan() { top } else { wish.max(floor).min(top) };
        let load = path.load_volts(device, amps).max(Volts::ZERO).min(envelope.load_volts_max);
        Setpoint { device, load, held: device != wish }
    }

    /// Holds a reading, volts at the load and amps, against the envelope. `setpoint` is the one in
    /// force, if the input is on; `boost` the boost supply's measured and stated voltage, where it
    /// is on and measured.
    ///
    /// # Errors
    /// The first limit that was passed.
    pub fn judge(
        &mut self,
        (load, amps): (Volts, Amps),
        path: &SeriesPath,
        setpoint: Option<&Setpoint>,
        boost: Option<(Volts, Volts)>,
    ) -> Result<(), Breach> {
        let device = path.device_volts(load, amps);
        if !(load.is_finite() && amps.is_finite()) {
            return Err(Breach { limit: Limit::NotANumber, value: f64::NAN, bound: 0.0 });
        }
        let envelope = &self.envelope;
        let reverse = -envelope.reverse_allowance.0;
        let boost_rating = envelope.boost_amps_max.map_or(f64::INFINITY, |rating| rating.0);
        let below = |limit, value: f64, bound: f64| {
            if value > bound { Err(Breach { limit, value, bound }) } else { Ok(()) }
        };
        below(Limit::DeviceAmps, amps.0, envelope.device_amps_max.0)?;
        below(Limit::BoostAmps, amps.0, boost_rating)?;
        below(Limit::DeviceWatts, (device * amps).0, envelope.device_watts_max.0)?;
        below(Limit::LoadWatts, (load * amps).0, envelope.load_watts_max.0)?;
        below(Limit::LoadVolts, load.0, envelope.load_volts_max.0)?;
        below(Limit::DeviceVoltsHigh, device.0, envelope.device_volts_max.0)?;
        if let Some((measured, stated)) = boost {
            let room = stated.abs() * BOOST_SHARE + BOOST_FLOOR;
            if (measured - stated).abs() > room {
                let (value, bound) = (measured.0, stated.0);
                return Err(Breach { limit: Limit::BoostVolts, value, bound });
            }
        }
        if setpoint.is_some() && device.0 < reverse - FOLLOW_FLOOR.0 {
            return Err(Breach { limit: Limit::DeviceVoltsLow, value: device.0, bound: reverse });
        }
        self.judge_following(load, setpoint)
    }

    /// A load in constant-voltage mode can't lie above its setpoint for long, unless it has opened
    /// or runs into a limit of its own. Below the setpoint it may lie: open circuit, or dusk.
    fn judge_following(&mut self, load: Volts, setpoint: Option<&Setpoint>) -> Result<(), Breach> {
        let Some(setpoint) = setpoint else {
            self.unfollowed = 0;
            return Ok(());
        };
        let bound = setpoint.load * (1.0 + FOLLOW_SHARE) + FOLLOW_FLOOR;
        if load <= bound {
            self.unfollowed = 0;
            return Ok(());
        }
        self.unfollowed += 1;
        if self.unfollowed < FOLLOW_READINGS {
            return Ok(());
        }
        self.unfollowed = 0;
        Err(Breach { limit: Limit::Unfollowed, value: load.0, bound: setpoint.load.0 })
    }
}
