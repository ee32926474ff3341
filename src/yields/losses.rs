//! Where the rest went: from the light on the plane to the energy at the load.
//!
//! Model: the rating times the reference yield is what a device without losses would make. Taken off, in
//! this order: what glass, dirt and aim keep from the cells; what the device makes less of weaker light
//! (all cells at 25 degC, against the rating in proportion to the light); warmth (the same device as warm
//! as it is); what the tracker leaves. The parts add up exactly; another order would share them out
//! a little differently.

use super::chain::{Chain, ChainError, Exposure};
use super::sums::Yield;
use crate::quantities::{STC_IRRADIANCE, STC_TEMPERATURE, WattHours, Watts};

/// Energy by where it went (Wh). Losses are positive; a gain is negative.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Losses {
    /// Rating times reference yield.
    pub reference: WattHours,
    /// Light that doesn't reach the cells as if it fell squarely: glass, dirt, aim.
    pub optical: WattHours,
    /// Less than in proportion to the light, at 25 degC.
    pub low_light: WattHours,
    /// Cells warmer than 25 degC.
    pub warmth: WattHours,
    /// What is not taken of the crest.
    pub tracking: WattHours,
    /// What is left.
    pub delivered: WattHours,
}

impl Chain {
    /// The losses of a yield that this chain found, whose tracker takes the share `tracked` (0..=1) of the
    /// energy at the crest.
    ///
    /// # Errors
    /// [`ChainError::Device`].
    pub fn losses(&self, found: &Yield, tracked: f64) -> Result<Losses, ChainError> {
        let cool =
            |(exposure, _): &(Exposure, Watts)| Exposure { cell: STC_TEMPERATURE, ..*exposure };
        let cool: Vec<Exposure> = found.hours.iter().map(cool).collect();
        let watts: f64 = self.powers(&cool)?.iter().map(|watts| watts.0).sum();
        let span = found.total.hours / found.hours.len().max(1) as f64;
        let rated = |light: f64| WattHours(found.rated.0 * light / STC_IRRADIANCE.0);
        let (reference, cold) = (rated(found.total.plane.0), WattHours(watts * span));
        let (square, crest) = (rated(found.total.effective.0), found.total.energy);
        Ok(Losses {
            reference,
            optical: reference - square,
            low_light: square - cold,
            warmth: cold - crest,
            tracking: crest * (1.0 - tracked),
            delivered: crest * tracked,
        })
    }
}
