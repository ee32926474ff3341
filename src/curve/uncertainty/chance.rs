//! The same by chance: all inputs drawn together, the whole analysis each time (JCGM 101).

use super::analysis::{Analysis, Figures, Quantity, Shift};
use super::{Inputs, Spec};
use crate::curve::points::{Curve, Point};
use crate::quantities::{Amps, Irradiance, Volts};
use cresthold_sim::bench::Noise;

/// Share of trials inside the interval (JCGM 101:2008, 7.7: probabilistically symmetric).
const INSIDE: f64 = 0.95;

/// What came out of the trials.
#[derive(Clone, Debug, PartialEq)]
pub struct Simulated {
    /// Trials that gave figures.
    pub trials: usize,
    /// Trials without a crest.
    pub failed: usize,
    /// Means, in the order of [`Quantity::ALL`]; NaN where there is no figure.
    pub mean: Figures,
    /// Standard deviations.
    pub deviation: Figures,
    /// Lower ends of the intervals that hold 95 % of the trials, as much left out at either side.
    pub low: Figures,
    /// Upper ends.
    pub high: Figures,
}

/// Repeats the analysis `trials` times with all inputs drawn from their distributions. The same seed
/// gives the same result.
#[must_use]
pub fn monte_carlo(
    curve: &Curve,
    analysis: &Analysis,
    inputs: &Inputs,
    trials: usize,
    seed: u64,
) -> Simulated {
    let mut chance = Noise::new(seed);
    let mut columns: [Vec<f64>; Quantity::ALL.len()] =
        std::array::from_fn(|_| Vec::with_capacity(trials));
    let mut failed = 0;
    let common = inputs.common();
    for _ in 0..trials {
        let mut shift = Shift { raised: inputs.raised, ..Shift::NONE };
        for (error, spec) in shift.errors.iter_mut().zip(&common) {
            *error = draw(spec, &mut chance);
        }
        let noisy = noisy(curve, inputs, &mut chance);
        match analysis.shifted(noisy, &shift) {
            Ok((_, figures)) => {
                for (column, figure) in columns.iter_mut().zip(figures) {
                    column.push(figure);
                }
            }
            Err(_) => failed += 1,
        }
    }
    let mut simulated = Simulated {
        trials: trials - failed,
        failed,
        mean: [f64::NAN; Quantity::ALL.len()],
        deviation: [f64::NAN; Quantity::ALL.len()],
        low: [f64::NAN; Quantity::ALL.len()],
        high: [f64::NAN; Quantity::ALL.len()],
    };
    for (k, column) in columns.iter_mut().enumerate() {
        simulated.tell(k, column);
    }
    simulated
}

impl Simulated {
    fn tell(&mut self, k: usize, column: &mut [f64]) {
        if column.is_empty() || column.iter().any(|figure| !figure.is_finite()) {
            return;
        }
        let n = column.len() as f64;
        let mean = column.iter().sum::<f64>() / n;
        let squares: f64 = column.iter().map(|x| (x - mean) * (x - mean)).sum();
        column.sort_unstable_by(f64::total_cmp);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a count between zero and the number of trials"
        )]
        let aside = (0.5 * (1.0 - INSIDE) * n) as usize;
        self.mean[k] = mean;
        self.deviation[k] = (squares / (n - 1.0).max(1.0)).sqrt();
        self.low[k] = column[aside];
        self.high[k] = column[column.len() - 1 - aside];
    }
}

fn draw(spec: &Spec, chance: &mut Noise) -> f64 {
    match spec {
        Spec::Limits(half) if *half > 0.0 => half * even(chance),
        Spec::Limits(_) => 0.0,
        other => {
            let standard = other.standard();
            if standard > 0.0 { standard * chance.draw() } else { 0.0 }
        }
    }
}

/// Any number between -1 and 1 alike: the direction of two normal deviates.
fn even(chance: &mut Noise) -> f64 {
    chance.draw().atan2(chance.draw()) / std::f64::consts::PI
}

/// The curve with each point's own errors drawn anew.
fn noisy(curve: &Curve, inputs: &Inputs, chance: &mut Noise) -> Curve {
    let own = [inputs.volts.own(), inputs.amps.own(), inputs.irradiance.own()];
    if own.iter().all(|u| *u <= 0.0) {
        return curve.clone();
    }
    let [volts, amps, lit] = own;
    curve.each(|p| {
        let mut error = |u: f64| if u > 0.0 { u * chance.draw() } else { 0.0 };
        Point {
            volts: p.volts + Volts(error(volts)),
            amps: p.amps + Amps(error(amps)),
            irradiance: p.irradiance.map(|g| g + Irradiance(error(lit))),
            ..*p
        }
    })
}
