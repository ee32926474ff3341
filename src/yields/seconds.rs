//! Hours of weather as seconds, with the clouds that fit them.
//!
//! Model: an hour of a typical year is a mean. What a tracker meets in it is the sun, or a cloud's shadow,
//! and the passage between. So each hour's beam is shared out: the part of the clear sky's beam that it
//! has is the share of the sun, and a field of moving clouds ([`CloudField`], whose sizes, edges and speed are
//! after published statistics) of as much cover says when it shines; of [`STRETCHES`] stretches of that field
//! the one is taken whose share comes closest, and the rest is made up by clouds a little thinner or thicker.
//! Within the hour beam and diffuse light follow the clear sky's course; near the clouds' flanks the diffuse
//! light is stronger. **The hour's means of beam and diffuse light are kept exactly.** Cells warm with their
//! heat capacity.
//!
//! What a clear beam is, the weather says itself: in each month the [`CLEAR_RANK`] of the ratio of the hours'
//! beam to that of a clear sky (Ineichen and Perez, turbidity 3). Hours that have [`CLEAR`] of it or more
//! are clear.
//!
//! What is left out: clouds under an overcast sky (an hour without beam is smooth), a front that
//! comes with the full hour as means do (one step of light an hour is no cloud's), correlation from hour to
//! hour beyond that of the field.
//!
//! Rejected: minutes drawn from a chain of clearness indices (edges would have no length, and a tracker
//! lives on edges), and clouds only at the moments where the hour's mean falls short (the sun would
//! shine by the clock).

use super::chain::{Chain, ChainError, Converter, Suns};
use super::light::Light;
use super::weather::Weather;
use crate::quantities::{Amps, Celsius, Irradiance, WattHours, Watts};
use crate::time::{Instant, Utc};
use cresthold_sim::device::desoto::Reference;
use cresthold_sim::scene::{Exposure as Seen, Scene};
use cresthold_sim::sky::almanac::Almanac;
use cresthold_sim::sky::clear::{air_mass, components};
use cresthold_sim::sky::clouds::{CloudField, Clouds, Shade};
use cresthold_sim::sky::sun::{Site, extraterrestrial};
use cresthold_sim::thermal::Thermal;
use std::ops::Range;
use std::time::Duration;

/// Step of the light.
const SECOND: Duration = Duration::from_secs(1);
/// Fields of clouds, each a step of cover denser than the one before.
const COVERS: usize = 20;
/// Stretches of the field that are tried for an hour.
const STRETCHES: u32 = 6;
/// Between two tries (s): the field has long been another.
const APART: Duration = Duration::from_secs(7 * 86_400);
/// Looks at a stretch to see what share of the sun it has: each minute one.
const LOOK: Duration = Duration::from_secs(60);
/// From this share of the clear beam on an hour is clear: haze differs by as much.
const CLEAR: f64 = 0.95;
/// Place in order of a month's clearest hours that counts as clear (share).
const CLEAR_RANK: f64 = 0.95;
/// Lower suns tell nothing of clearness (cosine of the zenith angle; 15 degrees over the horizon).
const HIGH: f64 = 0.258_819_045_102_520_74;
/// Linke turbidity of the clear sky: a temperate one; each month is scaled to its own.
const TURBIDITY: f64 = 3.0;
/// Points at which the course within a span is computed.
const NODES: usize = 13;

/// What the load can take (each above zero).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoadLimits {
    /// Largest current (A).
    pub amps: Amps,
    /// Largest power (W).
    pub watts: Watts,
}

/// Hours as seconds: the clouds for a chain and its weather.
#[derive(Debug)]
pub struct Within<'a> {
    chain: &'a Chain,
    reference: Reference,
    weather: &'a Weather,
    lights: Vec<Light>,
    /// Share of the clear beam (0..=1) of each span; none where there is no beam to speak of.
    shares: Vec<Option<f64>>,
    /// The clear sky's course within each span.
    courses: Vec<Course>,
    fields: Vec<CloudField>,
    enhancement: f64,
    days: Vec<Range<usize>>,
}

/// How beam on the device and diffuse light go within a span, each with a mean of one.
#[derive(Clone, Copy, Debug)]
struct Course {
    beam: [f64; NODES],
    diffuse: [f64; NODES],
    /// The clear sky's mean direct and global light (W/m2).
    direct: f64,
    global: f64,
}

impl<'a> Within<'a> {
    /// Clouds for every hour; `seed` chooses them.
    ///
    /// # Errors
    /// [`ChainError`]: a span lacks light that the chain needs, or the device has no curve.
    ///
    /// # Panics
    /// Never: the fields' figures are fixed.
    pub fn new(
        chain: &'a Chain,
        weather: &'a Weather,
        suns: &Suns,
        seed: u64,
    ) -> Result<Self, ChainError> {
        chain.check()?;
        let Converter::Diode(reference) = chain.generator.converter else {
            return Err(ChainError::NoCurve);
        };
        let spread = chain.spread_through_glass();
        let spans = weather.hours.iter().zip(&suns.0).enumerate();
        let lights: Vec<Light> = spans
            .map(|(row, (hour, sun))| chain.light((row, hour), *sun, spread))
            .collect::<Result<_, _>>()?;
        let mut almanac = Almanac::new(weather.site);
        let lit = |light: &Light| light.effective() > Irradiance::ZERO;
        let courses: Vec<Course> = weather
            .hours
            .iter()
            .zip(&lights)
            .map(|(hour, light)| {
                if lit(light) {
                    Course::of(chain, (weather.site, &mut almanac), hour.start, weather.span)
                } else {
                    Course::FLAT
                }
            })
            .collect();
        let shares = shares(weather, &lights, &courses);
        let usual = Clouds::default();
        let fields = (0..COVERS).map(|step| {
            let cover = (step as f64 + 0.5) / COVERS as f64;
            CloudField::new(Clouds { cover, ..usual }, seed).expect("fixed figures in their ranges")
        });
        let days = days(weather, |row| lit(&lights[row]));
        let fields = fields.collect();
        let enhancement = usual.enhancement;
        Ok(Self { chain, reference, weather, lights, shares, courses, fields, enhancement, days })
    }

    /// The single diode that the device is.
    #[must_use]
    pub const fn reference(&self) -> Reference {
        self.reference
    }

    /// How many stretches of daylight there are.
    #[must_use]
    pub fn days(&self) -> usize {
        self.days.len()
    }

    /// The month (1..=12) of a stretch (below [`Within::days`]).
    #[must_use]
    pub fn month(&self, day: usize) -> u8 {
        self.weather.hours[self.days[day].start].month
    }

    /// One stretch of daylight (below [`Within::days`]), second by second.
    #[must_use]
    pub fn day(&self, day: usize) -> Daylight {
        let spans = self.days[day].clone();
        let per_span = self.weather.span.as_secs() as usize;
        let mut light = Vec::with_capacity(spans.len() * per_span);
        let mut cells = Vec::with_capacity(spans.len() * per_span);
        let mut shades = vec![Shade::default(); per_span];
        let params = self.chain.generator.thermal;
        let aimed = self.chain.optics.is_some();
        let mut thermal = Thermal::new(params, self.weather.hours[spans.start].air);
        for row in spans {
            let Light { state, beam, rest, .. } = self.lights[row];
            let (beams, diffuses) = self.factors(row, &mut shades);
            for (on_beam, on_rest) in beams.into_iter().zip(diffuses) {
                let effective = beam[1] * on_beam + rest[1] * on_rest;
                let plane = beam[0] * on_beam + rest[0] * on_rest;
                let warming = if aimed { effective } else { plane };
                cells.push(thermal.step(SECOND, warming, state.air, state.wind));
                light.push(effective.max(Irradiance::ZERO));
            }
        }
        Daylight { light, cells }
    }

    /// What a span's beam and diffuse light are multiplied by in each second; both have a mean of one.
    fn factors(&self, row: usize, shades: &mut [Shade]) -> (Vec<f64>, Vec<f64>) {
        let course = &self.courses[row];
        let count = shades.len();
        let mut beams = course.seconds(&course.beam, count);
        let mut diffuses = course.seconds(&course.diffuse, count);
        if let Some(share) = self.shares[row].filter(|share| *share < CLEAR) {
            self.choose(row, share, shades);
            let open = |shade: &Shade| 1.0 - shade.depth * shade.opacity;
            let opened = shades.iter().zip(&beams);
            let (sum, all) = opened.fold((0.0, 0.0), |(sum, all), (shade, beam)| {
                (sum + open(shade) * beam, all + beam)
            });
            let found = sum / all;
            // Thinner where there is too little sun, dimmer where there is too much: within 0..=1.
            let lift = if found < share { (share - found) / (1.0 - found) } else { 0.0 };
            let dim = if found > share { share / found } else { 1.0 };
            for (beam, shade) in beams.iter_mut().zip(&*shades) {
                let open = open(shade) * dim;
                *beam *= open + (1.0 - open) * lift;
            }
            self.brighten(row, shades, &mut diffuses);
        }
        level(&mut beams);
        level(&mut diffuses);
        (beams, diffuses)
    }

    /// The stretch of the field whose share of the sun comes closest to `share`.
    fn choose(&self, row: usize, share: f64, shades: &mut [Shade]) {
        let step = ((1.0 - share) * COVERS as f64) as usize;
        let field = &self.fields[step.min(COVERS - 1)];
        let start = self.weather.hours[row].start;
        let looks =
            usize::try_from(self.weather.span.as_secs() / LOOK.as_secs()).unwrap_or(1).max(1);
        let mut seen = vec![Shade::default(); looks];
        let mut best = (f64::INFINITY, start);
        for attempt in 0..STRETCHES {
            let from = start + APART * attempt;
            field.pass(from, LOOK, &mut seen);
            let open: f64 = seen.iter().map(|shade| 1.0 - shade.depth * shade.opacity).sum();
            let off = (open / looks as f64 - share).abs();
            if off < best.0 {
                best = (off, from);
            }
        }
        field.pass(best.1, SECOND, shades);
    }

    /// Light from the clouds' flanks, as far as the span's diffuse light has room for it.
    fn brighten(&self, row: usize, shades: &[Shade], diffuses: &mut [f64]) {
        let diffuse = self.lights[row].state.diffuse.0;
        let mean = shades.iter().map(|shade| shade.glare).sum::<f64>() / shades.len() as f64;
        if diffuse <= 0.0 || mean <= 0.0 {
            return;
        }
        let strength = (self.enhancement * self.courses[row].global / diffuse).min(1.0 / mean);
        for (factor, shade) in diffuses.iter_mut().zip(shades) {
            *factor *= 1.0 + strength * (shade.glare - mean);
        }
    }

    /// Energy of a stretch at the crest (Wh), and what of it lies beyond the limits of the load; of all
    /// devices.
    #[must_use]
    pub fn crest(&self, day: &Daylight, limits: Option<&LoadLimits>) -> (WattHours, WattHours) {
        let (mut sum, mut beyond) = (0.0, 0.0);
        for (light, cell) in day.light.iter().zip(&day.cells) {
            if light.0 <= 0.0 {
                continue;
            }
            let source = self.reference.at(*light, *cell);
            let crest = source.crest();
            sum += crest.watts.0;
            if let Some(LoadLimits { amps, watts }) = limits {
                let held = if crest.amps > *amps {
                    // To the right of the crest, where the current is as much as the load takes.
                    source.voltage(*amps) * *amps
                } else {
                    crest.watts
                };
                beyond += (crest.watts - held.min(*watts)).0;
            }
        }
        let each = f64::from(self.chain.generator.count) / 3600.0;
        (WattHours(sum * each), WattHours(beyond * each))
    }
}

/// A factor of all ones in the mean.
fn level(factors: &mut [f64]) {
    let mean = factors.iter().sum::<f64>() / factors.len().max(1) as f64;
    for factor in factors {
        *factor = if mean > 0.0 { *factor / mean } else { 1.0 };
    }
}

impl Course {
    const FLAT: Self = Self { beam: [1.0; NODES], diffuse: [1.0; NODES], direct: 0.0, global: 0.0 };

    fn of(
        chain: &Chain,
        (site, almanac): (Site, &mut Almanac),
        start: Utc,
        span: Duration,
    ) -> Self {
        let mut course = Self { beam: [0.0; NODES], diffuse: [0.0; NODES], ..Self::FLAT };
        let pressure = site.standard_pressure();
        for node in 0..NODES {
            let at = start + span.mul_f64(node as f64 / (NODES - 1) as f64);
            let sun = almanac.sun(at);
            let zenith = sun.zenith_degrees();
            let mass = air_mass(zenith, pressure);
            let clear = components(extraterrestrial(at), zenith, TURBIDITY, site.elevation(), mass);
            let facing = match chain.optics {
                Some(_) => 1.0,
                None => chain.mount.normal(sun).dot(sun).max(0.0),
            };
            course.beam[node] = clear.direct.0 * facing;
            course.diffuse[node] = clear.diffuse.0;
            course.direct += clear.direct.0 / NODES as f64;
            course.global += clear.global.0 / NODES as f64;
        }
        course
    }

    /// A course in `count` steps, in straight lines between the nodes.
    fn seconds(&self, nodes: &[f64; NODES], count: usize) -> Vec<f64> {
        let each = (NODES - 1) as f64 / count.max(1) as f64;
        (0..count)
            .map(|second| {
                let place = (second as f64 + 0.5) * each;
                let below = (place as usize).min(NODES - 2);
                nodes[below] + (nodes[below + 1] - nodes[below]) * (place - below as f64)
            })
            .collect()
    }
}

/// Share of the clear beam of each span.
fn shares(weather: &Weather, lights: &[Light], courses: &[Course]) -> Vec<Option<f64>> {
    let spans = || weather.hours.iter().zip(lights).zip(courses);
    let ratio = |light: &Light, course: &Course| {
        (course.direct > 0.0).then(|| light.state.direct.0 / course.direct)
    };
    let mut by_month: [Vec<f64>; 12] = Default::default();
    for ((hour, light), course) in spans() {
        if let Some(ratio) = ratio(light, course).filter(|_| light.state.sun.up > HIGH) {
            by_month[usize::from(hour.month.clamp(1, 12)) - 1].push(ratio);
        }
    }
    let clear = by_month.map(|mut ratios| {
        ratios.sort_by(f64::total_cmp);
        let last = ratios.len().saturating_sub(1) as f64;
        ratios.get((last * CLEAR_RANK).round() as usize).copied().filter(|ratio| *ratio > 0.0)
    });
    spans()
        .map(|((hour, light), course)| {
            let clear = clear[usize::from(hour.month.clamp(1, 12)) - 1]?;
            let share = ratio(light, course)? / clear;
            (share > 0.0).then(|| share.min(1.0))
        })
        .collect()
}

/// Stretches of lit spans that follow one another.
fn days(weather: &Weather, lit: impl Fn(usize) -> bool) -> Vec<Range<usize>> {
    let mut days: Vec<Range<usize>> = Vec::new();
    for (row, hour) in weather.hours.iter().enumerate() {
        if !lit(row) {
            continue;
        }
        match days.last_mut() {
            Some(day)
                if day.end == row && weather.hours[row - 1].start + weather.span == hour.start =>
            {
                day.end = row + 1;
            }
            _ => days.push(row..row + 1),
        }
    }
    days
}

/// A stretch of daylight: what one device is exposed to.
#[derive(Clone, Debug)]
pub struct Daylight {
    /// At the cells, each second (W/m2).
    light: Vec<Irradiance>,
    /// Of the cells, at the end of each second (degC).
    cells: Vec<Celsius>,
}

impl Daylight {
    /// Light at the cells, each second (W/m2).
    #[must_use]
    pub fn light(&self) -> &[Irradiance] {
        &self.light
    }

    /// Temperature of the cells at the end of each second (degC).
    #[must_use]
    pub fn cells(&self) -> &[Celsius] {
        &self.cells
    }
}

impl Scene for Daylight {
    fn length(&self) -> Duration {
        SECOND * u32::try_from(self.light.len()).unwrap_or(u32::MAX)
    }

    fn expose(&mut self, at: Instant, to: &mut Seen) {
        let second = at.as_nanos() / SECOND.as_nanos() as u64;
        let second = usize::try_from(second).unwrap_or(usize::MAX).min(self.light.len() - 1);
        to.uniform(self.light[second], self.cells[second]);
    }

    /// The rest of the second.
    fn still_for(&self, at: Instant) -> Duration {
        let second = SECOND.as_nanos() as u64;
        Duration::from_nanos(second - at.as_nanos() % second)
    }
}
