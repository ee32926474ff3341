//! Thermocouples after ITS-90.
//!
//! Equation (NIST Monograph 175, 1993; the same in IEC 60584-1:2013), t in degC, E in mV against a
//! reference junction at 0 degC: `E = sum c_i t^i`, for type K above 0 degC plus
//! `a0 exp(a1 (t - a2)^2)`. Two ranges each, joined at 0 degC. Validity here: type K -200 to 1372
//! degC, type T -200 to 400 degC; below, the slope is too small to measure by.
//!
//! The reference junction is the instrument's terminals at some temperature t_c: what is measured
//! is `E(t) - E(t_c)`, so t is found where `E(t) = E_measured + E(t_c)`. Adding t_c to a temperature
//! would be wrong, for E is no straight line.
//!
//! The temperature is found by halving: E rises everywhere in the range, and 60 halvings of 1600 K
//! leave nothing. Rejected: the published inverse polynomials (a second set of numbers, which
//! agrees with the first to some hundredths of a kelvin only). Coefficients from memory, held by the
//! published points in the tests.

use crate::quantities::Celsius;

/// Type of a thermocouple.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Thermocouple {
    /// Nickel-chromium against nickel-aluminium.
    K,
    /// Copper against copper-nickel.
    T,
}

const K_BELOW: [f64; 11] = [
    0.0,
    0.394_501_280_250e-1,
    0.236_223_735_980e-4,
    -0.328_589_067_840e-6,
    -0.499_048_287_770e-8,
    -0.675_090_591_730e-10,
    -0.574_103_274_280e-12,
    -0.310_888_728_940e-14,
    -0.104_516_093_650e-16,
    -0.198_892_668_780e-19,
    -0.163_226_974_860e-22,
];
const K_ABOVE: [f64; 10] = [
    -0.176_004_136_860e-1,
    0.389_212_049_750e-1,
    0.185_587_700_320e-4,
    -0.994_575_928_740e-7,
    0.318_409_457_190e-9,
    -0.560_728_448_890e-12,
    0.560_750_590_590e-15,
    -0.320_207_200_030e-18,
    0.971_511_471_520e-22,
    -0.121_047_212_750e-25,
];
/// a0 (mV), a1 (1/K2), a2 (degC).
const K_BUMP: [f64; 3] = [0.118_597_600_000, -0.118_343_200_000e-3, 0.126_968_600_000e3];
const T_BELOW: [f64; 15] = [
    0.0,
    0.387_481_063_640e-1,
    0.441_944_343_470e-4,
    0.118_443_231_050e-6,
    0.200_329_735_540e-7,
    0.901_380_195_590e-9,
    0.226_511_565_930e-10,
    0.360_711_542_050e-12,
    0.384_939_398_830e-14,
    0.282_135_219_250e-16,
    0.142_515_947_790e-18,
    0.487_686_622_860e-21,
    0.107_955_392_700e-23,
    0.139_450_270_620e-26,
    0.797_951_539_270e-30,
];
const T_ABOVE: [f64; 9] = [
    0.0,
    0.387_481_063_640e-1,
    0.332_922_278_800e-4,
    0.206_182_434_040e-6,
    -0.218_822_568_460e-8,
    0.109_968_809_280e-10,
    -0.308_157_587_720e-13,
    0.454_791_352_900e-16,
    -0.275_129_016_730e-19,
];

/// Halvings of the range: 1600 K / 2^60 is far below rounding.
const HALVINGS: u32 = 60;

fn polynomial(coefficients: &[f64], t: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * t + c)
}

impl Thermocouple {
    /// Where the equation is used (degC).
    #[must_use]
    pub const fn range(self) -> (f64, f64) {
        match self {
            Self::K => (-200.0, 1372.0),
            Self::T => (-200.0, 400.0),
        }
    }

    /// The voltage (mV) at a temperature, against a reference junction at 0 degC; none out of range.
    ///
    /// ```
    /// use cresthold::quantities::Celsius;
    /// use cresthold::sensors::Thermocouple;
    /// let millivolts = Thermocouple::K.millivolts(Celsius(100.0)).unwrap();
    /// assert!((millivolts - 4.096).abs() < 5e-4); // the table of NIST Monograph 175
    /// ```
    #[must_use]
    pub fn millivolts(self, at: Celsius) -> Option<f64> {
        let (low, high) = self.range();
        (low..=high).contains(&at.0).then(|| self.reference(at.0))
    }

    fn reference(self, t: f64) -> f64 {
        match self {
            Self::K if t < 0.0 => polynomial(&K_BELOW, t),
            Self::K => {
                let [a0, a1, a2] = K_BUMP;
                polynomial(&K_ABOVE, t) + a0 * (a1 * (t - a2).powi(2)).exp()
            }
            Self::T if t < 0.0 => polynomial(&T_BELOW, t),
            Self::T => polynomial(&T_ABOVE, t),
        }
    }

    /// The temperature at a measured voltage (mV), with the terminals at `cold`; none out of range.
    ///
    /// ```
    /// use cresthold::quantities::Celsius;
    /// use cresthold::sensors::Thermocouple;
    /// // 4.096 mV is 100 degC; terminals at 25 degC take 1.000 mV off it.
    /// let hot = Thermocouple::K.temperature(4.096 - 1.000, Celsius(25.0)).unwrap();
    /// assert!((hot.0 - 100.0).abs() < 0.02);
    /// ```
    #[must_use]
    pub fn temperature(self, millivolts: f64, cold: Celsius) -> Option<Celsius> {
        let wanted = millivolts + self.millivolts(cold)?;
        let (mut low, mut high) = self.range();
        if !(self.reference(low)..=self.reference(high)).contains(&wanted) {
            return None;
        }
        for _ in 0..HALVINGS {
            let middle = f64::midpoint(low, high);
            if self.reference(middle) < wanted { low = middle } else { high = middle }
        }
        Some(Celsius(f64::midpoint(low, high)))
    }
}
