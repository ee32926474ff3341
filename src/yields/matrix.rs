//! A device by its power matrix: power at irradiances and temperatures, and between them.
//!
//! Model: power over irradiance is interpolated in straight lines, in temperature along each irradiance's own
//! points and then in the logarithm of irradiance; the standard leaves that open, and in irradiance itself the
//! lines miss a measured matrix by twice as much (`tests/season_matrix.rs`). Beyond the points the lines go
//! on: in temperature from each irradiance's outermost two, in irradiance from the outermost two irradiances,
//! there in irradiance itself, whose end at zero is finite. IEC 61853-3 wants both (from memory). An irradiance with
//! a single temperature takes the relative slope of the nearest irradiance that has more.
//!
//! Over a year of weather this is the energy rating of IEC 61853-3: the performance ratio at the crest of a
//! device known by its matrix ([`super::Yield::total`]).
//!
//! Rejected: a single diode fitted to the points (it would say what the model says), and efficiency that
//! stays what it was at the last point (devices lose more, the weaker the light).

use crate::quantities::{Celsius, Irradiance, STC_IRRADIANCE, STC_TEMPERATURE, Watts};

/// Points nearer to each other than this (W/m2, K) are the same.
const SAME: f64 = 1e-6;
/// A point's efficiency is at most so many times the median of all, or that part of it: thin films lose half at
/// 100 W/m2, hot cells a third; a digit too many or too few is ten.
const ODD: f64 = 3.0;
/// How far a rating at standard conditions may lie beyond the points: not at all but for rounding (W/m2, K).
const EDGE: f64 = 1e-9;

/// Why points make no matrix.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum MatrixError {
    /// A point that no device has.
    #[error(
        "{power} at {irradiance} and {module}: give an irradiance of 10..=2000 W/m2, a temperature of -50..=150 degC, \
         a power above 0"
    )]
    Point {
        /// Irradiance.
        irradiance: Irradiance,
        /// Temperature.
        module: Celsius,
        /// Power.
        power: Watts,
    },
    /// A point that does not go with the others.
    #[error(
        "{power} at {irradiance} and {module} is {times:.2} times what the points' middle efficiency makes of that \
         light: look after this point"
    )]
    Odd {
        /// Irradiance.
        irradiance: Irradiance,
        /// Temperature.
        module: Celsius,
        /// Power.
        power: Watts,
        /// Its efficiency over the median of all.
        times: f64,
    },
    /// The same point again.
    #[error("{irradiance} and {module} come twice")]
    Twice {
        /// Irradiance.
        irradiance: Irradiance,
        /// Temperature.
        module: Celsius,
    },
    /// Too few points.
    #[error(
        "two irradiances or more, one of them with two temperatures, are needed to go on between the points"
    )]
    Few,
    /// The rating would be a guess.
    #[error("1000 W/m2 at 25 degC lies beyond the points, so that nothing tells the rating")]
    NoRating,
}

/// The points of one irradiance: its value, and temperatures (degC, rising) with power over irradiance.
#[derive(Clone, Debug, PartialEq)]
struct Line {
    irradiance: f64,
    points: Vec<(f64, f64)>,
    /// Change of power over irradiance with temperature, where there is one point only.
    slope: f64,
}

/// Power by irradiance and temperature, for every light and warmth.
#[derive(Clone, Debug, PartialEq)]
pub struct Matrix {
    /// By rising irradiance; two or more.
    lines: Vec<Line>,
}

impl Matrix {
    /// From points in any order: irradiance, temperature, power; standard conditions may lie beyond them.
    ///
    /// # Errors
    /// [`MatrixError`]: a point out of range or told twice, too few of them.
    pub fn beyond(points: &[(Irradiance, Celsius, Watts)]) -> Result<Self, MatrixError> {
        let mut sorted = points.to_vec();
        sorted.sort_by(|a, b| a.0.0.total_cmp(&b.0.0).then(a.1.0.total_cmp(&b.1.0)));
        let mut lines: Vec<Line> = Vec::new();
        for (irradiance, module, power) in sorted {
            let known = (10.0..=2000.0).contains(&irradiance.0)
                && (-50.0..=150.0).contains(&module.0)
                && power.0 > 0.0
                && power.is_finite();
            if !known {
                return Err(MatrixError::Point { irradiance, module, power });
            }
            let point = (module.0, power.0 / irradiance.0);
            match lines.last_mut().filter(|line| irradiance.0 - line.irradiance < SAME) {
                Some(line) if line.points.last().is_some_and(|p| point.0 - p.0 < SAME) => {
                    return Err(MatrixError::Twice { irradiance, module });
                }
                Some(line) => line.points.push(point),
                None => {
                    lines.push(Line { irradiance: irradiance.0, points: vec![point], slope: 0.0 })
                }
            }
        }
        check_like(points)?;
        lend_slopes(&mut lines)?;
        Ok(Self { lines })
    }

    /// From points in any order: irradiance, temperature, power.
    ///
    /// ```
    /// use cresthold::quantities::{Celsius, Irradiance, Watts};
    /// use cresthold::yields::Matrix;
    /// let at = |light, module, watts| (Irradiance(light), Celsius(module), Watts(watts));
    /// // 0.30 and 0.32 m2 of efficient area at 25 degC, a tenth less at 50 degC.
    /// let matrix = Matrix::new(&[
    ///     at(1000.0, 25.0, 300.0), at(1000.0, 50.0, 270.0), at(800.0, 25.0, 256.0), at(800.0, 50.0, 230.4),
    /// ]).unwrap();
    /// // Half way in both: the root of 800 times 1000 W/m2, times (0.30 + 0.32) / 2, times 0.95.
    /// let light = 800_000_f64.sqrt();
    /// let watts = matrix.watts(Irradiance(light), Celsius(37.5));
    /// assert!((watts.0 - light * 0.31 * 0.95).abs() < 1e-9);
    /// // Beyond: 0.30 - 0.02 at 1200 W/m2, and at 75 degC a fifth less.
    /// let watts = matrix.watts(Irradiance(1200.0), Celsius(75.0));
    /// assert!((watts.0 - 1200.0 * 0.28 * 0.8).abs() < 1e-9);
    /// assert!(matrix.covers(Irradiance(900.0), Celsius(30.0)));
    /// assert!(!matrix.covers(Irradiance(1200.0), Celsius(30.0)));
    /// assert_eq!(matrix.rated(), Watts(300.0));
    /// ```
    ///
    /// # Errors
    /// [`MatrixError`]: a point out of range or told twice, too few of them, no rating among them.
    pub fn new(points: &[(Irradiance, Celsius, Watts)]) -> Result<Self, MatrixError> {
        let matrix = Self::beyond(points)?;
        if matrix.covers(STC_IRRADIANCE, STC_TEMPERATURE) {
            Ok(matrix)
        } else {
            Err(MatrixError::NoRating)
        }
    }

    /// Power at 1000 W/m2 and 25 degC.
    #[must_use]
    pub fn rated(&self) -> Watts {
        self.watts(STC_IRRADIANCE, STC_TEMPERATURE)
    }

    /// Power (W) at an irradiance (W/m2, 0..) and temperature (degC), within the points or beyond; never
    /// below zero.
    #[must_use]
    pub fn watts(&self, irradiance: Irradiance, module: Celsius) -> Watts {
        let light = irradiance.0;
        let (low, high) = self.around(light);
        let (a, b) = (low.share(module.0), high.share(module.0));
        let within = (low.irradiance..=high.irradiance).contains(&light);
        let place = if within {
            (light / low.irradiance).ln() / (high.irradiance / low.irradiance).ln()
        } else {
            (light - low.irradiance) / (high.irradiance - low.irradiance)
        };
        Watts(((a + (b - a) * place) * light).max(0.0))
    }

    /// Whether an irradiance and temperature lie between points.
    #[must_use]
    pub fn covers(&self, irradiance: Irradiance, module: Celsius) -> bool {
        let light = irradiance.0;
        let (low, high) = self.around(light);
        let on = |line: &Line| (line.irradiance - light).abs() <= EDGE;
        let warm = |line: &Line| line.covers(module.0);
        match (on(low), on(high)) {
            (true, _) => warm(low),
            (_, true) => warm(high),
            _ => low.irradiance < light && light < high.irradiance && warm(low) && warm(high),
        }
    }

    /// The two lines that an irradiance is seen from.
    fn around(&self, light: f64) -> (&Line, &Line) {
        let above = self.lines.partition_point(|line| line.irradiance < light);
        let above = above.clamp(1, self.lines.len() - 1);
        (&self.lines[above - 1], &self.lines[above])
    }
}

impl Line {
    /// Power over irradiance at a temperature.
    fn share(&self, module: f64) -> f64 {
        let above = self.points.partition_point(|point| point.0 < module);
        match self.points.as_slice() {
            [only] => only.1 + self.slope * (module - only.0),
            points => {
                let above = above.clamp(1, points.len() - 1);
                let ((t0, s0), (t1, s1)) = (points[above - 1], points[above]);
                s0 + (s1 - s0) * (module - t0) / (t1 - t0)
            }
        }
    }

    fn covers(&self, module: f64) -> bool {
        let ends = self.points.first().zip(self.points.last());
        ends.is_some_and(|(low, high)| low.0 - EDGE <= module && module <= high.0 + EDGE)
    }
}

/// Refuses a point whose efficiency is no neighbour of the others'.
fn check_like(points: &[(Irradiance, Celsius, Watts)]) -> Result<(), MatrixError> {
    let share = |point: &(Irradiance, Celsius, Watts)| point.2.0 / point.0.0;
    let mut shares: Vec<f64> = points.iter().map(share).collect();
    shares.sort_by(f64::total_cmp);
    let Some(middle) = shares.get(shares.len() / 2).copied() else { return Err(MatrixError::Few) };
    let likely = (1.0 / ODD)..=ODD;
    match points.iter().find(|point| !likely.contains(&(share(point) / middle))) {
        Some(point @ &(irradiance, module, power)) => {
            let times = share(point) / middle;
            Err(MatrixError::Odd { irradiance, module, power, times })
        }
        None => Ok(()),
    }
}

/// Gives lines of one point the relative slope of the nearest that has more.
fn lend_slopes(lines: &mut [Line]) -> Result<(), MatrixError> {
    let slopes: Vec<(f64, f64, f64)> = lines
        .iter()
        .filter_map(|line| {
            let (first, last) = line.points.first().zip(line.points.last())?;
            let per_kelvin = (last.1 - first.1) / (last.0 - first.0);
            (line.points.len() > 1).then(|| (line.irradiance, first.0, per_kelvin / first.1))
        })
        .collect();
    if lines.len() < 2 || slopes.is_empty() {
        return Err(MatrixError::Few);
    }
    for line in lines.iter_mut().filter(|line| line.points.len() == 1) {
        let apart = |light: f64| (light / line.irradiance).ln().abs();
        let nearest = slopes.iter().min_by(|a, b| apart(a.0).total_cmp(&apart(b.0)));
        if let Some((_, from, relative)) = nearest {
            let (module, share) = line.points[0];
            // The slope is relative to the share at its own line's coolest point.
            line.slope = relative * share / (1.0 + relative * (module - from));
        }
    }
    Ok(())
}
