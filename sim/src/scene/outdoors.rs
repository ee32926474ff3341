//! A device under a sky: moving clouds over a row of substrings, recorded days, clear days.
//!
//! Model: each substring has the plane-of-array light of its own place, so a cloud's edge reaches one
//! after another. The sensor stands at the row's middle. All cells have one temperature, that of a
//! module at the middle with heat capacity and wind (`warmth`).
//!
//! Rejected: a temperature for each substring. Along a string of some tens of metres clouds differ for
//! seconds, in which cells warm by tenths of a kelvin.

use super::layout::Layout;
use super::warmth::{Warmth, Weather};
use super::{Exposure, REFRESH, Scene};
use crate::sky::plane::Mounting;
use crate::sky::{Place, Sky};
use crate::thermal::ThermalParams;
use crate::time::{Instant, Utc};
use std::time::Duration;

/// A tracker finds the crest in it (s).
const SETUP: Duration = Duration::from_secs(60);

/// When and how a device stands under a sky.
#[derive(Clone, Copy, Debug)]
pub struct Stay {
    /// The scene begins then.
    pub began: Utc,
    /// How long it lasts, its setup included.
    pub length: Duration,
    /// How the device faces the sky.
    pub mounting: Mounting,
    /// What warms and cools it.
    pub thermal: ThermalParams,
}

/// A device under a sky.
///
/// ```
/// use cresthold_sim::scene::{Exposure, Scene, layout::Layout, outdoors::{Outdoors, Stay}};
/// use cresthold_sim::sky::{plane::{Mounting, Plane}, recorded::{RecordedSky, embedded_payerne}};
/// use cresthold_sim::{thermal::ThermalParams, time::Instant};
/// use std::time::Duration;
/// let (day, site) = embedded_payerne();
/// let stay = Stay {
///     began: "2016-06-15T09:00:00Z".parse().unwrap(),
///     length: Duration::from_secs(3600),
///     mounting: Mounting::Fixed(Plane::new(30.0, 180.0, 0.2).unwrap()),
///     thermal: ThermalParams::OPEN_RACK,
/// };
/// let mut scene = Outdoors::new(RecordedSky::new(day, site, 1), stay, &Layout::point());
/// let mut seen = Exposure::default();
/// scene.expose(Instant::ZERO + Duration::from_secs(600), &mut seen);
/// assert!(seen.irradiance().0 > 100.0 && seen.cell().0 > 5.0);
/// ```
#[derive(Clone, Debug)]
pub struct Outdoors<S> {
    sky: S,
    stay: Stay,
    layout: Layout,
    warmth: Warmth,
}

impl<S: Sky> Outdoors<S> {
    /// A device laid out as `layout` under `sky`; its cells have stood in that sky for long.
    #[must_use]
    pub fn new(mut sky: S, stay: Stay, layout: &Layout) -> Self {
        let start = weather(&mut sky, &stay, Instant::ZERO);
        let warmth = Warmth::settled(stay.thermal, start);
        Self { sky, stay, layout: layout.clone(), warmth }
    }
}

/// The row's middle, where the sensor stands.
const MIDDLE: Place = Place { east: 0.0, north: 0.0 };

fn weather(sky: &mut impl Sky, stay: &Stay, at: Instant) -> Weather {
    let state = sky.state(moment(stay, at), MIDDLE);
    (stay.mounting.irradiance(&state), state.air, state.wind)
}

fn moment(stay: &Stay, at: Instant) -> Utc {
    stay.began + at.saturating_since(Instant::ZERO)
}

impl<S: Sky> Scene for Outdoors<S> {
    fn length(&self) -> Duration {
        self.stay.length
    }

    fn setup(&self) -> Duration {
        SETUP.min(self.stay.length / 2)
    }

    fn expose(&mut self, at: Instant, to: &mut Exposure) {
        let Self { sky, stay, layout, warmth } = self;
        let cell = warmth.at(at, |middle| weather(sky, stay, middle));
        let utc = moment(stay, at);
        let sensed = if let [only] = layout.places() {
            let light = stay.mounting.irradiance(&sky.state(utc, *only));
            to.uniform(light, cell);
            light
        } else {
            let light = |place: &Place| stay.mounting.irradiance(&sky.state(utc, *place));
            to.each(layout.places().iter().map(light), cell);
            let sensed = stay.mounting.irradiance(&sky.state(utc, MIDDLE));
            to.sensor(sensed);
            sensed
        };
        to.back_of_module(warmth.back(cell, sensed));
    }

    /// A steady pace: skies have no kinks that are known beforehand.
    fn still_for(&self, _at: Instant) -> Duration {
        REFRESH
    }
}
