//! Means with confidence intervals, after Student (Gosset 1908, Biometrika 6, 1-25).
//!
//! Model: the seeds are the sample. Per seed the mean over the scenarios is taken (of an efficiency, or
//! of the difference of two trackers' efficiencies in the same scenario with the same seed); the
//! interval is that of the mean of these numbers. Scenarios are chosen, not drawn, so that how they
//! differ from each other is no uncertainty; what a seed draws (noise, clouds) is.
//!
//! Rejected: intervals over all scenarios and seeds at once (they would mostly tell that steep ramps
//! are harder than flat ones), and the bootstrap (with ten seeds no better than Student's, and it needs
//! dice of its own).

use serde::{Deserialize, Serialize};

/// A mean and what it is worth.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The mean.
    pub mean: f64,
    /// Half the width of its 95 % confidence interval; none with fewer than two seeds.
    pub half_width: Option<f64>,
}

impl Estimate {
    /// From one number per seed.
    ///
    /// ```
    /// use cresthold::study::Estimate;
    /// // Mean 2, standard deviation 1, three numbers: 4.303 / sqrt(3) (t tables, 97.5 %, 2 degrees).
    /// let found = Estimate::of(&[1.0, 2.0, 3.0]);
    /// assert!((found.mean - 2.0).abs() < 1e-12);
    /// assert!((found.half_width.unwrap() - 4.303 / 3.0_f64.sqrt()).abs() < 1e-3);
    /// ```
    #[must_use]
    pub fn of(values: &[f64]) -> Self {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n.max(1.0);
        if values.len() < 2 {
            return Self { mean, half_width: None };
        }
        let squares: f64 = values.iter().map(|value| (value - mean) * (value - mean)).sum();
        let error = (squares / (n - 1.0) / n).sqrt();
        Self { mean, half_width: Some(student(values.len() - 1) * error) }
    }

    /// Whether its interval lies on one side of zero.
    #[must_use]
    pub fn is_clear(&self) -> bool {
        self.half_width.is_some_and(|half| self.mean.abs() > half)
    }
}

/// 97.5 % quantiles of Student's distribution for 1 to 10 degrees of freedom (any table, as Fisher and
/// Yates 1938, table III).
const QUANTILES: [f64; 10] = [
    12.706_2, 4.302_65, 3.182_45, 2.776_45, 2.570_58, 2.446_91, 2.364_62, 2.306_00, 2.262_16,
    2.228_14,
];
/// The normal distribution's.
const NORMAL: f64 = 1.959_963_985;

/// The 97.5 % quantile of Student's distribution: the table, and beyond it the expansion in inverse
/// degrees of freedom (Abramowitz and Stegun 1964, 26.7.5), right to 2e-5.
fn student(freedom: usize) -> f64 {
    if let Some(quantile) = freedom.checked_sub(1).and_then(|at| QUANTILES.get(at)) {
        return *quantile;
    }
    let (z, n) = (NORMAL, freedom as f64);
    let z2 = z * z;
    let g1 = (z2 + 1.0) * z / 4.0;
    let g2 = ((5.0 * z2 + 16.0) * z2 + 3.0) * z / 96.0;
    let g3 = (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) * z / 384.0;
    z + g1 / n + g2 / (n * n) + g3 / (n * n * n)
}

#[cfg(test)]
mod tests {
    use super::student;

    /// Values of published t tables (from memory).
    #[test]
    fn quantiles_are_those_of_the_tables() {
        let published = [
            (1, 12.706),
            (9, 2.262),
            (10, 2.228),
            (11, 2.201),
            (20, 2.086),
            (30, 2.042),
            (120, 1.980),
        ];
        for (freedom, quantile) in published {
            assert!((student(freedom) - quantile).abs() < 6e-4, "{freedom}: {}", student(freedom));
        }
    }
}
