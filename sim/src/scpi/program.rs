//! Program messages, controller to instrument: `:SOUR:VOLT 31.2;CURR 8;*OPC?`.
//!
//! Model: a message is units between semicolons; a unit is a header and, after white space,
//! parameters between commas (IEEE 488.2-1992, 7.3). [`units`] walks a message without copying it
//! and stops at the first error, since what follows an error can't be trusted to mean what it says.

use super::param::{Params, data_length};
use super::{Numeric, StandardError, Unit, emit_nr1, emit_nr3, emit_text, white_length};

/// A header as it was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header<'a> {
    text: &'a [u8],
    /// Whether it began with an asterisk.
    pub common: bool,
    /// Whether it began with a colon.
    pub absolute: bool,
    /// Whether it ended in a question mark.
    pub query: bool,
}

impl<'a> Header<'a> {
    /// The mnemonics between the colons.
    pub fn nodes(&self) -> impl Iterator<Item = &'a [u8]> + use<'a> {
        self.text.split(|byte| *byte == b':')
    }
}

/// One unit of a program message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ProgramUnit<'a> {
    /// Which command.
    pub header: Header<'a>,
    /// Its parameters, not yet looked at.
    pub params: Params<'a>,
}

/// Walks the units of one program message; see [`units`].
#[derive(Clone, Debug)]
pub struct Units<'a> {
    rest: &'a [u8],
}

/// The units of a program message, given without its terminator.
///
/// Empty units (`;;`) are passed over. The iterator ends after the first error.
#[must_use]
pub const fn units(message: &[u8]) -> Units<'_> {
    Units { rest: message }
}

impl<'a> Iterator for Units<'a> {
    type Item = Result<ProgramUnit<'a>, StandardError>;

    fn next(&mut self) -> Option<Self::Item> {
        let skipped = self.rest.iter().take_while(|byte| is_gap(**byte)).count();
        let text = &self.rest[skipped..];
        self.rest = &[];
        if text.is_empty() {
            return None;
        }
        Some(unit(text).map(|(unit, rest)| {
            self.rest = rest;
            unit
        }))
    }
}

fn is_gap(byte: u8) -> bool {
    byte == b';' || byte == b'\n' || super::is_white(byte)
}

fn mnemonic(bytes: &[u8]) -> Result<usize, StandardError> {
    match bytes.first() {
        Some(first) if first.is_ascii_alphabetic() => {}
        Some(first) if !first.is_ascii() => return Err(StandardError::InvalidCharacter),
        _ => return Err(StandardError::SyntaxError),
    }
    let length =
        bytes.iter().take_while(|byte| byte.is_ascii_alphanumeric() || **byte == b'_').count();
    if length > super::MAX_MNEMONIC { Err(StandardError::MnemonicTooLong) } else { Ok(length) }
}

/// The header at the start of `bytes` and its length.
fn header(bytes: &[u8]) -> Result<(Header<'_>, usize), StandardError> {
    let common = bytes.first() == Some(&b'*');
    let absolute = bytes.first() == Some(&b':');
    let start = usize::from(common || absolute);
    let mut end = start + mnemonic(&bytes[start..])?;
    while !common && bytes.get(end) == Some(&b':') {
        end += 1 + mnemonic(&bytes[end + 1..])?;
    }
    let query = bytes.get(end) == Some(&b'?');
    let header = Header { text: &bytes[start..end], common, absolute, query };
    Ok((header, end + usize::from(query)))
}

fn unit(bytes: &[u8]) -> Result<(ProgramUnit<'_>, &[u8]), StandardError> {
    let (header, length) = header(bytes)?;
    let after = &bytes[length..];
    let white = white_length(after);
    let data = &after[white..];
    let apart = white > 0 || data.first().is_none_or(|byte| is_gap(*byte));
    if !apart {
        return Err(match data.first() {
            Some(byte) if !byte.is_ascii() => StandardError::InvalidCharacter,
            _ => StandardError::HeaderSeparatorError,
        });
    }
    let (params, rest) = data.split_at(data_length(data)?);
    Ok((ProgramUnit { header, params: Params::new(params) }, rest))
}

/// Writes a program message into the caller's buffer, without its terminator.
///
/// ```
/// # use cresthold_sim::scpi::{Numeric, ProgramWriter, Unit};
/// let mut out = Vec::new();
/// ProgramWriter::new(&mut out)
///     .unit("VOLT").number(Numeric::Value(31.2))
///     .unit("CURR:PROT").quantity(Numeric::Value(8.0), Unit::Ampere)
///     .unit("INP").boolean(true)
///     .unit("*OPC?");
/// assert_eq!(out, b"VOLT 3.12E+1;CURR:PROT 8.0E+0 A;INP 1;*OPC?");
/// ```
#[derive(Debug)]
pub struct ProgramWriter<'a> {
    out: &'a mut Vec<u8>,
    start: usize,
    params: usize,
}

impl<'a> ProgramWriter<'a> {
    /// Writes behind what `out` holds.
    pub fn new(out: &'a mut Vec<u8>) -> Self {
        let start = out.len();
        Self { out, start, params: 0 }
    }

    /// Begins a unit with this header; the caller minds the path of the unit before.
    pub fn unit(&mut self, header: &str) -> &mut Self {
        if self.out.len() > self.start {
            self.out.push(b';');
        }
        self.params = 0;
        self.out.extend_from_slice(header.as_bytes());
        self
    }

    fn param(&mut self) -> &mut Vec<u8> {
        self.out.push(if self.params == 0 { b' ' } else { b',' });
        self.params += 1;
        self.out
    }

    /// A number without unit.
    pub fn number(&mut self, number: Numeric) -> &mut Self {
        emit_nr3(self.param(), number);
        self
    }

    /// A number with its unit.
    pub fn quantity(&mut self, number: Numeric, unit: Unit) -> &mut Self {
        emit_nr3(self.param(), number);
        self.out.push(b' ');
        self.out.extend_from_slice(unit.suffix().as_bytes());
        self
    }

    /// An integer.
    pub fn integer(&mut self, number: i64) -> &mut Self {
        emit_nr1(self.param(), number);
        self
    }

    /// 1 or 0.
    pub fn boolean(&mut self, on: bool) -> &mut Self {
        self.integer(i64::from(on))
    }

    /// Character data: a bare word, `VOLT` or `MAX`.
    pub fn word(&mut self, word: &str) -> &mut Self {
        self.param().extend_from_slice(word.as_bytes());
        self
    }

    /// A quoted text.
    pub fn text(&mut self, text: &[u8]) -> &mut Self {
        emit_text(self.param(), text.iter().copied());
        self
    }
}
