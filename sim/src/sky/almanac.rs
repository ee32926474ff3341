//! The sun at many times over one site, at a tenth of the cost.
//!
//! Model: of the algorithm's time ([`sun`](super::sun)), nine tenths go into the sun's place among
//! the stars, which changes slowly. It is computed at every second midnight (UTC): right ascension `a`,
//! declination `d`, distance `R`, and, from the direction seen at the site, the difference of apparent and
//! mean sidereal time. Through three of these goes a parabola. For a moment then, after Reda and
//! Andreas, sections 3.8 to 3.14, as vectors: hour angle `H = v + L - a`, the direction from the earth's centre
//! `(cos d cos H, -cos d sin H, sin d)` less the observer's place in earth's radii times the parallax, turned
//! by the latitude, and bent by the air. Off by less than 1e-4 degrees, most of it the third difference of the
//! declination.
//!
//! Rejected: joining directions an hour apart (0.1 degrees wrong), straight lines between midnights
//! (1e-3 degrees), a table of a year (half of it is night).

use super::SunVector;
use super::sun::{Site, days_since_1970, julian, refracted};
use crate::time::Utc;
use solar_positioning::{Location, SolarPositions};

/// Turn of the earth against the mean equinox (degrees a day): coefficient of the sidereal time in Reda
/// and Andreas 2004, equation 28.
const TURN: f64 = 360.985_647_366_29;
/// Mean sidereal time (degrees) at [`EPOCH`], the same equation.
const TURNED: f64 = 280.460_618_37;
/// 2000-01-01T12:00Z in days since 1970.
const EPOCH: f64 = 10_957.5;
/// Days between nodes.
const APART: f64 = 2.0;
/// Horizontal parallax of the sun at a distance of one (degrees), the same report's equation 38.
const PARALLAX: f64 = 8.794 / 3600.0;
/// Polar over equatorial radius of the earth, and the latter (m): section 3.11.
const FLATTENED: f64 = 0.996_647_19;
const RADIUS: f64 = 6_378_140.0;

/// The sun over a site, at whatever times, best in order.
///
/// ```
/// use cresthold_sim::sky::{almanac::Almanac, sun::Site};
/// let site = Site::new(46.815, 6.944, 491.0).unwrap();
/// let at = "2016-06-15T09:41:00Z".parse().unwrap();
/// let sun = Almanac::new(site).sun(at);
/// let exact = site.sun(at);
/// assert!((sun.zenith_degrees() - exact.zenith_degrees()).abs() < 1e-4);
/// ```
#[derive(Clone, Debug)]
pub struct Almanac {
    site: Site,
    /// Sine and cosine of the latitude.
    latitude: (f64, f64),
    /// Distance of the site from the earth's axis and from the equator's plane (earth's radii).
    place: (f64, f64),
    /// The midnight that the nodes lie about (days since 1970).
    middle: f64,
    /// The sun at the node before, at it, and after it.
    nodes: Option<[Node; 3]>,
}

/// The sun at a midnight.
#[derive(Clone, Copy, Debug)]
struct Node {
    /// Right ascension less apparent, plus mean sidereal time (degrees): what to take from the latter.
    ascension: f64,
    /// Declination (degrees).
    declination: f64,
    /// Distance (astronomical units).
    distance: f64,
}

impl Almanac {
    /// The sun over `site`, refracted as in [`Site::sun`].
    #[must_use]
    pub fn new(site: Site) -> Self {
        let (sin, cos) = site.latitude().to_radians().sin_cos();
        let (reduced_sin, reduced_cos) = (FLATTENED * sin).atan2(cos).sin_cos();
        let height = site.elevation() / RADIUS;
        let place = (reduced_cos + height * cos, FLATTENED * reduced_sin + height * sin);
        Self { site, latitude: (sin, cos), place, middle: f64::NAN, nodes: None }
    }

    /// Where the sun stands at `at`, within 1e-4 degrees of [`Site::sun`].
    pub fn sun(&mut self, at: Utc) -> SunVector {
        let days = days_since_1970(at);
        self.turn_to((days / APART).round() * APART);
        match &self.nodes {
            Some(nodes) => refracted(&self.site, self.seen(&self.between(nodes, days), days)),
            None => self.site.sun(at),
        }
    }

    /// Computes the nodes about a midnight, but for those at hand.
    fn turn_to(&mut self, middle: f64) {
        let moved = middle - self.middle;
        if moved.abs() < 0.5 {
            return;
        }
        let kept = self.nodes.filter(|_| (moved - APART).abs() < 0.5);
        let first = kept.map_or_else(|| self.node(middle - APART), |nodes| Some(nodes[1]));
        let second = kept.map_or_else(|| self.node(middle), |nodes| Some(nodes[2]));
        let third = self.node(middle + APART);
        self.nodes = first.zip(second).zip(third).map(|((a, b), c)| [a, b, c]);
        self.middle = middle;
    }

    /// The sun at a midnight. The algorithm doesn't tell its sidereal time; it follows from where
    /// it sees the sun.
    fn node(&self, days: f64) -> Option<Node> {
        let sun = SolarPositions::new().for_time_from_julian(julian(days)?).ok()?;
        let place = Location { latitude: self.site.latitude(), longitude: self.site.longitude() };
        let seen = sun.at(place, self.site.elevation(), None).ok()?;
        let exact = SunVector::from_degrees(seen.zenith_angle(), seen.azimuth());
        let mut node = Node {
            ascension: sun.right_ascension(),
            declination: sun.declination(),
            distance: sun.earth_radius_vector()?,
        };
        let hour_angle = |direction: SunVector| {
            let (sin, cos) = self.latitude;
            (-direction.east).atan2(direction.up * cos - direction.north * sin).to_degrees()
        };
        let late = hour_angle(exact) - hour_angle(self.seen(&node, days));
        node.ascension -= wrapped(late);
        Some(node)
    }

    /// The parabola through three nodes.
    fn between(&self, nodes: &[Node; 3], days: f64) -> Node {
        let share = (days - self.middle) / APART;
        let weights =
            [0.5 * share * (share - 1.0), 1.0 - share * share, 0.5 * share * (share + 1.0)];
        let sum =
            |values: [f64; 3]| -> f64 { weights.iter().zip(values).map(|(w, v)| w * v).sum() };
        let start = nodes[1].ascension;
        Node {
            ascension: start + sum(nodes.map(|node| wrapped(node.ascension - start))),
            declination: sum(nodes.map(|node| node.declination)),
            distance: sum(nodes.map(|node| node.distance)),
        }
    }

    /// Direction of the sun at the site, of any length, without air.
    fn seen(&self, sun: &Node, days: f64) -> SunVector {
        let since = days - EPOCH;
        // The whole turns first: they would cost digits.
        let turned = TURNED + 360.0 * since.fract() + (TURN - 360.0) * since;
        let hour = (turned + self.site.longitude() - sun.ascension).to_radians();
        let (sin_hour, cos_hour) = hour.sin_cos();
        let (sin, cos) = sun.declination.to_radians().sin_cos();
        let parallax = (PARALLAX / sun.distance).to_radians();
        let out = cos * cos_hour - parallax * self.place.0;
        let along = sin - parallax * self.place.1;
        let (sin_latitude, cos_latitude) = self.latitude;
        SunVector {
            east: -cos * sin_hour,
            north: along * cos_latitude - out * sin_latitude,
            up: along * sin_latitude + out * cos_latitude,
        }
    }
}

/// An angle (degrees) within half a turn of zero.
fn wrapped(angle: f64) -> f64 {
    (angle + 180.0).rem_euclid(360.0) - 180.0
}
