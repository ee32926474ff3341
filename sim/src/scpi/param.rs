//! Parameters: what follows a header (IEEE 488.2-1992, 7.7).
//!
//! Model: six shapes of data are told apart by their first byte: number, word, text in quotes,
//! block (`#214...`), number to base 16, 8 or 2 (`#HFF`), expression in parentheses. What a command
//! makes of a shape is decided by the `Param` methods, with the standard's error for what
//! does not fit.

use super::number::{leading_decimal, leading_nondecimal};
use super::{NumberError, Numeric, StandardError, Unit, is_white, mnemonic_matches, white_length};

/// A text between quotes, with its quotes still doubled inside; `bytes` undoes them.
#[derive(Clone, Copy, Debug)]
pub struct Text<'a> {
    raw: &'a [u8],
    quote: Option<u8>,
}

impl<'a> Text<'a> {
    /// A text that needs no undoing.
    #[must_use]
    pub const fn plain(text: &'a str) -> Self {
        Self { raw: text.as_bytes(), quote: None }
    }

    /// The text's bytes, quotes undoubled.
    pub fn bytes(&self) -> impl Iterator<Item = u8> + use<'a> {
        let quote = self.quote;
        let mut doubled = false;
        self.raw.iter().copied().filter(move |byte| {
            doubled = Some(*byte) == quote && !doubled;
            // The first of two quotes is dropped, the second kept.
            !doubled
        })
    }
}

impl PartialEq for Text<'_> {
    fn eq(&self, other: &Self) -> bool {
        self.bytes().eq(other.bytes())
    }
}

impl std::fmt::Display for Text<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.bytes().try_for_each(|byte| std::fmt::Display::fmt(&byte.escape_ascii(), f))
    }
}

/// Writes a text in double quotes, its own quotes doubled (IEEE 488.2-1992, 8.7.8). A newline would
/// end the message on the lines served here and becomes a blank.
pub fn emit_text(out: &mut Vec<u8>, text: impl IntoIterator<Item = u8>) {
    out.push(b'"');
    for byte in text {
        match byte {
            b'"' => out.extend_from_slice(b"\"\""),
            b'\n' => out.push(b' '),
            _ => out.push(byte),
        }
    }
    out.push(b'"');
}

/// One parameter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Param<'a> {
    /// A number and the suffix behind it, which may be empty.
    Number(Numeric, &'a [u8]),
    /// Character data.
    Word(&'a [u8]),
    /// A text in single or double quotes.
    Text(Text<'a>),
    /// The bytes of an arbitrary block.
    Block(&'a [u8]),
    /// What stands in parentheses.
    Expression(&'a [u8]),
}

/// A number, or one of the words that stand for one (SCPI-1999 volume 1, 7.2.1).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Request {
    /// This number, in the command's own unit.
    Number(Numeric),
    /// `MINimum`.
    Minimum,
    /// `MAXimum`.
    Maximum,
    /// `DEFault`.
    Default,
}

impl<'a> Param<'a> {
    /// A number in `unit`, or without unit where none is given.
    ///
    /// # Errors
    /// -104 for other shapes, -141 for other words, -131, -134 or -138 for a wrong suffix.
    pub fn numeric(&self, unit: Option<Unit>) -> Result<Request, StandardError> {
        match (*self, unit) {
            (Self::Number(number, suffix), Some(unit)) => {
                unit.scale(number, suffix).map(Request::Number)
            }
            (Self::Number(number, []), None) => Ok(Request::Number(number)),
            (Self::Number(..), None) => Err(StandardError::SuffixNotAllowed),
            (Self::Word(word), _) => Self::numeric_word(word),
            _ => Err(StandardError::DataTypeError),
        }
    }

    fn numeric_word(word: &[u8]) -> Result<Request, StandardError> {
        let named = [
            ("MINimum", Request::Minimum),
            ("MAXimum", Request::Maximum),
            ("DEFault", Request::Default),
        ];
        named
            .into_iter()
            .find_map(|(form, request)| mnemonic_matches(form, word).then_some(request))
            .or_else(|| Numeric::from_word(word).map(Request::Number))
            .ok_or(StandardError::InvalidCharacterData)
    }

    /// `ON`, `OFF`, or a number that is rounded, then off where zero (SCPI-1999 volume 1, 7.3).
    ///
    /// # Errors
    /// -104 for other shapes, -141 for other words, -138 for a suffix.
    pub fn boolean(&self) -> Result<bool, StandardError> {
        match self {
            Self::Word(word) if word.eq_ignore_ascii_case(b"ON") => Ok(true),
            Self::Word(word) if word.eq_ignore_ascii_case(b"OFF") => Ok(false),
            Self::Word(_) => Err(StandardError::InvalidCharacterData),
            Self::Number(number, []) => number
                .value()
                .map(|value| value.round().abs() > 0.0)
                .ok_or(StandardError::IllegalParameterValue),
            Self::Number(..) => Err(StandardError::SuffixNotAllowed),
            _ => Err(StandardError::DataTypeError),
        }
    }

    /// Which of `forms` (`VOLTage`, `CURRent`) the word is.
    ///
    /// # Errors
    /// -104 for other shapes, -141 for other words.
    pub fn choice(&self, forms: &[&str]) -> Result<usize, StandardError> {
        let Self::Word(word) = self else {
            return Err(StandardError::DataTypeError);
        };
        forms
            .iter()
            .position(|form| mnemonic_matches(form, word))
            .ok_or(StandardError::InvalidCharacterData)
    }

    /// A text.
    ///
    /// # Errors
    /// -104 for other shapes.
    pub fn text(&self) -> Result<Text<'a>, StandardError> {
        if let Self::Text(text) = self { Ok(*text) } else { Err(StandardError::DataTypeError) }
    }
}

/// The parameters of one unit, read one at a time; ends after the first error.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Params<'a> {
    rest: &'a [u8],
    /// A comma was read: something must follow.
    owed: bool,
}

impl<'a> Params<'a> {
    pub(crate) fn new(data: &'a [u8]) -> Self {
        Self { rest: super::trim(data), owed: false }
    }

    /// The only parameter.
    ///
    /// # Errors
    /// -109 where there is none, -108 where there are more, or the parameter's own.
    pub fn only(mut self) -> Result<Param<'a>, StandardError> {
        let param = self.next().ok_or(StandardError::MissingParameter)??;
        self.none()?;
        Ok(param)
    }

    /// Makes sure that nothing is left.
    ///
    /// # Errors
    /// -108 where there is, or the parameter's own.
    pub fn none(mut self) -> Result<(), StandardError> {
        match self.next() {
            None => Ok(()),
            Some(Ok(_)) => Err(StandardError::ParameterNotAllowed),
            Some(Err(error)) => Err(error),
        }
    }

    fn read(&mut self) -> Result<Param<'a>, StandardError> {
        let bytes = std::mem::take(&mut self.rest);
        let (param, length) = param(bytes)?;
        let after = &bytes[length..];
        let after = &after[white_length(after)..];
        self.owed = false;
        match after.split_first() {
            None => {}
            Some((b',', rest)) => {
                self.owed = true;
                self.rest = &rest[white_length(rest)..];
            }
            Some(_) => {
                return Err(match param {
                    Param::Number(..) => StandardError::InvalidCharacterInNumber,
                    _ => StandardError::InvalidSeparator,
                });
            }
        }
        Ok(param)
    }
}

impl<'a> Iterator for Params<'a> {
    type Item = Result<Param<'a>, StandardError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.rest.is_empty() {
            return std::mem::take(&mut self.owed).then_some(Err(StandardError::SyntaxError));
        }
        let result = self.read();
        if result.is_err() {
            (self.rest, self.owed) = (&[], false);
        }
        Some(result)
    }
}

/// The parameter at the start of `bytes` (not empty, not white) and its length.
pub(crate) fn param(bytes: &[u8]) -> Result<(Param<'_>, usize), StandardError> {
    match bytes.first() {
        Some(quote @ (b'"' | b'\'')) => {
            let length = text_length(bytes)?;
            let text = Text { raw: &bytes[1..length - 1], quote: Some(*quote) };
            Ok((Param::Text(text), length))
        }
        Some(b'#') => hash(bytes),
        Some(b'(') => {
            let length = expression_length(bytes)?;
            Ok((Param::Expression(&bytes[1..length - 1]), length))
        }
        Some(first) if first.is_ascii_alphabetic() => {
            let length = word_length(bytes);
            if length > super::MAX_MNEMONIC {
                return Err(StandardError::CharacterDataTooLong);
            }
            Ok((Param::Word(&bytes[..length]), length))
        }
        Some(b'+' | b'-' | b'.' | b'0'..=b'9') => number(bytes),
        Some(first) if !first.is_ascii() => Err(StandardError::InvalidCharacter),
        _ => Err(StandardError::SyntaxError),
    }
}

fn number(bytes: &[u8]) -> Result<(Param<'_>, usize), StandardError> {
    let (value, length) = leading_decimal(bytes).map_err(|error| match error {
        NumberError::TooManyDigits => StandardError::TooManyDigits,
        NumberError::ExponentTooLarge => StandardError::ExponentTooLarge,
        NumberError::NotDecimal | NumberError::Trailing => StandardError::InvalidCharacterInNumber,
    })?;
    let white = white_length(&bytes[length..]);
    let start = length + white;
    let suffix = bytes[start..]
        .iter()
        .take_while(|byte| byte.is_ascii_alphabetic() || **byte == b'/')
        .count();
    let end = if suffix > 0 { start + suffix } else { length };
    Ok((Param::Number(value.into(), &bytes[start..start + suffix]), end))
}

fn hash(bytes: &[u8]) -> Result<(Param<'_>, usize), StandardError> {
    if let Some((value, length)) = leading_nondecimal(bytes) {
        return Ok((Param::Number(value.into(), &[]), length));
    }
    let (start, end) = block_extent(bytes)?;
    Ok((Param::Block(&bytes[start..end]), end))
}

fn word_length(bytes: &[u8]) -> usize {
    bytes.iter().take_while(|byte| byte.is_ascii_alphanumeric() || **byte == b'_').count()
}

/// Length of a quoted text with its quotes (IEEE 488.2-1992, 7.7.5).
pub(crate) fn text_length(bytes: &[u8]) -> Result<usize, StandardError> {
    let quote = bytes[0];
    let mut at = 1;
    while let Some(byte) = bytes.get(at) {
        if *byte == quote && bytes.get(at + 1) == Some(&quote) {
            at += 2;
        } else if *byte == quote {
            return Ok(at + 1);
        } else {
            at += 1;
        }
    }
    Err(StandardError::InvalidStringData)
}

/// Where the bytes of an arbitrary block begin and end (IEEE 488.2-1992, 7.7.6); `#0` runs to the
/// end of the message.
pub(crate) fn block_extent(bytes: &[u8]) -> Result<(usize, usize), StandardError> {
    const INVALID: StandardError = StandardError::InvalidBlockData;
    let width = bytes.get(1).filter(|byte| byte.is_ascii_digit()).ok_or(INVALID)?;
    let start = 2 + usize::from(width - b'0');
    if start == 2 {
        return Ok((2, bytes.len()));
    }
    let digits = bytes.get(2..start).ok_or(INVALID)?;
    let mut length = 0_usize;
    for digit in digits {
        if !digit.is_ascii_digit() {
            return Err(INVALID);
        }
        length = length * 10 + usize::from(digit - b'0');
    }
    let end = start.checked_add(length).filter(|end| *end <= bytes.len()).ok_or(INVALID)?;
    Ok((start, end))
}

/// Length of an expression with its parentheses, which may be nested.
fn expression_length(bytes: &[u8]) -> Result<usize, StandardError> {
    let mut depth = 0_usize;
    for (at, byte) in bytes.iter().enumerate() {
        match byte {
            b'(' => depth += 1,
            b')' if depth == 1 => return Ok(at + 1),
            b')' => depth -= 1,
            b'"' | b'\'' | b'#' | b';' => break,
            _ => {}
        }
    }
    Err(StandardError::InvalidExpression)
}

/// How far the parameters reach: to the next semicolon outside quotes, blocks and parentheses.
pub(crate) fn data_length(data: &[u8]) -> Result<usize, StandardError> {
    let mut at = 0;
    while let Some(byte) = data.get(at) {
        let here = &data[at..];
        at += match byte {
            b';' => break,
            b'"' | b'\'' => text_length(here)?,
            b'(' => expression_length(here)?,
            b'#' if here.get(1).is_some_and(u8::is_ascii_digit) => block_extent(here)?.1,
            _ => 1,
        };
    }
    Ok(at)
}

/// Whether a byte can stand bare in a response field.
pub(crate) fn is_bare(byte: u8) -> bool {
    byte.is_ascii_graphic() || is_white(byte)
}
