//! From what the light offered down to what was measured.
//!
//! Model: the reference energy of a minute is `P0 G t / (1000 W/m2)`, what the device would give at standard
//! conditions with an efficiency that never changed. Temperature takes (or gives) `1 - C` of it, with
//! `C = 1 + gamma (T_mod - 25 degC)`. Of what is then left, a minute in which the channel slept, started or
//! was out loses all but what it delivered; a minute in which it held the device loses the share that is
//! missing from the integral (an outage), what sweeps cost, and the rest: low light, spectrum, dirt, shade,
//! the tracker, and every error of rating, coefficient and sensor. These can't be told apart from a log
//! alone, and nothing here pretends to.
//!
//! Only minutes whose irradiance and power both count are in it.

use super::minute::Minute;
use crate::control::record::Activity;
use crate::quantities::WattHours;

/// The terms (Wh); a loss is positive.
///
/// `reference - temperature - rest - sweeps - asleep - outages = measured`, to rounding.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Losses {
    /// What the rating would give in this light.
    pub reference: WattHours,
    /// By the module's temperature, against 25 degC; none without a coefficient.
    pub temperature: Option<WattHours>,
    /// Low light, spectrum, dirt, shade, tracker and errors together; temperature, too, where that is not
    /// known.
    pub rest: WattHours,
    /// By sweeps.
    pub sweeps: WattHours,
    /// Asleep or starting, in whatever light.
    pub asleep: WattHours,
    /// Let go, locked off, stopped, without a link, or missing from the integral.
    pub outages: WattHours,
    /// What was delivered.
    pub measured: WattHours,
    /// Reference energy of minutes whose temperature is not known (Wh).
    pub temperature_unknown: WattHours,
}

impl Losses {
    /// Of one minute: `reference` (Wh), `C` where it is known, what sweeps cost in it.
    pub(super) fn of(
        minute: &Minute,
        (reference, correction): (f64, Option<f64>),
        (delivered, swept): (WattHours, WattHours),
    ) -> Self {
        let offered = reference * correction.unwrap_or(1.0);
        let lost = WattHours(offered) - delivered;
        let mut losses = Self {
            reference: WattHours(reference),
            temperature: correction.map(|_| WattHours(reference - offered)),
            measured: delivered,
            ..Self::default()
        };
        if correction.is_none() {
            losses.temperature_unknown = losses.reference;
        }
        match minute.activity {
            Activity::Tracking | Activity::Sweeping => {
                losses.outages = WattHours(offered * (1.0 - minute.share()));
                losses.sweeps = swept;
                losses.rest = lost - losses.outages - swept;
            }
            Activity::Asleep | Activity::Starting => losses.asleep = lost,
            Activity::Connecting | Activity::Resting | Activity::LockedOff | Activity::Stopped => {
                losses.outages = lost;
            }
        }
        losses
    }

    pub(super) fn add(&mut self, other: &Self) {
        self.temperature = match (self.temperature, other.temperature) {
            (Some(a), Some(b)) => Some(a + b),
            (a, b) => a.or(b),
        };
        self.reference += other.reference;
        self.rest += other.rest;
        self.sweeps += other.sweeps;
        self.asleep += other.asleep;
        self.outages += other.outages;
        self.measured += other.measured;
        self.temperature_unknown += other.temperature_unknown;
    }
}
