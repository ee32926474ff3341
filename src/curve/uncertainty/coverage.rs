//! The coverage factor of a sum of errors, some of them rectangular.
//!
//! Model: an error that may lie anywhere within limits has a rectangular distribution; where one such
//! rules, 95 % lie within 1.65 standard uncertainties, and `k = 2` would claim less than is known (JCGM
//! 100:2008, G.2 and G.6.5; a pure rectangle: 0.95 sqrt(3) = 1.645). The density of the whole sum
//! is therefore made: a normal one for all normal errors together, convolved with each rectangle,
//!
//! `f'(x) = (F(x + a) - F(x - a)) / (2 a)`,
//!
//! `F` the integral of `f`, `a = sqrt(3) u` the half-width. The interval is symmetric about the value.
//! Rejected: `k = 2` throughout (covers 99 to 100 % where a calibration's limits rule), and effective
//! degrees of freedom (they answer how well `u` is known, not how errors are distributed).

use super::budget::Shape;

/// Share of the errors that an expanded uncertainty holds.
pub const PROBABILITY: f64 = 0.95;
/// Points of the density on either side of zero, and combined standard uncertainties from one to the
/// next: it ends at 5, where nothing is left.
const SIDE: usize = 250;
const STEP: f64 = 0.02;
/// A rectangle below this share of the combined uncertainty counts as normal: its shape is lost in
/// the sum, to 1e-4 of k.
const FLAT: f64 = 0.1;

/// Coverage factor of the sum of errors with these standard uncertainties; NaN where the sum is no
/// number above zero.
pub(super) fn factor(parts: impl Iterator<Item = (f64, Shape)> + Clone) -> f64 {
    let whole = parts.clone().map(|(u, _)| u * u).sum::<f64>().sqrt();
    if !(whole.is_finite() && whole > 0.0) {
        return f64::NAN;
    }
    let flat = |(u, shape): &(f64, Shape)| *shape == Shape::Rectangular && u.abs() > FLAT * whole;
    let normal = parts.clone().filter(|part| !flat(part)).map(|(u, _)| u * u).sum::<f64>().sqrt();
    // Narrower than two steps the density would have no shape on the grid.
    let normal = (normal / whole).max(2.0 * STEP);
    let mut density: Vec<f64> = (0..=2 * SIDE)
        .map(|k| (-0.5 * ((k as f64 - SIDE as f64) * STEP / normal).powi(2)).exp())
        .collect();
    for (u, _) in parts.filter(flat) {
        density = flattened(&density, 3_f64.sqrt() * u.abs() / whole);
    }
    half_width(&density)
}

/// The density convolved with a rectangle of this half-width.
fn flattened(density: &[f64], half: f64) -> Vec<f64> {
    let below = integral(density);
    let last = below.len() - 1;
    let at = |place: f64| {
        let place = place.clamp(0.0, last as f64);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to last")]
        let left = (place as usize).min(last - 1);
        below[left] + (place - left as f64) * (below[left + 1] - below[left])
    };
    let reach = half / STEP;
    (0..=last).map(|k| (at(k as f64 + reach) - at(k as f64 - reach)) / (2.0 * half)).collect()
}

fn integral(density: &[f64]) -> Vec<f64> {
    let mut sum = 0.0;
    let mut below = vec![0.0];
    for pair in density.windows(2) {
        sum += 0.5 * STEP * (pair[0] + pair[1]);
        below.push(sum);
    }
    below
}

/// Where [`PROBABILITY`] of a symmetric density lies within.
fn half_width(density: &[f64]) -> f64 {
    let right = integral(&density[SIDE..]);
    let wanted = PROBABILITY * right[right.len() - 1];
    let above = right.partition_point(|share| *share < wanted).clamp(1, right.len() - 1);
    let (low, high) = (right[above - 1], right[above]);
    STEP * ((above - 1) as f64 + (wanted - low) / (high - low))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100, table G.1: 1.960 for a normal distribution, 1.645 for a rectangular; 0.05/2 of a
    /// triangle is left out at either side: sqrt(6) (1 - sqrt(0.05)) = 1.902.
    #[test]
    fn known_distributions_have_their_known_factors() {
        let k = |parts: &[(f64, Shape)]| factor(parts.iter().copied());
        assert!((k(&[(0.3, Shape::Normal), (0.4, Shape::Normal)]) - 1.960).abs() < 2e-3);
        assert!((k(&[(7.0, Shape::Rectangular)]) - 1.645).abs() < 4e-3);
        let two = [(1.0, Shape::Rectangular), (-1.0, Shape::Rectangular)];
        assert!((k(&two) - 1.902).abs() < 3e-3, "{}", k(&two));
        assert!(k(&[]).is_nan() && k(&[(f64::NAN, Shape::Normal)]).is_nan());
    }
}
