//! Replies: made by the virtual device, read by the logger.

use super::frame::{self, CRC, Framing};
use super::request::{Function, Request};
use std::fmt;

/// The bit in a function code that marks an exception.
const EXCEPTION_BIT: u8 = 0x80;

/// A device's refusal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exception {
    /// 1: it doesn't know the function.
    IllegalFunction,
    /// 2: it has no such address.
    IllegalAddress,
    /// 3: it doesn't take the count or value.
    IllegalValue,
    /// 4: it failed while it tried.
    DeviceFailure,
    /// 5: accepted, it needs time.
    Acknowledge,
    /// 6: busy.
    Busy,
    /// 8: its memory has a parity error.
    MemoryParity,
    /// 10: the gateway has no path.
    NoPath,
    /// 11: nobody answers behind the gateway.
    NoTarget,
    /// Another number.
    Other(u8),
}

impl Exception {
    /// The exception of that code.
    #[must_use]
    pub const fn from_code(code: u8) -> Self {
        match code {
            1 => Self::IllegalFunction,
            2 => Self::IllegalAddress,
            3 => Self::IllegalValue,
            4 => Self::DeviceFailure,
            5 => Self::Acknowledge,
            6 => Self::Busy,
            8 => Self::MemoryParity,
            10 => Self::NoPath,
            11 => Self::NoTarget,
            other => Self::Other(other),
        }
    }

    /// Its code.
    #[must_use]
    pub const fn code(self) -> u8 {
        match self {
            Self::IllegalFunction => 1,
            Self::IllegalAddress => 2,
            Self::IllegalValue => 3,
            Self::DeviceFailure => 4,
            Self::Acknowledge => 5,
            Self::Busy => 6,
            Self::MemoryParity => 8,
            Self::NoPath => 10,
            Self::NoTarget => 11,
            Self::Other(code) => code,
        }
    }
}

impl fmt::Display for Exception {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words = match self {
            Self::IllegalFunction => "it does not know this function; check the table",
            Self::IllegalAddress => {
                "it has no such address; check it, from zero as the protocol counts"
            }
            Self::IllegalValue => "it does not give this many values; check the type",
            Self::DeviceFailure => "it failed while it tried; look at the device",
            Self::Acknowledge => "it needs longer; ask less often",
            Self::Busy => "it is busy; ask less often",
            Self::MemoryParity => "its memory is damaged; replace the device",
            Self::NoPath => "the gateway has no way there; check its settings",
            Self::NoTarget => "nobody answers behind the gateway; check unit, cable and power",
            Self::Other(_) => "a reason of its own; look into its manual",
        };
        write!(f, "{words} (exception {})", self.code())
    }
}

/// Why bytes are not the answer to a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ReplyError {
    /// The CRC is wrong.
    #[error("its CRC is wrong")]
    Crc,
    /// It is too short, too long, or contradicts itself.
    #[error("its length does not fit the request")]
    Length,
    /// No Modbus at all.
    #[error("this is no Modbus")]
    Foreign,
    /// Another unit's.
    #[error("it comes from unit {found}")]
    Unit {
        /// Whose.
        found: u8,
    },
    /// An answer to another function.
    #[error("it answers function {found}")]
    Function {
        /// Which.
        found: u8,
    },
    /// An answer to another request.
    #[error("it answers transaction {found}")]
    Transaction {
        /// Which.
        found: u16,
    },
    /// An echo of another number.
    #[error("it echoes {found}")]
    Echo {
        /// Which.
        found: u16,
    },
    /// The device refuses. This one is an answer: the line is in step.
    #[error("{0}")]
    Refused(Exception),
}

/// The answer to a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer<'a> {
    /// Words, high byte first.
    Words(&'a [u8]),
    /// Bits, the first in the lowest place of the first byte.
    Bits(&'a [u8]),
    /// The number came back.
    Echoed,
}

impl Answer<'_> {
    /// The `index`-th value: a word, or a bit as 0 or 1.
    #[must_use]
    pub fn get(&self, index: usize) -> Option<u16> {
        match self {
            Self::Words(bytes) => {
                let word = bytes.get(2 * index..2 * index + 2)?;
                Some(u16::from_be_bytes([word[0], word[1]]))
            }
            Self::Bits(bytes) => Some(u16::from(bytes.get(index / 8)? >> (index % 8) & 1)),
            Self::Echoed => None,
        }
    }
}

impl Request {
    /// How long a reply that begins like this is; none while that can't be told yet.
    ///
    /// # Errors
    /// [`ReplyError`] as soon as the reply can't be the answer.
    pub fn reply_length(
        &self,
        framing: Framing,
        begin: &[u8],
    ) -> Result<Option<usize>, ReplyError> {
        if let Framing::Tcp { .. } = framing {
            return frame::tcp_length(begin).transpose().map_err(|()| ReplyError::Foreign);
        }
        let [unit, function, ..] = *begin else { return Ok(None) };
        if unit != self.unit() {
            return Err(ReplyError::Unit { found: unit });
        }
        let code = self.function().code();
        if function == code | EXCEPTION_BIT {
            return Ok(Some(3 + CRC));
        }
        if function != code {
            return Err(ReplyError::Function { found: function });
        }
        Ok(Some(2 + self.answer_length() + CRC))
    }

    /// The answer in a whole reply.
    ///
    /// # Errors
    /// [`ReplyError`]: it is no answer to this request, or [`ReplyError::Refused`].
    pub fn parse<'a>(&self, framing: Framing, frame: &'a [u8]) -> Result<Answer<'a>, ReplyError> {
        let (unit, pdu) = match framing {
            Framing::Rtu => frame::unwrap_rtu(frame).ok_or(ReplyError::Crc)?,
            Framing::Tcp { transaction } => {
                let (found, unit, pdu) = frame::unwrap_tcp(frame).ok_or(ReplyError::Foreign)?;
                if found != transaction {
                    return Err(ReplyError::Transaction { found });
                }
                (unit, pdu)
            }
        };
        if unit != self.unit() {
            return Err(ReplyError::Unit { found: unit });
        }
        let (function, data) = pdu.split_first().ok_or(ReplyError::Length)?;
        let code = self.function().code();
        if *function == code | EXCEPTION_BIT {
            let [exception] = data else { return Err(ReplyError::Length) };
            return Err(ReplyError::Refused(Exception::from_code(*exception)));
        }
        if *function != code {
            return Err(ReplyError::Function { found: *function });
        }
        if data.len() != self.answer_length() {
            return Err(ReplyError::Length);
        }
        self.judge(data)
    }

    fn judge<'a>(&self, data: &'a [u8]) -> Result<Answer<'a>, ReplyError> {
        match self.function() {
            Function::Echo(number) => {
                let found = u16::from_be_bytes([data[2], data[3]]);
                if data[..2] == [0, 0] && found == number {
                    Ok(Answer::Echoed)
                } else {
                    Err(ReplyError::Echo { found })
                }
            }
            Function::Read { table, .. } => {
                let (stated, values) = data.split_first().ok_or(ReplyError::Length)?;
                if usize::from(*stated) != values.len() {
                    return Err(ReplyError::Length);
                }
                Ok(if table.is_bits() { Answer::Bits(values) } else { Answer::Words(values) })
            }
        }
    }

    /// The frame with `values` (words, or 0 and 1), one for each that was asked for; an echo takes
    /// none. For a device.
    pub fn write_answer(&self, framing: Framing, values: &[u16], out: &mut Vec<u8>) {
        let mut pdu = vec![self.function().code()];
        match self.function() {
            Function::Echo(number) => {
                pdu.extend_from_slice(&[0, 0]);
                pdu.extend_from_slice(&number.to_be_bytes());
            }
            Function::Read { table, .. } => {
                let data = if table.is_bits() {
                    values.chunks(8).map(pack).collect()
                } else {
                    values.iter().flat_map(|word| word.to_be_bytes()).collect::<Vec<_>>()
                };
                pdu.push(u8::try_from(data.len()).unwrap_or(u8::MAX));
                pdu.extend_from_slice(&data);
            }
        }
        framing.wrap(self.unit(), &pdu, out);
    }
}

fn pack(bits: &[u16]) -> u8 {
    bits.iter().rev().fold(0, |byte, bit| byte << 1 | u8::from(*bit != 0))
}

impl Exception {
    /// The frame by which `unit` refuses `function`. For a device.
    pub fn write(self, framing: Framing, unit: u8, function: u8, out: &mut Vec<u8>) {
        framing.wrap(unit, &[function | EXCEPTION_BIT, self.code()], out);
    }
}
