//! Where the sun stands, seen from a site.
//!
//! Model: the NREL solar position algorithm (I. Reda, A. Andreas, "Solar position algorithm for
//! solar radiation applications", Solar Energy 76(5), 2004, also NREL/TP-560-34302; uncertainty
//! 0.0003 degrees, years -2000 to 6000), taken from the crate `solar-positioning`, topocentric and
//! refracted by a standard atmosphere. Skies ask for it once a minute and interpolate.
//!
//! Rejected: an own algorithm (hundreds of periodic terms to copy without gain); the crate `spa`
//! (neither elevation nor refraction is taken into account); faster series of 0.01 degrees (speed
//! is no matter at one call a minute).

use super::SunVector;
use crate::quantities::{Celsius, Irradiance};
use crate::time::Utc;
use solar_positioning::time::JulianDate;
use solar_positioning::{Location, RefractionCorrection, SolarPositions, delta_t};

/// Lowest elevation taken (m): below the Dead Sea's shore.
const LOWEST_SITE: f64 = -450.0;
/// Highest elevation taken (m): above Mount Everest; the pressure formula holds to 11 000 m.
const HIGHEST_SITE: f64 = 9000.0;
/// Air temperature that refraction is computed with (degC); 20 degrees more or less move the sun
/// by 0.04 degrees at the horizon and by 0.001 degrees at 45 degrees.
const REFRACTION_AIR: Celsius = Celsius(12.0);
/// Elevation (degrees) below which nothing of the sun's disk is seen, so that it is not refracted: its half
/// diameter and the refraction at the horizon (Reda and Andreas 2004, section 3.14.2).
const REFRACTION_FROM: f64 = -(0.26667 + 0.5667);
/// Julian date of 1970-01-01T00:00:00Z.
const JULIAN_1970: f64 = 2_440_587.5;
/// Microseconds of a day.
const DAY_MICROS: f64 = 86_400e6;
/// Days of a mean Gregorian year.
const YEAR_DAYS: f64 = 365.2425;
/// Days since 1970 between which the sun is computed (years 1900 and 2990); times beyond are taken
/// as these. The algorithm itself reaches further, the estimate of delta T does not.
const EARLIEST_DAY: f64 = -70.0 * YEAR_DAYS;
/// See [`EARLIEST_DAY`].
const LATEST_DAY: f64 = 1020.0 * YEAR_DAYS;
/// Solar constant (W/m2), ASTM E490-00, the one commonly combined with Spencer's series.
pub const SOLAR_CONSTANT: f64 = 1366.1;

/// A place on the earth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Site {
    latitude: f64,
    longitude: f64,
    elevation: f64,
}

/// Why a [`Site`] was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SiteError {
    /// Latitude outside -90..=90.
    #[error("latitude {0} is not on the earth: give degrees north, -90..=90")]
    Latitude(f64),
    /// Longitude outside -180..=180.
    #[error("longitude {0} is not on the earth: give degrees east, -180..=180 (west is negative)")]
    Longitude(f64),
    /// Elevation outside -450..=9000.
    #[error("elevation {0} m is not on the ground: give metres above sea level, -450..=9000")]
    Elevation(f64),
}

/// What bends and dates the sun's apparent place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// Air pressure at the site (hPa, 0 exclusive..=2000).
    pub pressure: f64,
    /// Air temperature at the site (degC, above -273.15).
    pub air: Celsius,
    /// Terrestrial time less universal time (s).
    pub delta_t: f64,
}

impl Site {
    /// A site at `latitude` (degrees north, -90..=90), `longitude` (degrees east, -180..=180) and
    /// `elevation` (m above sea level, -450..=9000).
    ///
    /// # Errors
    /// [`SiteError`] names the first number that lies outside its range or is no number.
    pub fn new(latitude: f64, longitude: f64, elevation: f64) -> Result<Self, SiteError> {
        if !(-90.0..=90.0).contains(&latitude) {
            Err(SiteError::Latitude(latitude))
        } else if !(-180.0..=180.0).contains(&longitude) {
            Err(SiteError::Longitude(longitude))
        } else if !(LOWEST_SITE..=HIGHEST_SITE).contains(&elevation) {
            Err(SiteError::Elevation(elevation))
        } else {
            Ok(Self { latitude, longitude, elevation })
        }
    }

    /// Degrees north.
    #[must_use]
    pub const fn latitude(&self) -> f64 {
        self.latitude
    }

    /// Degrees east.
    #[must_use]
    pub const fn longitude(&self) -> f64 {
        self.longitude
    }

    /// Metres above sea level.
    #[must_use]
    pub const fn elevation(&self) -> f64 {
        self.elevation
    }

    /// Pressure of the standard atmosphere at the site (hPa).
    ///
    /// p = 1013.25 (1 - 2.25577e-5 h)^5.25588 with h the elevation in metres, below 11 000 m
    /// (ICAO standard atmosphere, from memory; the constants of the common engineering form).
    ///
    /// ```
    /// use cresthold_sim::sky::sun::Site;
    /// let site = Site::new(46.815, 6.944, 491.0).unwrap();
    /// assert!((site.standard_pressure() - 955.66).abs() < 0.05); // the day's record says 947
    /// ```
    #[must_use]
    pub fn standard_pressure(&self) -> f64 {
        1013.25 * (1.0 - 2.25577e-5 * self.elevation).powf(5.25588)
    }

    /// Where the sun stands at `at`, refracted by a standard atmosphere.
    ///
    /// Times outside the years 1900..=2990 are taken as the nearest of these.
    ///
    /// ```
    /// use cresthold_sim::sky::sun::Site;
    /// let site = Site::new(46.815, 6.944, 491.0).unwrap();
    /// let noon = site.sun("2016-06-15T11:32:46Z".parse().unwrap());
    /// // Height at noon: 90 - latitude + declination (23.32 degrees on that day).
    /// assert!((noon.zenith_degrees() - (46.815 - 23.32)).abs() < 0.02);
    /// assert!((noon.azimuth_degrees() - 180.0).abs() < 0.05);
    /// ```
    #[must_use]
    pub fn sun(&self, at: Utc) -> SunVector {
        let year = 1970.0 + days_since_1970(at) / YEAR_DAYS;
        let delta_t = delta_t::estimate(year).unwrap_or(0.0);
        let pressure = self.standard_pressure();
        self.sun_under(at, &Conditions { pressure, air: REFRACTION_AIR, delta_t })
    }

    /// Where the sun stands at `at` under the stated conditions.
    ///
    /// Conditions that no air can have leave the refraction out.
    #[must_use]
    pub fn sun_under(&self, at: Utc, conditions: &Conditions) -> SunVector {
        let refraction = RefractionCorrection::new(conditions.pressure, conditions.air.0).ok();
        let delta_t = if conditions.delta_t.is_finite() { conditions.delta_t } else { 0.0 };
        let place = Location { latitude: self.latitude, longitude: self.longitude };
        JulianDate::new(JULIAN_1970 + days_since_1970(at), delta_t)
            .and_then(|time| {
                SolarPositions::new().at_from_julian(time, place, self.elevation, refraction)
            })
            .map_or(SunVector { east: 0.0, north: 0.0, up: -1.0 }, |position| {
                SunVector::from_degrees(position.zenith_angle(), position.azimuth())
            })
    }
}

/// Days since 1970, held within the years that have an estimate of delta T.
#[expect(clippy::cast_precision_loss, reason = "microseconds of 1000 years have 55 bits")]
pub(super) fn days_since_1970(at: Utc) -> f64 {
    (at.as_micros() as f64 / DAY_MICROS).clamp(EARLIEST_DAY, LATEST_DAY)
}

/// The algorithm's time at a number of days since 1970, with the estimate of delta T.
pub(super) fn julian(days: f64) -> Option<JulianDate> {
    let delta_t = delta_t::estimate(1970.0 + days / YEAR_DAYS).unwrap_or(0.0);
    JulianDate::new(JULIAN_1970 + days, delta_t).ok()
}

/// A direction (of any length) as a standard atmosphere at the site bends it: raised by
/// `p/1010 283/(273 + T) 1.02/(60 tan(e + 10.3/(e + 5.11)))` degrees at the elevation e (degrees), while e is
/// above [`REFRACTION_FROM`] (Reda and Andreas 2004, equation 42).
pub(super) fn refracted(site: &Site, direction: SunVector) -> SunVector {
    let level = direction.east.hypot(direction.north);
    let elevation = direction.up.atan2(level).to_degrees();
    let raised = if elevation > REFRACTION_FROM {
        let angle = (elevation + 10.3 / (elevation + 5.11)).to_radians();
        let air = site.standard_pressure() / 1010.0 * 283.0 / (273.0 + REFRACTION_AIR.0);
        elevation + air * 1.02 / (60.0 * angle.tan())
    } else {
        elevation
    };
    let (up, along) = raised.to_radians().sin_cos();
    let scale = if level > 0.0 { along / level } else { 0.0 };
    SunVector { east: direction.east * scale, north: direction.north * scale, up }
}

/// Irradiance outside the atmosphere on a plane facing the sun.
///
/// E0 = Esc (1.00011 + 0.034221 cos b + 0.00128 sin b + 0.000719 cos 2b + 0.000077 sin 2b) with
/// b = 2 pi (n - 1) / 365, n the day of the year from 1, Esc the [`SOLAR_CONSTANT`] (J. W. Spencer,
/// "Fourier series representation of the position of the sun", Search 2(5), 1971). Uncertainty
/// 0.01 % of the distance's share; n counts whole UTC days.
///
/// ```
/// use cresthold_sim::sky::sun::extraterrestrial;
/// let perihelion = extraterrestrial("2016-01-03T12:00:00Z".parse().unwrap());
/// let aphelion = extraterrestrial("2016-07-04T12:00:00Z".parse().unwrap());
/// assert!((perihelion.0 - 1414.0).abs() < 0.5 && (aphelion.0 - 1320.5).abs() < 0.5);
/// ```
#[must_use]
pub fn extraterrestrial(at: Utc) -> Irradiance {
    let angle = std::f64::consts::TAU * f64::from(day_of_year(at) - 1) / 365.0;
    let (sin, cos) = angle.sin_cos();
    let (sin2, cos2) = (2.0 * angle).sin_cos();
    let series = 1.00011 + 0.034221 * cos + 0.00128 * sin + 0.000719 * cos2 + 0.000077 * sin2;
    Irradiance(SOLAR_CONSTANT * series)
}

/// Day of the year, from 1 (UTC).
#[must_use]
pub fn day_of_year(at: Utc) -> u16 {
    jiff::Timestamp::from_microsecond(at.as_micros())
        .map_or(1, |time| jiff::tz::Offset::UTC.to_datetime(time).day_of_year().unsigned_abs())
}

/// Microseconds of a minute.
pub(crate) const MINUTE_MICROS: i64 = 60_000_000;

/// The sun over one minute, computed at its edges.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SunMinute {
    from: SunVector,
    to: SunVector,
}

impl SunMinute {
    /// The sun over the minute that starts at `start`.
    pub(crate) fn new(site: &Site, start: Utc) -> Self {
        let end = Utc::from_micros(start.as_micros().saturating_add(MINUTE_MICROS));
        Self { from: site.sun(start), to: site.sun(end) }
    }

    /// The following minute: its first edge is this one's last.
    pub(crate) fn next(&self, site: &Site, start: Utc) -> Self {
        let end = Utc::from_micros(start.as_micros().saturating_add(MINUTE_MICROS));
        Self { from: self.to, to: site.sun(end) }
    }

    /// Direction at `share` (0..=1) of the minute.
    pub(crate) fn at(&self, share: f64) -> SunVector {
        self.from.towards(self.to, share)
    }
}
