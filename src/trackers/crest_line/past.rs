//! The last few looks at the device, and what their alternating dither tells.
//!
//! Model: each look gives the crest's current J as inferred from current and voltage through the
//! shape. Were the line right, J would pass smoothly whatever the dither does; a line that is wrong by
//! a share d of its voltage lets J follow the dither: J (1 + 2 kappa d s e), s the dither's sign. The
//! third divided difference of four looks, with the times as they were,
//!
//! z = sum `w_i` `J_i` / mean J,  `w_i` = c / prod over j of (`t_i` - `t_j`),  sum |`w_i`| = 1,
//!
//! is zero for every parabola in time and passes a dither of alternating sign in full: for equal
//! spacing w = (-1, 3, -3, 1) / 8. A ramp, even a bent one, is no offset for it. Successive z share
//! looks; their sum over many turns is the plain alternating sum, so a filter that takes each z with
//! the variance of a single look is right in the long run.
//!
//! A kink in the irradiance is no parabola. It moves z by no more than the uneven part
//! u = (`J_0` - `J_1` - `J_2` + `J_3`) / 8, in which the dither cancels: both halves of a kink have the
//! same sign there, and opposite ones in z. So u bounds what a kink can have done.
//!
//! Rejected: balanced words of the dither (+, -, -, +) evaluated once each: they reject a drift as
//! well, but at a quarter of the rate and with a fourfold time in which the sky must behave.

use crate::time::Instant;

/// How many looks a difference needs.
pub(super) const LOOKS: usize = 4;
/// Spacings that differ by more are no series any more.
const UNEQUAL: f64 = 3.0;

/// One settled look.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Look {
    pub(super) at: Instant,
    /// Device voltage as measured, and as set (in units of the tracker's scale).
    pub(super) volts: f64,
    pub(super) set: f64,
    /// Device current (A).
    pub(super) amps: f64,
    /// Signed dither, as a share of the line's voltage.
    pub(super) dither: f64,
    /// The crest's current (A) that follows from all that.
    pub(super) crest: f64,
    /// How far the setpoint lay from the line's voltage, as a share of it.
    pub(super) away: f64,
}

/// What four looks tell.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Contrast {
    /// Mean crest current (A).
    pub(super) mean: f64,
    /// z: how much the crest current followed the dither.
    pub(super) found: f64,
    /// The same difference of the dither, of the whole distance from the line, of its square.
    pub(super) dither: f64,
    pub(super) away: f64,
    pub(super) square: f64,
    /// u: what a kink may have done to z.
    pub(super) uneven: f64,
}

/// The looks of the last turns, oldest first.
#[derive(Clone, Debug, Default)]
pub(super) struct Past {
    looks: [Look; LOOKS],
    count: usize,
}

impl Past {
    /// Forgets all: the next look is no continuation.
    pub(super) fn clear(&mut self) {
        self.count = 0;
    }

    pub(super) fn push(&mut self, look: Look) {
        self.looks.rotate_left(1);
        self.looks[LOOKS - 1] = look;
        self.count = (self.count + 1).min(LOOKS);
    }

    /// The looks there are, oldest first.
    pub(super) fn looks(&self) -> &[Look] {
        &self.looks[LOOKS - self.count..]
    }

    pub(super) fn looks_mut(&mut self) -> &mut [Look] {
        &mut self.looks[LOOKS - self.count..]
    }

    pub(super) fn last(&self) -> Option<&Look> {
        self.looks().last()
    }

    /// Half of the change of the crest current over the last two turns (A): in it an alternating
    /// dither cancels.
    pub(super) fn change(&self) -> Option<f64> {
        let [.., before, _, now] = self.looks() else { return None };
        Some(0.5 * (now.crest - before.crest))
    }

    /// The difference over all looks, where there are enough in a row.
    pub(super) fn contrast(&self) -> Option<Contrast> {
        let weights = self.weights()?;
        let mean = self.looks.iter().map(|look| look.crest).sum::<f64>() / LOOKS as f64;
        if mean <= 0.0 || !mean.is_finite() {
            return None;
        }
        let mut told = Contrast { mean, ..Contrast::default() };
        for (weight, look) in weights.into_iter().zip(&self.looks) {
            told.found += weight * look.crest / mean;
            told.dither += weight * look.dither;
            told.away += weight * look.away;
            told.square += weight * look.away * look.away;
        }
        let [first, second, third, fourth] = self.looks.map(|look| look.crest);
        told.uneven = (first - second - third + fourth) / (2.0 * LOOKS as f64 * mean);
        Some(told)
    }

    fn weights(&self) -> Option<[f64; LOOKS]> {
        if self.count < LOOKS {
            return None;
        }
        let times = self.looks.map(|look| look.at.saturating_since(self.looks[0].at).as_secs_f64());
        let gaps = [times[1] - times[0], times[2] - times[1], times[3] - times[2]];
        let least = gaps.into_iter().fold(f64::INFINITY, f64::min);
        let most = gaps.into_iter().fold(0.0, f64::max);
        if least <= 0.0 || most > UNEQUAL * least {
            return None;
        }
        let mut weights = [1.0; LOOKS];
        for (i, weight) in weights.iter_mut().enumerate() {
            for (j, other) in times.iter().enumerate() {
                if i != j {
                    *weight *= least / (times[i] - other);
                }
            }
        }
        let sum: f64 = weights.iter().map(|weight| weight.abs()).sum();
        Some(weights.map(|weight| weight / sum))
    }
}
