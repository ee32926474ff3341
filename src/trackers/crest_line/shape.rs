//! The shape of a device's curve near its crest, with one number.
//!
//! Model: an ideal diode, written from its crest (V*, J):
//!
//! I(V) / J = h(x) = 1 + (1 - exp(m x)) / m,  x = V / V* - 1,
//!
//! which has dP/dV = 0 at x = 0 by construction; m is V* over the modified ideality factor, and the
//! power falls as 1 - kappa x^2 with kappa = 1 + m / 2. At x = -1 it gives Isc / J = 1 + 1/m (less
//! exp(-m) / m), and it ends at Voc where exp(m x) = 1 + m. That end gives m from the share
//! s = V* / Voc: m / s = m + ln(1 + m). The generator model of EN 50530 has this shape exactly; a
//! series resistance makes the true kappa larger by up to half, which the tracker's filter bears.
//!
//! Rejected: a parabola of the power, which knows neither the flat left nor the end at Voc, where a
//! cloud's edge leaves the operating point within one period.

/// m before Voc and crest are both known: V* / Voc = 0.8 gives 9.3, thin film with 0.72 gives 4.1
/// (computed).
const DEFAULT: f64 = 8.0;
/// Bounds of m: shares of 0.62 and 0.87 (computed).
const SOFTEST: f64 = 2.0;
const SHARPEST: f64 = 20.0;
/// Where the shape is used (x): beyond, it is held.
const LEFTMOST: f64 = -1.0;
/// The least h: closer to Voc the current says little about the crest.
const LEAST: f64 = 0.02;

/// The shape's number m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Shape {
    m: f64,
}

impl Default for Shape {
    fn default() -> Self {
        Self { m: DEFAULT }
    }
}

impl Shape {
    /// As sharp as unshaded devices are: the crest at 0.84 of Voc.
    pub(super) const SHARP: Self = Self { m: 14.0 };

    /// The shape of a device whose crest lies at this share of its open-circuit voltage.
    pub(super) fn from_share(share: f64) -> Self {
        // m (1/s - 1) = ln(1 + m): the fixed point m = ln(1 + m) / (1/s - 1) contracts above the
        // maximum of its slope, which is below one for every share in the bounds.
        let gap = 1.0 / share - 1.0;
        if !gap.is_finite() || gap <= 0.0 {
            return Self { m: if share >= 1.0 { SHARPEST } else { DEFAULT } };
        }
        let mut m = DEFAULT;
        for _ in 0..FIXED_POINT_STEPS {
            m = (m.ln_1p() / gap).clamp(SOFTEST, SHARPEST);
        }
        Self { m }
    }

    /// kappa: the power's relative loss is kappa x^2.
    pub(super) fn kappa(self) -> f64 {
        1.0 + self.m / 2.0
    }

    /// Where the current has fallen to this share of the plateau left of the crest, as a share of the
    /// crest's voltage beyond it.
    pub(super) fn reach(self, share: f64) -> f64 {
        (self.m * (1.0 - share).max(0.0)).ln_1p() / self.m
    }

    /// h(x): current over the crest's.
    pub(super) fn at(self, x: f64) -> f64 {
        let rise = (self.m * x.max(LEFTMOST)).min(self.m.ln_1p()).exp();
        (1.0 + (1.0 - rise) / self.m).max(LEAST)
    }
}

/// Steps of the fixed point: its contraction is below 0.7, so twenty reach 1e-3.
const FIXED_POINT_STEPS: u32 = 20;
