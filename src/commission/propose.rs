//! Control period and step from what was measured.
//!
//! Model: a perturbation must not come before the response to the last one has died down to a share
//! eps = 0.1, T > -tau ln eps for one time constant (Femia, Petrone, Spagnuolo, Vitelli 2005, IEEE
//! TPEL 20(4) 963-973, from memory, in its first-order form); the house asks for more,
//! [`SETTLED_AFTER`] time constants, and the readings and settings of a turn must fit in, too.
//!
//! The step must show above the noise, and it must move the power by more than the sun does
//! meanwhile (the same paper, for voltage control, from memory):
//!
//! dV > Vmp sqrt(z s_P / (kappa P)),  dV > sqrt(Vmp K |dG/dt| T / (kappa P / Vmp^2)),
//!
//! with s_P the noise of one power, kappa the curvature of the crest (loss kappa (dV / Vmp)^2),
//! K = Isc / G. The first bound is proposed, at least 0.3 % of Vmp; no step serves ramps and steady
//! sun both, so the ramp it follows is told beside it. Steady loss of a three-level walk:
//! kappa (dV / Vmp)^2 / 2.

use super::expect::Sheet;
use super::settling::Settling;
use crate::quantities::{Amps, Irradiance, STC_IRRADIANCE, Volts};
use crate::station::{ChannelSpec, SETTLED_AFTER};
use crate::trackers::TrackerConfig;
use std::time::Duration;

/// What may be left of a step when the next one comes (Femia et al. 2005, from memory).
const DIED_DOWN: f64 = 0.1;
/// How many standard deviations of the power a step must show.
const SIGNIFICANCE: f64 = 3.0;
/// No step below this share of Vmp: finer gains nothing (loss below 5e-5) and follows no cloud.
const LEAST_STEP: f64 = 0.003;
/// No step above this share of Vmp: coarser loses more than a tenth of a per cent in steady sun.
const LARGEST_STEP: f64 = 0.02;
/// Room for a line that hesitates, on the period.
const ROOM: f64 = 1.1;
/// No control period is proposed below this (s), the shortest that a station may state.
const SHORTEST: f64 = 0.02;

/// What was measured, as the proposal needs it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// The load's settling.
    pub settling: Settling,
    /// Median time from asking to the answer.
    pub trip: Duration,
    /// Median time of setting a voltage and reading it back.
    pub setting: Duration,
    /// Noise of one reading under current.
    pub noise: (Volts, Amps),
}

/// Lines for the station file, and what they rest on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Proposal {
    /// The load's time constant, its upper end.
    pub settling: Duration,
    /// From the request to the window.
    pub latency: Duration,
    /// The control period.
    pub period: Duration,
    /// When a step has died down to a tenth, the least period of the paper.
    pub least: Duration,
    /// The tracker's step, where the device's figures are known.
    pub step: Option<Step>,
}

/// A step and what comes of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// The step.
    pub volts: Volts,
    /// The fastest change of irradiance it follows at the proposed period (W/m2 per second).
    pub ramp: Irradiance,
    /// Share of the energy lost in steady sun.
    pub loss: f64,
}

/// Proposes period and step.
///
/// ```
/// use cresthold::commission::propose::{Step, step};
/// use cresthold::commission::Sheet;
/// use cresthold::quantities::{Amps, Volts};
/// use cresthold::station::Rated;
/// let sheet = Sheet::new(&Rated {
///     open_circuit: Volts(38.3), short_circuit: Amps(9.43),
///     crest_volts: Volts(31.0), crest_amps: Amps(8.71),
///     open_circuit_per_kelvin: Volts(-0.138), short_circuit_per_kelvin: Amps(0.0057),
/// });
/// // s_P = hypot(8 mV x 8.71 A, 31 V x 2 mA) = 0.093 W; kappa 6.87 and 270 W:
/// // 31 V sqrt(3 x 0.093 / (6.87 x 270)) = 0.38 V, which loses 6.87 x 0.0123^2 / 2 = 0.05 %.
/// let Step { volts, loss, .. } = step(&sheet, (Volts(0.008), Amps(0.002)), 0.1);
/// assert!((volts.0 - 0.38).abs() < 0.005 && (loss - 5.2e-4).abs() < 2e-5);
/// ```
#[must_use]
pub fn propose(spec: &ChannelSpec, sheet: Option<&Sheet>, seen: &Measured) -> Proposal {
    let window = spec.load.window.as_secs_f64();
    let tau = (seen.settling.tau + seen.settling.uncertainty.unwrap_or_default()).as_secs_f64();
    let latency = (seen.trip.as_secs_f64() - window).max(0.0);
    let settled = tau * f64::from(SETTLED_AFTER) + window + latency;
    // A turn reads, decides and sets.
    let turn = (seen.trip + seen.setting).as_secs_f64();
    let settling = up(tau);
    let latency = up(latency);
    let needed = settling * f64::from(SETTLED_AFTER) + window + latency;
    let period = up((settled.max(turn) * ROOM).max(needed).max(SHORTEST));
    Proposal {
        settling: Duration::from_secs_f64(settling),
        latency: Duration::from_secs_f64(latency),
        period: Duration::from_secs_f64(period),
        least: Duration::from_secs_f64(-tau * DIED_DOWN.ln()),
        step: sheet.map(|sheet| step(sheet, seen.noise, period)),
    }
}

/// The step for a device, a noise and a period (s).
#[must_use]
pub fn step(sheet: &Sheet, noise: (Volts, Amps), period: f64) -> Step {
    let rated = sheet.rated();
    let (vmp, imp) = (rated.crest_volts.0, rated.crest_amps.0);
    let kappa = sheet.curvature();
    let power = super::idle::power_noise(rated.crest_volts, rated.crest_amps, noise).0;
    let seen = (SIGNIFICANCE * power / (kappa * vmp * imp)).sqrt();
    let share = two_figures(seen.clamp(LEAST_STEP, LARGEST_STEP) * vmp) / vmp;
    let per_watt = rated.short_circuit.0 / STC_IRRADIANCE.0;
    let curve = kappa * imp / vmp;
    let ramp = (share * vmp).powi(2) * curve / (vmp * per_watt * period);
    Step { volts: Volts(share * vmp), ramp: Irradiance(ramp), loss: 0.5 * kappa * share * share }
}

/// Rounded up to two figures, so that what is pasted is short and still enough.
fn up(value: f64) -> f64 {
    rounded(value, |x| (x - 1e-9).ceil())
}

fn two_figures(value: f64) -> f64 {
    rounded(value, f64::round)
}

fn rounded(value: f64, how: fn(f64) -> f64) -> f64 {
    if value <= 0.0 || !value.is_finite() {
        return 0.0;
    }
    // Dividing by a whole power of ten gives 0.026, where multiplying by 0.001 gives 0.026000000001.
    let power = 1.0 - value.log10().floor();
    if power >= 0.0 {
        let ten = 10_f64.powf(power);
        how(value * ten) / ten
    } else {
        let ten = 10_f64.powf(-power);
        how(value / ten) * ten
    }
}

impl Proposal {
    /// Lines to paste into the station file, each with what the file has now.
    #[must_use]
    pub fn lines(&self, spec: &ChannelSpec) -> String {
        let seconds = |span: Duration| span.as_secs_f64();
        let mut text = format!(
            "[channel.load]  # of {}\nsettling_s = {}  # now {}\nlatency_s = {}  # now {}\n",
            spec.name,
            seconds(self.settling),
            seconds(spec.load.settling),
            seconds(self.latency),
            seconds(spec.load.latency)
        );
        text.push_str(&format!(
            "[control]  # or in [[channel]], for this channel alone\nperiod_s = {}  # now {}; a \
             step has died down to a tenth after {:.3} s\n",
            seconds(self.period),
            seconds(spec.control.period),
            seconds(self.least)
        ));
        if let Some(step) = &self.step {
            let now = match &spec.control.tracker {
                TrackerConfig::PerturbAndObserve(set) => format!("now {}", set.step.0),
                TrackerConfig::IncrementalConductance(set) => format!("now {}", set.step.0),
                other => format!("{} has none", other.name()),
            };
            text.push_str(&format!(
                "[channel.tracker]\nstep_volts = {}  # {now}; follows {:.1} W/m2 per second, loses \
                 {:.2} % in steady sun\n",
                step.volts.0,
                step.ramp.0,
                step.loss * 100.0
            ));
        }
        text
    }
}
