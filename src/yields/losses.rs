//! Where the rest went: from the light on the plane to the energy at the load.
//!
//! Model: the rating times the reference yield is what a device without losses would make. Taken off, in
//! this order: what glass, dirt and aim keep from the cells; what the light's colour takes or gives; what the device makes less of weaker light
//! (all cells at 25 degC, against the rating in proportion to the light); warmth (the same device as warm
//! as it is); what the hours' means hide ([`super::Within`]), what the load can't take, and what the tracker
//! leaves, where these are known. The parts add up exactly; another order would share them out a little
//! differently.

use super::chain::{Chain, ChainError, Converter, Exposure};
use super::sums::Yield;
use crate::quantities::{STC_IRRADIANCE, STC_TEMPERATURE, WattHours, Watts};

/// What is taken of the energy at the crest that a chain finds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Taken {
    /// Share of each month's energy (0..).
    pub shares: [f64; 12],
    /// Less at the crest of every second than at that of the hours' means (Wh); negative where it is more.
    pub averaging: WattHours,
    /// Beyond the load's limits (Wh).
    pub limits: WattHours,
}

/// A stretch of daylight, taken second by second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TakenDay {
    /// Month (1..=12).
    pub month: u8,
    /// At the crest (Wh).
    pub crest: WattHours,
    /// Beyond the load's limits (Wh).
    pub beyond: WattHours,
    /// Share of the rest that the tracker takes (0..=1).
    pub tracked: f64,
}

impl Taken {
    /// The same share always (0..=1).
    #[must_use]
    pub const fn always(share: f64) -> Self {
        Self { shares: [share; 12], averaging: WattHours::ZERO, limits: WattHours::ZERO }
    }

    /// What came of the seconds of all stretches of daylight of a yield.
    #[must_use]
    pub fn by_seconds(found: &Yield, days: &[TakenDay]) -> Self {
        let mut months = [0.0; 12];
        let mut taken = Self { averaging: found.total.energy, ..Self::always(1.0) };
        for day in days {
            let month = usize::from(day.month.clamp(1, 12)) - 1;
            months[month] += ((day.crest - day.beyond) * day.tracked).0;
            taken.averaging -= day.crest;
            taken.limits += day.beyond;
        }
        for ((share, energy), sums) in taken.shares.iter_mut().zip(months).zip(&found.months) {
            if sums.energy > WattHours::ZERO {
                *share = energy / sums.energy.0;
            }
        }
        taken
    }

    /// Energy taken of a yield (Wh).
    #[must_use]
    pub fn energy(&self, found: &Yield) -> WattHours {
        let months = found.months.iter().zip(self.shares);
        months.fold(WattHours::ZERO, |sum, (month, share)| sum + month.energy * share)
    }
}

/// Energy by where it went (Wh). Losses are positive; a gain is negative.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Losses {
    /// Rating times reference yield.
    pub reference: WattHours,
    /// Light that doesn't reach the cells as if it fell squarely: glass, dirt, aim.
    pub optical: WattHours,
    /// By the light's colour.
    pub colour: WattHours,
    /// Less than in proportion to the light, at 25 degC.
    pub low_light: WattHours,
    /// Cells warmer than 25 degC.
    pub warmth: WattHours,
    /// What the means of hours hide.
    pub averaging: WattHours,
    /// Beyond the load's limits.
    pub limits: WattHours,
    /// What the tracker leaves.
    pub tracking: WattHours,
    /// What is left.
    pub delivered: WattHours,
}

impl Chain {
    /// The share of a yield's energy from light or warmth that the device's power matrix has no points
    /// around (0..=1); none of a device that is known by a curve.
    #[must_use]
    pub fn beyond_matrix(&self, found: &Yield) -> Option<f64> {
        let Converter::Matrix(matrix) = &self.generator.converter else { return None };
        let watts = |index: usize| found.hours[index].1.0 * found.share(index);
        let covered = |at: &Exposure| matrix.covers(at.effective, at.cell);
        let all: f64 = (0..found.hours.len()).map(watts).sum();
        let beyond = (0..found.hours.len()).filter(|index| !covered(&found.hours[*index].0));
        let beyond: f64 = beyond.map(watts).sum();
        Some(if all > 0.0 { beyond / all } else { 0.0 })
    }

    /// The losses of a yield that this chain found, of whose energy at the crest so much is taken.
    ///
    /// # Errors
    /// [`ChainError::Device`].
    pub fn losses(&self, found: &Yield, taken: &Taken) -> Result<Losses, ChainError> {
        let cool =
            |(exposure, _): &(Exposure, Watts)| Exposure { cell: STC_TEMPERATURE, ..*exposure };
        let cool: Vec<Exposure> = found.hours.iter().map(cool).collect();
        let watts = self.powers(&cool)?;
        let watts: f64 = (0..).zip(&watts).map(|(index, watts)| watts.0 * found.share(index)).sum();
        let spans: f64 = (0..found.hours.len()).map(|index| found.share(index)).sum();
        let span = if spans > 0.0 { found.total.hours / spans } else { 0.0 };
        let rated = |light: f64| WattHours(found.rated.0 * light / STC_IRRADIANCE.0);
        let (reference, cold) = (rated(found.total.plane.0), WattHours(watts * span));
        let (square, crest) = (rated(found.total.effective.0), found.total.energy);
        let colour: f64 =
            (0..).zip(&found.hours).map(|(index, (at, _))| at.colour.0 * found.share(index)).sum();
        let colour = rated(-colour * span);
        let (delivered, Taken { averaging, limits, .. }) = (taken.energy(found), *taken);
        Ok(Losses {
            reference,
            optical: reference - square - colour,
            colour,
            low_light: square - cold,
            warmth: cold - crest,
            averaging,
            limits,
            tracking: crest - averaging - limits - delivered,
            delivered,
        })
    }
}
