//! What a device should have made in light and warmth that were measured.
//!
//! Model: the light is that on the plane as a sensor there saw it, less dirt (and what a concentrator's aim
//! loses); cells are warmer than the module's back in proportion to the light (`cell_over_back` of its
//! [`cresthold_sim::thermal::ThermalParams`]). From there on as [`super::Chain::run`] does.
//!
//! Rejected: taking off again what glass reflects (a reference device has glass of its own, and the log doesn't
//! say what a sensor is), and filling minutes that were not measured.

use super::chain::{Chain, ChainError, Exposure};
use super::optics::Optics;
use super::sums::{Sums, Yield};
use crate::quantities::{Celsius, Irradiance, STC_IRRADIANCE, WattHours};

/// Hours of a year of 365 days.
const YEAR: f64 = 8760.0;

/// A span of light and warmth as it was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// Month by the local calendar (1..=12).
    pub month: u8,
    /// How long it is in spans (0..): less than 1 where a run began or ended within.
    pub share: f64,
    /// On the plane; direct for a concentrator (W/m2).
    pub plane: Irradiance,
    /// At the module's back (degC).
    pub module: Celsius,
    /// What the device made meanwhile (Wh).
    pub energy: WattHours,
}

impl Chain {
    /// The energy at the crest over spans of `hours` (h, above 0), from measured light and warmth.
    ///
    /// ```
    /// use cresthold::quantities::{Celsius, Irradiance, WattHours};
    /// use cresthold::yields::{Chain, Converter, Generator, Mount, Seen};
    /// use cresthold_sim::device::examples::crystalline_reference;
    /// use cresthold_sim::thermal::ThermalParams;
    /// let generator = Generator {
    ///     converter: Converter::Diode(crystalline_reference()), count: 1, thermal: ThermalParams::OPEN_RACK,
    /// };
    /// let chain = Chain::new(generator, Mount::TwoAxis);
    /// // A back of 47 degC at 1000 W/m2 is cells of 50 degC: 240.77 W of De Soto's example, for an hour.
    /// let noon = Seen {
    ///     month: 6, share: 1.0, plane: Irradiance(1000.0), module: Celsius(47.0), energy: WattHours(235.0),
    /// };
    /// let found = chain.expected(&[noon], 1.0).unwrap();
    /// assert!((found.total.energy.0 - 240.77).abs() < 0.01);
    /// let half = chain.expected(&[Seen { share: 0.5, ..noon }], 1.0).unwrap();
    /// assert_eq!(half.total.energy, found.total.energy * 0.5);
    /// assert_eq!(Seen::measured(&[noon])[5], WattHours(235.0));
    /// ```
    ///
    /// # Errors
    /// [`ChainError`]: a figure out of range, a device that can't be solved.
    pub fn expected(&self, spans: &[Seen], hours: f64) -> Result<Yield, ChainError> {
        self.check()?;
        let over = self.generator.thermal.cell_over_back;
        let aim = self.optics.map_or(1.0, Optics::share);
        let exposures: Vec<Exposure> = spans
            .iter()
            .map(|span| {
                let plane = span.plane.max(Irradiance::ZERO);
                let clean = 1.0 - self.soiling[usize::from(span.month.clamp(1, 12)) - 1];
                Exposure {
                    plane,
                    effective: plane * (clean * aim),
                    cell: span.module + Celsius(over * (plane / STC_IRRADIANCE)),
                    ..Exposure::default()
                }
            })
            .collect();
        let watts = self.powers(&exposures)?;
        let all: f64 = spans.iter().map(|span| span.share).sum();
        let mut found = Yield::new(self.generator.rated(), all * hours / YEAR);
        for ((span, exposure), watts) in spans.iter().zip(&exposures).zip(&watts) {
            found.add(span.month, &Sums::of(exposure, *watts, hours * span.share));
        }
        found.shares = spans.iter().map(|span| span.share).collect();
        found.hours = exposures.into_iter().zip(watts).collect();
        Ok(found)
    }
}

impl Seen {
    /// What was made, by month from January (Wh).
    #[must_use]
    pub fn measured(spans: &[Self]) -> [WattHours; 12] {
        let mut months = [WattHours::ZERO; 12];
        for span in spans {
            months[usize::from(span.month.clamp(1, 12)) - 1] += span.energy;
        }
        months
    }
}
