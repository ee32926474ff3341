//! How far what is right may lie from the plant's truth.

use super::witness::Measure;
use cresthold_sim::bench::Operating;

/// Noise of a load's reading as a share of its full scale, and that of its amps (A): 1e-4 of 20 A.
const NOISE: f64 = 1e-4;
const NOISE_AMPS: f64 = 2e-3;
/// Resolution of meters and of the log, and what settling leaves (V, A, W).
const STEP: [f64; 3] = [3e-3, 2e-3, 0.1];
/// How far a right irradiance may be off: noise of 0.3 W/m2 ([`super::sensors`]) and a microvolt at the
/// meter (W/m2).
pub(crate) const LIGHT_OFF: f64 = 2.5;

/// Readings of a load.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Exactness {
    /// Full scale of its voltmeter (V).
    pub(crate) full_scale: f64,
    /// The most that is measured (V, A).
    pub(crate) most: (f64, f64),
    /// Standard deviations that a right reading may lie off.
    pub(crate) sigmas: f64,
}

impl Exactness {
    /// How far the mean of so many readings may be off (V, A, W).
    pub(crate) fn tolerances(&self, readings: u32) -> [f64; 3] {
        let spread = self.sigmas / f64::from(readings.max(1)).sqrt();
        let volts = NOISE * self.full_scale;
        let power = self.most.0 * NOISE_AMPS + self.most.1 * volts;
        [spread * volts + STEP[0], spread * NOISE_AMPS + STEP[1], spread * power + STEP[2]]
    }
}

/// Least and largest of each quantity (V, A, W).
pub(crate) type Bounds = ([f64; 3], [f64; 3]);

/// Least and largest truth of one measurement.
pub(crate) fn bounds(measure: &Measure) -> Bounds {
    let values = |truth: &Operating| [truth.device.0, truth.amps.0, truth.watts().0];
    let [a, b] = measure.truth.each_ref().map(values);
    (std::array::from_fn(|i| a[i].min(b[i])), std::array::from_fn(|i| a[i].max(b[i])))
}

/// Least and largest that a mean over `readings` of these measurements can be: the mean of all of
/// them, or, where some got lost on the line, anything within their span.
pub(crate) fn span(of: &[Bounds], readings: usize, quantity: usize) -> (f64, f64) {
    let (lows, highs) = (of.iter().map(|b| b.0[quantity]), of.iter().map(|b| b.1[quantity]));
    if readings == of.len() {
        return (lows.sum::<f64>() / readings as f64, highs.sum::<f64>() / readings as f64);
    }
    (lows.fold(f64::INFINITY, f64::min), highs.fold(f64::NEG_INFINITY, f64::max))
}

/// What is wrong with the mean of `readings` of the measurements `of`, a sentence each.
pub(crate) fn wrong_means(
    means: [f64; 3],
    readings: u32,
    of: &[Bounds],
    exactness: &Exactness,
) -> Vec<String> {
    if readings as usize > of.len() {
        return vec!["more readings than measurements".to_owned()];
    }
    let off = exactness.tolerances(readings);
    let wrong = ["V", "A", "W"].into_iter().enumerate().filter_map(|(i, unit)| {
        let ((low, high), value) = (span(of, readings as usize, i), means[i]);
        let right = value >= low - off[i] && value <= high + off[i];
        (!right).then(|| format!("{value:.4} {unit}, not {low:.4} to {high:.4}"))
    });
    wrong.collect()
}

/// What is wrong with a curve's point (V, A) that was measured then.
pub(crate) fn wrong_point(
    point: [f64; 2],
    (low, high): &Bounds,
    exactness: &Exactness,
) -> Vec<String> {
    let off = exactness.tolerances(1);
    let wrong = point.into_iter().enumerate().filter_map(|(i, value)| {
        let (low, high) = (low[i], high[i]);
        let right = value >= low - off[i] && value <= high + off[i];
        (!right).then(|| format!("{value:.4} where {low:.4} to {high:.4} was"))
    });
    wrong.collect()
}

/// The measurement nearest to `at`, if it lies within `reach` (s).
pub(crate) fn nearest<'a>(
    measures: impl Iterator<Item = &'a Measure>,
    at: f64,
    reach: f64,
) -> Option<Bounds> {
    let near = measures.filter(|measure| (measure.at - at).abs() < reach);
    near.min_by(|a, b| (a.at - at).abs().total_cmp(&(b.at - at).abs())).map(bounds)
}
