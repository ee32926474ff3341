//! Where the points of a sweep lie: equally spaced along the curve, not along the voltage.
//!
//! Model: a curve's shape, with current over Isc and voltage over Voc, is taken for one exponential
//! knee, i(v) = 1 - exp((v - 1)/c), whose c puts the crest where the device is held:
//! exp((v_mp - 1)/c) (1 + v_mp/c) = 1. With slope w = exp((v - 1)/c)/c, the length of its arc up to v
//! has a closed form (own derivation, c times the integral of sqrt(1 + w^2)/w):
//! L(v) = c (s + ln(w/(1 + s))), s = sqrt(1 + w^2). Points at equal steps of L are dense in voltage
//! where the curve bends and where it falls, toward open circuit, and wide apart where it is flat.
//!
//! Only Voc, which the sweep's first reading tells, and the share of it at which the device is held
//! enter: Isc scales the current axis and cancels. Rejected: the last curve's own points (a shaded
//! curve would leave the next, unshaded one coarse), and steps of equal power (none at the ends).

use crate::quantities::{Amps, Volts};

/// Crest over open circuit where the one at hand can't be that of a single knee (1): silicon.
const USUAL_CREST: f64 = 0.8;
/// Crests of single knees lie within this: a fill factor of 0.35 and of 0.9.
const CRESTS: std::ops::RangeInclusive<f64> = 0.55..=0.93;
/// Current over Isc below which the device is held too far beyond its knee to tell Isc (1).
const LEAST_SHARE: f64 = 0.5;
/// Halvings of an interval until it is below 1e-12 of itself.
const HALVINGS: u32 = 40;

/// Voltages from `top` (open circuit) to `bottom`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Placement {
    top: Volts,
    bottom: Volts,
    /// The last step; the first is 0.
    last: u16,
    /// Width of the knee, as a share of `top`.
    knee: f64,
}

impl Placement {
    /// `points` voltages for a device whose open circuit is `top` and whose crest was last held at
    /// `crest`.
    pub(super) fn new(top: Volts, bottom: Volts, points: u16, crest: Option<Volts>) -> Self {
        let share = crest.map_or(USUAL_CREST, |crest| crest / top);
        let share = if CRESTS.contains(&share) { share } else { USUAL_CREST };
        Self { top, bottom, last: points.max(2) - 1, knee: knee(share) }
    }

    /// The same with another bottom.
    pub(super) fn down_to(self, bottom: Volts) -> Self {
        Self { bottom, ..self }
    }

    /// The short-circuit current of the model whose current at `volts` is `amps`: Isc = I/i(v). Too
    /// small at worst, beyond the knee, where little says much.
    pub(super) fn short_circuit(&self, volts: Volts, amps: Amps) -> Amps {
        let share = 1.0 - ((volts / self.top - 1.0) / self.knee).exp();
        amps * (1.0 / share.clamp(LEAST_SHARE, 1.0))
    }

    /// The current of the model at `volts` (A), whose short-circuit current is `short`.
    pub(super) fn amps(&self, volts: Volts, short: Amps) -> Amps {
        let share = 1.0 - ((volts / self.top - 1.0) / self.knee).exp();
        short * share.clamp(0.0, 1.0)
    }

    /// The last step.
    pub(super) fn last(&self) -> u16 {
        self.last
    }

    /// The voltage of a step: 0 at the top, [`last`](Self::last) at the bottom.
    pub(super) fn volts(&self, step: u16) -> Volts {
        if step == 0 {
            return self.top;
        }
        if step >= self.last || self.top <= self.bottom {
            return self.bottom;
        }
        let (low, high) = (self.bottom / self.top, 1.0);
        let (from, to) = (self.arc(low), self.arc(high));
        let wanted = to + (from - to) * (f64::from(step) / f64::from(self.last));
        self.top * halve((low, high), |v| self.arc(v) < wanted)
    }

    /// Length of the normalised curve up to `v`, from an arbitrary origin.
    fn arc(&self, v: f64) -> f64 {
        let c = self.knee;
        let slope = ((v - 1.0) / c).exp() / c;
        let s = slope.hypot(1.0);
        // ln(slope) written out: the slope itself may be too small for a number far below the knee.
        c * (s + (v - 1.0) / c - c.ln() - s.ln_1p())
    }
}

/// The c of the model for a crest at `share` of open circuit.
fn knee(share: f64) -> f64 {
    // The left side grows with c from 0; c = 1 has it above 1 for every crest above 0.5.
    halve((1e-3, 1.0), |c| ((share - 1.0) / c).exp() * (1.0 + share / c) < 1.0)
}

/// Where `below` turns false within the interval.
fn halve((mut low, mut high): (f64, f64), below: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if below(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_knee_puts_the_crest_where_it_was_asked_for() {
        for share in [0.6, 0.7, 0.8, 0.9] {
            let c = knee(share);
            let power = |v: f64| v * (1.0 - ((v - 1.0) / c).exp());
            let best = (0..=10_000).map(|k| f64::from(k) * 1e-4);
            let best = best.max_by(|a, b| power(*a).total_cmp(&power(*b))).unwrap();
            assert!((best - share).abs() <= 1e-4, "{share}: {best}");
        }
    }

    #[test]
    fn short_circuit_is_told_from_the_crest() {
        // A module of 38.3 V and 9.43 A, held at its crest of 31.0 V and 8.71 A (as the yard's).
        let plan = Placement::new(Volts(38.3), Volts(0.0), 100, Some(Volts(31.0)));
        let isc = plan.short_circuit(Volts(31.0), Amps(8.71)).0;
        // The model has no shunt and no series resistance: a few percent.
        assert!((isc / 9.43 - 1.0).abs() < 0.04, "{isc}");
        assert_eq!(plan.short_circuit(Volts(38.3), Amps(0.1)), Amps(0.2), "no more than twice");
    }

    #[test]
    fn neighbours_are_equally_far_apart_along_the_curve() {
        let plan = Placement::new(Volts(40.0), Volts(-1.0), 100, Some(Volts(32.0)));
        let i = |v: f64| 1.0 - ((v - 1.0) / plan.knee).exp();
        let far = |step: u16| {
            let (a, b) = (plan.volts(step) / Volts(40.0), plan.volts(step + 1) / Volts(40.0));
            // The chord, which is shorter than the arc by less than 1 % at the bend.
            (a - b).hypot(i(a) - i(b))
        };
        let mean = (0..99).map(far).sum::<f64>() / 99.0;
        for step in 0..99 {
            assert!((far(step) / mean - 1.0).abs() < 0.02, "{step}: {} of {mean}", far(step));
        }
        let gap = |step: u16| (plan.volts(step) - plan.volts(step + 1)).0;
        println!(
            "steps at the top, at the crest, at the bottom: {} {} {}",
            gap(0),
            gap(40),
            gap(98)
        );
        assert!(gap(0) < 0.2 && gap(98) > 0.6);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn voltages_fall_from_end_to_end(
            top in 0.3..1000.0f64,
            below in 0.0..0.05f64,
            points in 5..2000u16,
            crest in proptest::option::of(-0.5..1.5f64),
        ) {
            let (top, bottom) = (Volts(top), Volts(-top * below));
            let plan = Placement::new(top, bottom, points, crest.map(|share| top * share));
            prop_assert_eq!((plan.volts(0), plan.volts(points - 1)), (top, bottom));
            for step in 0..points - 1 {
                prop_assert!(plan.volts(step + 1) < plan.volts(step));
            }
        }
    }
}
