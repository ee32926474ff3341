//! Levenberg-Marquardt for a handful of parameters, some with a lower bound.
//!
//! Model: each step minimises `|r - J d|^2 + lambda |D d|^2`, `D` the largest column norms seen (Moré
//! 1978), by QR of the reduced system. A parameter at its bound that wants to go beyond it is held
//! for the step. Lambda falls by ten after a success and rises by four after a failure.

use crate::curve::linear::{Row, Triangle, reduce};

/// Steps after which the search is given up.
const MOST_STEPS: usize = 200;
/// Trials of one step.
const MOST_TRIALS: usize = 24;
/// First damping.
const FIRST_LAMBDA: f64 = 1e-3;
/// Below this the step is the undamped one.
const LEAST_LAMBDA: f64 = 1e-14;
/// At rest when the step is below this share of the parameters' own scale...
const REST_STEP: f64 = 1e-13;
/// ... or when the model promises less than this share of the squares.
const REST_GAIN: f64 = 1e-15;

/// Where the search ended.
#[derive(Clone, Debug)]
pub(super) struct Outcome<const N: usize> {
    pub(super) theta: [f64; N],
    /// Sum of squared residuals.
    pub(super) squares: f64,
    /// `(J^T J)^-1` over the parameters that are not held; zero for those.
    pub(super) inverse: [[f64; N]; N],
    /// Held at a bound, or without any influence.
    pub(super) fixed: [bool; N],
    pub(super) steps: usize,
    pub(super) at_rest: bool,
}

/// Minimises the squares of the rows' right sides. `fill` writes a row per residual, `(dmodel/dtheta,
/// measured - model)`, and says whether the parameters are possible at all.
pub(super) fn minimise<const N: usize>(
    start: [f64; N],
    least: [f64; N],
    mut fill: impl FnMut(&[f64; N], &mut Vec<Row<N>>) -> bool,
) -> Outcome<N> {
    let mut rows = Vec::new();
    let mut trial_rows = Vec::new();
    let mut search =
        Search { theta: start, least, lambda: FIRST_LAMBDA, scale: [0.0; N], squares: f64::NAN };
    if !fill(&search.theta, &mut rows) {
        return search.ended(&mut rows, 0, false);
    }
    search.squares = squares(&rows);
    for steps in 1..=MOST_STEPS {
        let fixed = search.prepare(&mut rows);
        let triangle = reduce(&mut rows.clone());
        match search.advance(&triangle, &fixed, &mut trial_rows, &mut fill) {
            Step::Taken => std::mem::swap(&mut rows, &mut trial_rows),
            Step::LastTaken => return search.ended(&mut trial_rows, steps, true),
            Step::AtRest => return search.ended(&mut rows, steps, true),
        }
    }
    search.ended(&mut rows, MOST_STEPS, false)
}

enum Step {
    Taken,
    LastTaken,
    AtRest,
}

struct Search<const N: usize> {
    theta: [f64; N],
    least: [f64; N],
    lambda: f64,
    /// Largest column norms seen.
    scale: [f64; N],
    squares: f64,
}

impl<const N: usize> Search<N> {
    /// Holds what wants to leave through its bound, and keeps the scales.
    fn prepare(&mut self, rows: &mut [Row<N>]) -> [bool; N] {
        let mut fixed = [false; N];
        for (k, held) in fixed.iter_mut().enumerate() {
            let norm = rows.iter().map(|row| row.0[k] * row.0[k]).sum::<f64>().sqrt();
            let descent: f64 = rows.iter().map(|row| row.0[k] * row.1).sum();
            let outward = self.theta[k] <= self.least[k] && descent <= 0.0;
            *held = outward || norm <= 0.0;
            if *held {
                for row in rows.iter_mut() {
                    row.0[k] = 0.0;
                }
            }
            self.scale[k] = self.scale[k].max(norm);
        }
        fixed
    }

    fn advance(
        &mut self,
        triangle: &Triangle<N>,
        fixed: &[bool; N],
        rows: &mut Vec<Row<N>>,
        fill: &mut impl FnMut(&[f64; N], &mut Vec<Row<N>>) -> bool,
    ) -> Step {
        for _ in 0..MOST_TRIALS {
            let step = self.step(triangle, fixed);
            let mut next = self.theta;
            let mut moved = 0.0_f64;
            for k in 0..N {
                next[k] = (self.theta[k] + step[k]).max(self.least[k]);
                let size = self.theta[k].abs().max(next[k].abs()).max(f64::MIN_POSITIVE);
                moved = moved.max((next[k] - self.theta[k]).abs() / size);
            }
            let before = self.squares;
            let better = fill(&next, rows) && squares(rows) < before;
            if better {
                self.theta = next;
                self.squares = squares(rows);
                self.lambda = (self.lambda * 0.1).max(LEAST_LAMBDA);
                let gained = before - self.squares;
                let done = moved <= REST_STEP || gained <= REST_GAIN * before;
                return if done { Step::LastTaken } else { Step::Taken };
            }
            if moved <= REST_STEP {
                return Step::AtRest;
            }
            self.lambda *= 4.0;
        }
        // No direction gets lower: rounding is all that is left.
        Step::AtRest
    }

    fn step(&self, triangle: &Triangle<N>, fixed: &[bool; N]) -> [f64; N] {
        let mut weights = [0.0; N];
        for k in 0..N {
            // A held column is zero: any weight keeps its step at zero.
            let scale = if fixed[k] { self.scale[k].max(1.0) } else { self.scale[k] };
            weights[k] = self.lambda.sqrt() * scale;
        }
        triangle.damped(&weights).solve().unwrap_or([0.0; N])
    }

    fn ended(mut self, rows: &mut [Row<N>], steps: usize, at_rest: bool) -> Outcome<N> {
        let mut fixed = if rows.is_empty() { [true; N] } else { self.prepare(rows) };
        for (k, held) in fixed.iter_mut().enumerate() {
            *held |= self.theta[k] <= self.least[k];
        }
        let inverse = inverse(rows, &fixed);
        if inverse.is_none() {
            fixed = [true; N];
        }
        Outcome {
            theta: self.theta,
            squares: self.squares,
            inverse: inverse.unwrap_or([[0.0; N]; N]),
            fixed,
            steps,
            at_rest,
        }
    }
}

/// `(J^T J)^-1` of columns brought to one length; none where they depend on each other.
fn inverse<const N: usize>(rows: &[Row<N>], fixed: &[bool; N]) -> Option<[[f64; N]; N]> {
    let mut length = [1.0; N];
    for (k, value) in length.iter_mut().enumerate() {
        if !fixed[k] {
            *value = rows.iter().map(|row| row.0[k] * row.0[k]).sum::<f64>().sqrt();
        }
    }
    let mut scaled = Vec::with_capacity(rows.len() + N);
    for row in rows {
        let mut columns = [0.0; N];
        for k in 0..N {
            columns[k] = if fixed[k] { 0.0 } else { row.0[k] / length[k] };
        }
        scaled.push((columns, 0.0));
    }
    for k in (0..N).filter(|k| fixed[*k]) {
        let mut unit = [0.0; N];
        unit[k] = 1.0;
        scaled.push((unit, 0.0));
    }
    let mut inverse = reduce(&mut scaled).inverse_gram()?;
    for (j, row) in inverse.iter_mut().enumerate() {
        for (k, value) in row.iter_mut().enumerate() {
            *value = if fixed[j] || fixed[k] { 0.0 } else { *value / (length[j] * length[k]) };
        }
    }
    Some(inverse)
}

fn squares<const N: usize>(rows: &[Row<N>]) -> f64 {
    rows.iter().map(|row| row.1 * row.1).sum()
}
