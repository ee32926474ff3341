//! Response messages, instrument to controller: `3.12E+1;8.05E+0` or `-113,"Undefined header"`.
//!
//! Model: units between semicolons, one for each query of the message; fields between commas
//! (IEEE 488.2-1992, 8.3 and 8.4). Quotes and blocks may hold either separator. The hot path,
//! [`numbers`], reads one number from each of N units and allocates nothing.

use super::param::{Text, block_extent, is_bare, text_length};
use super::{NumberError, Numeric, emit_nr1, emit_nr2, emit_nr3, emit_text, trim};

/// Why a reply is not what was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ResponseError {
    /// Fewer fields or units than asked for.
    #[error("a part of the answer is missing")]
    Missing,
    /// More fields or units than asked for.
    #[error("more than was asked for")]
    TooMany,
    /// No decimal number.
    #[error("not a number: {0}")]
    NotANumber(NumberError),
    /// No integer, or one beyond 64 bits.
    #[error("not an integer")]
    NotAnInteger,
    /// Neither 0 nor 1.
    #[error("neither 0 nor 1")]
    NotABoolean,
    /// No text in quotes.
    #[error("not a text in quotes")]
    NotAText,
    /// No bare word.
    #[error("not a word")]
    NotAWord,
}

/// One field of a response.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Field<'a>(pub &'a [u8]);

impl<'a> Field<'a> {
    /// A number in any of the forms NR1, NR2, NR3.
    ///
    /// # Errors
    /// [`ResponseError::NotANumber`].
    pub fn number(self) -> Result<Numeric, ResponseError> {
        Numeric::parse(self.0).map_err(ResponseError::NotANumber)
    }

    /// An integer (NR1).
    ///
    /// # Errors
    /// [`ResponseError::NotAnInteger`].
    pub fn integer(self) -> Result<i64, ResponseError> {
        std::str::from_utf8(trim(self.0))
            .ok()
            .and_then(|text| text.parse().ok())
            .ok_or(ResponseError::NotAnInteger)
    }

    /// 0 or 1 (SCPI-1999 volume 1, 7.3: a query answers with a digit, never with a word).
    ///
    /// # Errors
    /// [`ResponseError::NotABoolean`].
    pub fn boolean(self) -> Result<bool, ResponseError> {
        match self.integer() {
            Ok(0) => Ok(false),
            Ok(1) => Ok(true),
            _ => Err(ResponseError::NotABoolean),
        }
    }

    /// A text in quotes.
    ///
    /// # Errors
    /// [`ResponseError::NotAText`].
    pub fn text(self) -> Result<Text<'a>, ResponseError> {
        match super::param::param(trim(self.0)) {
            Ok((super::Param::Text(text), length)) if length == trim(self.0).len() => Ok(text),
            _ => Err(ResponseError::NotAText),
        }
    }

    /// A bare word (character response data).
    ///
    /// # Errors
    /// [`ResponseError::NotAWord`].
    pub fn word(self) -> Result<&'a [u8], ResponseError> {
        let word = trim(self.0);
        let first = word.first().is_some_and(u8::is_ascii_alphabetic);
        let rest = word.iter().all(|byte| byte.is_ascii_alphanumeric() || *byte == b'_');
        if first && rest { Ok(word) } else { Err(ResponseError::NotAWord) }
    }

    /// Whether the field holds printable text alone, as every answer but a block does.
    #[must_use]
    pub fn is_printable(self) -> bool {
        self.0.iter().all(|byte| is_bare(*byte))
    }
}

/// One unit of a response: the answer to one query.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ResponseUnit<'a>(pub &'a [u8]);

impl<'a> ResponseUnit<'a> {
    /// The fields between the commas.
    pub fn fields(self) -> impl Iterator<Item = Field<'a>> + use<'a> {
        Split { rest: Some(self.0), separator: b',' }.map(Field)
    }

    /// The only field.
    ///
    /// # Errors
    /// [`ResponseError::TooMany`] where there are more.
    pub fn only(self) -> Result<Field<'a>, ResponseError> {
        let mut fields = self.fields();
        let field = fields.next().ok_or(ResponseError::Missing)?;
        if fields.next().is_some() { Err(ResponseError::TooMany) } else { Ok(field) }
    }
}

/// The units of a response message, given without its terminator.
pub fn response_units(reply: &[u8]) -> impl Iterator<Item = ResponseUnit<'_>> {
    Split { rest: Some(reply), separator: b';' }.map(ResponseUnit)
}

/// Pieces between separators outside quotes and blocks. An unfinished quote or block runs to the
/// end: the field's own parser refuses it.
struct Split<'a> {
    rest: Option<&'a [u8]>,
    separator: u8,
}

impl<'a> Iterator for Split<'a> {
    type Item = &'a [u8];

    fn next(&mut self) -> Option<&'a [u8]> {
        let bytes = self.rest.take()?;
        let mut at = 0;
        while let Some(byte) = bytes.get(at) {
            if *byte == self.separator {
                self.rest = Some(&bytes[at + 1..]);
                return Some(&bytes[..at]);
            }
            let here = &bytes[at..];
            at += match byte {
                b'"' => text_length(here).unwrap_or(here.len()),
                b'#' if here.get(1).is_some_and(u8::is_ascii_digit) => {
                    block_extent(here).map_or(here.len(), |(_, end)| end)
                }
                _ => 1,
            };
        }
        Some(bytes)
    }
}

/// Reads one number from each of exactly N units.
///
/// ```
/// # use cresthold_sim::scpi::{Numeric, numbers};
/// let [volts, amps] = numbers(b"3.12E+1;+8.05").unwrap();
/// assert_eq!((volts, amps), (Numeric::Value(31.2), Numeric::Value(8.05)));
/// assert!(numbers::<2>(b"3.12E+1").is_err());
/// ```
///
/// # Errors
/// [`ResponseError`] for a unit missing, one too many, or one that is not a number.
pub fn numbers<const N: usize>(reply: &[u8]) -> Result<[Numeric; N], ResponseError> {
    let mut found = [Numeric::NotANumber; N];
    let mut units = response_units(reply);
    for number in &mut found {
        *number = units.next().ok_or(ResponseError::Missing)?.only()?.number()?;
    }
    if units.next().is_some() { Err(ResponseError::TooMany) } else { Ok(found) }
}

/// Writes a response message into the caller's buffer, without its terminator.
///
/// ```
/// # use cresthold_sim::scpi::{Numeric, ResponseWriter};
/// let mut out = Vec::new();
/// let mut writer = ResponseWriter::new(&mut out);
/// writer.unit().nr2(Numeric::Value(31.2), 3);
/// writer.unit().integer(-113).text(b"Undefined header");
/// assert_eq!(out, b"31.200;-113,\"Undefined header\"");
/// ```
#[derive(Debug)]
pub struct ResponseWriter<'a> {
    out: &'a mut Vec<u8>,
    units: usize,
    fields: usize,
}

impl<'a> ResponseWriter<'a> {
    /// Writes behind what `out` holds.
    pub fn new(out: &'a mut Vec<u8>) -> Self {
        Self { out, units: 0, fields: 0 }
    }

    /// How many units were begun.
    #[must_use]
    pub const fn units(&self) -> usize {
        self.units
    }

    /// Begins the answer to the next query.
    pub fn unit(&mut self) -> &mut Self {
        if self.units > 0 {
            self.out.push(b';');
        }
        self.units += 1;
        self.fields = 0;
        self
    }

    fn field(&mut self) -> &mut Vec<u8> {
        if self.fields > 0 {
            self.out.push(b',');
        }
        self.fields += 1;
        self.out
    }

    /// An integer.
    pub fn integer(&mut self, number: i64) -> &mut Self {
        emit_nr1(self.field(), number);
        self
    }

    /// 1 or 0.
    pub fn boolean(&mut self, on: bool) -> &mut Self {
        self.integer(i64::from(on))
    }

    /// A number with `decimals` digits after the point.
    pub fn nr2(&mut self, number: Numeric, decimals: usize) -> &mut Self {
        emit_nr2(self.field(), number, decimals);
        self
    }

    /// A number with exponent.
    pub fn nr3(&mut self, number: Numeric) -> &mut Self {
        emit_nr3(self.field(), number);
        self
    }

    /// A bare word.
    pub fn word(&mut self, word: &str) -> &mut Self {
        self.field().extend_from_slice(word.as_bytes());
        self
    }

    /// Text without quotes, as `*IDN?` answers with its own commas (arbitrary ASCII response data:
    /// IEEE 488.2-1992, 8.7.11); it ends the message, so nothing may be asked behind it.
    pub fn plain(&mut self, text: &str) -> &mut Self {
        self.field().extend_from_slice(text.as_bytes());
        self
    }

    /// A text in quotes.
    pub fn text(&mut self, text: &[u8]) -> &mut Self {
        emit_text(self.field(), text.iter().copied());
        self
    }
}
