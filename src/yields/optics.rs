//! Light that a concentrator takes: the direct light, as far as it points at the sun.
//!
//! Model: all light within the half angle of acceptance, none beyond. The mount's error has two
//! independent normal components of standard deviation `s`, so the share of time within the angle
//! `a` is `1 - exp(-a^2/(2 s^2))` (Rayleigh's distribution). Rejected: the measured flank of the acceptance
//! (no two concentrators share one; state the angle where the power has fallen to 90 %).

/// A concentrator's aim.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Optics {
    /// Half angle of acceptance (degrees, 0.01..=10).
    pub acceptance: f64,
    /// Standard deviation of the pointing error on each axis (degrees, 0..=10).
    pub pointing: f64,
}

impl Optics {
    /// Whether both angles lie in their ranges.
    #[must_use]
    pub fn is_possible(self) -> bool {
        (0.01..=10.0).contains(&self.acceptance) && (0.0..=10.0).contains(&self.pointing)
    }

    /// Share of the direct light that is taken (0..=1).
    ///
    /// ```
    /// use cresthold::yields::Optics;
    /// let exact = Optics { acceptance: 0.8, pointing: 0.0 };
    /// assert_eq!(exact.share(), 1.0);
    /// // Two standard deviations: 1 - exp(-2) = 0.864665.
    /// let loose = Optics { acceptance: 0.8, pointing: 0.4 };
    /// assert!((loose.share() - 0.864_664_7).abs() < 1e-6);
    /// ```
    #[must_use]
    pub fn share(self) -> f64 {
        let ratio = self.acceptance / self.pointing;
        if ratio.is_finite() { -(-0.5 * ratio * ratio).exp_m1() } else { 1.0 }
    }
}
