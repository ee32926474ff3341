//! Offset and noise of readings taken while nothing is meant to change.
//!
//! Model: readings x_1 .. x_n of one quantity. The noise is taken from the differences of neighbours,
//!
//! s^2 = sum (x_(i+1) - x_i)^2 / (2 (n - 1))
//!
//! (the mean square successive difference of von Neumann, Kent, Bellinson and Hart 1941, from
//! memory), so that a sun that climbs while the readings are taken is not told as noise. Its own
//! relative standard uncertainty is sqrt(3 n - 4) / (2 (n - 1)), for normal, independent readings.
//! The mean's standard uncertainty is sqrt(s^2 / n + q^2 / 12) with q the step of the readings, as
//! far as it shows in them. Expanded uncertainties have the coverage factor 2.
//!
//! Validity: an instrument that averages over several of its readings makes neighbours alike, and
//! then the noise comes out too small.
//!
//! Rejected: the plain standard deviation (a passing cloud becomes noise), a fitted line (a cloud's
//! edge is none).

use crate::quantities::{Amps, Volts};

/// Readings needed for an opinion: with fewer, the noise is known to no better than a third.
pub const FEWEST: usize = 8;

/// Coverage factor of expanded uncertainties.
const COVERAGE: f64 = 2.0;

/// What steady readings say, in their own quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steady<Q> {
    /// The mean.
    pub mean: Q,
    /// Expanded uncertainty of the mean, against the same instrument read for ever.
    pub mean_uncertainty: Q,
    /// Standard deviation of one reading.
    pub noise: Q,
    /// Expanded uncertainty of the noise.
    pub noise_uncertainty: Q,
}

/// What steady voltage readings say; none with fewer than [`FEWEST`].
///
/// ```
/// use cresthold::commission::noise::steady_volts;
/// use cresthold::quantities::Volts;
/// // A voltage that climbs by 1 mV from reading to reading, with a noise of +- 10 mV in turn:
/// let readings: Vec<Volts> =
///     (0..100).map(|i| Volts(38.0 + 0.001 * f64::from(i) + if i % 2 == 0 { 0.01 } else { -0.01 })).collect();
/// let steady = steady_volts(&readings).unwrap();
/// assert!((steady.mean.0 - 38.0495).abs() < 1e-9);
/// // Neighbours differ by 20 mV, less or more the 1 mV: 20 mV / sqrt 2.
/// assert!((steady.noise.0 - 0.02 / 2.0_f64.sqrt()).abs() < 1e-4);
/// ```
#[must_use]
pub fn steady_volts(readings: &[Volts]) -> Option<Steady<Volts>> {
    let values: Vec<f64> = readings.iter().map(|volts| volts.0).collect();
    let s = steady(&values)?;
    Some(Steady {
        mean: Volts(s.mean),
        mean_uncertainty: Volts(s.mean_uncertainty),
        noise: Volts(s.noise),
        noise_uncertainty: Volts(s.noise_uncertainty),
    })
}

/// The same for currents.
#[must_use]
pub fn steady_amps(readings: &[Amps]) -> Option<Steady<Amps>> {
    let values: Vec<f64> = readings.iter().map(|amps| amps.0).collect();
    let s = steady(&values)?;
    Some(Steady {
        mean: Amps(s.mean),
        mean_uncertainty: Amps(s.mean_uncertainty),
        noise: Amps(s.noise),
        noise_uncertainty: Amps(s.noise_uncertainty),
    })
}

#[expect(clippy::cast_precision_loss, reason = "a few hundred readings")]
fn steady(values: &[f64]) -> Option<Steady<f64>> {
    if values.len() < FEWEST {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.windows(2).map(|pair| (pair[1] - pair[0]).powi(2)).sum();
    let noise = (squares / (2.0 * (n - 1.0))).sqrt();
    let quantum = step_of(values);
    Some(Steady {
        mean,
        mean_uncertainty: COVERAGE * (noise * noise / n + quantum * quantum / 12.0).sqrt(),
        noise,
        noise_uncertainty: COVERAGE * noise * (3.0 * n - 4.0).sqrt() / (2.0 * (n - 1.0)),
    })
}

/// The smallest difference between any two readings that are not equal; 0 when all are.
fn step_of(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let gaps = sorted.windows(2).map(|pair| pair[1] - pair[0]).filter(|gap| *gap > 1e-12);
    let least = gaps.fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { 0.0 }
}
