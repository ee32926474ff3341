//! Decimal numbers: the flexible form that instruments read, the three forms they write.
//!
//! Model: IEEE 488.2-1992 7.7.2 lets a listener accept white space around the exponent's `E`;
//! 8.7.2 to 8.7.4 make a talker write NR1 (integer), NR2 (fixed point) or NR3 (exponent). SCPI-1999
//! 7.2.1 gives infinity and "not a number" codes that look like numbers; they become their own
//! variants here, so that no mean and no controller ever takes 9.91E37 for a voltage.

use super::white_length;
use std::io::Write as _;

/// The number that stands for infinity (SCPI-1999 volume 1, 7.2.1.4); negated for minus infinity.
pub const INFINITY_CODE: f64 = 9.9e37;
/// The number that stands for "not a number" (SCPI-1999 volume 1, 7.2.1.5).
pub const NAN_CODE: f64 = 9.91e37;

/// Most digits of a mantissa (IEEE 488.2-1992, 7.7.2.4.1); more is error -124.
const MAX_DIGITS: usize = 255;
/// Largest exponent either way (IEEE 488.2-1992, 7.7.2.4.1); more is error -123.
const MAX_EXPONENT: u32 = 32_000;
/// A code is recognised within this part of itself: an instrument that computes with 24-bit
/// fractions writes 9.9E37 to within 6e-8, one that writes four digits to within 5e-5; the two codes
/// lie 1e-3 apart.
const CODE_TOLERANCE: f64 = 2e-4;

/// A number as instruments mean it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Numeric {
    /// An ordinary number.
    Value(f64),
    /// 9.9E37: beyond the range upwards.
    PositiveInfinity,
    /// -9.9E37: beyond the range downwards.
    NegativeInfinity,
    /// 9.91E37: no reading.
    NotANumber,
}

impl Numeric {
    /// The ordinary number, if it is one.
    #[must_use]
    pub const fn value(self) -> Option<f64> {
        match self {
            Self::Value(value) => Some(value),
            _ => None,
        }
    }
}

/// Sorts the codes from the ordinary numbers; whatever is as large as infinity's code is infinite.
///
/// ```
/// # use cresthold_sim::scpi::Numeric;
/// assert_eq!(Numeric::from(31.2), Numeric::Value(31.2));
/// assert_eq!(Numeric::from(9.91e37), Numeric::NotANumber);
/// assert_eq!(Numeric::from(f64::NEG_INFINITY), Numeric::NegativeInfinity);
/// ```
impl From<f64> for Numeric {
    fn from(number: f64) -> Self {
        let magnitude = number.abs();
        if number.is_nan() || (number - NAN_CODE).abs() < NAN_CODE * CODE_TOLERANCE {
            Self::NotANumber
        } else if magnitude < INFINITY_CODE * (1.0 - CODE_TOLERANCE) {
            Self::Value(number)
        } else if number > 0.0 {
            Self::PositiveInfinity
        } else {
            Self::NegativeInfinity
        }
    }
}

/// Why bytes are no decimal number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NumberError {
    /// There is no digit where a number should begin.
    #[error("no decimal number here")]
    NotDecimal,
    /// The mantissa is longer than 255 digits.
    #[error("more than 255 digits")]
    TooManyDigits,
    /// The exponent is beyond 32000.
    #[error("exponent beyond 32000")]
    ExponentTooLarge,
    /// Something follows the number.
    #[error("something follows the number")]
    Trailing,
}

/// Where the parts of a decimal number end, found without converting it.
struct Extent {
    mantissa: usize,
    /// Start of the exponent's sign or digits, and the end of the number.
    exponent: Option<(usize, usize)>,
}

fn digits(bytes: &[u8]) -> usize {
    bytes.iter().take_while(|byte| byte.is_ascii_digit()).count()
}

fn extent(bytes: &[u8]) -> Result<Extent, NumberError> {
    let mut at = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let whole = digits(&bytes[at..]);
    at += whole;
    let mut fraction = 0;
    if bytes.get(at) == Some(&b'.') {
        fraction = digits(&bytes[at + 1..]);
        at += 1 + fraction;
    }
    match whole + fraction {
        0 => return Err(NumberError::NotDecimal),
        1..=MAX_DIGITS => {}
        _ => return Err(NumberError::TooManyDigits),
    }
    let letter = at + white_length(&bytes[at..]);
    let mut exponent = None;
    if matches!(bytes.get(letter), Some(b'e' | b'E')) {
        let start = letter + 1 + white_length(&bytes[letter + 1..]);
        let sign = usize::from(matches!(bytes.get(start), Some(b'+' | b'-')));
        let count = digits(&bytes[start + sign..]);
        // An E without digits is no exponent but the start of a suffix (EXV is exavolts).
        if count > 0 {
            exponent = Some((start, start + sign + count));
        }
    }
    Ok(Extent { mantissa: at, exponent })
}

fn exponent_value(text: &[u8]) -> Result<(), NumberError> {
    let magnitude = text
        .iter()
        .filter(|byte| byte.is_ascii_digit())
        .fold(0_u32, |sum, digit| sum.saturating_mul(10).saturating_add(u32::from(digit - b'0')));
    if magnitude > MAX_EXPONENT { Err(NumberError::ExponentTooLarge) } else { Ok(()) }
}

/// Reads the decimal number at the start of `bytes`; returns it and how many bytes it takes.
///
/// # Errors
/// [`NumberError`], without [`NumberError::Trailing`].
pub(crate) fn leading_decimal(bytes: &[u8]) -> Result<(f64, usize), NumberError> {
    // Sign, digits, point, `E`, sign and the digits of 32000 with room for leading zeros.
    let mut text = [0_u8; MAX_DIGITS + 16];
    let Extent { mantissa, exponent } = extent(bytes)?;
    text[..mantissa].copy_from_slice(&bytes[..mantissa]);
    let mut length = mantissa;
    let mut consumed = mantissa;
    if let Some((start, end)) = exponent {
        exponent_value(&bytes[start..end])?;
        consumed = end;
        text[length] = b'E';
        length += 1;
        let sign = usize::from(!bytes[start].is_ascii_digit());
        if bytes[start] == b'-' {
            text[length] = b'-';
            length += 1;
        }
        let zeros = bytes[start + sign..end].iter().take_while(|byte| **byte == b'0').count();
        let significant = &bytes[(start + sign + zeros).min(end - 1)..end];
        text[length..length + significant.len()].copy_from_slice(significant);
        length += significant.len();
    }
    let number = std::str::from_utf8(&text[..length])
        .ok()
        .and_then(|text| text.parse().ok())
        .ok_or(NumberError::NotDecimal)?;
    Ok((number, consumed))
}

impl Numeric {
    /// Reads a number that fills `bytes`, white space around it allowed; `INF`, `NINF` and `NAN`
    /// are understood as well as their codes.
    ///
    /// ```
    /// # use cresthold_sim::scpi::Numeric;
    /// assert_eq!(Numeric::parse(b"+3.120E+01"), Ok(Numeric::Value(31.2)));
    /// assert_eq!(Numeric::parse(b" 1.5 e -3 "), Ok(Numeric::Value(0.0015)));
    /// assert_eq!(Numeric::parse(b"9.91E37"), Ok(Numeric::NotANumber));
    /// assert!(Numeric::parse(b"31,2").is_err());
    /// ```
    ///
    /// # Errors
    /// [`NumberError`] names what is wrong.
    pub fn parse(bytes: &[u8]) -> Result<Self, NumberError> {
        let bytes = super::trim(bytes);
        if let Some(special) = Self::from_word(bytes) {
            return Ok(special);
        }
        let (number, consumed) = leading_decimal(bytes)?;
        if consumed == bytes.len() { Ok(number.into()) } else { Err(NumberError::Trailing) }
    }

    /// The special value that `word` names (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5).
    pub(crate) fn from_word(word: &[u8]) -> Option<Self> {
        [
            ("INFinity", Self::PositiveInfinity),
            ("NINFinity", Self::NegativeInfinity),
            ("NAN", Self::NotANumber),
        ]
        .into_iter()
        .find_map(|(form, value)| super::mnemonic_matches(form, word).then_some(value))
    }

    /// The number this value is written as.
    #[must_use]
    pub fn code(self) -> f64 {
        match Self::canonical(self) {
            Self::Value(value) => value,
            Self::PositiveInfinity => INFINITY_CODE,
            Self::NegativeInfinity => -INFINITY_CODE,
            Self::NotANumber => NAN_CODE,
        }
    }

    /// A value too large to be an ordinary number becomes the variant it will be read as.
    fn canonical(self) -> Self {
        match self {
            Self::Value(value) => Self::from(value),
            special => special,
        }
    }
}

/// Writes an integer (NR1: IEEE 488.2-1992, 8.7.2).
pub fn emit_nr1(out: &mut Vec<u8>, number: i64) {
    write!(out, "{number}").expect("writing to memory does not fail");
}

/// Writes with `decimals` digits after the point (NR2: IEEE 488.2-1992, 8.7.3), at least one of
/// them; infinity and NaN are written as their codes.
///
/// ```
/// # use cresthold_sim::scpi::emit_nr2;
/// let mut out = Vec::new();
/// emit_nr2(&mut out, 31.2.into(), 3);
/// assert_eq!(out, b"31.200");
/// ```
pub fn emit_nr2(out: &mut Vec<u8>, number: Numeric, decimals: usize) {
    match number.canonical() {
        Numeric::Value(value) => {
            let decimals = decimals.clamp(1, MAX_DIGITS);
            write!(out, "{value:.decimals$}").expect("writing to memory does not fail");
        }
        special => emit_nr3(out, special),
    }
}

/// Writes with an exponent (NR3: IEEE 488.2-1992, 8.7.4), as many digits as it takes to read the
/// very same number back.
///
/// ```
/// # use cresthold_sim::scpi::{Numeric, emit_nr3};
/// let mut out = Vec::new();
/// emit_nr3(&mut out, Numeric::Value(-0.25));
/// out.push(b',');
/// emit_nr3(&mut out, Numeric::NotANumber);
/// assert_eq!(out, b"-2.5E-1,9.91E+37");
/// ```
pub fn emit_nr3(out: &mut Vec<u8>, number: Numeric) {
    let start = out.len();
    write!(out, "{:E}", number.code()).expect("writing to memory does not fail");
    let letter = start + out[start..].iter().take_while(|byte| **byte != b'E').count();
    // NR3 wants a point in the mantissa and a sign on the exponent.
    if out.get(letter + 1).is_some_and(u8::is_ascii_digit) {
        out.insert(letter + 1, b'+');
    }
    if !out[start..letter].contains(&b'.') {
        out.splice(letter..letter, *b".0");
    }
}

/// Reads `#H`, `#Q` or `#B` and its digits (IEEE 488.2-1992, 7.7.4) at the start of `bytes`.
pub(crate) fn leading_nondecimal(bytes: &[u8]) -> Option<(f64, usize)> {
    let radix: u32 = match bytes.get(1)?.to_ascii_uppercase() {
        b'H' => 16,
        b'Q' => 8,
        b'B' => 2,
        _ => return None,
    };
    let digit = |byte: &u8| char::from(*byte).to_digit(radix);
    let count = bytes[2..].iter().take_while(|byte| digit(byte).is_some()).count();
    let number = bytes[2..2 + count]
        .iter()
        .filter_map(digit)
        .fold(0.0, |sum, digit| sum * f64::from(radix) + f64::from(digit));
    (count > 0).then_some((number, 2 + count))
}
