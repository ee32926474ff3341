//! Points of a curve, and what a list of them must be to count as one.
//!
//! Model: a [`Curve`] holds at least ten finite points with rising voltages, of a device that is
//! lit and whose current counts as positive when it delivers. What breaks this is refused with
//! its place and reason; nothing is mended in silence. A sweep that goes down and up again is cut
//! in two by [`branches`].
//!
//! Rejected: dropping bad points (the reader of a result would not know), and a sorted copy by
//! default (disorder is a sign of a fault; who wants it sorted says [`Curve::sorted`]).

use crate::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
use crate::time::Utc;

/// Fewest points that count as a curve: a quartic in the window and both ends need as many.
pub const FEWEST_POINTS: usize = 10;
/// A curve counts as dark when the middle current of its lower half stays below this many standard
/// deviations of its noise.
const DARK_SIGMAS: f64 = 5.0;
/// Median of |x| over the standard deviation of a normal x, inverted (JCGM 101 does not give it; it
/// is 1/0.67449).
const MAD: f64 = 1.4826;

/// One measured point.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Point {
    /// Device voltage (V).
    pub volts: Volts,
    /// Device current (A), positive when it delivers power.
    pub amps: Amps,
    /// Irradiance at the time of this point (W/m2), if known.
    pub irradiance: Option<Irradiance>,
    /// Cell temperature at the time of this point (degC), if known.
    pub cell: Option<Celsius>,
    /// When it was taken, if known.
    pub utc: Option<Utc>,
}

impl Point {
    /// A point of voltage and current alone.
    #[must_use]
    pub fn new(volts: Volts, amps: Amps) -> Self {
        Self { volts, amps, ..Self::default() }
    }

    fn is_finite(&self) -> bool {
        let irradiance = self.irradiance.is_none_or(Irradiance::is_finite);
        let cell = self.cell.is_none_or(Celsius::is_finite);
        self.volts.is_finite() && self.amps.is_finite() && irradiance && cell
    }
}

/// Irradiance and cell temperature a curve belongs to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// Irradiance (W/m2).
    pub irradiance: Irradiance,
    /// Cell temperature (degC).
    pub cell: Celsius,
}

impl Conditions {
    /// Standard test conditions: 1000 W/m2 and 25 degC.
    pub const STC: Self = Self {
        irradiance: crate::quantities::STC_IRRADIANCE,
        cell: crate::quantities::STC_TEMPERATURE,
    };
}

/// Why a list of points is no curve. Places count from 1, in the order given.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CurveError {
    /// Fewer than [`FEWEST_POINTS`].
    #[error("curve: {found} points, but at least {FEWEST_POINTS} are needed; sweep with more")]
    TooFewPoints {
        /// How many there are.
        found: usize,
    },
    /// A number that is none.
    #[error("curve: point {place} holds a value that is no finite number; take the point out")]
    NotFinite {
        /// Which point.
        place: usize,
    },
    /// Voltages go up and down.
    #[error(
        "curve: at point {place} the voltage turns back; split a sweep of two directions into its \
         branches, or sort the points (--sort) if it is noise"
    )]
    Unsorted {
        /// The first point out of order.
        place: usize,
    },
    /// Twice the same voltage.
    #[error("curve: point {place} repeats the voltage {volts}; average or drop one of the two")]
    Duplicate {
        /// The second of the two.
        place: usize,
        /// Their voltage.
        volts: Volts,
    },
    /// The current grows with the voltage and the power is drawn.
    #[error(
        "curve: the current rises with voltage and the device draws power everywhere: its sign is \
         reversed; count current as positive when the device delivers, or swap the leads"
    )]
    CurrentReversed,
    /// No light.
    #[error(
        "curve: no current beyond the noise ({:.1e} A in the lower half): a dark curve has no crest; \
         measure in light",
        .amps.0
    )]
    Dark {
        /// The middle current of the lower half.
        amps: Amps,
    },
    /// Irradiance is missing or not above zero at some point.
    #[error("curve: point {place} has no irradiance above zero; give each point its own")]
    NoIrradiance {
        /// Which point, counted in rising voltage.
        place: usize,
    },
}

/// A current-voltage curve: points of strictly rising voltage.
///
/// ```
/// use cresthold::curve::{Curve, CurveError, Point};
/// use cresthold::quantities::{Amps, Volts};
/// let points = |n: u32| -> Vec<Point> {
///     let at = |k| f64::from(k);
///     (0..n).map(|k| Point::new(Volts(at(k)), Amps(5.0 - 0.02 * at(k) * at(k)))).collect()
/// };
/// assert_eq!(Curve::new(points(12)).unwrap().points().len(), 12);
/// assert_eq!(Curve::new(points(9)), Err(CurveError::TooFewPoints { found: 9 }));
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    points: Vec<Point>,
}

impl Curve {
    /// From points whose voltages rise or fall throughout.
    ///
    /// # Errors
    /// [`CurveError`] tells what keeps the points from being a curve, and where.
    pub fn new(mut points: Vec<Point>) -> Result<Self, CurveError> {
        check_numbers(&points)?;
        let falls = points.first().map(|p| p.volts) > points.last().map(|p| p.volts);
        for (index, pair) in points.windows(2).enumerate() {
            let place = index + 2;
            let (before, here) = (pair[0].volts.0, pair[1].volts.0);
            if before.total_cmp(&here).is_eq() || before - here == 0.0 {
                return Err(CurveError::Duplicate { place, volts: pair[1].volts });
            }
            if (here < before) != falls {
                return Err(CurveError::Unsorted { place });
            }
        }
        if falls {
            points.reverse();
        }
        check_light(&points)?;
        Ok(Self { points })
    }

    /// From points in any order.
    ///
    /// # Errors
    /// [`CurveError`]; places then count in rising voltage.
    pub fn sorted(mut points: Vec<Point>) -> Result<Self, CurveError> {
        check_numbers(&points)?;
        points.sort_by(|a, b| a.volts.0.total_cmp(&b.volts.0));
        Self::new(points)
    }

    /// Already in order, finite and lit: a curve that was computed from another one.
    ///
    /// # Errors
    /// [`CurveError`], where the computation left no curve.
    pub(super) fn computed(mut points: Vec<Point>) -> Result<Self, CurveError> {
        check_numbers(&points)?;
        let rises = points.windows(2).all(|pair| pair[0].volts < pair[1].volts);
        if !rises {
            // Shifting each point by its own irradiance may swap neighbours or join them.
            points.sort_by(|a, b| a.volts.0.total_cmp(&b.volts.0));
            points.dedup_by(|a, b| a.volts == b.volts);
            check_numbers(&points)?;
        }
        Ok(Self { points })
    }

    /// Every point changed a little; order is restored where noise turned neighbours round.
    pub(super) fn each(&self, change: impl FnMut(&Point) -> Point) -> Self {
        let mut points: Vec<Point> = self.points.iter().map(change).collect();
        if !points.is_sorted_by(|a, b| a.volts < b.volts) {
            points.sort_by(|a, b| a.volts.0.total_cmp(&b.volts.0));
        }
        Self { points }
    }

    /// The points, in rising voltage.
    #[must_use]
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// Mean of the points' irradiances; none if one of them is missing.
    #[must_use]
    pub fn mean_irradiance(&self) -> Option<Irradiance> {
        mean(self.points.iter().map(|p| p.irradiance.map(|g| g.0))).map(Irradiance)
    }

    /// Mean of the points' cell temperatures; none if one of them is missing.
    #[must_use]
    pub fn mean_cell(&self) -> Option<Celsius> {
        mean(self.points.iter().map(|p| p.cell.map(|t| t.0))).map(Celsius)
    }

    /// Mean irradiance and cell temperature; none where one of them is not known at every point.
    #[must_use]
    pub fn conditions(&self) -> Option<Conditions> {
        Some(Conditions { irradiance: self.mean_irradiance()?, cell: self.mean_cell()? })
    }

    /// Every point as it would be at the mean irradiance `Gm` of the sweep.
    ///
    /// With the point's own `G`, after IEC 60891 procedure 1 (equations from public code):
    /// `dI = Isc (1 - G/Gm)`, `I' = I + dI`, `V' = V - Rs dI`, where `Isc` is the short-circuit
    /// current at `Gm` (A) and `Rs` the series resistance (ohm). Exact for a single diode whose
    /// photocurrent alone follows the light; meant for changes of some percent within a sweep.
    ///
    /// # Errors
    /// [`CurveError::NoIrradiance`] where a point lacks its own.
    pub fn at_mean_irradiance(&self, isc: Amps, series: Ohms) -> Result<Self, CurveError> {
        let lit = |p: &Point| p.irradiance.is_some_and(|g| g.0 > 0.0);
        let dark = self.points.iter().position(|p| !lit(p));
        let (None, Some(mean)) = (dark, self.mean_irradiance()) else {
            return Err(CurveError::NoIrradiance { place: dark.unwrap_or(0) + 1 });
        };
        let moved = |p: &Point| {
            let own = p.irradiance.unwrap_or(mean);
            let change = isc * (1.0 - own / mean);
            let volts = p.volts - change * series;
            Point { volts, amps: p.amps + change, irradiance: Some(mean), ..*p }
        };
        Self::computed(self.points.iter().map(moved).collect())
    }
}

/// Cuts a sweep where its voltage turns: one run of a sweep in one direction, two of one that goes
/// there and back. The turning point belongs to both.
#[must_use]
pub fn branches(points: &[Point]) -> Vec<Vec<Point>> {
    let by_volts = |a: &(usize, &Point), b: &(usize, &Point)| a.1.volts.0.total_cmp(&b.1.volts.0);
    let numbered = || points.iter().enumerate();
    let (Some((low, _)), Some((high, _))) =
        (numbered().min_by(by_volts), numbered().max_by(by_volts))
    else {
        return Vec::new();
    };
    // The extreme that lies inside is where it turned; within a tenth of the points from either
    // end it is jitter of readings.
    let margin = points.len() / 10 + 1;
    let inside = |at: &usize| *at >= margin && *at + margin < points.len();
    match [low, high].into_iter().find(inside) {
        Some(turn) => vec![points[..=turn].to_vec(), points[turn..].to_vec()],
        None => vec![points.to_vec()],
    }
}

fn mean(values: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    let (mut sum, mut count) = (0.0, 0.0);
    for value in values {
        sum += value?;
        count += 1.0;
    }
    (count > 0.0).then(|| sum / count)
}

fn check_numbers(points: &[Point]) -> Result<(), CurveError> {
    if points.len() < FEWEST_POINTS {
        return Err(CurveError::TooFewPoints { found: points.len() });
    }
    match points.iter().position(|point| !point.is_finite()) {
        Some(index) => Err(CurveError::NotFinite { place: index + 1 }),
        None => Ok(()),
    }
}

/// The device must be lit, and its current have the right sign.
fn check_light(points: &[Point]) -> Result<(), CurveError> {
    let lower = &points[..points.len().div_ceil(2)];
    let middle = median(lower.iter().map(|p| p.amps.0).collect());
    let delivers = points.iter().any(|p| p.volts.0 * p.amps.0 > 0.0);
    let noise = noise_amps(points);
    if delivers && middle > DARK_SIGMAS * noise {
        return Ok(());
    }
    let centre = points.iter().map(|p| p.volts.0).sum::<f64>() / points.len() as f64;
    let tilt: f64 = points.iter().map(|p| (p.volts.0 - centre) * p.amps.0).sum();
    if middle < -DARK_SIGMAS * noise && tilt > 0.0 {
        return Err(CurveError::CurrentReversed);
    }
    Err(CurveError::Dark { amps: Amps(middle) })
}

/// Standard deviation of the noise of currents (A), from the middle one of their deviations from
/// the straight line between their neighbours: steps and the bend of the curve hardly count.
pub(super) fn noise_amps(points: &[Point]) -> f64 {
    let bends = points.windows(3).filter_map(|three| {
        let [a, b, c] = [three[0], three[1], three[2]];
        let span = c.volts.0 - a.volts.0;
        let share = (b.volts.0 - a.volts.0) / span;
        let straight = a.amps.0 + share * (c.amps.0 - a.amps.0);
        let spread = (1.0 + share * share + (1.0 - share) * (1.0 - share)).sqrt();
        (span > 0.0).then(|| (b.amps.0 - straight).abs() / spread)
    });
    MAD * median(bends.collect())
}

pub(super) fn median(mut values: Vec<f64>) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
