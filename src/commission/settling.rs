//! The load's settling time from the readings after steps of its setpoint.
//!
//! Model: after a step at t = 0 the terminal voltage goes V(t) = V_to + A exp(-t / tau). A reading
//! asked for at t sees it somewhat later, averaged over its window; both multiply A by a factor that
//! doesn't depend on t, so tau can be had from readings whose delay nobody knows, as long as it is
//! always the same. Readings of several steps, up and down, asked for at staggered times, are
//! fitted together: for each tau the best V_to and A of each direction are a straight-line fit, and
//! tau is searched for where the sum of squares is least. Its uncertainty follows from the curvature
//! there, sigma^2 = 2 s^2 / (d2S / dtau2).
//!
//! A reading that took longer than the quickest was held up somewhere, nobody knows where: those are
//! left out, as clock synchronisation leaves out slow answers.
//!
//! Rejected: the time to 63 % (needs readings many times faster than the line), a second-order
//! response (the misfit tells when one would be needed; see [`Settling::misfit`]).

use crate::quantities::Volts;
use std::time::Duration;

/// One reading after a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StepReading {
    /// Whether the setpoint went down.
    pub down: bool,
    /// From sending the setpoint to asking for the reading (s).
    pub since: Duration,
    /// From asking to the answer (s).
    pub took: Duration,
    /// The terminal voltage read (V).
    pub volts: Volts,
}

/// What the steps say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settling {
    /// Time constant, or what it is at most (s).
    pub tau: Duration,
    /// Its expanded uncertainty (s); none where `tau` is only a bound.
    pub uncertainty: Option<Duration>,
    /// From sending a setpoint until the terminals begin to move, less the delay of a reading (s).
    /// Negative where readings are later than settings.
    pub lag: f64,
    /// Standard deviation of the readings around the fit, over the noise: about 1 for one time
    /// constant, well above where the response is of another kind.
    pub misfit: f64,
    /// How many readings were used.
    pub used: usize,
}

/// Why the steps say nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SettlingError {
    /// Too few readings.
    #[error("{0} readings are too few for a time constant; at least 12 are needed, of both ways")]
    TooFew(usize),
    /// The voltage did not move with the setpoint.
    #[error("the voltage did not move with the setpoint, so there is no time constant to see")]
    NoStep,
}

/// Readings needed: five unknowns, and as many again to judge the fit.
const FEWEST: usize = 12;
/// Readings slower than the quickest by this share of tau are left out...
const LATE_SHARE: f64 = 0.1;
/// ...and by less than this never (s): a system's usual hesitation.
const LATE_FLOOR: f64 = 0.4e-3;
/// Residuals beyond so many times the median one are left out: held up without being slow.
const OUTLIER: f64 = 7.0;
/// Points of the coarse search, per factor of e some 8.
const GRID: u32 = 96;
/// Halvings of the fine search: well below any uncertainty.
const FINE: usize = 40;
/// A time constant is seen when the first readings lie this many times the noise from the end.
const SEEN: f64 = 5.0;
/// Coverage factor of expanded uncertainties.
const COVERAGE: f64 = 2.0;

/// The time constant from readings after steps; `noise` is that of one reading (V).
///
/// # Errors
/// [`SettlingError`].
pub fn settling(readings: &[StepReading], noise: Volts) -> Result<Settling, SettlingError> {
    let mut points: Vec<Point> = readings.iter().map(Point::of).collect();
    let enough = |points: &[Point]| {
        let down = points.iter().filter(|point| point.down).count();
        down >= FEWEST / 2 && points.len() - down >= FEWEST / 2
    };
    if !enough(&points) {
        return Err(SettlingError::TooFew(points.len()));
    }
    let mut fit = Fit::best(&points);
    let quickest = points.iter().map(|point| point.took).fold(f64::INFINITY, f64::min);
    let slack = (fit.tau * LATE_SHARE).max(LATE_FLOOR);
    for pass in 0..2 {
        let typical = fit.typical(&points).max(noise.0);
        let kept: Vec<Point> = points
            .iter()
            .filter(|point| point.took <= quickest + slack)
            .filter(|point| pass == 0 || fit.miss(point).abs() <= OUTLIER * typical)
            .copied()
            .collect();
        if enough(&kept) {
            points = kept;
            fit = Fit::best(&points);
        }
    }
    conclude(&fit, &points, noise.0)
}

#[expect(clippy::cast_precision_loss, reason = "a few hundred readings")]
fn conclude(fit: &Fit, points: &[Point], noise: f64) -> Result<Settling, SettlingError> {
    let [down, up] = fit.lines;
    let step = up.end - down.end;
    let floor = noise.max(fit.deviation(points)).max(1e-9);
    if step < SEEN * 2.0 * floor {
        return Err(SettlingError::NoStep);
    }
    let used = points.len();
    let first = points.iter().map(|point| point.since).fold(f64::INFINITY, f64::min).max(1e-6);
    let seen = |line: &Line| line.height.abs() * (-first / fit.tau).exp();
    if seen(&down).max(seen(&up)) < SEEN * floor {
        // All that is known: what is left at the first reading is lost in the noise.
        let most = first / (step / (SEEN * floor)).ln().max(0.1);
        return Ok(Settling { tau: span(most), uncertainty: None, lag: 0.0, misfit: 1.0, used });
    }
    let h = fit.tau * 0.01;
    let bend =
        (squares(points, fit.tau + h) - 2.0 * fit.squares + squares(points, fit.tau - h)) / (h * h);
    let variance = fit.squares / (used as f64 - 5.0).max(1.0);
    let sigma = if bend > 0.0 { (2.0 * variance / bend).sqrt() } else { fit.tau };
    let crossing = |line: &Line| fit.tau * (line.height.abs() / step).max(1e-9).ln();
    Ok(Settling {
        tau: span(fit.tau),
        uncertainty: Some(span(COVERAGE * sigma)),
        lag: 0.5 * (crossing(&down) + crossing(&up)),
        misfit: fit.deviation(points) / noise.max(1e-9),
        used,
    })
}

fn span(seconds: f64) -> Duration {
    Duration::try_from_secs_f64(seconds).unwrap_or_default()
}

/// A reading in seconds and volts.
#[derive(Clone, Copy)]
struct Point {
    down: bool,
    since: f64,
    took: f64,
    volts: f64,
}

impl Point {
    fn of(reading: &StepReading) -> Self {
        Self {
            down: reading.down,
            since: reading.since.as_secs_f64(),
            took: reading.took.as_secs_f64(),
            volts: reading.volts.0,
        }
    }
}

/// Volts = end + height x, x = exp(-t / tau).
#[derive(Clone, Copy, Default)]
struct Line {
    end: f64,
    height: f64,
}

/// The best fit at one tau.
struct Fit {
    tau: f64,
    squares: f64,
    /// Of the steps down, of the steps up.
    lines: [Line; 2],
}

impl Fit {
    fn at(points: &[Point], tau: f64) -> Self {
        let lines = [true, false].map(|down| line(points, down, tau));
        let mut fit = Self { tau, squares: 0.0, lines };
        fit.squares = points.iter().map(|point| fit.miss(point).powi(2)).sum();
        fit
    }

    /// Coarse search over the logarithm of tau, then by the golden section.
    fn best(points: &[Point]) -> Self {
        let ends = |pick: fn(f64, f64) -> f64, from: f64| {
            points.iter().map(|point| point.since).filter(|t| *t > 0.0).fold(from, pick)
        };
        let low = (0.2 * ends(f64::min, f64::INFINITY)).clamp(1e-5, 1.0).ln();
        let high = (3.0 * ends(f64::max, 0.0)).max(2e-5).ln().max(low + 1.0);
        let cell = (high - low) / f64::from(GRID);
        let mut middle = (f64::INFINITY, low);
        for index in 0..=GRID {
            let at = low + cell * f64::from(index);
            let squares = squares(points, at.exp());
            if squares < middle.0 {
                middle = (squares, at);
            }
        }
        const GOLDEN: f64 = 0.618_033_988_749_895;
        let (mut from, mut to) = (middle.1 - cell, middle.1 + cell);
        for _ in 0..FINE {
            let (a, b) = (to - GOLDEN * (to - from), from + GOLDEN * (to - from));
            if squares(points, a.exp()) < squares(points, b.exp()) {
                to = b;
            } else {
                from = a;
            }
        }
        Self::at(points, (0.5 * (from + to)).exp())
    }

    fn miss(&self, point: &Point) -> f64 {
        let line = self.lines[usize::from(!point.down)];
        point.volts - line.end - line.height * (-point.since / self.tau).exp()
    }

    /// The median magnitude of the residuals.
    fn typical(&self, points: &[Point]) -> f64 {
        let mut misses: Vec<f64> = points.iter().map(|point| self.miss(point).abs()).collect();
        misses.sort_by(f64::total_cmp);
        misses[misses.len() / 2]
    }

    #[expect(clippy::cast_precision_loss, reason = "a few hundred readings")]
    fn deviation(&self, points: &[Point]) -> f64 {
        (self.squares / (points.len() as f64 - 5.0).max(1.0)).sqrt()
    }
}

fn squares(points: &[Point], tau: f64) -> f64 {
    Fit::at(points, tau).squares
}

/// The straight line through one direction's points.
fn line(points: &[Point], down: bool, tau: f64) -> Line {
    let (mut n, mut x1, mut x2, mut y1, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for point in points.iter().filter(|point| point.down == down) {
        let x = (-point.since / tau).exp();
        n += 1.0;
        x1 += x;
        x2 += x * x;
        y1 += point.volts;
        xy += x * point.volts;
    }
    let spread = n * x2 - x1 * x1;
    if n < 1.0 {
        return Line::default();
    }
    if spread <= 1e-12 * n * x2.max(1e-300) {
        return Line { end: y1 / n, height: 0.0 };
    }
    let height = (n * xy - x1 * y1) / spread;
    Line { end: (y1 - height * x1) / n, height }
}
