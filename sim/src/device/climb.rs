//! The way up to the crest of a single-diode curve.
//!
//! Model: with the diode voltage `x` as parameter, `I(x)` and `V = x - I Rs` are explicit, so
//! `f(x) = dP/dx = I (1 + 2 g Rs) - g x` costs one `exp`. `f` is positive below the crest, negative
//! above, for all `x > 0`; Halley steps inside the bracket, halving it where a step would leave.

use super::omega::{SMALL, omega, small_exp_m1};
use super::single_diode::{Crest, SingleDiode};

/// A Halley step below this part of `a` leaves an error of its cube, below rounding.
pub(super) const LAST_STEP: f64 = 1e-5;
/// Steps ever needed: 60 halvings reach rounding from any bracket, Halley needs two to four.
const STEPS: usize = 120;
/// Below this `x/a` the diode's current is formed without the cancellation of `exp(z) - 1`.
const CANCELS: f64 = 0.5;

/// Share of the photocurrent in the shunt at the ideal crest above which the shunt rules.
pub(super) const LEAKY: f64 = 0.45;

impl SingleDiode {
    /// First guess of the crest's diode voltage (V), under the ideal open-circuit voltage.
    ///
    /// Without resistances `1 + z + ln(1 + z) = 1 + ln(1 + IL/I0)`; then one correction for them:
    /// `exp(z) I0/IL = y (1 - 2 s)/(1 - 2 r y (1 - y))`, `r = Rs IL/a`, `s = x/(Rsh IL)`,
    /// `y = 1/(1 + z)`.
    pub(super) fn crest_guess(&self, ceiling: f64) -> f64 {
        let ideal = omega(1.0 + ceiling * self.inv_a).max(1.0);
        let x = (ideal - 1.0) * self.a;
        let inverse = 1.0 / ideal;
        let leak = x * (self.gsh / self.il);
        if leak > LEAKY {
            return (0.5 * self.il / self.gsh).min(x);
        }
        let shunted = 1.0 - 2.0 * leak;
        let r = self.rs * self.il * self.inv_a;
        // Held from below for sources that series resistance rules; the climb finds those anyway.
        let seriesed = (1.0 - 2.0 * r * inverse * (1.0 - inverse)).max(0.2);
        // The second-order logarithm of their ratio.
        let guess = x + self.a * 2.0 * (shunted - seriesed) / (shunted + seriesed);
        guess.clamp(0.0, ceiling)
    }

    /// Climbs from a diode voltage (V); `ceiling` bounds the crest's from above.
    pub(super) fn climb(&self, start: f64, ceiling: f64) -> Crest {
        let (mut low, mut high) = (0.0, ceiling);
        let mut x = start;
        let mut point = self.slope_at(x);
        for _ in 0..STEPS {
            if point.f > 0.0 {
                low = x;
            } else {
                high = x;
            }
            let step = point.halley();
            if step.abs() <= LAST_STEP * self.a {
                return self.land(&point, x, step);
            }
            let next = x + step;
            if next > low && next < high {
                x = next;
                point = self.slope_beside(&point, x, step * self.inv_a);
            } else {
                x = 0.5 * (low + high);
                point = self.slope_at(x);
            }
        }
        Crest::at(x - point.amps * self.rs, point.amps)
    }

    /// The crest one small step (V) away from a point already evaluated.
    fn land(&self, point: &Slope, x: f64, step: f64) -> Crest {
        let d = step * self.inv_a;
        let growth = d * (1.0 + d * (0.5 + d * (1.0 / 6.0)));
        let amps = point.amps - point.diode * growth - step * self.gsh;
        Crest::at((x + step) - amps * self.rs, amps)
    }

    fn slope_at(&self, x: f64) -> Slope {
        let z = x * self.inv_a;
        if z > CANCELS {
            let diode = (self.ln_i0 + z).exp();
            self.slope(x, diode, diode - self.i0)
        } else {
            let net = self.i0 * z.exp_m1();
            self.slope(x, net + self.i0, net)
        }
    }

    /// [`Self::slope_at`] for an `x` (V) that is `d` times `a` away from a point already evaluated.
    fn slope_beside(&self, point: &Slope, x: f64, d: f64) -> Slope {
        if d.abs() > SMALL || x * self.inv_a <= CANCELS {
            return self.slope_at(x);
        }
        let diode = point.diode + point.diode * small_exp_m1(d);
        self.slope(x, diode, diode - self.i0)
    }

    /// From the diode's current (A) and that less `I0`.
    #[inline]
    fn slope(&self, x: f64, diode: f64, net: f64) -> Slope {
        let amps = self.il - net - x * self.gsh;
        let gd = diode * self.inv_a;
        let g = gd + self.gsh;
        let h = gd * self.inv_a;
        let lever = 2.0 * self.rs * amps - x;
        let series = g * self.rs;
        Slope {
            amps,
            diode,
            f: amps + g * lever,
            first: h * lever - 2.0 * g * (1.0 + series),
            second: h * (lever * self.inv_a - 3.0 - 6.0 * series),
        }
    }
}

/// Current (A), diode current (A), and `f = dP/dx` (A) with its first two derivatives at one `x`.
struct Slope {
    amps: f64,
    diode: f64,
    f: f64,
    first: f64,
    second: f64,
}

impl Slope {
    /// Halley's step (V); infinite where the derivatives point the wrong way, so that the bracket
    /// is halved.
    fn halley(&self) -> f64 {
        let below = 2.0 * self.first * self.first - self.f * self.second;
        if self.first < 0.0 && below > 0.0 {
            -2.0 * self.f * self.first / below
        } else {
            f64::INFINITY
        }
    }
}
