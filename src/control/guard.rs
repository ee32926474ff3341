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

use super::derating::DeratedBy;
use super::envelope::Envelope;
use super::record::{Limit, Sense};
use super::surroundings::Fresh;
use super::wiring::SeriesPath;
use crate::quantities::{Amps, Volts, Watts};
use crate::time::Instant;

/// At a glance a load may have so much of its way left (share): two time constants leave 0.14, and a load that
/// is slower than stated is no danger.
const ON_THE_WAY: f64 = 0.5;

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

/// What a reading tells the guard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evidence {
    /// Volts at the load's terminals (V).
    pub load: Volts,
    /// Amps through the loop (A).
    pub amps: Amps,
    /// The series path as it is now.
    pub path: SeriesPath,
    /// The setpoint in force, if the input is on.
    pub setpoint: Option<Setpoint>,
    /// The boost supply's voltage as measured and as stated (V), where it is on and measured.
    pub boost: Option<(Volts, Volts)>,
}

/// Holds wishes, readings and surroundings against one channel's envelope.
#[derive(Clone, Debug)]
pub struct Guard {
    envelope: Envelope,
    unfollowed: u8,
    /// Volts at the load's terminals when they were judged last (V).
    load: Volts,
    /// When each sense was last fresh.
    sensed: [Option<Instant>; Sense::ALL.len()],
}

impl Guard {
    /// A guard for `envelope`.
    #[must_use]
    pub fn new(envelope: Envelope) -> Self {
        Self { envelope, unfollowed: 0, load: Volts::ZERO, sensed: [None; Sense::ALL.len()] }
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
        let floor = self.floor(amps, path);
        let top = envelope.device_volts_max.min(path.device_volts(envelope.load_volts_max, amps));
        let device = if wish.0.is_nan() { top } else { wish.max(floor).min(top) };
        let load = path.load_volts(device, amps);
        // A path that is no number leaves only the top.
        let load = if load.0.is_nan() { envelope.load_volts_max } else { load };
        let load = load.max(Volts::ZERO).min(envelope.load_volts_max);
        Setpoint { device, load, held: device != wish }
    }

    /// The same ahead of time, for a list whose currents nobody has measured yet: the load must be
    /// able to sink the largest current of the envelope, and the leads drop what `expected` does (A).
    #[must_use]
    pub fn admit_ahead(&self, wish: Volts, expected: Amps, path: &SeriesPath) -> Setpoint {
        let floor = self.floor(self.envelope.device_amps_max, path);
        let admitted = self.admit(wish.max(floor), expected, path);
        Setpoint { held: admitted.device != wish, ..admitted }
    }

    /// The lowest admissible device voltage with a current of `amps` (A, from 0).
    pub(super) fn floor(&self, amps: Amps, path: &SeriesPath) -> Volts {
        let envelope = &self.envelope;
        let capable = envelope.capability.volts_for(amps).unwrap_or(envelope.load_volts_max);
        (-envelope.reverse_allowance).max(path.device_volts(capable, amps))
    }

    /// Holds a reading against the envelope.
    ///
    /// # Errors
    /// The first limit that was passed.
    pub fn judge(&mut self, seen: &Evidence) -> Result<(), Breach> {
        self.judge_after(seen, 0.0)
    }

    /// The same for a glance: the load may have half of its way left.
    ///
    /// # Errors
    /// The first limit that was passed.
    pub fn judge_glance(&mut self, seen: &Evidence) -> Result<(), Breach> {
        self.judge_after(seen, ON_THE_WAY)
    }

    /// The same where such a share of the way to the setpoint may be left.
    fn judge_after(&mut self, seen: &Evidence, left: f64) -> Result<(), Breach> {
        let Evidence { load, amps, path, setpoint, boost } = *seen;
        let device = path.device_volts(load, amps);
        let numbers = [load, device, boost.map_or(Volts::ZERO, |(measured, _)| measured)];
        if !(amps.is_finite() && numbers.iter().all(|volts| volts.is_finite())) {
            return Err(Breach { limit: Limit::NotANumber, value: f64::NAN, bound: 0.0 });
        }
        let envelope = &self.envelope;
        let tolerances = &envelope.tolerances;
        let boost_rating = envelope.boost_amps_max.map_or(f64::INFINITY, |rating| rating.0);
        // A current the wrong way round is as bad as one too large.
        upper(Limit::DeviceAmps, amps.0.abs(), envelope.device_amps_max.0)?;
        upper(Limit::BoostAmps, amps.0.abs(), boost_rating)?;
        upper(Limit::DeviceWatts, (device * amps).0, envelope.device_watts_max.0)?;
        upper(Limit::LoadWatts, (load * amps).0, envelope.load_watts_max.0)?;
        upper(Limit::LoadVolts, load.0, envelope.load_volts_max.0)?;
        upper(Limit::DeviceVoltsHigh, device.0, envelope.device_volts_max.0)?;
        if let Some((measured, stated)) = boost {
            let room = stated.abs() * tolerances.boost_share + tolerances.boost_volts;
            if (measured - stated).abs() > room {
                let (value, bound) = (measured.0, stated.0);
                return Err(Breach { limit: Limit::BoostVolts, value, bound });
            }
        }
        let reverse = -envelope.reverse_allowance;
        if setpoint.is_some() && device < reverse - tolerances.follow_volts {
            let (value, bound) = (device.0, reverse.0);
            return Err(Breach { limit: Limit::DeviceVoltsLow, value, bound });
        }
        let before = std::mem::replace(&mut self.load, load);
        let left = setpoint.map_or(Volts::ZERO, |setpoint| (before - setpoint.load) * left);
        self.judge_following(load, setpoint.as_ref(), left.max(Volts::ZERO))
    }

    /// A load in constant-voltage mode can't lie above its setpoint, with so much left of its way there, for
    /// long, unless it has opened
    /// or runs into a limit of its own. Below the setpoint it may lie: open circuit, or dusk.
    fn judge_following(
        &mut self,
        load: Volts,
        setpoint: Option<&Setpoint>,
        left: Volts,
    ) -> Result<(), Breach> {
        let Some(setpoint) = setpoint else {
            self.unfollowed = 0;
            return Ok(());
        };
        let tolerances = &self.envelope.tolerances;
        let bound =
            setpoint.load * (1.0 + tolerances.follow_share) + tolerances.follow_volts + left;
        if load <= bound {
            self.unfollowed = 0;
            return Ok(());
        }
        self.unfollowed += 1;
        if self.unfollowed < tolerances.follow_readings {
            return Ok(());
        }
        self.unfollowed = 0;
        Err(Breach { limit: Limit::Unfollowed, value: load.0, bound: setpoint.load.0 })
    }

    /// Holds what the sensors say against the envelope. `load` is the load's dissipation, if its
    /// input is on; while it is off a silent sensor has no grace, since nothing hurries to begin.
    ///
    /// # Errors
    /// The first limit that was passed or that can't be checked.
    pub fn judge_surroundings(
        &mut self,
        now: Instant,
        fresh: &Fresh,
        load: Option<Watts>,
    ) -> Result<(), Breach> {
        let limits = &self.envelope.sensed;
        let margin = if load.is_some() { 0.0 } else { limits.heatsink_margin };
        let bounds = [
            limits.device_temperature_max.map(|most| most.0),
            limits.heatsink_temperature_max.map(|most| most.0 - margin),
            limits.irradiance_max.map(|most| most.0),
            limits.pointing_error_max,
        ];
        let values = [
            fresh.module_temperature.map(|value| value.0),
            fresh.heatsink_temperature.map(|value| value.0),
            fresh.irradiance.map(|value| value.0),
            fresh.pointing_error.map(f64::abs),
        ];
        let (needs_on_sun, input) = (limits.needs_on_sun, load.is_some());
        let limits = [
            (Sense::DeviceTemperature, Limit::DeviceTemperature),
            (Sense::HeatsinkTemperature, Limit::HeatsinkTemperature),
            (Sense::Irradiance, Limit::Irradiance),
            (Sense::PointingError, Limit::PointingError),
        ];
        for ((bound, value), (sense, limit)) in bounds.into_iter().zip(values).zip(limits) {
            if let Some(bound) = bound
                && let Some(value) = self.sensed(now, (sense, value), input)?
            {
                upper(limit, value, bound)?;
            }
        }
        if needs_on_sun && self.sensed(now, (Sense::OnSun, fresh.on_sun), input)? == Some(false) {
            return Err(Breach { limit: Limit::OffSun, value: 0.0, bound: 1.0 });
        }
        self.judge_derating(now, fresh, load)
    }

    fn judge_derating(
        &mut self,
        now: Instant,
        fresh: &Fresh,
        load: Option<Watts>,
    ) -> Result<(), Breach> {
        let seen = match self.envelope.sensed.derating.as_ref().map(super::Derating::by) {
            Some(DeratedBy::HeatSink) => (Sense::HeatsinkTemperature, fresh.heatsink_temperature),
            Some(DeratedBy::Air) => (Sense::AirTemperature, fresh.air_temperature),
            None => return Ok(()),
        };
        let temperature = self.sensed(now, seen, load.is_some())?;
        let (Some(temperature), Some(derating)) = (temperature, &self.envelope.sensed.derating)
        else {
            return Ok(());
        };
        let most = derating.watts_at(temperature);
        let value = load.map_or(0.0, |watts| watts.0);
        if value > most.0 || most <= Watts::ZERO {
            return Err(Breach { limit: Limit::LoadDerated, value, bound: most.0 });
        }
        Ok(())
    }

    /// The value, or nothing while the grace lasts; a breach when that is over.
    fn sensed<T>(
        &mut self,
        now: Instant,
        (sense, value): (Sense, Option<T>),
        input: bool,
    ) -> Result<Option<T>, Breach> {
        let last = &mut self.sensed[sense as usize];
        if value.is_some() {
            *last = Some(now);
            return Ok(value);
        }
        let grace = self.envelope.sensed.blind_grace;
        let silent = last.map(|last| now.saturating_since(last));
        match silent {
            Some(silent) if input && silent <= grace => Ok(None),
            _ => Err(Breach {
                limit: Limit::Silent(sense),
                value: silent.map_or(f64::NAN, |silent| silent.as_secs_f64()),
                bound: if input { grace.as_secs_f64() } else { 0.0 },
            }),
        }
    }
}

fn upper(limit: Limit, value: f64, bound: f64) -> Result<(), Breach> {
    if value > bound { Err(Breach { limit, value, bound }) } else { Ok(()) }
}
