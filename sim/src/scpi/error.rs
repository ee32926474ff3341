//! Entries of the error queue: `-113,"Undefined header"`.
//!
//! Model: the standard codes are an enum with the texts of SCPI-1999 volume 2, 21.8.9 onwards
//! (from memory); an [`ErrorEntry`] is whatever a `SYSTem:ERRor?` answered, standard or not. The
//! hundreds digit says which bit of the standard event status register an error sets
//! (IEEE 488.2-1992, 11.5.1).

use super::param::{Text, emit_text};
use super::response::{Field, ResponseError};

macro_rules! standard_errors {
    ($($name:ident = $code:literal, $text:literal;)*) => {
        /// A standard error of SCPI-1999.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        #[repr(i16)]
        pub enum StandardError {
            $(#[doc = concat!("`", $code, "`: ", $text, ".")] $name = $code,)*
        }

        impl StandardError {
            /// All of them, in the standard's order.
            pub const ALL: &'static [Self] = &[$(Self::$name,)*];

            /// The standard's text.
            #[must_use]
            pub const fn text(self) -> &'static str {
                match self { $(Self::$name => $text,)* }
            }

            /// The standard error with this code, if it is among those used here.
            #[must_use]
            pub const fn from_code(code: i32) -> Option<Self> {
                match code { $($code => Some(Self::$name),)* _ => None }
            }
        }
    };
}

standard_errors! {
    NoError = 0, "No error";
    CommandError = -100, "Command error";
    InvalidCharacter = -101, "Invalid character";
    SyntaxError = -102, "Syntax error";
    InvalidSeparator = -103, "Invalid separator";
    DataTypeError = -104, "Data type error";
    ParameterNotAllowed = -108, "Parameter not allowed";
    MissingParameter = -109, "Missing parameter";
    HeaderSeparatorError = -111, "Header separator error";
    MnemonicTooLong = -112, "Program mnemonic too long";
    UndefinedHeader = -113, "Undefined header";
    HeaderSuffixOutOfRange = -114, "Header suffix out of range";
    InvalidCharacterInNumber = -121, "Invalid character in number";
    ExponentTooLarge = -123, "Exponent too large";
    TooManyDigits = -124, "Too many digits";
    InvalidSuffix = -131, "Invalid suffix";
    SuffixTooLong = -134, "Suffix too long";
    SuffixNotAllowed = -138, "Suffix not allowed";
    InvalidCharacterData = -141, "Invalid character data";
    CharacterDataTooLong = -144, "Character data too long";
    InvalidStringData = -151, "Invalid string data";
    InvalidBlockData = -161, "Invalid block data";
    InvalidExpression = -171, "Invalid expression";
    ExecutionError = -200, "Execution error";
    SettingsConflict = -221, "Settings conflict";
    DataOutOfRange = -222, "Data out of range";
    TooMuchData = -223, "Too much data";
    IllegalParameterValue = -224, "Illegal parameter value";
    DataStale = -230, "Data corrupt or stale";
    HardwareError = -240, "Hardware error";
    HardwareMissing = -241, "Hardware missing";
    DeviceSpecificError = -300, "Device-specific error";
    QueueOverflow = -350, "Queue overflow";
    InputBufferOverrun = -363, "Input buffer overrun";
    QueryError = -400, "Query error";
    QueryInterrupted = -410, "Query INTERRUPTED";
    QueryUnterminated = -420, "Query UNTERMINATED";
    QueryDeadlocked = -430, "Query DEADLOCKED";
}

/// Bits of the standard event status register (IEEE 488.2-1992, 11.5.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum EventBit {
    /// All pending operations are complete (bit 0).
    OperationComplete = 1,
    /// A query error, -400 to -499 (bit 2).
    Query = 4,
    /// A device-specific error, -300 to -399 and every positive code (bit 3).
    Device = 8,
    /// An execution error, -200 to -299 (bit 4).
    Execution = 16,
    /// A command error, -100 to -199 (bit 5).
    Command = 32,
    /// The power came on (bit 7).
    PowerOn = 128,
}

impl StandardError {
    /// The code.
    #[must_use]
    pub const fn code(self) -> i16 {
        self as i16
    }

    /// The event bit that the error sets; none for "no error".
    #[must_use]
    pub const fn event_bit(self) -> Option<EventBit> {
        event_bit(self.code() as i32)
    }

    /// The entry an error queue holds for it.
    #[must_use]
    pub const fn entry(self) -> ErrorEntry<'static> {
        ErrorEntry { code: self.code() as i32, text: Text::plain(self.text()) }
    }
}

const fn event_bit(code: i32) -> Option<EventBit> {
    match code {
        0 => None,
        -199..=-100 => Some(EventBit::Command),
        -299..=-200 => Some(EventBit::Execution),
        -499..=-400 => Some(EventBit::Query),
        _ => Some(EventBit::Device),
    }
}

/// One entry of an instrument's error queue, as `SYSTem:ERRor?` answers it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ErrorEntry<'a> {
    /// The code: 0 is "no error", negative ones are the standard's, positive ones the maker's.
    pub code: i32,
    /// The text, possibly with the maker's addition after a semicolon.
    pub text: Text<'a>,
}

impl<'a> ErrorEntry<'a> {
    /// Reads an entry; an instrument that leaves the text out is forgiven.
    ///
    /// ```
    /// # use cresthold_sim::scpi::{ErrorEntry, StandardError};
    /// let entry = ErrorEntry::parse(b"-113,\"Undefined header\"").unwrap();
    /// assert_eq!(entry, StandardError::UndefinedHeader.entry());
    /// assert!(!entry.is_none());
    /// assert!(ErrorEntry::parse(b"+0,\"No error\"").unwrap().is_none());
    /// ```
    ///
    /// # Errors
    /// [`ResponseError`] when the reply is not an integer and, optionally, a quoted text.
    pub fn parse(reply: &'a [u8]) -> Result<Self, ResponseError> {
        let mut units = super::response_units(reply);
        let unit = units.next().ok_or(ResponseError::Missing)?;
        let mut fields = unit.fields();
        let code = fields.next().ok_or(ResponseError::Missing)?.integer()?;
        let code = i32::try_from(code).map_err(|_| ResponseError::NotAnInteger)?;
        let text = fields.next().map_or(Ok(Text::plain("")), Field::text)?;
        if fields.next().is_some() || units.next().is_some() {
            return Err(ResponseError::TooMany);
        }
        Ok(Self { code, text })
    }

    /// Writes the entry.
    pub fn emit(&self, out: &mut Vec<u8>) {
        super::emit_nr1(out, i64::from(self.code));
        out.push(b',');
        emit_text(out, self.text.bytes());
    }

    /// Whether the queue was empty.
    #[must_use]
    pub const fn is_none(&self) -> bool {
        self.code == 0
    }

    /// The event bit that the error sets.
    #[must_use]
    pub const fn event_bit(&self) -> Option<EventBit> {
        event_bit(self.code)
    }
}
