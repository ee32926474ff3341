//! A virtual Modbus device: registers that are asked for when they are read.
//!
//! Model: a [`ModbusDevice`] is an [`Instrument`] whose messages are frames instead of lines, so the
//! servers of [`serve`](super::serve) and the faults of [`fault`](super::fault) serve it as they are.
//! It speaks RTU on one line with any number of units, or TCP. Of the functions it knows the four
//! that read and the diagnostics echo; others are refused, as real sensors refuse them.

use super::instrument::{Instrument, Message};
use crate::modbus::{Exception, Format, Framing, Function, Heard, Request, Table};
use std::time::Duration;

/// How long a device takes for an answer, as a small processor would.
const ANSWER_TIME: Duration = Duration::from_millis(1);

/// Where a unit's values come from.
pub trait Registers: Send {
    /// Puts the values from `address` on into `values`: words, or 0 and 1 for bits.
    ///
    /// # Errors
    /// The exception to answer with.
    fn read(&mut self, table: Table, address: u16, values: &mut [u16]) -> Result<(), Exception>;
}

impl<F> Registers for F
where
    F: FnMut(Table, u16, &mut [u16]) -> Result<(), Exception> + Send,
{
    fn read(&mut self, table: Table, address: u16, values: &mut [u16]) -> Result<(), Exception> {
        self(table, address, values)
    }
}

/// A number in a unit's tables.
struct Point {
    table: Table,
    address: u16,
    format: Format,
    value: Box<dyn FnMut() -> f64 + Send>,
}

/// Registers put together from numbers; every address in between is illegal.
///
/// ```
/// use cresthold_sim::modbus::{Format, Kind, Table, WordOrder};
/// use cresthold_sim::wire::modbus::{Points, Registers};
/// let tenths = Format { kind: Kind::I16, order: WordOrder::HighFirst };
/// let mut points = Points::default().with(Table::Input, 7, tenths, || 8123.0);
/// let mut word = [0];
/// points.read(Table::Input, 7, &mut word).unwrap();
/// assert_eq!(word, [8123]);
/// assert!(points.read(Table::Input, 8, &mut word).is_err());
/// ```
#[derive(Default)]
pub struct Points(Vec<Point>);

impl Points {
    /// Adds a number at an address; `value` is called whenever it is read. In a table of bits it is
    /// one bit, set where the value isn't zero.
    #[must_use]
    pub fn with(
        mut self,
        table: Table,
        address: u16,
        format: Format,
        value: impl FnMut() -> f64 + Send + 'static,
    ) -> Self {
        self.0.push(Point { table, address, format, value: Box::new(value) });
        self
    }
}

impl Registers for Points {
    fn read(&mut self, table: Table, address: u16, values: &mut [u16]) -> Result<(), Exception> {
        let mut known = vec![false; values.len()];
        for point in self.0.iter_mut().filter(|point| point.table == table) {
            let count =
                if table.is_bits() { 1 } else { usize::from(point.format.kind.registers()) };
            let begin = usize::from(point.address);
            let place = |index: usize| (begin + index).checked_sub(usize::from(address));
            if !(0..count).any(|index| place(index).is_some_and(|at| at < values.len())) {
                continue;
            }
            let value = (point.value)();
            let words = match table.is_bits() {
                true => vec![u16::from(value != 0.0)],
                false => point.format.encode(value),
            };
            for (index, word) in words.into_iter().enumerate() {
                if let Some(at) = place(index).filter(|at| *at < values.len()) {
                    values[at] = word;
                    known[at] = true;
                }
            }
        }
        if known.contains(&false) { Err(Exception::IllegalAddress) } else { Ok(()) }
    }
}

/// A device, or several units on one line.
pub struct ModbusDevice {
    serial: bool,
    echoes: bool,
    units: Vec<(u8, Box<dyn Registers>)>,
    values: Vec<u16>,
}

impl std::fmt::Debug for ModbusDevice {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let units: Vec<u8> = self.units.iter().map(|(unit, _)| *unit).collect();
        f.debug_struct("ModbusDevice").field("units", &units).finish_non_exhaustive()
    }
}

impl ModbusDevice {
    /// A serial line without units; add them by [`ModbusDevice::with_unit`]. Serve it on a
    /// pseudo-terminal.
    #[must_use]
    pub const fn rtu() -> Self {
        Self { serial: true, echoes: true, units: Vec::new(), values: Vec::new() }
    }

    /// The same for TCP.
    #[must_use]
    pub const fn tcp() -> Self {
        Self { serial: false, echoes: true, units: Vec::new(), values: Vec::new() }
    }

    /// Adds a unit.
    #[must_use]
    pub fn with_unit(mut self, unit: u8, registers: impl Registers + 'static) -> Self {
        self.units.push((unit, Box::new(registers)));
        self
    }

    /// Makes it deaf to the diagnostics echo, as some simple sensors are: no answer at all.
    #[must_use]
    pub const fn without_echo(mut self) -> Self {
        self.echoes = false;
        self
    }

    fn answer(&mut self, framing: Framing, request: &Request, reply: &mut Vec<u8>) {
        let unit = request.unit();
        let known = self.units.iter_mut().find(|(known, _)| *known == unit);
        let Some((_, registers)) = known else {
            // On a serial line nobody of that number is listening; on TCP a gateway says so.
            if let Framing::Tcp { .. } = framing {
                Exception::NoTarget.write(framing, unit, code(request), reply);
            }
            return;
        };
        match request.function() {
            Function::Echo(_) if !self.echoes => {}
            Function::Echo(_) => request.write_answer(framing, &[], reply),
            Function::Read { table, address, count } => {
                self.values.clear();
                self.values.resize(usize::from(count), 0);
                match registers.read(table, address, &mut self.values) {
                    Ok(()) => request.write_answer(framing, &self.values, reply),
                    Err(exception) => exception.write(framing, unit, code(request), reply),
                }
            }
        }
    }
}

/// The function code of a request.
const fn code(request: &Request) -> u8 {
    request.function().code()
}

impl Instrument for ModbusDevice {
    fn message(&self, waiting: &[u8]) -> Message {
        let heard =
            if self.serial { Request::hear_rtu(waiting) } else { Request::hear_tcp(waiting) };
        match heard {
            Heard::More => Message::Unfinished,
            Heard::Noise(length) => Message::Noise(length),
            Heard::Request { length, .. } | Heard::Refused { length, .. } => Message::Frame(length),
        }
    }

    fn handle(&mut self, message: &[u8], reply: &mut Vec<u8>) -> Duration {
        let heard =
            if self.serial { Request::hear_rtu(message) } else { Request::hear_tcp(message) };
        match heard {
            Heard::Request { framing, request, .. } => self.answer(framing, &request, reply),
            Heard::Refused { framing, unit, function, exception, .. }
                if self.units.iter().any(|(known, _)| *known == unit) =>
            {
                exception.write(framing, unit, function, reply);
            }
            _ => {}
        }
        ANSWER_TIME
    }

    fn overrun(&mut self) {}
}
