//! How sure energy and irradiation are, as the log's station states its instruments.
//!
//! Model (JCGM 100): errors that stay the same all the time do not average out over a campaign: gains and offsets
//! of voltage and current, the boost supply's voltage, the leads' resistance, gain and offset of the
//! irradiance sensor. Each moves a sum in proportion to what it acts on: an error of the voltage by the charge that
//! flowed, `dE = dV sum(I t)`, one of the current by `sum(V t)`, one of the leads by `sum(I^2 t)`, an offset of
//! the irradiance by the time that it was light. Independent, they add in squares. Noise and resolution average
//! out over thousands of minutes and are left out; so is what nobody stated.

use crate::control::record::Spread;
use crate::curve::uncertainty::Inputs;
use crate::quantities::Irradiance;
use crate::store::MinuteRow;

/// From this irradiance on a sensor's offset counts as light (W/m2).
const LIT: Irradiance = Irradiance(1.0);

/// What errors act on, summed over a campaign.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Leverage {
    /// Wh.
    energy: f64,
    /// Ah.
    charge: f64,
    /// A2 h.
    squared: f64,
    /// Vh, while a current flowed.
    voltage: f64,
    /// Wh/m2.
    irradiation: f64,
    /// h.
    lit: f64,
}

/// Relative expanded uncertainties, k = 2.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeasonDoubts {
    /// Of energy.
    pub energy: f64,
    /// Of irradiation; none where nothing is stated of its sensor, or it was dark.
    pub irradiation: Option<f64>,
}

impl Leverage {
    /// Takes up a minute.
    pub(super) fn add(&mut self, minute: &MinuteRow) {
        let mean =
            |spread: &Spread| Some(spread.mean).filter(|mean| spread.count > 0 && mean.is_finite());
        let hours = minute.covered.as_secs_f64() / 3600.0;
        let flowed = mean(&minute.amps).zip(mean(&minute.volts)).filter(|(amps, _)| *amps > 0.0);
        if let Some((amps, volts)) = flowed.filter(|_| minute.energy.is_finite()) {
            self.energy += minute.energy.0;
            self.charge += amps * hours;
            self.squared += amps * amps * hours;
            self.voltage += volts * hours;
        }
        if let Some(light) = mean(&minute.irradiance).filter(|light| *light >= LIT.0) {
            self.irradiation += light / 60.0;
            self.lit += 1.0 / 60.0;
        }
    }

    /// What the bench's errors make of it; none where nothing is stated of voltage and current.
    pub(super) fn doubts(&self, inputs: &Inputs) -> Option<SeasonDoubts> {
        let Inputs { volts, amps, irradiance, boost, leads, .. } = inputs;
        let share = |moved: f64, whole: f64| if whole > 0.0 { moved / whole } else { 0.0 };
        let twice = |terms: &[f64]| 2.0 * terms.iter().map(|u| u * u).sum::<f64>().sqrt();
        let gains = [volts.gain.standard(), amps.gain.standard()];
        if gains.iter().all(|gain| *gain <= 0.0) || self.energy <= 0.0 {
            return None;
        }
        let energy = twice(&[
            gains[0],
            gains[1],
            share(volts.offset.standard() * self.charge, self.energy),
            share(boost.standard() * self.charge, self.energy),
            share(amps.offset.standard() * self.voltage, self.energy),
            share(leads.standard() * self.squared, self.energy),
        ]);
        let (gain, offset) = (irradiance.gain.standard(), irradiance.offset.standard());
        let known = gain + offset > 0.0 && self.irradiation > 0.0;
        let irradiation = known.then(|| twice(&[gain, share(offset * self.lit, self.irradiation)]));
        Some(SeasonDoubts { energy, irradiation })
    }
}
