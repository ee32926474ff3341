//! How sure a yield is: one year of it, drawn many times.
//!
//! Model: the doubts are normal and independent. A draw shifts all of them at once: the year's light and
//! the light's measurement scale the light, the plane's model scales it too, dirt takes a share of it,
//! the cells warm with it in proportion (Faiman) and by a doubt of their own; every hour's power is then
//! solved anew, and rating and slope with temperature scale it. Where the weather has five whole
//! years or more and nobody states how they differ, a year's difference from their mean is one that has been, drawn from them with
//! replacement, instead of a normal one. The share of a term is that of its variance, from one standard
//! uncertainty up and down with all others at rest; the sum of those and the variance of the draws agree
//! as far as the chain is linear.
//!
//! P90 is the yield that 90 of 100 years exceed (common practice, no source).
//!
//! Rejected: doubts of each hour's light by itself (they go away in a year's sum), and a normal
//! distribution about the mean without drawing (the chain is not quite linear, and years are not normal).

use super::chain::{Chain, ChainError, Exposure};
use super::sums::Yield;
use super::weather::Weather;
use crate::quantities::{Celsius, STC_TEMPERATURE, WattHours, Watts};
use cresthold_sim::bench::Noise;
use std::collections::BTreeMap;

/// Whole years from which on they speak for themselves.
const LEAST_YEARS: usize = 5;
/// How years differ where the weather doesn't tell (share of the light): usual, from memory, no source.
pub const USUAL_YEAR: f64 = 0.04;
/// Share of its spans that a whole year has.
const WHOLE: f64 = 0.95;
/// Hours of a year.
const YEAR: f64 = 8760.0;

/// What is uncertain.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Term {
    /// How bright the year is.
    Year,
    /// How well the weather's light was measured or modelled.
    Light,
    /// How well the light on the plane follows from that on the horizontal.
    Plane,
    /// How warm the cells are.
    Warmth,
    /// What the device makes at standard conditions.
    Rating,
    /// How its power changes with temperature.
    Slope,
    /// How dirty it gets.
    Dirt,
}

impl Term {
    /// All of them.
    pub const ALL: [Self; 7] =
        [Self::Year, Self::Light, Self::Plane, Self::Warmth, Self::Rating, Self::Slope, Self::Dirt];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Year => "year to year",
            Self::Light => "light of the weather file",
            Self::Plane => "light on the plane",
            Self::Warmth => "cell temperature",
            Self::Rating => "rating of the device",
            Self::Slope => "its temperature coefficient",
            Self::Dirt => "dirt",
        }
    }
}

/// Standard uncertainties (k = 1), each zero or more.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Doubts {
    /// Of a year's light, from year to year (share); none: what whole years of weather tell, or
    /// [`USUAL_YEAR`].
    pub year: Option<f64>,
    /// Of the weather's light (share).
    pub light: f64,
    /// Of the light on the plane, given that (share).
    pub plane: f64,
    /// Of the cells' temperature (K).
    pub warmth: Celsius,
    /// Of the power at standard conditions (share).
    pub rating: f64,
    /// Of the power's temperature coefficient (1/K).
    pub slope: f64,
    /// Of the share of light lost to dirt.
    pub dirt: f64,
}

impl Default for Doubts {
    /// Light 2 %, plane 1.5 %, cells 2 K, slope 0.0002 1/K, dirt 1 %: usual sizes, from
    /// memory, no source; rating 0.8 % (Dirnberger, Kraeling 2013, IEEE JPV 3(3), 1016-1026, from memory:
    /// 1.6 % at k = 2 for crystalline modules measured indoors).
    fn default() -> Self {
        Self {
            year: None,
            light: 0.02,
            plane: 0.015,
            warmth: Celsius(2.0),
            rating: 0.008,
            slope: 0.0002,
            dirt: 0.01,
        }
    }
}

/// One year's yield, many times.
#[derive(Clone, Debug, PartialEq)]
pub struct Spread {
    /// Energy of a year (Wh) of each draw, rising.
    pub draws: Vec<WattHours>,
    /// Energy of a year (Wh) without any doubt.
    pub stated: WattHours,
    /// Standard deviation of a year's energy by each term alone (Wh).
    pub terms: [(Term, WattHours); Term::ALL.len()],
    /// Whole years of the weather, where they speak for themselves.
    pub years: Option<usize>,
    /// The seed.
    pub seed: u64,
}

impl Spread {
    /// The energy that `percent` of the years exceed (Wh).
    ///
    /// # Panics
    /// Never: [`Chain::spread`] draws at least once.
    #[must_use]
    pub fn exceeded(&self, percent: f64) -> WattHours {
        let last = self.draws.len() - 1;
        let place = (1.0 - percent / 100.0).clamp(0.0, 1.0) * last as f64;
        let below = place.floor() as usize;
        let above = (below + 1).min(last);
        self.draws[below] + (self.draws[above] - self.draws[below]) * (place - below as f64)
    }

    /// Standard deviation of the draws (Wh).
    #[must_use]
    pub fn deviation(&self) -> WattHours {
        WattHours(deviation(&self.draws.iter().map(|energy| energy.0).collect::<Vec<_>>()))
    }

    /// A term's share of the variance (0..=1).
    #[must_use]
    pub fn share(&self, term: Term) -> f64 {
        let square = |(_, wh): &(Term, WattHours)| wh.0 * wh.0;
        let all: f64 = self.terms.iter().map(square).sum();
        let own: f64 = self.terms.iter().filter(|(of, _)| *of == term).map(square).sum();
        if all > 0.0 { own / all } else { 0.0 }
    }
}

/// Deviates of the terms, in units of their standard uncertainties.
type Deviates = [f64; Term::ALL.len()];

/// A chain with its weather, to be shifted.
struct Shifter<'a> {
    chain: &'a Chain,
    weather: &'a Weather,
    found: &'a Yield,
    doubts: &'a Doubts,
    per_year: f64,
}

impl Shifter<'_> {
    /// A year's energy (Wh) with these deviates.
    fn energy(&self, deviates: &Deviates) -> Result<f64, ChainError> {
        let of = |term: Term| deviates[term as usize];
        let Doubts { year, light, plane, warmth, rating, slope, dirt } = *self.doubts;
        let scale = |share: f64, term| (1.0 + share * of(term)).max(0.0);
        let bright = scale(year.unwrap_or(USUAL_YEAR), Term::Year)
            * scale(light, Term::Light)
            * scale(plane, Term::Plane);
        let clean = scale(-dirt, Term::Dirt);
        let warmer = warmth * of(Term::Warmth);
        let spans = self.found.hours.iter().zip(&self.weather.hours);
        let shifted: Vec<Exposure> = spans
            .map(|((exposure, _), hour)| Exposure {
                plane: exposure.plane * bright,
                effective: exposure.effective * (bright * clean),
                cell: hour.air + (exposure.cell - hour.air) * bright + warmer,
                ..*exposure
            })
            .collect();
        let steeper = slope * of(Term::Slope);
        let sum: f64 = self
            .chain
            .powers(&shifted)?
            .iter()
            .zip(&shifted)
            .map(|(Watts(watts), at)| watts * (1.0 + steeper * (at.cell - STC_TEMPERATURE).0))
            .sum();
        Ok(sum * scale(rating, Term::Rating) * self.per_year)
    }
}

impl Chain {
    /// The yield of one year `draws` times (1..), where `found` is what [`Chain::run`] found.
    ///
    /// ```
    /// # use cresthold::quantities::Celsius;
    /// # use cresthold::yields::{Chain, Converter, Doubts, Generator, Mount, Suns, Term, read};
    /// # use cresthold_sim::device::examples::crystalline_reference;
    /// # use cresthold_sim::thermal::ThermalParams;
    /// # let text = "# latitude: 46.8\n# longitude: 6.9\n# elevation: 491\n\
    /// #             start,global (W/m2),air (degC),wind (m/s)\n\
    /// #             2021-06-01T11:00:00+01:00,812,18.4,1.5\n2021-06-01T12:00:00+01:00,855,19.0,2.0\n";
    /// # let weather = read::weather(text).unwrap();
    /// # let generator = Generator {
    /// #     converter: Converter::Diode(crystalline_reference()), count: 1, thermal: ThermalParams::OPEN_RACK,
    /// # };
    /// # let chain = Chain::new(generator, Mount::Fixed { tilt: 30.0, azimuth: 180.0 });
    /// # let found = chain.run(&weather, &Suns::of(&weather)).unwrap();
    /// // A rating known to 1 %, all else exact: a standard deviation of 1 %.
    /// let exact = Doubts {
    ///     year: Some(0.0), light: 0.0, plane: 0.0, warmth: Celsius(0.0), rating: 0.0, slope: 0.0, dirt: 0.0,
    /// };
    /// let sure = Doubts { rating: 0.01, ..exact };
    /// let spread = chain.spread(&weather, &found, &sure, (400, 7)).unwrap();
    /// assert!((spread.share(Term::Rating) - 1.0).abs() < 1e-9);
    /// // 400 draws know a standard deviation to 3.5 % of itself.
    /// assert!((spread.deviation() / spread.stated - 0.01).abs() < 3.0 * 0.01 * 0.035);
    /// ```
    ///
    /// # Errors
    /// [`ChainError::Device`].
    pub fn spread(
        &self,
        weather: &Weather,
        found: &Yield,
        doubts: &Doubts,
        (draws, seed): (usize, u64),
    ) -> Result<Spread, ChainError> {
        let per_year = YEAR / weather.hours.len().max(1) as f64;
        let years = whole_years(weather, found);
        let own = doubts.year.is_none() && years.len() >= LEAST_YEARS;
        let normal = Doubts { year: if own { Some(0.0) } else { doubts.year }, ..*doubts };
        let shifter = Shifter { chain: self, weather, found, doubts: &normal, per_year };
        let rest = Deviates::default();
        let stated = shifter.energy(&rest)?;
        let mut terms = Term::ALL.map(|term| (term, WattHours::ZERO));
        for (term, alone) in &mut terms {
            if own && *term == Term::Year {
                *alone = WattHours(deviation(&years) * stated);
                continue;
            }
            let at = |deviate| {
                let mut deviates = rest;
                deviates[*term as usize] = deviate;
                shifter.energy(&deviates)
            };
            *alone = WattHours(0.5 * (at(1.0)? - at(-1.0)?).abs());
        }
        let mut chance = Noise::new(seed);
        let mut energies = Vec::with_capacity(draws);
        for _ in 0..draws.max(1) {
            let deviates: Deviates = std::array::from_fn(|_| chance.draw());
            // The largest of as many deviates picks each year alike.
            let lots: Vec<f64> =
                if own { years.iter().map(|_| chance.draw()).collect() } else { vec![] };
            let picked = (0..lots.len()).max_by(|a, b| lots[*a].total_cmp(&lots[*b]));
            let year = picked.map_or(1.0, |picked| years[picked]);
            energies.push(WattHours(shifter.energy(&deviates)? * year));
        }
        energies.sort_by(|a, b| a.0.total_cmp(&b.0));
        let years = own.then_some(years.len());
        Ok(Spread { draws: energies, stated: WattHours(stated), terms, years, seed })
    }
}

/// Energy of each whole calendar year (UTC), over their mean.
fn whole_years(weather: &Weather, found: &Yield) -> Vec<f64> {
    let mut by_year: BTreeMap<String, (f64, f64)> = BTreeMap::new();
    for (hour, (_, watts)) in weather.hours.iter().zip(&found.hours) {
        let date = hour.start.date();
        let year = date.split('-').next().unwrap_or_default().to_owned();
        let (spans, energy) = by_year.entry(year).or_default();
        *spans += weather.span_hours();
        *energy += watts.0;
    }
    let whole = by_year.into_values().filter(|(hours, _)| *hours >= WHOLE * YEAR);
    let energies: Vec<f64> = whole.map(|(hours, energy)| energy / hours).collect();
    let mean = energies.iter().sum::<f64>() / energies.len().max(1) as f64;
    energies.into_iter().map(|energy| energy / mean).collect()
}

/// Standard deviation of a sample; zero for fewer than two.
fn deviation(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let squares: f64 = values.iter().map(|value| (value - mean) * (value - mean)).sum();
    (squares / (count - 1.0)).sqrt()
}
