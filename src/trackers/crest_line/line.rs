//! The crest line: the crest's voltage over its current, learned.
//!
//! Model: at one temperature
//!
//! V*(J) = t0 + t1 ln(J / Jr) + t2 (J / Jr - 1),
//!
//! the diode law with the drop over a series resistance; Jr is a reference current that grows with
//! the largest current seen, so that t2 keeps its size. Voltages are shares of the open-circuit
//! voltage found first. The three are the state of a Kalman filter: t0 wanders with the temperature,
//! the other two hardly. It starts from a wide prior, which is all that is known of the device.
//!
//! Rejected: exponential forgetting, which forgets along directions that nothing excites (at steady
//! light only t0 + t1 ln + t2 .. is seen) until the covariance bursts; and a table of voltages over
//! current, which has to visit every current before it knows anything of it.

use super::within;
use std::array::from_fn;

/// Parameters: t0, t1, t2.
const N: usize = 3;
/// Prior of t1: volts per e-fold of current over Voc, 0.04 for the example module's diode to 0.09 for
/// the generator model of EN 50530, less what the series resistance takes (computed).
const SLOPE: f64 = 0.05;
const SLOPE_SD: f64 = 0.025;
/// Prior of t2: -0.07 at the full current of the example module, -0.11 of EN 50530's model (computed),
/// in proportion less at less light, so that the middle between that and none is near zero.
const BEND_SD: f64 = 0.03;
/// Physical bounds of t1 and t2, over the line's voltage: so they hold for the crest of a few parts of a
/// row, too. Beside the crest by e the current that is inferred errs by 1 - exp(m e) times a change of the
/// voltage, over 1 + s, with s the line's logarithmic slope; the line answers with s times that. With
/// s = 0.33 + 1.5 * 0.13 at most, where the reference lags most, the product is 0.8 for e = 0.1 and m = 12
/// (computed): below one, so that voltage and current don't lead each other to and fro.
const SLOPES: (f64, f64) = (-0.027, 0.33);
const BENDS: (f64, f64) = (-0.4, 0.13);
/// What t0 wanders in a second, as a standard deviation: a module that warms by 10 K in ten minutes
/// moves its crest by 0.4 %/K, 7e-5 a second.
const DRIFT: f64 = 1e-4;
/// What t1 and t2 wander: a hundredth of that.
const SLOW_DRIFT: f64 = 1e-6;
/// The largest standard deviations: that of t0 reaches from one plausible crest to the other.
const WIDEST: [f64; N] = [0.1, 0.03, 0.03];
/// The least: rounding must not make it certain of anything.
const NARROWEST: f64 = 1e-6;
/// How far below and above the reference current the law is used.
const FAINTEST: f64 = 1e-4;
const BRIGHTEST: f64 = 20.0;
/// The reference follows when the current is so many times larger.
const GROWTH: f64 = 1.5;
/// Longest time of wandering that is believed at once (s): a night has its own start.
const LONGEST: f64 = 3600.0;

/// The line with what is known of its certainty.
#[derive(Clone, Debug)]
pub(super) struct Line {
    theta: [f64; N],
    covariance: [[f64; N]; N],
    reference: f64,
}

/// The line at one current.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    basis: [f64; N],
    /// The crest's voltage.
    pub(super) volts: f64,
}

impl Line {
    /// A line that knows nothing but the prior, through `volts` at the current `amps`.
    pub(super) fn new(volts: f64, amps: f64, deviation: f64) -> Self {
        let mut covariance = [[0.0; N]; N];
        for (i, sd) in [deviation, SLOPE_SD, BEND_SD].into_iter().enumerate() {
            covariance[i][i] = sd * sd;
        }
        Self { theta: [volts, SLOPE, 0.0], covariance, reference: amps.max(f64::MIN_POSITIVE) }
    }

    /// The crest's voltage when its current is `amps`.
    pub(super) fn at(&self, amps: f64) -> Point {
        // A ratio that is no number is the faintest.
        let ratio = within(amps / self.reference, FAINTEST, BRIGHTEST);
        let basis = [1.0, ratio.ln(), ratio - 1.0];
        Point { basis, volts: dot(&self.theta, &basis) }
    }

    /// Standard deviation of the voltage at `point`.
    pub(super) fn deviation(&self, point: &Point) -> f64 {
        dot(&point.basis, &mul(&self.covariance, &point.basis)).max(0.0).sqrt()
    }

    /// Time passes: the device warms or cools.
    pub(super) fn pass(&mut self, seconds: f64) {
        let seconds = seconds.min(LONGEST);
        for (i, drift) in [DRIFT, SLOW_DRIFT, SLOW_DRIFT].into_iter().enumerate() {
            self.covariance[i][i] += drift * drift * seconds;
        }
        self.bound();
    }

    /// Through `volts` at the current `amps` from now on, known to `deviation`.
    pub(super) fn anchor(&mut self, volts: f64, amps: f64, deviation: f64) {
        self.refer(amps);
        self.theta[0] += volts - self.at(amps).volts;
        for i in 1..N {
            self.covariance[0][i] = 0.0;
            self.covariance[i][0] = 0.0;
        }
        self.covariance[0][0] = deviation * deviation;
    }

    /// Less certain by this factor of the variances, within the bounds.
    pub(super) fn doubt(&mut self, factor: f64) {
        for row in &mut self.covariance {
            for value in row {
                *value *= factor;
            }
        }
        self.bound();
    }

    /// The reference current follows a larger one.
    pub(super) fn refer(&mut self, amps: f64) {
        let ratio = amps / self.reference;
        if !(ratio > GROWTH && ratio.is_finite()) {
            return;
        }
        self.reference = amps;
        // t0' = t0 + t1 ln r + t2 (r - 1), t2' = r t2.
        let change = [[1.0, ratio.ln(), ratio - 1.0], [0.0, 1.0, 0.0], [0.0, 0.0, ratio]];
        self.theta = mul(&change, &self.theta);
        // C' = A C A', row by row: C is symmetric.
        let half = change.map(|row| mul(&self.covariance, &row));
        self.covariance = half.map(|row| mul(&change, &row));
        self.bound();
    }

    /// Learns: `gain` times the voltage's share of error at `point` was found to be `found`, with this
    /// variance. It moves there by no more than the share `farthest`.
    pub(super) fn learn(
        &mut self,
        point: &Point,
        gain: f64,
        (found, variance): (f64, f64),
        farthest: f64,
    ) {
        let h = point.basis.map(|b| b * gain / point.volts);
        let ph = mul(&self.covariance, &h);
        let all = dot(&h, &ph) + variance;
        if !(all > 0.0 && all.is_finite() && found.is_finite()) {
            return;
        }
        // Joseph's form, C = (1 - k h') C (1 - k h')' + k k' v, after which rounding leaves a covariance.
        // The shorter C - ph ph' / all cancels where the variance is small, and what is then less than
        // nothing grows with every doubt.
        // With a lesser gain Joseph's form leaves the covariance of who has learned less.
        let gains = ph.map(|ph| ph / all);
        let step = (dot(&gains, &point.basis) * found / point.volts).abs();
        let gains = gains.map(|gain| gain * (farthest / step.max(farthest)));
        for (theta, gain) in self.theta.iter_mut().zip(gains) {
            *theta += gain * found;
        }
        // What the bounds take from slope and bend is the level's: it was measured here.
        let measured = dot(&self.theta, &point.basis);
        self.bound_shape();
        self.theta[0] += measured - dot(&self.theta, &point.basis);
        let rest: [[f64; N]; N] =
            from_fn(|i| from_fn(|j| if i == j { 1.0 } else { 0.0 } - gains[i] * h[j]));
        let half = rest.map(|row| mul(&self.covariance, &row));
        let left = half.map(|row| mul(&rest, &row));
        self.covariance = from_fn(|i| {
            from_fn(|j| 0.5 * (left[i][j] + left[j][i]) + gains[i] * gains[j] * variance)
        });
        self.bound();
    }

    /// The crest of a part of the row, or of more of it: all voltages are so many times larger.
    pub(super) fn scale(&mut self, factor: f64) {
        self.theta = self.theta.map(|theta| factor * theta);
        for row in &mut self.covariance {
            for value in row {
                *value *= factor * factor;
            }
        }
        self.bound();
    }

    /// The slope and the bend within their bounds.
    fn bound_shape(&mut self) {
        let volts = self.theta[0].max(0.0);
        self.theta[1] = within(self.theta[1], SLOPES.0 * volts, SLOPES.1 * volts);
        self.theta[2] = within(self.theta[2], BENDS.0 * volts, BENDS.1 * volts);
    }

    /// Scales rows and columns, which keeps the matrix a covariance.
    fn bound(&mut self) {
        for (i, widest) in WIDEST.into_iter().enumerate() {
            let variance = self.covariance[i][i];
            if variance > widest * widest {
                let scale = widest / variance.sqrt();
                for j in 0..N {
                    self.covariance[i][j] *= scale;
                    self.covariance[j][i] *= scale;
                }
            }
            self.covariance[i][i] = self.covariance[i][i].max(NARROWEST * NARROWEST);
        }
    }
}

fn dot(a: &[f64; N], b: &[f64; N]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn mul(m: &[[f64; N]; N], v: &[f64; N]) -> [f64; N] {
    [dot(&m[0], v), dot(&m[1], v), dot(&m[2], v)]
}
