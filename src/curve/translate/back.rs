//! The way back: the measured curve behind a moved one, for every procedure exactly.
//!
//! Model: each procedure gives `I2` as a straight line of `I1` and `V2` as a straight line of `V1` once
//! `I1` and `I2` are known, so it can be solved for the point it started from, without a search. Why that
//! and not the same equations with the conditions exchanged: these close only in part.
//!
//! | procedure | the same equations back |
//! |---|---|
//! | 1 | exact where `Rs` holds at a stated temperature ([`SeriesAt::at`](super::SeriesAt)) and follows it by `kappa`; with one `Rs` for both ways a rest of `kappa (I2 - I1) dT` volts stays |
//! | 2 (2009) | not exact in any reading: `(1 + a_rel dT)(1 - a_rel dT)` is not one, and `Voc1` is another one on the way back |
//! | 2 (2021) | exact: each factor depends on one state alone |
//! | 4 | not exact: light comes first both times, and light and temperature can't be exchanged |
//!
//! tests/curve_translate.rs prints how much that is. Rejected: changing the standard's equations until
//! they close (results would no longer be after the standard).

use super::{Procedure, Procedure1, Procedure2, Procedure4, TranslateError, moved};
use crate::curve::points::{Conditions, Curve};
use crate::quantities::STC_IRRADIANCE;

/// The curve at `from` that [`translate`](super::translate) moved to `to`.
///
/// `procedure` holds the coefficients of the way there; its `Isc1` or `Voc1` belong to the curve at `from`.
/// Where only the moved curve is known they follow from its own ends: `Isc1 = (Isc2 - alpha (G2/1000)
/// dT) G1/G2` (procedures 1 and 4), `Voc1 = Voc2 / (1 + b_rel dT + a ln(G2/G1))` (procedure 2 of 2009).
///
/// ```
/// use cresthold::curve::translate::{Procedure, Procedure2, SeriesAt, translate, translate_back};
/// use cresthold::curve::{Conditions, Curve, Point};
/// use cresthold::quantities::{Celsius, Irradiance, Ohms, Volts, Amps};
/// let at = |k: u32| { let v = f64::from(k) / 20.0; Point::new(Volts(v), Amps(4.0 - v * v)) };
/// let curve = Curve::new((0..=40).map(at).collect()).unwrap();
/// let two = Procedure::Two(Procedure2 {
///     voc: Volts(2.0), alpha_rel: 0.0006, beta_rel: -0.0036, a: 0.04,
///     series: SeriesAt { ohms: Ohms(0.03), kappa: 1e-4, at: None },
/// });
/// let warm = Conditions { irradiance: Irradiance(200.0), cell: Celsius(75.0) };
/// let there = translate(&curve, warm, Conditions::STC, &two).unwrap();
/// let back = translate_back(&there, warm, Conditions::STC, &two).unwrap();
/// assert!((back.points()[20].amps - curve.points()[20].amps).0.abs() < 1e-12);
/// ```
///
/// # Errors
/// [`TranslateError`] where irradiance is not above zero or no curve comes out.
pub fn translate_back(
    curve: &Curve,
    from: Conditions,
    to: Conditions,
    procedure: &Procedure,
) -> Result<Curve, TranslateError> {
    moved(curve, from, to, from, |v, i| match procedure {
        Procedure::One(one) => one.returned(v, i, &from, &to),
        Procedure::Two(two) => two.returned(v, i, &from, &to),
        // Its own inverse.
        Procedure::Two2021(two) => two.moved(v, i, &to, &from),
        Procedure::Four(four) => four.returned(v, i, &from, &to),
    })
}

impl Procedure1 {
    fn returned(&self, v2: f64, i2: f64, from: &Conditions, to: &Conditions) -> (f64, f64) {
        let warmer = (to.cell - from.cell).0;
        let i = i2 - self.change(from, to);
        let kappa = self.series.kappa;
        (v2 + self.series.of(from) * (i2 - i) + kappa * i2 * warmer - self.beta * warmer, i)
    }
}

impl Procedure2 {
    fn returned(&self, v2: f64, i2: f64, from: &Conditions, to: &Conditions) -> (f64, f64) {
        let warmer = (to.cell - from.cell).0;
        let i = i2 / self.factor(from, to);
        let series = self.series.of(from) * (i2 - i) + self.series.kappa * i2 * warmer;
        (v2 - self.open(from, to) + series, i)
    }
}

impl Procedure4 {
    fn returned(&self, v2: f64, i2: f64, from: &Conditions, to: &Conditions) -> (f64, f64) {
        let warmer = (to.cell - from.cell).0;
        let share = warmer / from.cell.kelvin();
        let ia = i2 - self.alpha * (to.irradiance / STC_IRRADIANCE) * warmer;
        let va = (v2 + share * self.vanishing()) / (1.0 + share);
        let light = self.isc.0 * (to.irradiance / from.irradiance - 1.0);
        (va + self.series.0 * light, ia - light)
    }
}
