//! What a command set is made of: messages with a place for a value, and queries that say how their
//! answer is to be read.
//!
//! Model: everything is text, so that an instrument with words of its own needs a description and no
//! code. A number on the line may be in another unit than ours: `scale` is what its one is in ours
//! (0.001 where the line carries millivolts). Only text that can be sent as one line becomes a
//! message here, so a description can't smuggle a second one in.

use crate::scpi::{Field, Numeric, ResponseError, ResponseUnit, response_units};
use std::borrow::Cow;
use std::io::Write as _;

/// Stands for the value.
pub const PLACEHOLDER: &str = "{}";
/// Digits after the point of a value that is set, unless stated (0.1 mV, 0.1 mA: finer than such
/// instruments).
pub const DECIMALS: usize = 4;
/// Longest message (bytes), a list's values aside: SCPI instruments take 256 at least (from memory).
pub const LONGEST: usize = 200;

/// Text that is static by default and owned when it comes from a file.
pub type Words = Cow<'static, str>;

/// Why a text is no message.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WordsError {
    /// Nothing in it.
    #[error("it is empty")]
    Empty,
    /// Longer than a message may be.
    #[error("it is longer than {LONGEST} characters")]
    TooLong,
    /// A newline or another control character, or one beyond ASCII.
    #[error("it holds {0:?}, and a message is one line of printable ASCII")]
    Unprintable(char),
    /// No place for the value.
    #[error("it has no {PLACEHOLDER} for the value")]
    NoPlace,
    /// Two places for the value, or one where there is no value.
    #[error("it has one {PLACEHOLDER} too many")]
    TooManyPlaces,
}

/// Checks a message without a value.
///
/// # Errors
/// [`WordsError`].
///
/// ```
/// use cresthold::instruments::words::{WordsError, check};
/// assert_eq!(check("INP ON"), Ok(()));
/// assert_eq!(check("INP ON\n*RST"), Err(WordsError::Unprintable('\n')));
/// ```
pub fn check(text: &str) -> Result<(), WordsError> {
    printable(text)?;
    if text.contains(PLACEHOLDER) { Err(WordsError::TooManyPlaces) } else { Ok(()) }
}

fn printable(text: &str) -> Result<(), WordsError> {
    if text.trim().is_empty() {
        return Err(WordsError::Empty);
    }
    if text.len() > LONGEST {
        return Err(WordsError::TooLong);
    }
    match text.chars().find(|c| !matches!(c, ' '..='~')) {
        Some(other) => Err(WordsError::Unprintable(other)),
        None => Ok(()),
    }
}

/// A message with a place for a value.
#[derive(Clone, Debug, PartialEq)]
pub struct Template {
    before: Words,
    after: Words,
    scale: f64,
    decimals: usize,
}

impl Template {
    /// A value in our unit goes in place of `{}`.
    ///
    /// ```
    /// use cresthold::instruments::words::Template;
    /// let mut message = Vec::new();
    /// Template::new("VSET {},1").unwrap().in_units(0.001, 0).fill(31.25, &mut message);
    /// assert_eq!(message, b"VSET 31250,1");
    /// ```
    ///
    /// # Errors
    /// [`WordsError`].
    pub fn new(text: &str) -> Result<Self, WordsError> {
        printable(text)?;
        let (before, after) = text.split_once(PLACEHOLDER).ok_or(WordsError::NoPlace)?;
        if after.contains(PLACEHOLDER) {
            return Err(WordsError::TooManyPlaces);
        }
        let (before, after) = (before.to_owned().into(), after.to_owned().into());
        Ok(Self { before, after, scale: 1.0, decimals: DECIMALS })
    }

    /// The value behind the header and a blank, as SCPI has it.
    pub(super) const fn behind(header: &'static str) -> Self {
        let (before, after) = (Cow::Borrowed(header), Cow::Borrowed(""));
        Self { before, after, scale: 1.0, decimals: DECIMALS }
    }

    /// The same with a number whose one is `scale` of ours and that has `decimals` digits after its
    /// point.
    #[must_use]
    pub fn in_units(self, scale: f64, decimals: usize) -> Self {
        Self { scale, decimals, ..self }
    }

    /// Writes the message with `value`, which is a number.
    pub fn fill(&self, value: f64, out: &mut Vec<u8>) {
        self.fill_all(&[value], out);
    }

    /// Writes the message with a list of values.
    pub fn fill_all(&self, values: &[f64], out: &mut Vec<u8>) {
        out.extend_from_slice(self.before.as_bytes());
        for (index, value) in values.iter().enumerate() {
            let (comma, decimals) = (if index == 0 { "" } else { "," }, self.decimals);
            // Adding zero takes the sign from a negative zero.
            let number = value / self.scale + 0.0;
            write!(out, "{comma}{number:.decimals$}").expect("writing to memory does not fail");
        }
        out.extend_from_slice(self.after.as_bytes());
    }

    /// What rounding to its digits can change (our unit).
    pub(super) fn rounding(&self) -> f64 {
        let digits = i32::try_from(self.decimals).unwrap_or(0);
        (0.5 * 10_f64.powi(-digits) + 1e-9) * self.scale
    }
}

/// A query that one number answers.
#[derive(Clone, Debug, PartialEq)]
pub struct NumberQuery {
    /// The message.
    pub ask: Words,
    /// What the answer's one is in our unit.
    pub scale: f64,
}

impl NumberQuery {
    pub(super) const fn plain(ask: &'static str) -> Self {
        Self { ask: Cow::Borrowed(ask), scale: 1.0 }
    }

    pub(super) fn read(&self, reply: &[u8]) -> Result<Numeric, ResponseError> {
        let [number] = crate::scpi::numbers(reply)?;
        Ok(scaled(number, self.scale))
    }

    /// Reads an array: numbers between commas.
    pub(super) fn read_all(&self, reply: &[u8]) -> Result<Vec<Numeric>, ResponseError> {
        let fields = response_units(reply).flat_map(ResponseUnit::fields);
        fields.map(|field| field.number().map(|number| scaled(number, self.scale))).collect()
    }
}

fn scaled(number: Numeric, scale: f64) -> Numeric {
    match number {
        Numeric::Value(value) => Numeric::Value(value * scale),
        other => other,
    }
}

/// A query that is answered by one word for on and another for off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SwitchQuery {
    /// The message.
    pub ask: Words,
    /// The answer for on.
    pub on: Words,
    /// The answer for off.
    pub off: Words,
}

impl SwitchQuery {
    pub(super) const fn plain(ask: &'static str) -> Self {
        Self { ask: Cow::Borrowed(ask), on: Cow::Borrowed("1"), off: Cow::Borrowed("0") }
    }

    pub(super) fn read(&self, reply: &[u8]) -> Result<bool, ResponseError> {
        match (is_answer(reply, &self.on), is_answer(reply, &self.off)) {
            (true, false) => Ok(true),
            (false, true) => Ok(false),
            _ => Err(ResponseError::NotABoolean),
        }
    }
}

/// A query that is answered by one word when all is as it should be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WordQuery {
    /// The message.
    pub ask: Words,
    /// The answer.
    pub answer: Words,
}

impl WordQuery {
    pub(super) const fn plain(ask: &'static str, answer: &'static str) -> Self {
        Self { ask: Cow::Borrowed(ask), answer: Cow::Borrowed(answer) }
    }

    /// Whether it is the answer; an error where it can't be the answer to this question at all.
    pub(super) fn read(&self, reply: &[u8]) -> Result<bool, ResponseError> {
        if is_answer(reply, &self.answer) {
            return Ok(true);
        }
        let word = Field(self.answer.as_bytes()).word().is_ok();
        if word { Field(reply).word().map(|_| false) } else { Ok(false) }
    }
}

/// Whether a reply is this answer: the same letters whatever their case, or the same whole number.
fn is_answer(reply: &[u8], answer: &str) -> bool {
    let (reply, answer) = (reply.trim_ascii(), answer.trim().as_bytes());
    reply.eq_ignore_ascii_case(answer)
        || matches!((Field(reply).integer(), Field(answer).integer()), (Ok(a), Ok(b)) if a == b)
}

/// One number of a measurement's answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The voltage.
    Volts,
    /// The current.
    Amps,
    /// Something else, which is passed over.
    Other,
}

/// A query that is answered by voltage and current of one measurement.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasureQuery {
    /// The message.
    pub ask: Words,
    /// What the answer's parts are, between semicolons or commas; voltage and current once each.
    pub parts: Vec<Part>,
    /// What the voltage's one is (V).
    pub volts_scale: f64,
    /// What the current's one is (A).
    pub amps_scale: f64,
}

impl MeasureQuery {
    pub(super) fn plain(ask: &'static str) -> Self {
        let parts = vec![Part::Volts, Part::Amps];
        Self { ask: ask.into(), parts, volts_scale: 1.0, amps_scale: 1.0 }
    }

    pub(super) fn read(&self, reply: &[u8]) -> Result<(Numeric, Numeric), ResponseError> {
        let (mut volts, mut amps) = (Err(ResponseError::Missing), Err(ResponseError::Missing));
        let mut fields = response_units(reply).flat_map(ResponseUnit::fields);
        for part in &self.parts {
            let field = fields.next().ok_or(ResponseError::Missing)?;
            match part {
                Part::Volts => volts = field.number(),
                Part::Amps => amps = field.number(),
                Part::Other => {}
            }
        }
        if fields.next().is_some() {
            return Err(ResponseError::TooMany);
        }
        Ok((scaled(volts?, self.volts_scale), scaled(amps?, self.amps_scale)))
    }
}

/// What a status query answers when a protection has tripped.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Tripped {
    /// A whole number with any of these bits set, as a SCPI status register has.
    Bits(u32),
    /// This word; any other says that nothing tripped.
    Word(Words),
}

/// A query that tells whether a protection has tripped.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatusQuery {
    /// The message.
    pub ask: Words,
    /// The answer that says so.
    pub tripped: Tripped,
}

impl StatusQuery {
    pub(super) fn read(&self, reply: &[u8]) -> Result<bool, ResponseError> {
        match &self.tripped {
            Tripped::Bits(bits) => {
                let register = u32::try_from(Field(reply).integer()?);
                Ok(register.map_err(|_| ResponseError::NotAnInteger)? & bits != 0)
            }
            Tripped::Word(word) => Ok(is_answer(reply, word)),
        }
    }
}
