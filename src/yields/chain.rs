//! From weather to energy, hour by hour.
//!
//! Model, for a module: sun at the span's middle -> direct and diffuse (Erbs where only the global is
//! known) -> light on the plane by parts -> skyline -> soiling -> glass -> cell temperature (Faiman, by the light
//! on the plane, to which his coefficients are fitted) -> single diode after De Soto -> power at the crest.
//! For a concentrator: direct light -> skyline -> soiling -> acceptance -> heat sink -> single diode -> power.
//! All spans are solved at once, in the processor's wide registers.
//!
//! The sun's places are computed once for a [`Weather`] ([`Suns`]) and serve every chain over it: they cost
//! more than all the rest.
//!
//! Where the weather knows the air's water and the absorber is stated, the light's colour counts, too
//! ([`Absorber::factor`]).
//!
//! Not in it: snow, ageing, and what happens within an hour.

use super::matrix::Matrix;
use super::mounting::Mount;
use super::optics::Optics;
use super::skyline::Skyline;
use super::sums::{Sums, Yield};
use super::weather::Weather;
use crate::quantities::{
    Amps, Celsius, Irradiance, MetresPerSecond, Ohms, STC_IRRADIANCE, STC_TEMPERATURE, Volts, Watts,
};
use cresthold_sim::device::columns::{Columns, ColumnsError};
use cresthold_sim::device::desoto::Reference;
use cresthold_sim::device::single_diode::CurveSummary;
use cresthold_sim::sky::SunVector;
use cresthold_sim::sky::almanac::Almanac;
use cresthold_sim::sky::clear::air_mass;
use cresthold_sim::sky::incidence::{Glass, GlassError};
use cresthold_sim::sky::plane::{GRASS_ALBEDO, Plane, PlaneError};
use cresthold_sim::sky::spectrum::Absorber;
use cresthold_sim::sky::sun::extraterrestrial;
use cresthold_sim::sky::transpose::DiffuseSky;
use cresthold_sim::thermal::{Thermal, ThermalParams};

/// How a device makes power of light.
#[derive(Clone, Debug, PartialEq)]
pub enum Converter {
    /// By its single diode at standard conditions.
    Diode(Reference),
    /// By its power at measured points.
    Matrix(Matrix),
}

/// What makes power of light.
#[derive(Clone, Debug, PartialEq)]
pub struct Generator {
    /// The device.
    pub converter: Converter,
    /// How many alike (1..).
    pub count: u32,
    /// How it warms.
    pub thermal: ThermalParams,
}

impl Generator {
    /// Power at standard conditions, of all (W).
    #[must_use]
    pub fn rated(&self) -> Watts {
        let one = match &self.converter {
            Converter::Diode(reference) => {
                reference.at(STC_IRRADIANCE, STC_TEMPERATURE).crest().watts
            }
            Converter::Matrix(matrix) => matrix.rated(),
        };
        one * f64::from(self.count)
    }
}

/// Everything but the weather.
#[derive(Clone, Debug, PartialEq)]
pub struct Chain {
    /// The device.
    pub generator: Generator,
    /// How it is held.
    pub mount: Mount,
    /// What the ground reflects where the weather doesn't say (0..=1).
    pub albedo: f64,
    /// How the diffuse light is spread.
    pub sky: DiffuseSky,
    /// What covers the cells; not for a concentrator.
    pub glass: Glass,
    /// What absorbs the light, where its colour is to count: spans that know the air's water; not for a
    /// concentrator.
    pub absorber: Option<Absorber>,
    /// A concentrator's aim; none for a module.
    pub optics: Option<Optics>,
    /// What stands before the sky.
    pub skyline: Skyline,
    /// Share of the light lost to dirt, by month (0..=1).
    pub soiling: [f64; 12],
    /// Wind where the weather doesn't say (m/s, 0..).
    pub wind: MetresPerSecond,
}

/// Why a yield can't be told.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ChainError {
    /// The mount's or the ground's figures.
    #[error("{0}")]
    Plane(#[from] PlaneError),
    /// The glass.
    #[error("glass: {0}")]
    Glass(#[from] GlassError),
    /// The concentrator's angles.
    #[error(
        "concentrator: give a half angle of acceptance of 0.01..=10 degrees and a pointing error of 0..=10 \
         degrees"
    )]
    Optics,
    /// A concentrator on a mount that doesn't face the sun.
    #[error("a concentrator takes direct light only: mount it on two axes")]
    NotAimed,
    /// The soiling.
    #[error("soiling {0} is no share: give 0..=1")]
    Soiling(f64),
    /// A row lacks what the chain needs.
    #[error("span {row} of the weather, from {start}: no {what} irradiance; the chain needs it")]
    Missing {
        /// Which span, from 1.
        row: usize,
        /// When it begins.
        start: crate::time::Utc,
        /// Of which kind.
        what: &'static str,
    },
    /// The device can't be solved.
    #[error("{0}")]
    Device(#[from] ColumnsError),
    /// A device without a curve is asked for seconds.
    #[error(
        "a power matrix knows no curve to track on: state a data sheet or five parameters for seconds, or take \
         the matrix without them"
    )]
    NoCurve,
}

/// Where the sun stands in the middle of each span, and how bright it is outside the atmosphere.
#[derive(Clone, Debug, PartialEq)]
pub struct Suns(pub(super) Vec<Sun>);

/// The sun over one span.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sun {
    pub(super) place: SunVector,
    /// Outside the atmosphere.
    pub(super) extra: Irradiance,
    /// Absolute air mass.
    pub(super) air_mass: f64,
}

impl Suns {
    /// The sun over `weather`. Spans without any light get a sun at the nadir.
    #[must_use]
    pub fn of(weather: &Weather) -> Self {
        const NADIR: SunVector = SunVector { east: 0.0, north: 0.0, up: -1.0 };
        let half = weather.span / 2;
        let mut almanac = Almanac::new(weather.site);
        let pressure = weather.site.standard_pressure();
        let places = weather.hours.iter().map(|hour| {
            let light = [hour.global, hour.direct, hour.diffuse];
            let lit = light.into_iter().flatten().any(|light| light > Irradiance::ZERO);
            let middle = hour.start + half;
            let place = if lit { almanac.sun(middle) } else { NADIR };
            let air_mass = air_mass(place.zenith_degrees(), pressure);
            Sun { place, extra: extraterrestrial(middle), air_mass }
        });
        Self(places.collect())
    }

    /// The share of the horizontal light (0..=1) that comes while the sun is down: next to nothing where
    /// times, zone and longitude are right.
    #[must_use]
    pub fn light_in_the_dark(&self, weather: &Weather) -> f64 {
        let spans = weather.hours.iter().zip(&self.0);
        let (dark, all) = spans.fold((0.0, 0.0), |(dark, all), (hour, sun)| {
            let light = hour.global.or(hour.direct).map_or(0.0, |light| light.0.max(0.0));
            (dark + if sun.place.up < 0.0 { light } else { 0.0 }, all + light)
        });
        if all > 0.0 { dark / all } else { 0.0 }
    }
}

/// Light and warmth of a device over one span.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Exposure {
    /// On the horizontal (W/m2).
    pub horizontal: Irradiance,
    /// On the plane; direct normal for a concentrator (W/m2).
    pub plane: Irradiance,
    /// What reaches the cells, as light that falls squarely (W/m2).
    pub effective: Irradiance,
    /// What of that is due to the light's colour (W/m2); negative where it takes.
    pub colour: Irradiance,
    /// Of the cells (degC).
    pub cell: Celsius,
}

impl Chain {
    /// A device on a mount over grass, common glass, flat land, no dirt, a Perez sky, and 1 m/s of wind
    /// where nobody measured it.
    #[must_use]
    pub fn new(generator: Generator, mount: Mount) -> Self {
        Self {
            generator,
            mount,
            albedo: GRASS_ALBEDO,
            sky: DiffuseSky::Perez,
            glass: Glass::default(),
            absorber: None,
            optics: None,
            skyline: Skyline::default(),
            soiling: [0.0; 12],
            wind: MetresPerSecond(1.0),
        }
    }

    /// Whether all figures lie in their ranges and fit each other.
    ///
    /// # Errors
    /// [`ChainError`] names the first that doesn't.
    pub fn check(&self) -> Result<(), ChainError> {
        self.mount.check()?;
        Plane::new(0.0, 0.0, self.albedo)?;
        self.glass.check()?;
        if let Some(optics) = self.optics {
            if !optics.is_possible() {
                return Err(ChainError::Optics);
            }
            if self.mount != Mount::TwoAxis {
                return Err(ChainError::NotAimed);
            }
        }
        match self.soiling.iter().find(|share| !(0.0..=1.0).contains(*share)) {
            Some(share) => Err(ChainError::Soiling(*share)),
            None => Ok(()),
        }
    }

    /// The yield under `weather`, whose sun is `suns`.
    ///
    /// # Errors
    /// [`ChainError`]: a figure out of range, a span without the light that the chain needs.
    pub fn run(&self, weather: &Weather, suns: &Suns) -> Result<Yield, ChainError> {
        self.check()?;
        let exposures = self.exposures(weather, suns)?;
        let watts = self.powers(&exposures)?;
        let mut total = Yield::new(self.generator.rated(), weather.years());
        let span = weather.span_hours();
        for ((hour, exposure), watts) in weather.hours.iter().zip(&exposures).zip(&watts) {
            total.add(hour.month, &Sums::of(exposure, *watts, span));
        }
        total.hours = exposures.into_iter().zip(watts).collect();
        Ok(total)
    }

    /// Light and warmth of every span.
    fn exposures(&self, weather: &Weather, suns: &Suns) -> Result<Vec<Exposure>, ChainError> {
        let spread = self.spread_through_glass();
        let spans = weather.hours.iter().zip(&suns.0).enumerate();
        spans
            .map(|(row, (hour, sun))| {
                let light = self.light((row, hour), *sun, spread)?;
                let plane = light.plane().max(Irradiance::ZERO);
                let effective = light.effective().max(Irradiance::ZERO);
                let warming = if self.optics.is_some() { effective } else { plane };
                let (air, wind) = (light.state.air, light.state.wind);
                Ok(Exposure {
                    horizontal: light.state.global,
                    plane,
                    effective,
                    colour: effective * (1.0 - 1.0 / light.colour),
                    cell: Thermal::steady(&self.generator.thermal, warming, air, wind),
                })
            })
            .collect()
    }

    /// Power at the crest of every span (W).
    pub(super) fn powers(&self, exposures: &[Exposure]) -> Result<Vec<Watts>, ColumnsError> {
        match &self.generator.converter {
            Converter::Diode(reference) => self.by_diode(reference, exposures),
            Converter::Matrix(matrix) => {
                let watts = |at: &Exposure| matrix.watts(at.effective, at.cell);
                let count = f64::from(self.generator.count);
                Ok(exposures.iter().map(|at| watts(at) * count).collect())
            }
        }
    }

    fn by_diode(
        &self,
        reference: &Reference,
        exposures: &[Exposure],
    ) -> Result<Vec<Watts>, ColumnsError> {
        let rows = exposures.len();
        let lit: Vec<usize> = (0..rows).filter(|row| exposures[*row].effective.0 > 0.0).collect();
        let (mut photocurrent, mut saturation) = (Vec::<Amps>::new(), Vec::<Amps>::new());
        let (mut series, mut shunt) = (Vec::<Ohms>::new(), Vec::<Ohms>::new());
        let mut ideality = Vec::<Volts>::new();
        for row in &lit {
            let Exposure { effective, cell, .. } = exposures[*row];
            let source = reference.at(effective, cell);
            photocurrent.push(source.photocurrent());
            saturation.push(source.saturation());
            series.push(source.series());
            shunt.push(source.shunt());
            ideality.push(source.ideality());
        }
        let mut found = vec![CurveSummary::default(); lit.len()];
        Columns {
            photocurrent: &photocurrent,
            saturation: &saturation,
            series: &series,
            shunt: &shunt,
            ideality: &ideality,
        }
        .summaries(&mut found)?;
        let mut watts = vec![Watts::ZERO; rows];
        for (row, summary) in lit.into_iter().zip(found) {
            watts[row] = summary.pmp * f64::from(self.generator.count);
        }
        Ok(watts)
    }
}
