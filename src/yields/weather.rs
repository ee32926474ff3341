//! A year of weather, hour by hour, however it was filed.
//!
//! Model: an hour holds means over a span that begins at `start`; the sun is taken at its middle. A typical
//! year is put together from months of different years: each hour keeps the date it was measured on,
//! and sums go by the month's number, so the order of the years is no matter.
//!
//! Rejected: instants instead of means (every published format of typical years holds means);
//! a sun averaged over the span (a plane's light is not linear in it, but the middle is what the
//! formats' own direct light was computed with, and differs in the year's sum by some tenths of a percent).

use crate::quantities::{Celsius, Irradiance, MetresPerSecond};
use crate::time::Utc;
use cresthold_sim::sky::sun::Site;
use std::time::Duration;

/// Means over a span of weather.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hour {
    /// When the span begins.
    pub start: Utc,
    /// Month by the local calendar (1..=12).
    pub month: u8,
    /// Global horizontal irradiance (W/m2); none where only the direct was measured.
    pub global: Option<Irradiance>,
    /// Direct normal irradiance (W/m2); none where not known.
    pub direct: Option<Irradiance>,
    /// Diffuse horizontal irradiance (W/m2); none where not known.
    pub diffuse: Option<Irradiance>,
    /// Air temperature (degC).
    pub air: Celsius,
    /// Wind speed (m/s); none where not known.
    pub wind: Option<MetresPerSecond>,
    /// What the ground reflects (0..=1); none where not known.
    pub albedo: Option<f64>,
    /// Precipitable water of the air's column (cm); none where not known.
    pub water: Option<f64>,
}

/// The weather of a place.
#[derive(Clone, Debug, PartialEq)]
pub struct Weather {
    /// What the file calls the place.
    pub name: String,
    /// Where it is.
    pub site: Site,
    /// How long each span is.
    pub span: Duration,
    /// The spans, in the file's order; at least one.
    pub hours: Vec<Hour>,
}

impl Weather {
    /// Length of a span in hours.
    #[must_use]
    pub fn span_hours(&self) -> f64 {
        self.span.as_secs_f64() / 3600.0
    }

    /// Share of a year of 365 days that the spans cover.
    #[must_use]
    pub fn years(&self) -> f64 {
        self.hours.len() as f64 * self.span_hours() / 8760.0
    }
}
