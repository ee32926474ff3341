//! The sun at many times over one site, at a tenth of the cost.
//!
//! Model: of the algorithm's time ([`sun`](super::sun)), nine tenths go into the sun's place among
//! the stars, which changes slowly. It is computed at midnights (UTC). For a moment, three midnights are
//! turned to that moment's hour angle: an earlier sun seen from another longitude,
//! `L + w (t - t_k) - (a(t) - a_k)`, w the earth's turn of 360.98564736629 degrees a day, a the right
//! ascension. The three directions differ only by declination and distance, and are joined by the parabola
//! through them; then the air bends the ray (the same report, equation 42). What is left out, the third difference of the declination, is below 1e-5 degrees,
//! and the nutation within a day below 2e-5 degrees.
//!
//! Rejected: joining directions an hour apart (0.1 degrees wrong), straight lines between midnights
//! (1e-3 degrees), a table of a year (half of it is night).

use super::SunVector;
use super::sun::{Site, days_since_1970, julian, refracted};
use crate::time::Utc;
use solar_positioning::{Location, PreparedPositions, SolarPositions};

/// Turn of the earth against the mean equinox (degrees a day): coefficient of the sidereal time in Reda
/// and Andreas 2004, equation 28.
const TURN: f64 = 360.985_647_366_29;

/// The sun over a site, at whatever times, best in order.
///
/// ```
/// use cresthold_sim::sky::{almanac::Almanac, sun::Site};
/// let site = Site::new(46.815, 6.944, 491.0).unwrap();
/// let at = "2016-06-15T09:41:00Z".parse().unwrap();
/// let sun = Almanac::new(site).sun(at);
/// let exact = site.sun(at);
/// assert!((sun.zenith_degrees() - exact.zenith_degrees()).abs() < 2e-5);
/// ```
#[derive(Clone, Debug)]
pub struct Almanac {
    site: Site,
    /// The midnight that the nodes lie about (days since 1970).
    middle: f64,
    /// The sun at the midnight before, at it, and after it.
    nodes: Option<[PreparedPositions; 3]>,
}

impl Almanac {
    /// The sun over `site`, refracted as in [`Site::sun`].
    #[must_use]
    pub fn new(site: Site) -> Self {
        Self { site, middle: f64::NAN, nodes: None }
    }

    /// Where the sun stands at `at`, within 2e-5 degrees of [`Site::sun`].
    pub fn sun(&mut self, at: Utc) -> SunVector {
        let days = days_since_1970(at);
        self.turn_to(days.round());
        let exact = || self.site.sun(at);
        self.nodes.as_ref().and_then(|nodes| self.between(nodes, days)).unwrap_or_else(exact)
    }

    /// Computes the nodes about a midnight, but for those at hand.
    fn turn_to(&mut self, middle: f64) {
        let moved = middle - self.middle;
        if moved.abs() < 0.5 {
            return;
        }
        let node = |day: f64| SolarPositions::new().for_time_from_julian(julian(day)?).ok();
        let kept = self.nodes.filter(|_| (moved - 1.0).abs() < 0.5);
        let first = kept.map_or_else(|| node(middle - 1.0), |nodes| Some(nodes[1]));
        let second = kept.map_or_else(|| node(middle), |nodes| Some(nodes[2]));
        self.nodes = first.zip(second).zip(node(middle + 1.0)).map(|((a, b), c)| [a, b, c]);
        self.middle = middle;
    }

    /// The parabola through the three nodes' directions.
    fn between(&self, nodes: &[PreparedPositions; 3], days: f64) -> Option<SunVector> {
        let share = days - self.middle;
        let weights =
            [0.5 * share * (share - 1.0), 1.0 - share * share, 0.5 * share * (share + 1.0)];
        let from_middle = nodes.map(|node| {
            (node.right_ascension() - nodes[1].right_ascension() + 540.0).rem_euclid(360.0) - 180.0
        });
        let now: f64 = weights.iter().zip(from_middle).map(|(weight, alpha)| weight * alpha).sum();
        let mut sum = SunVector { east: 0.0, north: 0.0, up: 0.0 };
        for (((node, weight), alpha), before) in
            nodes.iter().zip(weights).zip(from_middle).zip([1.0, 0.0, -1.0])
        {
            let turned = TURN * (share + before) - (now - alpha);
            let longitude = (self.site.longitude() + turned + 180.0).rem_euclid(360.0) - 180.0;
            let place = Location { latitude: self.site.latitude(), longitude };
            let seen = node.at(place, self.site.elevation(), None).ok()?;
            let direction = SunVector::from_degrees(seen.zenith_angle(), seen.azimuth());
            sum.east += weight * direction.east;
            sum.north += weight * direction.north;
            sum.up += weight * direction.up;
        }
        Some(refracted(&self.site, sum))
    }
}
