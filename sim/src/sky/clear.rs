//! A cloudless sky of given turbidity.
//!
//! Model: P. Ineichen and R. Perez, "A new airmass independent formulation for the Linke turbidity
//! coefficient", Solar Energy 73(3), 151-157, 2002, in the arrangement of pvlib-python 0.16.1
//! (`clearsky.ineichen`, without its optional factor for very clear skies). With height h (m),
//! Linke turbidity TL, absolute air mass m, extraterrestrial irradiance E0 (W/m2), cosine of the
//! zenith angle c:
//!
//! - f1 = exp(-h/8000), f2 = exp(-h/1250), a1 = 5.09e-5 h + 0.868, a2 = 3.92e-5 h + 0.0387
//! - global Gh = a1 E0 c exp(-a2 m (f1 + f2 (TL - 1)))
//! - direct Gb = min(E0 (0.664 + 0.163/f1) exp(-0.09 m (TL - 1)),
//!   Gh (1 - (0.1 - 0.2 exp(-TL)) / (0.1 + 0.882/f1)) / c)
//! - diffuse Gd = Gh - Gb c
//!
//! Air mass: F. Kasten and A. T. Young, "Revised optical air mass tables and approximation
//! formula", Applied Optics 28(22), 1989, times pressure over 1013.25 hPa. E0: Spencer 1971
//! ([`extraterrestrial`]).
//!
//! The air temperature is a daily cosine, warmest three hours after the sun's noon; the wind is
//! steady. Both are for plants whose weather doesn't matter otherwise.
//!
//! Rejected: radiative transfer and its fits (aerosol and water vapour would have to be known);
//! monthly turbidity maps (data of megabytes for a number that the caller can state).

use super::sun::{MINUTE_MICROS, Site, SunMinute, extraterrestrial};
use super::{Place, Sky, SkyState};
use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::time::Utc;

/// Pressure that air mass is referred to (hPa).
const SEA_LEVEL: f64 = 1013.25;
/// Linke turbidities taken: 1 is air without water and dust, 10 a very hazy sky.
const TURBIDITY_RANGE: (f64, f64) = (1.0, 10.0);
/// Hours after the sun's noon at which the air is warmest (common experience: 14 to 15 o'clock).
const WARMEST_AFTER_NOON: f64 = 3.0;

/// Air mass along the sun's rays, relative to the vertical at sea level's pressure.
///
/// m = 1 / (cos z + 0.50572 (96.07995 - z)^-1.6364), z the apparent zenith angle in degrees (Kasten
/// and Young 1989; within 0.5 % up to 90 degrees), times `pressure` (hPa) / 1013.25. Beyond 90
/// degrees that of the horizon.
///
/// ```
/// use cresthold_sim::sky::clear::air_mass;
/// assert!((air_mass(0.0, 1013.25) - 0.99971).abs() < 1e-5);
/// assert!((air_mass(60.0, 1013.25) - 1.9943).abs() < 1e-4);
/// assert!((air_mass(90.0, 1013.25) - 37.9196).abs() < 1e-3);
/// ```
#[must_use]
pub fn air_mass(zenith: f64, pressure: f64) -> f64 {
    let zenith = zenith.min(90.0);
    let relative = 1.0 / (zenith.to_radians().cos() + 0.50572 * (96.07995 - zenith).powf(-1.6364));
    relative * pressure / SEA_LEVEL
}

/// Global horizontal, direct normal and diffuse horizontal irradiance of a clear sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Components {
    /// Global horizontal (W/m2).
    pub global: Irradiance,
    /// Direct normal (W/m2).
    pub direct: Irradiance,
    /// Diffuse horizontal (W/m2).
    pub diffuse: Irradiance,
}

/// The clear sky's components (module documentation: the equations): `extra` is the irradiance
/// outside the atmosphere, `zenith` the apparent zenith angle (degrees), `elevation` in metres, `air_mass` the absolute one.
///
/// ```
/// use cresthold_sim::quantities::Irradiance;
/// use cresthold_sim::sky::clear::{air_mass, components};
/// let noon = components(Irradiance(1366.1), 30.0, 3.0, 0.0, air_mass(30.0, 1013.25));
/// // pvlib 0.16.1: ineichen(30, 1.1539922, 3.0, 0, 1366.1): 898.1456 and 917.8611.
/// assert!((noon.global.0 - 898.1456).abs() < 1e-3);
/// assert!((noon.direct.0 - 917.8611).abs() < 1e-3);
/// ```
#[must_use]
pub fn components(
    extra: Irradiance,
    zenith: f64,
    turbidity: f64,
    elevation: f64,
    air_mass: f64,
) -> Components {
    let cosine = zenith.to_radians().cos();
    if cosine <= 0.0 {
        let zero = Irradiance::ZERO;
        return Components { global: zero, direct: zero, diffuse: zero };
    }
    let f1 = (-elevation / 8000.0).exp();
    let f2 = (-elevation / 1250.0).exp();
    let a1 = 5.09e-5 * elevation + 0.868;
    let a2 = 3.92e-5 * elevation + 0.0387;
    let haze = turbidity - 1.0;
    let global = a1 * extra.0 * cosine * (-a2 * air_mass * (f1 + f2 * haze)).exp();
    let by_beam = extra.0 * (0.664 + 0.163 / f1) * (-0.09 * air_mass * haze).exp();
    let diffuse_least = (0.1 - 0.2 * (-turbidity).exp()) / (0.1 + 0.882 / f1);
    let direct = by_beam.min(global * (1.0 - diffuse_least) / cosine).max(0.0);
    let diffuse = (global - direct * cosine).max(0.0);
    Components {
        global: Irradiance(global),
        direct: Irradiance(direct),
        diffuse: Irradiance(diffuse),
    }
}

/// The air over the day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weather {
    /// Linke turbidity (1..=10): about 2 in clean cold air, 3 in temperate, 5 in hazy.
    pub turbidity: f64,
    /// Mean air temperature of the day (degC).
    pub mean: Celsius,
    /// How far it swings to either side (K, 0..).
    pub swing: f64,
    /// Wind speed (m/s, 0..).
    pub wind: MetresPerSecond,
}

/// A temperate day.
impl Default for Weather {
    fn default() -> Self {
        Self { turbidity: 3.0, mean: Celsius(20.0), swing: 6.0, wind: MetresPerSecond(2.0) }
    }
}

/// Why a [`ClearSky`] was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ClearSkyError {
    /// Turbidity outside 1..=10.
    #[error("Linke turbidity {0} is out of range: give 1..=10 (3 is a temperate clear day)")]
    Turbidity(f64),
    /// Air temperature that isn't one.
    #[error(
        "air temperature {mean} degC with a swing of {swing} K is no weather: give -90..=60 \
             degC and 0..=40 K"
    )]
    Air {
        /// Mean (degC).
        mean: f64,
        /// Swing (K).
        swing: f64,
    },
    /// Wind speed that isn't one.
    #[error("wind {0} m/s is no wind: give 0..=75 m/s")]
    Wind(f64),
}

/// A cloudless sky over a site.
///
/// The components are computed at the edges of each minute and joined linearly in between.
///
/// ```
/// use cresthold_sim::sky::{Place, Sky, clear::{ClearSky, Weather}, sun::Site};
/// let site = Site::new(46.815, 6.944, 491.0).unwrap();
/// let mut sky = ClearSky::new(site, Weather::default()).unwrap();
/// let noon = sky.state("2016-06-15T11:33:00Z".parse().unwrap(), Place::default());
/// // Clear minutes of the day recorded there: direct about 960, diffuse about 100 W/m2.
/// assert!((noon.direct.0 - 900.0).abs() < 60.0 && (noon.diffuse.0 - 120.0).abs() < 40.0);
/// ```
#[derive(Clone, Debug)]
pub struct ClearSky {
    site: Site,
    weather: Weather,
    minute: ClearMinute,
}

#[derive(Clone, Copy, Debug)]
struct ClearMinute {
    start: i64,
    sun: SunMinute,
    direct: [f64; 2],
    diffuse: [f64; 2],
    air: [f64; 2],
}

impl ClearSky {
    /// A cloudless sky over `site` with the given weather.
    ///
    /// # Errors
    /// [`ClearSkyError`] names what lies outside its range or is no number.
    pub fn new(site: Site, weather: Weather) -> Result<Self, ClearSkyError> {
        let Weather { turbidity, mean, swing, wind } = weather;
        if !(TURBIDITY_RANGE.0..=TURBIDITY_RANGE.1).contains(&turbidity) {
            return Err(ClearSkyError::Turbidity(turbidity));
        }
        if !(-90.0..=60.0).contains(&mean.0) || !(0.0..=40.0).contains(&swing) {
            return Err(ClearSkyError::Air { mean: mean.0, swing });
        }
        if !(0.0..=75.0).contains(&wind.0) {
            return Err(ClearSkyError::Wind(wind.0));
        }
        let sun = SunMinute::new(&site, Utc::default());
        Ok(Self { site, weather, minute: ClearMinute::new(&site, &weather, 0, sun) })
    }

    /// Where the sky is.
    #[must_use]
    pub const fn site(&self) -> Site {
        self.site
    }

    #[cold]
    fn turn_to(&mut self, start: i64) {
        let start_time = Utc::from_micros(start);
        let sun = if self.minute.start.saturating_add(MINUTE_MICROS) == start {
            self.minute.sun.next(&self.site, start_time)
        } else {
            SunMinute::new(&self.site, start_time)
        };
        self.minute = ClearMinute::new(&self.site, &self.weather, start, sun);
    }
}

impl ClearMinute {
    fn new(site: &Site, weather: &Weather, start: i64, sun: SunMinute) -> Self {
        let extra = extraterrestrial(Utc::from_micros(start));
        let pressure = site.standard_pressure();
        let edges = [0.0, 1.0].map(|share| {
            let zenith = sun.at(share).zenith_degrees();
            let mass = air_mass(zenith, pressure);
            components(extra, zenith, weather.turbidity, site.elevation(), mass)
        });
        let ends = [start, start.saturating_add(MINUTE_MICROS)];
        Self {
            start,
            sun,
            direct: edges.map(|edge| edge.direct.0),
            diffuse: edges.map(|edge| edge.diffuse.0),
            air: ends.map(|micros| air(site, weather, micros)),
        }
    }
}

/// Air temperature (degC): a cosine of the mean solar time.
#[expect(clippy::cast_precision_loss, reason = "microseconds of a day")]
fn air(site: &Site, weather: &Weather, micros: i64) -> f64 {
    let utc_hours = micros.rem_euclid(24 * 60 * MINUTE_MICROS) as f64 / 3.6e9;
    let since_warmest = utc_hours + site.longitude() / 15.0 - 12.0 - WARMEST_AFTER_NOON;
    let angle = std::f64::consts::TAU * since_warmest / 24.0;
    weather.mean.0 + weather.swing * angle.cos()
}

impl Sky for ClearSky {
    /// Time may go anywhere; within a minute a call is a few multiplications.
    #[expect(clippy::cast_precision_loss, reason = "microseconds of a minute")]
    fn state(&mut self, at: Utc, _place: Place) -> SkyState {
        let within = at.as_micros().rem_euclid(MINUTE_MICROS);
        let start = at.as_micros().saturating_sub(within);
        if start != self.minute.start {
            self.turn_to(start);
        }
        let minute = &self.minute;
        let share = within as f64 * (1.0 / MINUTE_MICROS as f64);
        let between = |edges: [f64; 2]| edges[0] + (edges[1] - edges[0]) * share;
        let sun = minute.sun.at(share);
        let (direct, diffuse) = (between(minute.direct), between(minute.diffuse));
        SkyState {
            global: Irradiance(direct * sun.up.max(0.0) + diffuse),
            direct: Irradiance(direct),
            diffuse: Irradiance(diffuse),
            air: Celsius(between(minute.air)),
            wind: self.weather.wind,
            sun,
        }
    }
}
