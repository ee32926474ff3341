//! Requests: made by the logger, read by the virtual device.

use super::frame::{self, Framing};
use super::reply::Exception;

/// Which of a device's four tables.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Table {
    /// Coils: bits that can be written (function 1).
    Coils,
    /// Discrete inputs: bits (function 2).
    DiscreteInputs,
    /// Holding registers: words that can be written (function 3).
    Holding,
    /// Input registers: words (function 4).
    Input,
}

impl Table {
    /// All of them, in the order of their functions.
    pub const ALL: [Self; 4] = [Self::Coils, Self::DiscreteInputs, Self::Holding, Self::Input];

    /// Whether it holds bits rather than words.
    #[must_use]
    pub const fn is_bits(self) -> bool {
        matches!(self, Self::Coils | Self::DiscreteInputs)
    }

    /// Most values of one request (specification V1.1b3, 6.1 to 6.4).
    #[must_use]
    pub const fn most(self) -> u16 {
        if self.is_bits() { 2000 } else { 125 }
    }

    const fn code(self) -> u8 {
        match self {
            Self::Coils => 1,
            Self::DiscreteInputs => 2,
            Self::Holding => 3,
            Self::Input => 4,
        }
    }
}

/// The function code of the diagnostics echo, "return query data".
const DIAGNOSTICS: u8 = 8;

/// What is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Function {
    /// Reads values.
    Read {
        /// From which table.
        table: Table,
        /// From this address on (from zero).
        address: u16,
        /// How many (1..=[`Table::most`]).
        count: u16,
    },
    /// Asks for this very number back (function 8, subfunction 0). It changes nothing.
    Echo(u16),
}

impl Function {
    /// Its code on the line.
    #[must_use]
    pub const fn code(self) -> u8 {
        match self {
            Self::Read { table, .. } => table.code(),
            Self::Echo(_) => DIAGNOSTICS,
        }
    }

    /// Function code and data.
    fn pdu(self) -> [u8; 5] {
        let (first, second) = match self {
            Self::Read { address, count, .. } => (address, count),
            Self::Echo(number) => (0, number),
        };
        let ([a, b], [c, d]) = (first.to_be_bytes(), second.to_be_bytes());
        [self.code(), a, b, c, d]
    }
}

/// Why a request can't be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RequestError {
    /// Nothing, or more than one frame holds.
    #[error("{count} values in one request; ask for 1 to {most}")]
    Count {
        /// How many were asked for.
        count: u16,
        /// The most there may be.
        most: u16,
    },
    /// Beyond the last address.
    #[error("{count} values from address {address} go beyond the last address, 65535")]
    Address {
        /// The first address.
        address: u16,
        /// How many were asked for.
        count: u16,
    },
}

/// A request to one unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Request {
    unit: u8,
    function: Function,
}

impl Request {
    /// Asks `unit` for `count` values from `address` on.
    ///
    /// ```
    /// use cresthold_sim::modbus::{Framing, Request, Table};
    /// let request = Request::read(1, Table::Holding, 0, 10)?;
    /// let mut frame = Vec::new();
    /// request.write(Framing::Rtu, &mut frame);
    /// assert_eq!(frame, [0x01, 0x03, 0x00, 0x00, 0x00, 0x0A, 0xC5, 0xCD]);
    /// # Ok::<(), cresthold_sim::modbus::RequestError>(())
    /// ```
    ///
    /// # Errors
    /// [`RequestError`] where no such request exists.
    pub fn read(unit: u8, table: Table, address: u16, count: u16) -> Result<Self, RequestError> {
        let most = table.most();
        if count == 0 || count > most {
            return Err(RequestError::Count { count, most });
        }
        if address.checked_add(count - 1).is_none() {
            return Err(RequestError::Address { address, count });
        }
        Ok(Self { unit, function: Function::Read { table, address, count } })
    }

    /// Asks `unit` for `number` back.
    #[must_use]
    pub const fn echo(unit: u8, number: u16) -> Self {
        Self { unit, function: Function::Echo(number) }
    }

    /// Whom it is for.
    #[must_use]
    pub const fn unit(&self) -> u8 {
        self.unit
    }

    /// What is asked for.
    #[must_use]
    pub const fn function(&self) -> Function {
        self.function
    }

    /// Its frame; `out` is emptied first.
    pub fn write(&self, framing: Framing, out: &mut Vec<u8>) {
        framing.wrap(self.unit, &self.function.pdu(), out);
    }

    /// Bytes of the data that answers: a count and values, or subfunction and number.
    pub(super) fn answer_length(&self) -> usize {
        match self.function {
            Function::Echo(_) => 4,
            Function::Read { table, count, .. } if table.is_bits() => {
                1 + usize::from(count.div_ceil(8))
            }
            Function::Read { count, .. } => 1 + 2 * usize::from(count),
        }
    }

    /// What a serial line's first bytes are to a device that listens.
    #[must_use]
    pub fn hear_rtu(waiting: &[u8]) -> Heard {
        /// Unit, function, two numbers, CRC: every request this program makes, and most others.
        const SHORT: usize = 8;
        let Some(function) = waiting.get(1) else { return Heard::More };
        // Writing several values carries them along (specification V1.1b3, 6.11 and 6.12).
        let length = match (function, waiting.get(6)) {
            (15 | 16, None) => return Heard::More,
            (15 | 16, Some(bytes)) => 9 + usize::from(*bytes),
            _ => SHORT,
        };
        let Some(frame) = waiting.get(..length) else { return Heard::More };
        match frame::unwrap_rtu(frame) {
            None => Heard::Noise(1),
            Some((unit, pdu)) => judge(Framing::Rtu, unit, pdu, length),
        }
    }

    /// What a connection's first bytes are to a device that listens.
    #[must_use]
    pub fn hear_tcp(waiting: &[u8]) -> Heard {
        match frame::tcp_length(waiting) {
            None => Heard::More,
            Some(Err(())) => Heard::Noise(waiting.len()),
            Some(Ok(length)) => match waiting.get(..length).and_then(frame::unwrap_tcp) {
                None => Heard::More,
                Some((transaction, unit, pdu)) => {
                    judge(Framing::Tcp { transaction }, unit, pdu, length)
                }
            },
        }
    }
}

/// What a device hears.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heard {
    /// Not enough yet.
    More,
    /// This many bytes are no frame.
    Noise(usize),
    /// A request.
    Request {
        /// Bytes of its frame.
        length: usize,
        /// How its reply is to be framed.
        framing: Framing,
        /// What is asked for.
        request: Request,
    },
    /// A frame that asks for what isn't there.
    Refused {
        /// Bytes of its frame.
        length: usize,
        /// How its reply is to be framed.
        framing: Framing,
        /// Whom it is for.
        unit: u8,
        /// Its function code.
        function: u8,
        /// What to answer.
        exception: Exception,
    },
}

fn judge(framing: Framing, unit: u8, pdu: &[u8], length: usize) -> Heard {
    let function = pdu[0];
    let refused = |exception| Heard::Refused { length, framing, unit, function, exception };
    let numbers = <[u8; 4]>::try_from(&pdu[1..]).ok();
    let table = Table::ALL.into_iter().find(|table| table.code() == function);
    let request = match (table, numbers) {
        (Some(table), Some([a, b, c, d])) => {
            let (address, count) = (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
            Request::read(unit, table, address, count).map_err(|error| match error {
                RequestError::Count { .. } => Exception::IllegalValue,
                RequestError::Address { .. } => Exception::IllegalAddress,
            })
        }
        (None, Some([0, 0, c, d])) if function == DIAGNOSTICS => {
            Ok(Request::echo(unit, u16::from_be_bytes([c, d])))
        }
        (Some(_), None) => Err(Exception::IllegalValue),
        _ => Err(Exception::IllegalFunction),
    };
    match request {
        Ok(request) => Heard::Request { length, framing, request },
        Err(exception) => refused(exception),
    }
}
