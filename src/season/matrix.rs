//! The power matrix: what a device makes at the irradiances and temperatures of IEC 61853-1, filled from
//! minutes outdoors.
//!
//! Model: near each of the standard's 22 points ([`POINTS`], from memory) the steady minutes within
//! [`NEAR_LIGHT`] and [`NEAR_KELVIN`] of it are taken, and power over irradiance is fitted as
//! `a + b ln(G/Gn) + c (T - Tn)`; `a Gn` is the power at the point. Minutes far off the first fit are left
//! out of the second (shade, a passing bird). A point counts when its minutes lie to both sides of it in
//! irradiance and in temperature, and are [`LEAST`] or more: nothing is extrapolated.
//!
//! Between and beyond the points: [`PowerMatrix::device`].
//!
//! Temperature is that of the cells, as in all of the season's figures ([`crate::yields::OverBack`]).
//!
//! Rejected: a mean of the minutes about a point (they are not centred on it: hot points have their
//! minutes on the cool side), and a single diode fitted to all (it would say what the model says).

use crate::curve::linear::{Row, reduce};
use crate::quantities::{Celsius, Irradiance, STC_IRRADIANCE, STC_TEMPERATURE, Watts};
use crate::yields::{Matrix, MatrixError};

/// The standard's points: irradiance (W/m2) and temperatures (degC).
pub const POINTS: [(f64, &[f64]); 7] = [
    (1100.0, &[25.0, 50.0, 75.0]),
    (1000.0, &[15.0, 25.0, 50.0, 75.0]),
    (800.0, &[15.0, 25.0, 50.0, 75.0]),
    (600.0, &[15.0, 25.0, 50.0, 75.0]),
    (400.0, &[15.0, 25.0, 50.0]),
    (200.0, &[15.0, 25.0]),
    (100.0, &[15.0, 25.0]),
];
/// Minutes count that differ by no more from a point: in the logarithm of the irradiance, and in kelvins.
const NEAR_LIGHT: f64 = 0.15;
const NEAR_KELVIN: f64 = 5.0;
/// Fewer minutes make no point.
const LEAST: usize = 20;
/// A minute so many standard deviations off the first fit is left out of the second.
const FAR: f64 = 3.0;
/// Points that tell how efficiency goes with the light span from at most here to at least there (W/m2).
const WEAK: f64 = 400.0;
const STRONG: f64 = 800.0;
/// A minute whose irradiance differs by more from that before it is not steady (share).
pub(super) const UNSTEADY: f64 = 0.02;

/// A steady minute.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steady {
    /// Irradiance in the plane.
    pub irradiance: Irradiance,
    /// Temperature of the cells.
    pub cell: Celsius,
    /// Mean power.
    pub watts: Watts,
}

/// A point of the matrix that the minutes fill.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MatrixPoint {
    /// Irradiance.
    pub irradiance: Irradiance,
    /// Temperature of the cells.
    pub cell: Celsius,
    /// Power there.
    pub watts: Watts,
    /// Its standard error, from the minutes' scatter alone.
    pub error: Watts,
    /// Minutes that it is from.
    pub minutes: usize,
}

/// Power by irradiance and temperature.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PowerMatrix {
    /// The points that are filled, in the order of [`POINTS`].
    pub points: Vec<MatrixPoint>,
}

impl PowerMatrix {
    /// The matrix of these minutes.
    #[must_use]
    pub fn of(minutes: &[Steady]) -> Self {
        let all =
            POINTS.iter().flat_map(|(light, warm)| warm.iter().map(|module| (*light, *module)));
        Self { points: all.filter_map(|at| point(minutes, at)).collect() }
    }

    /// How many points the standard has.
    #[must_use]
    pub fn wanted() -> usize {
        POINTS.iter().map(|(_, temperatures)| temperatures.len()).sum()
    }

    /// The device that these points make, for a year of weather: [`crate::yields::Chain`] makes an energy rating
    /// of it.
    ///
    /// # Errors
    /// [`MatrixError`]: they are too few, or 1000 W/m2 at 25 degC lies beyond them.
    pub fn device(&self) -> Result<Matrix, MatrixError> {
        let points: Vec<_> =
            self.points.iter().map(|point| (point.irradiance, point.cell, point.watts)).collect();
        Matrix::new(&points)
    }
}

/// How efficiency goes with the light, at 25 degC.
#[derive(Clone, Debug)]
pub(super) struct Dimming(Matrix);

impl Dimming {
    /// What a matrix tells of weak light; none where its points don't span from [`WEAK`] to [`STRONG`], or tell
    /// nothing of 1000 W/m2.
    pub(super) fn of(matrix: &PowerMatrix) -> Option<Self> {
        let has = |from: f64, to: f64| {
            matrix.points.iter().any(|point| (from..=to).contains(&point.irradiance.0))
        };
        let spans = has(0.0, WEAK) && has(STRONG, f64::INFINITY);
        let points = matrix.points.iter();
        let points = points.map(|point| (point.irradiance, point.cell, point.watts));
        // Without a point on either side of standard conditions the lines go on to them.
        Matrix::beyond(&points.collect::<Vec<_>>()).ok().filter(|_| spans).map(Self)
    }

    /// Power over irradiance, against that at 1000 W/m2; 1 in the dark.
    pub(super) fn efficiency(&self, irradiance: Irradiance) -> f64 {
        let share = |light: Irradiance| self.0.watts(light, STC_TEMPERATURE).0 / light.0;
        if irradiance.0 > 0.0 { share(irradiance) / share(STC_IRRADIANCE) } else { 1.0 }
    }
}

/// The power at a point, if the minutes tell it.
fn point(minutes: &[Steady], (light, cell): (f64, f64)) -> Option<MatrixPoint> {
    let near = minutes.iter().filter_map(|minute| {
        let (x, y) = ((minute.irradiance.0 / light).ln(), minute.cell.0 - cell);
        let near = x.abs() <= NEAR_LIGHT && y.abs() <= NEAR_KELVIN;
        // As shares of the reach, so that the fit's columns are of one size.
        let columns = [1.0, x / NEAR_LIGHT, y / NEAR_KELVIN];
        near.then(|| (columns, minute.watts.0 / minute.irradiance.0))
    });
    let rows: Vec<Row<3>> = near.collect();
    let (first, scatter, _) = fit(&rows)?;
    let off = |row: &Row<3>| row.1 - row.0.iter().zip(first).map(|(x, b)| x * b).sum::<f64>();
    let kept: Vec<Row<3>> =
        rows.into_iter().filter(|row| off(row).abs() <= FAR * scatter).collect();
    let (found, _, error) = fit(&kept)?;
    Some(MatrixPoint {
        irradiance: Irradiance(light),
        cell: Celsius(cell),
        watts: Watts(found[0] * light),
        error: Watts(error * light),
        minutes: kept.len(),
    })
}

/// Coefficients, standard deviation of a row, standard error of the first coefficient; none where
/// the rows don't lie about the point.
fn fit(rows: &[Row<3>]) -> Option<([f64; 3], f64, f64)> {
    let about = |column: usize| {
        let side = |sign: f64| rows.iter().any(|row| row.0[column] * sign > 0.0);
        side(1.0) && side(-1.0)
    };
    if rows.len() < LEAST || !about(1) || !about(2) {
        return None;
    }
    let triangle = reduce(&mut rows.to_vec());
    let variance = triangle.rest / (rows.len() - 3) as f64;
    let error = triangle.inverse_gram()?[0][0] * variance;
    Some((triangle.solve()?, variance.sqrt(), error.sqrt()))
}
