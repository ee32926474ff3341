//! Where the fit starts: the best of a grid over `a` and `Rs`.
//!
//! With `a` and `Rs` given, the measured current makes the diode's voltage known, and the equation is
//! linear in `IL`, `I0` and `1/Rsh`: three columns by least squares, signs checked.

use super::FREE;
use crate::curve::linear::{Row, reduce};
use crate::curve::points::Point;

/// `Voc/a` on the grid: from a poor thin film to a good multi-junction cell; real ones lie at 15 to
/// 40.
const STEEPNESS: [f64; 10] = [7.0, 10.0, 14.0, 18.0, 22.0, 26.0, 31.0, 37.0, 45.0, 60.0];
/// Shares of the largest series resistance on the grid.
const SERIES: [f64; 6] = [0.0, 0.1, 0.25, 0.4, 0.6, 0.8];
/// Points used on the grid: enough for a start.
const ENOUGH: usize = 40;

/// Voltage (V) where the current is nearest to zero: a rough Voc.
pub(super) fn open_circuit(points: &[Point]) -> f64 {
    let near = |a: &&Point, b: &&Point| a.amps.0.abs().total_cmp(&b.amps.0.abs());
    points.iter().min_by(near).map_or(0.0, |p| p.volts.0)
}

/// The best start, with the sum of squares of its implicit residual.
pub(super) fn best_of_grid(points: &[Point], anchor: f64) -> Option<([f64; FREE], f64)> {
    if anchor <= 0.0 {
        return None;
    }
    let power = |p: &Point| p.volts.0 * p.amps.0;
    let crest = points.iter().max_by(|a, b| power(a).total_cmp(&power(b)))?;
    // Beyond this, no diode would be left between crest and open circuit.
    let largest = (anchor - crest.volts.0).max(0.02 * anchor) / crest.amps.0;
    let stride = points.len().div_ceil(ENOUGH);
    let some: Vec<Point> = points.iter().step_by(stride).copied().collect();
    let mut best: Option<([f64; FREE], f64)> = None;
    for steepness in STEEPNESS {
        for share in SERIES {
            let Some(found) = linear(&some, anchor, anchor / steepness, share * largest) else {
                continue;
            };
            if best.is_none_or(|(_, squares)| found.1 < squares) {
                best = Some(found);
            }
        }
    }
    best
}

/// `IL`, the diode's current at the anchor, and `1/Rsh` for given `a` (V) and `Rs` (ohm).
fn linear(points: &[Point], anchor: f64, a: f64, rs: f64) -> Option<([f64; FREE], f64)> {
    let floor = (-anchor / a).exp();
    let voltage = |p: &Point| p.volts.0 + p.amps.0 * rs;
    let diode = |x: f64| floor - ((x - anchor) / a).exp();
    let leaky = |p: &Point| {
        let x = voltage(p);
        ([1.0, diode(x), -x], p.amps.0)
    };
    let mut rows: Vec<Row<3>> = points.iter().map(leaky).collect();
    let triangle = reduce(&mut rows);
    let [il, forward, leak] = triangle.solve()?;
    if il > 0.0 && forward > 0.0 && leak >= 0.0 {
        return Some(([il, forward.ln(), rs, leak, a.ln()], triangle.rest));
    }
    // Noise can make the leak negative: without it, then.
    let tight = |p: &Point| ([1.0, diode(voltage(p))], p.amps.0);
    let mut rows: Vec<Row<2>> = points.iter().map(tight).collect();
    let triangle = reduce(&mut rows);
    let [il, forward] = triangle.solve()?;
    let fits = il > 0.0 && forward > 0.0;
    fits.then(|| ([il, forward.ln(), rs, 0.0, a.ln()], triangle.rest))
}
