//! What sums a measured curve up: both ends, the crest, fill factor, efficiency.
//!
//! Model, after ASTM E1036-15 as public code implements it (the standard's text was not open to us):
//!
//! - Voc: the point of smallest |I| if that is at most 0.001 of Isc; else the straight line V(I)
//!   through the three points nearest to I = 0.
//! - Isc: the point of smallest |V| if that is at most 0.005 of Voc; else the straight line I(V)
//!   through the three points nearest to V = 0.
//! - Crest: a polynomial of fourth degree through power over voltage, by least squares over the
//!   points whose voltage and current both lie within 0.75 to 1.15 of those at the largest measured
//!   power; the largest value at a root of its derivative inside.
//! - FF = Pmp / (Voc Isc); efficiency = Pmp / (G A).
//!
//! An end that no point comes near is not guessed: it is told as out of reach. Rejected: the largest
//! measured power as the crest (biased by noise and by the distance of points), and splines (their
//! knots follow noise).

use super::linear::{Row, Triangle, reduce};
use super::points::{Curve, Point};
use crate::quantities::{Amps, Irradiance, Ohms, Volts, Watts};

/// Coefficients of the quartic.
pub(super) const TERMS: usize = 5;
/// Fewest points in the window: one more than the quartic has coefficients.
const FEWEST_IN_WINDOW: usize = TERMS + 1;
/// Places at which the derivative is looked at; a quartic has at most three roots there.
const STEPS: usize = 64;
/// Halvings of one step: below the rounding of a number near one.
const HALVINGS: usize = 52;
/// How far beyond the last point an end is extrapolated at most, as a share of Voc or of Isc: there
/// both ends of a curve are still straight to some percent of the distance.
const FARTHEST: f64 = 0.1;

/// Which points the crest is fitted to: shares of the values at the largest measured power.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// Lower bound of V/Vmp and I/Imp (0.3..=0.95).
    pub low: f64,
    /// Upper bound of both (1.05..=2).
    pub high: f64,
}

impl Window {
    /// 0.75 to 1.15 (ASTM E1036-15, from public code).
    pub const ASTM: Self = Self { low: 0.75, high: 1.15 };
    /// 0.9 to 1.06: a quartic follows an exact diode within 0.01 % there, where the standard's window
    /// costs 0.03 % at 1000 W/m2 and 0.26 % at 200 (tests/curve_parameters.rs). It needs points close
    /// together at the crest.
    pub const NARROW: Self = Self { low: 0.90, high: 1.06 };
    /// Windows whose crests are compared to say how much depends on the choice.
    pub const OTHERS: [Self; 4] = [
        Self { low: 0.70, high: 1.20 },
        Self { low: 0.80, high: 1.12 },
        Self { low: 0.85, high: 1.10 },
        Self::NARROW,
    ];
}

/// How a curve is summed up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Method {
    /// Points for the crest.
    pub window: Window,
    /// Points of the line through short circuit (2..=50).
    pub short_points: usize,
    /// Points of the line through open circuit (2..=50; a parabola takes 3 at least).
    pub open_points: usize,
    /// A parabola V(I) through open circuit instead of a straight line: with it, points farther away
    /// may be averaged without the curve's bend in the result.
    pub open_bent: bool,
    /// |I|/Isc up to which a point is itself taken for open circuit (0..=0.01).
    pub near_open: f64,
    /// |V|/Voc up to which a point is itself taken for short circuit (0..=0.05).
    pub near_short: f64,
}

impl Method {
    /// After ASTM E1036-15, as in the module's description.
    pub const ASTM: Self = Self {
        window: Window::ASTM,
        short_points: 3,
        open_points: 3,
        open_bent: false,
        near_open: 0.001,
        near_short: 0.005,
    };
    /// For a hundred points with noise: the narrow window, and both ends always from several points
    /// (five each, for Voc along a parabola), because a single point is no better than its noise.
    pub const FIELD: Self = Self {
        window: Window::NARROW,
        short_points: 5,
        open_points: 5,
        open_bent: true,
        near_open: 0.0,
        near_short: 0.0,
    };
}

impl Default for Method {
    fn default() -> Self {
        Self::ASTM
    }
}

/// Where the value of an end comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// A point so near that it counts as the end itself.
    Measured,
    /// Points on both sides.
    Interpolated,
    /// Points on one side only, near enough.
    Extrapolated,
    /// No point near enough: there is no value.
    OutOfReach,
}

impl Origin {
    /// As people write it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Measured => "measured",
            Self::Interpolated => "interpolated",
            Self::Extrapolated => "extrapolated",
            Self::OutOfReach => "out of reach",
        }
    }
}

/// One end of a curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct End<Q> {
    /// Isc or Voc; none when out of reach.
    pub value: Option<Q>,
    /// Where it comes from.
    pub origin: Origin,
    /// `-dV/dI` of the line through the points nearest to this end (ohm); none where it is flat.
    pub slope: Option<Ohms>,
}

/// A crest found with another window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Alternative {
    /// The window.
    pub window: Window,
    /// Its crest's power; none where it holds no crest.
    pub pmp: Option<Watts>,
}

/// What sums a curve up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameters {
    /// Short-circuit current.
    pub isc: End<Amps>,
    /// Open-circuit voltage.
    pub voc: End<Volts>,
    /// Power at the crest (W).
    pub pmp: Watts,
    /// Voltage at the crest (V).
    pub vmp: Volts,
    /// Current at the crest (A).
    pub imp: Amps,
    /// Fill factor (1); none without both ends.
    pub ff: Option<f64>,
    /// Points in the window.
    pub points: usize,
    /// Root mean square of the quartic's residuals (W).
    pub scatter: Watts,
}

/// Why a curve has no parameters.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ParametersError {
    /// The window holds too few points.
    #[error(
        "curve: {found} points lie between {low} and {high} times the voltage and current of \
         the largest power, but at least {FEWEST_IN_WINDOW} are needed; measure more points near \
         the crest or widen the window"
    )]
    FewNearCrest {
        /// How many there are.
        found: usize,
        /// Lower bound.
        low: f64,
        /// Upper bound.
        high: f64,
    },
    /// The power only rises or only falls.
    #[error(
        "curve: the power has no largest value inside the window around {volts}: the crest \
         lies beyond the measured points, or noise hides it; sweep across the crest"
    )]
    NoCrest {
        /// Where the largest power was measured.
        volts: Volts,
    },
}

/// Sums a curve up.
///
/// ```
/// use cresthold::curve::{Curve, Method, Point, parameters};
/// use cresthold::quantities::{Amps, Volts};
/// // A parabola, P = V (4 - V^2): the crest is at V = 2/sqrt(3), P = 16/(3 sqrt(3)) W.
/// let point = |k: u32| { let v = f64::from(k) / 20.0; Point::new(Volts(v), Amps(4.0 - v * v)) };
/// let curve = Curve::new((0..=40).map(point).collect()).unwrap();
/// let found = parameters(&curve, &Method::ASTM).unwrap();
/// assert!((found.pmp.0 - 16.0 / 27_f64.sqrt()).abs() < 1e-12);
/// assert_eq!(found.voc.value, Some(Volts(2.0)));
/// ```
///
/// # Errors
/// [`ParametersError`] where the crest can't be found. Ends out of reach are no error.
pub fn parameters(curve: &Curve, method: &Method) -> Result<Parameters, ParametersError> {
    let quartic = Quartic::fit(curve, &method.window)?;
    let (vmp, pmp) = (quartic.volts(quartic.crest), quartic.value(quartic.crest));
    let (isc, voc) = ends(curve, method);
    let ff = match (isc.value, voc.value) {
        (Some(isc), Some(voc)) if (isc * voc).0 > 0.0 => Some(Watts(pmp) / (isc * voc)),
        _ => None,
    };
    Ok(Parameters {
        isc,
        voc,
        pmp: Watts(pmp),
        vmp: Volts(vmp),
        imp: Amps(pmp / vmp),
        ff,
        points: quartic.used,
        scatter: Watts((quartic.triangle.rest / quartic.used as f64).sqrt()),
    })
}

/// The crests of other windows, to say how much hangs on the choice: it is a term of the
/// uncertainty.
#[must_use]
pub fn other_windows(curve: &Curve) -> [Alternative; 4] {
    Window::OTHERS.map(|window| {
        let found = Quartic::fit(curve, &window);
        Alternative { window, pmp: found.ok().map(|quartic| Watts(quartic.value(quartic.crest))) }
    })
}

/// Efficiency `Pmp / (G A)` (1), with the area `A` in m2.
///
/// For a concentrator: the aperture's area and the direct normal irradiance.
///
/// ```
/// use cresthold::curve::efficiency;
/// use cresthold::quantities::{Irradiance, Watts};
/// assert_eq!(efficiency(Watts(270.0), Irradiance(1000.0), 1.5), Some(0.18));
/// assert_eq!(efficiency(Watts(270.0), Irradiance(0.0), 1.5), None);
/// ```
#[must_use]
pub fn efficiency(pmp: Watts, irradiance: Irradiance, area: f64) -> Option<f64> {
    let input = irradiance.0 * area;
    (input.is_finite() && input > 0.0).then(|| pmp.0 / input)
}

/// A quartic through power over voltage, in `u`, which is -1 and 1 at the window's ends.
#[derive(Clone, Debug)]
pub(super) struct Quartic {
    middle: f64,
    half: f64,
    coefficients: [f64; TERMS],
    pub(super) triangle: Triangle<TERMS>,
    /// Where it is largest.
    pub(super) crest: f64,
    pub(super) used: usize,
    bounds: [f64; 4],
}

impl Quartic {
    pub(super) fn fit(curve: &Curve, window: &Window) -> Result<Self, ParametersError> {
        let power = |p: &Point| (p.volts * p.amps).0;
        let points = curve.points();
        let best = points.iter().fold(points[0], |a, b| if power(b) > power(&a) { *b } else { a });
        let (vmp, imp) = (best.volts.0, best.amps.0);
        let bounds = [window.low * vmp, window.high * vmp, window.low * imp, window.high * imp];
        let inside = || points.iter().filter(|p| within(p, &bounds));
        let used = inside().count();
        if used < FEWEST_IN_WINDOW {
            let Window { low, high } = *window;
            return Err(ParametersError::FewNearCrest { found: used, low, high });
        }
        let first = inside().next().map_or(0.0, |p| p.volts.0);
        let last = inside().next_back().map_or(0.0, |p| p.volts.0);
        let (middle, half) = (0.5 * (first + last), 0.5 * (last - first));
        let row = |p: &Point| (basis((p.volts.0 - middle) / half), power(p));
        let mut rows: Vec<Row<TERMS>> = inside().map(row).collect();
        let triangle = reduce(&mut rows);
        let none = ParametersError::NoCrest { volts: best.volts };
        let coefficients = triangle.solve().ok_or(none)?;
        let mut quartic = Self { middle, half, coefficients, triangle, crest: 0.0, used, bounds };
        quartic.crest = quartic.highest().ok_or(none)?;
        Ok(quartic)
    }

    /// Power (W) at `u`.
    pub(super) fn value(&self, u: f64) -> f64 {
        self.coefficients.iter().rev().fold(0.0, |sum, c| sum * u + c)
    }

    /// dP/du (W) at `u`.
    pub(super) fn slope(&self, u: f64) -> f64 {
        let [_, c1, c2, c3, c4] = self.coefficients;
        c1 + u * (2.0 * c2 + u * (3.0 * c3 + u * 4.0 * c4))
    }

    /// d2P/du2 (W) at the crest.
    pub(super) fn bend(&self) -> f64 {
        let [_, _, c2, c3, c4] = self.coefficients;
        2.0 * c2 + self.crest * (6.0 * c3 + self.crest * 12.0 * c4)
    }

    /// Voltage (V) at `u`, and back.
    pub(super) fn volts(&self, u: f64) -> f64 {
        self.middle + self.half * u
    }

    pub(super) fn place(&self, volts: f64) -> f64 {
        (volts - self.middle) / self.half
    }

    /// Volts per unit of `u`.
    pub(super) fn half(&self) -> f64 {
        self.half
    }

    pub(super) fn holds(&self, point: &Point) -> bool {
        within(point, &self.bounds)
    }

    /// Where the value is largest among the roots at which the slope goes from up to down.
    fn highest(&self) -> Option<f64> {
        let at = |step: usize| -1.0 + 2.0 * step as f64 / STEPS as f64;
        let mut best: Option<f64> = None;
        for step in 0..STEPS {
            let (mut low, mut high) = (at(step), at(step + 1));
            if !(self.slope(low) > 0.0 && self.slope(high) <= 0.0) {
                continue;
            }
            for _ in 0..HALVINGS {
                let middle = 0.5 * (low + high);
                if self.slope(middle) > 0.0 { low = middle } else { high = middle }
            }
            if best.is_none_or(|other| self.value(low) > self.value(other)) {
                best = Some(low);
            }
        }
        best
    }
}

fn within(point: &Point, [v_low, v_high, i_low, i_high]: &[f64; 4]) -> bool {
    (*v_low..=*v_high).contains(&point.volts.0) && (*i_low..=*i_high).contains(&point.amps.0)
}

/// Powers of `u` from the zeroth to the fourth.
pub(super) fn basis(u: f64) -> [f64; TERMS] {
    [1.0, u, u * u, u * u * u, u * u * u * u]
}

/// Both ends, the short circuit first.
fn ends(curve: &Curve, method: &Method) -> (End<Amps>, End<Volts>) {
    // Each end's own nearest point is the other's yardstick.
    let swapped = |p: &Point| (p.amps.0, p.volts.0);
    let straight = |p: &Point| (p.volts.0, p.amps.0);
    let short = EndLine::through(curve, method.short_points, false, straight);
    let open = EndLine::through(curve, method.open_points, method.open_bent, swapped);
    let isc = short.end(method.near_short, open.nearest.1);
    let voc = open.end(method.near_open, short.nearest.1);
    let ohms = |volts_per_amp: f64| {
        let ohms = -volts_per_amp;
        (ohms.is_finite() && ohms > 0.0).then_some(Ohms(ohms))
    };
    (
        End { value: isc.0.map(Amps), origin: isc.1, slope: ohms(1.0 / short.slope) },
        End { value: voc.0.map(Volts), origin: voc.1, slope: ohms(open.slope) },
    )
}

/// The line through the points nearest to zero of a first coordinate.
#[derive(Clone, Debug)]
pub(super) struct EndLine {
    /// Value of the second coordinate where the first is zero, and the slope there.
    pub(super) value: f64,
    pub(super) slope: f64,
    /// Standard deviation of the value per unit of one of the second coordinates.
    pub(super) weight: f64,
    /// Distance from the nearest point to zero, over the distance from it to the farthest taken.
    pub(super) beyond: f64,
    /// The nearest point.
    nearest: (f64, f64),
    crosses: bool,
}

impl EndLine {
    pub(super) fn through(
        curve: &Curve,
        count: usize,
        bent: bool,
        coordinates: impl Fn(&Point) -> (f64, f64),
    ) -> Self {
        let mut all: Vec<(f64, f64)> = curve.points().iter().map(coordinates).collect();
        let crosses = all.iter().any(|p| p.0 <= 0.0) && all.iter().any(|p| p.0 >= 0.0);
        let count = count.clamp(if bent { 3 } else { 2 }, all.len());
        let nearer = |a: &(f64, f64), b: &(f64, f64)| a.0.abs().total_cmp(&b.0.abs());
        if count < all.len() {
            all.select_nth_unstable_by(count - 1, nearer);
            all.truncate(count);
        }
        all.sort_by(nearer);
        let scale = all.iter().map(|p| p.0.abs()).fold(f64::MIN_POSITIVE, f64::max);
        let line = if bent { polynomial::<3>(&all, scale) } else { polynomial::<2>(&all, scale) };
        // All points at one place: no line, only their mean.
        let (value, slope, weight) = line.unwrap_or((all[0].1, 0.0, 1.0));
        let farthest = all.iter().map(|p| (p.0 - all[0].0).abs()).fold(f64::MIN_POSITIVE, f64::max);
        let beyond = all[0].0.abs() / farthest;
        Self { value, slope, weight, beyond, nearest: all[0], crosses }
    }

    /// Whether the nearest point itself is taken, where `scale` is the size of the first coordinate.
    pub(super) fn is_near(&self, near: f64, scale: f64) -> bool {
        self.nearest.0.abs() <= near * scale
    }

    fn end(&self, near: f64, scale: f64) -> (Option<f64>, Origin) {
        if self.is_near(near, scale) {
            (Some(self.nearest.1), Origin::Measured)
        } else if self.crosses {
            (Some(self.value), Origin::Interpolated)
        } else if self.nearest.0.abs() <= FARTHEST * scale && self.value.is_finite() {
            (Some(self.value), Origin::Extrapolated)
        } else {
            (None, Origin::OutOfReach)
        }
    }
}

/// Value and slope at zero of a polynomial with `N` coefficients through points, and the value's
/// standard deviation per unit of theirs.
fn polynomial<const N: usize>(points: &[(f64, f64)], scale: f64) -> Option<(f64, f64, f64)> {
    let row = |(x, y): &(f64, f64)| {
        let u = x / scale;
        let mut powers = [1.0; N];
        for k in 1..N {
            powers[k] = powers[k - 1] * u;
        }
        (powers, *y)
    };
    let mut rows: Vec<Row<N>> = points.iter().map(row).collect();
    let triangle = reduce(&mut rows);
    let found = triangle.solve()?;
    let mut unit = [0.0; N];
    unit[0] = 1.0;
    let weight = triangle.gram_solve(unit)?[0].sqrt();
    Some((found[0], found[1] / scale, weight))
}
