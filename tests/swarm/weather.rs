//! The sky of a life: clear, broken and dark days, snow on the device.
//!
//! A plain sky, which costs a life of months nothing: the sun after Cooper's declination (1969, from
//! memory), within a degree of where it stands; clouds of half an hour and of some minutes; one day
//! in ten is dark.

use crate::dice::smooth_noise;
use cresthold::quantities::{Celsius, Irradiance, MetresPerSecond};
use cresthold::time::Utc;
use cresthold_sim::sky::{Place, Sky, SkyState, SunVector};

const DAY_US: f64 = 86_400e6;
/// Days of the year, on average.
const YEAR: f64 = 365.2425;
/// Share of the days that are dark, and what is left of the light then.
const DARK_DAYS: f64 = 0.1;
const DARK: f64 = 0.03;
/// What snow on the device lets through.
pub(crate) const THROUGH_SNOW: f64 = 0.02;

/// See the module.
#[derive(Clone, Debug)]
pub(crate) struct Weather {
    pub(crate) seed: u64,
    /// Degrees north and east.
    pub(crate) latitude: f64,
    pub(crate) longitude: f64,
    /// When snow lies on the device.
    pub(crate) snow: Vec<(Utc, Utc)>,
}

impl Weather {
    fn sun(&self, days: f64) -> SunVector {
        let declination =
            23.45_f64.to_radians() * ((days - 80.0) / YEAR * std::f64::consts::TAU).sin();
        let hour = (days.fract() + self.longitude / 360.0 - 0.5) * std::f64::consts::TAU;
        let latitude = self.latitude.to_radians();
        let (sin_d, cos_d) = declination.sin_cos();
        let (sin_l, cos_l) = latitude.sin_cos();
        SunVector {
            east: -cos_d * hour.sin(),
            north: sin_d * cos_l - cos_d * sin_l * hour.cos(),
            up: sin_d * sin_l + cos_d * cos_l * hour.cos(),
        }
    }

    /// What part of the light clouds let through: above 1 at their edges.
    fn clouds(&self, days: f64) -> f64 {
        let day = smooth_noise(self.seed, days.floor());
        if day < DARK_DAYS {
            return DARK;
        }
        let (slow, fast) =
            (smooth_noise(self.seed ^ 1, days * 48.0), smooth_noise(self.seed ^ 2, days * 400.0));
        // The clearer the day, the less the clouds take.
        let cover = (1.0 - day) * slow;
        (1.15 - cover - 0.2 * cover * fast).clamp(0.05, 1.15)
    }

    /// What snow on the device leaves of the light.
    pub(crate) fn through_snow(&self, at: Utc) -> f64 {
        let lies = |(from, until): &(Utc, Utc)| at >= *from && at < *until;
        if self.snow.iter().any(lies) { THROUGH_SNOW } else { 1.0 }
    }
}

impl Sky for Weather {
    fn state(&mut self, at: Utc, _: Place) -> SkyState {
        let days = at.as_micros() as f64 / DAY_US;
        let sun = self.sun(days);
        let warm = 12.0 + 10.0 * ((days - 110.0) / YEAR * std::f64::consts::TAU).sin();
        let (mut direct, mut diffuse) = (0.0, 0.0);
        if sun.up > 0.0 {
            // Clear sky of an air mass 1 / up and a transmission of 0.7 (common practice).
            let clear = 1361.0 * 0.7_f64.powf(sun.up.max(0.03).recip().powf(0.678));
            let through = self.clouds(days) * self.through_snow(at);
            direct = clear * through;
            diffuse = 80.0 * sun.up * through;
        }
        SkyState {
            global: Irradiance(direct * sun.up.max(0.0) + diffuse),
            direct: Irradiance(direct),
            diffuse: Irradiance(diffuse),
            air: Celsius(warm + 8.0 * sun.up),
            wind: MetresPerSecond(1.5 + 3.0 * smooth_noise(self.seed ^ 3, days * 24.0)),
            sun,
        }
    }
}
