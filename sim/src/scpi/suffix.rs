//! Units after numbers: `31.2 V`, `250MA`, `1.5 KOHM`.
//!
//! Model: a suffix is a multiplier and a unit, without regard to case (IEEE 488.2-1992, 7.7.3 with
//! the multipliers of table 7-2). The letters collide, so the unit decides: with amperes expected
//! `MA` is `M` (milli) and `A`; mega amperes would be `MAA`. Two units break the rule: `MOHM` and
//! `MHZ` are mega.

use super::{Numeric, StandardError};

/// Longest suffix (IEEE 488.2-1992, 7.7.3); more is error -134.
const MAX_SUFFIX: usize = 12;
/// `M` means mega with ohms and hertz, milli everywhere else.
const MEGA: i32 = 6;

/// Powers of ten of the multipliers, longest first where one begins another.
const MULTIPLIERS: [(&[u8], i32); 12] = [
    (b"EX", 18),
    (b"PE", 15),
    (b"MA", 6),
    (b"T", 12),
    (b"G", 9),
    (b"K", 3),
    (b"M", -3),
    (b"U", -6),
    (b"N", -9),
    (b"P", -12),
    (b"F", -15),
    (b"A", -18),
];

/// The unit a command expects.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// `V`.
    Volt,
    /// `A`.
    Ampere,
    /// `OHM`.
    Ohm,
    /// `W`.
    Watt,
    /// `S`.
    Second,
    /// `HZ`.
    Hertz,
}

impl Unit {
    /// The suffix without multiplier.
    #[must_use]
    pub const fn suffix(self) -> &'static str {
        match self {
            Self::Volt => "V",
            Self::Ampere => "A",
            Self::Ohm => "OHM",
            Self::Watt => "W",
            Self::Second => "S",
            Self::Hertz => "HZ",
        }
    }

    /// `number` with `suffix`, in the unit itself.
    ///
    /// ```
    /// # use cresthold_sim::scpi::{Numeric, Unit};
    /// let amps = |number, suffix: &[u8]| Unit::Ampere.scale(Numeric::Value(number), suffix);
    /// assert_eq!(amps(250.0, b"MA"), Ok(Numeric::Value(0.25)));
    /// assert_eq!(amps(2.0, b"a"), Ok(Numeric::Value(2.0)));
    /// assert_eq!(Unit::Ohm.scale(Numeric::Value(1.5), b"MOHM"), Ok(Numeric::Value(1.5e6)));
    /// assert!(amps(2.0, b"V").is_err());
    /// ```
    ///
    /// # Errors
    /// -131 for another unit or an unknown multiplier, -134 for a suffix longer than 12 letters.
    pub fn scale(self, number: Numeric, suffix: &[u8]) -> Result<Numeric, StandardError> {
        if suffix.is_empty() {
            return Ok(number);
        }
        if suffix.len() > MAX_SUFFIX {
            return Err(StandardError::SuffixTooLong);
        }
        let power = self.power_of_ten(suffix).ok_or(StandardError::InvalidSuffix)?;
        Ok(match number {
            // Dividing keeps 250 mA at exactly 0.25 A; multiplying by 0.001 does not.
            Numeric::Value(value) if power < 0 => (value / 10_f64.powi(-power)).into(),
            Numeric::Value(value) => (value * 10_f64.powi(power)).into(),
            special => special,
        })
    }

    fn power_of_ten(self, suffix: &[u8]) -> Option<i32> {
        let unit = self.suffix().as_bytes();
        let split = suffix.len().checked_sub(unit.len())?;
        let (multiplier, rest) = suffix.split_at(split);
        if !rest.eq_ignore_ascii_case(unit) {
            return None;
        }
        if multiplier.is_empty() {
            return Some(0);
        }
        if matches!(self, Self::Ohm | Self::Hertz) && multiplier.eq_ignore_ascii_case(b"M") {
            return Some(MEGA);
        }
        MULTIPLIERS
            .iter()
            .find_map(|(letters, power)| multiplier.eq_ignore_ascii_case(letters).then_some(*power))
    }
}
