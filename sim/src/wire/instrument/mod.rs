//! Front ends of virtual instruments: a program message in, a reply and its delay out.
//!
//! Model: a front end is pure. What all instruments share (error queue, status registers, common
//! commands) is [`FrontEnd`]; what a load or a supply adds is a table of patterns and a `match`
//! behind the [`Commands`] trait. A message is carried out unit by unit and stops at its first
//! error, so that nothing is set by the rest of a message that went wrong.
//!
//! All measuring queries of one message answer from one measurement: `MEAS:VOLT?;CURR?` gives the
//! two of one window, which is what makes their product a power.

mod held;
mod list;
mod load;
mod measuring;
mod meter;
mod status;
mod supply;

pub use held::Held;
pub use load::{LoadCommands, VirtualLoad};
pub use meter::{MeterCommands, MeterFunction, MeterPort, VirtualMeter};
pub use supply::{SupplyCommands, VirtualSupply};

use crate::scpi::{
    Numeric, Params, Path, Pattern, Request, Resolved, ResponseWriter, StandardError, Unit, units,
};
use status::Status;
use std::time::Duration;

/// Digits after the point of a setting that is read back (0.1 mV, 0.1 mA).
const SETTING_DECIMALS: usize = 4;
/// Digits after the point of a measured value (1 uV, 1 uA).
const MEASURED_DECIMALS: usize = 6;
/// How long a front end takes over a message that measures nothing, as a small processor would.
const PARSING_TIME: Duration = Duration::from_micros(500);

/// What the first bytes on a line are to an instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Message {
    /// Its messages end with a newline.
    Line,
    /// A message of this many bytes.
    Frame(usize),
    /// This many bytes are none.
    Noise(usize),
    /// More has to come first.
    Unfinished,
}

/// Something that answers messages.
pub trait Instrument: Send {
    /// What the bytes that wait begin with; instruments whose messages are no lines say so here.
    fn message(&self, waiting: &[u8]) -> Message {
        let _ = waiting;
        Message::Line
    }
    /// Carries out one program message, given without its terminator; appends the reply with its
    /// newline, if there is one. Returns how long the instrument is busy before it may be sent.
    fn handle(&mut self, message: &[u8], reply: &mut Vec<u8>) -> Duration;
    /// A message was longer than the input buffer and was thrown away (error -363).
    fn overrun(&mut self);
}

/// What one kind of instrument adds to the common commands.
pub trait Commands: Send {
    /// The answer to `*IDN?`: maker, model, serial number, firmware (IEEE 488.2-1992, 10.14).
    fn identity(&self) -> &str;
    /// `*RST`.
    fn reset(&mut self);
    /// A new message begins: measurements of the one before are stale.
    fn begin(&mut self);
    /// How long this message's measurements took.
    fn busy(&self) -> Duration;
    /// Carries out one unit.
    ///
    /// # Errors
    /// The standard error for the queue.
    fn execute(
        &mut self,
        header: &Resolved<'_>,
        params: Params<'_>,
        answer: &mut ResponseWriter<'_>,
    ) -> Result<(), StandardError>;
}

/// A virtual instrument: the common part around its own commands.
#[derive(Debug)]
pub struct FrontEnd<C> {
    commands: C,
    status: Status,
    powered: bool,
}

impl<C: Commands> FrontEnd<C> {
    /// A front end that was just switched on.
    #[must_use]
    pub fn new(mut commands: C) -> Self {
        commands.reset();
        Self { commands, status: Status::power_on(), powered: true }
    }

    /// Switches its power. Off: input or output off, deaf and mute. On: the settings of power-on,
    /// an empty queue, the status bit that tells of it (IEEE 488.2-1992, 11.5.1.1.1).
    pub fn power(&mut self, on: bool) {
        self.commands.reset();
        self.status = Status::power_on();
        self.powered = on;
    }

    fn execute(
        &mut self,
        header: &Resolved<'_>,
        params: Params<'_>,
        answer: &mut ResponseWriter<'_>,
    ) -> Result<(), StandardError> {
        if header.common && header.nodes()[0].eq_ignore_ascii_case(b"IDN") && header.query {
            params.none()?;
            answer.unit().plain(self.commands.identity());
            return Ok(());
        }
        if header.common && header.nodes()[0].eq_ignore_ascii_case(b"RST") && !header.query {
            params.none()?;
            self.commands.reset();
            return Ok(());
        }
        if header.common || status::is_system(header) {
            return self.status.execute(header, params, answer);
        }
        self.commands.execute(header, params, answer)
    }
}

impl<C: Commands> Instrument for FrontEnd<C> {
    fn handle(&mut self, message: &[u8], reply: &mut Vec<u8>) -> Duration {
        if !self.powered {
            return Duration::ZERO;
        }
        self.commands.begin();
        let mut path = Path::root();
        let mut answer = ResponseWriter::new(reply);
        for unit in units(message) {
            let done = unit.and_then(|unit| {
                let header = path.enter(&unit.header)?;
                self.execute(&header, unit.params, &mut answer)
            });
            if let Err(error) = done {
                self.status.report(error);
                break;
            }
        }
        if answer.units() > 0 {
            reply.push(b'\n');
        }
        PARSING_TIME + self.commands.busy()
    }

    fn overrun(&mut self) {
        self.status.report(StandardError::InputBufferOverrun);
    }
}

/// The command whose pattern fits the header.
fn find<T: Copy>(table: &[(Pattern, T)], header: &Resolved<'_>) -> Result<T, StandardError> {
    let nodes = header.nodes();
    if let Some((_, command)) = table.iter().find(|(pattern, _)| pattern.matches(nodes)) {
        return Ok(*command);
    }
    let near = table.iter().any(|(pattern, _)| pattern.matches_but_suffix(nodes));
    Err(if near { StandardError::HeaderSuffixOutOfRange } else { StandardError::UndefinedHeader })
}

/// A setting with its limits.
#[derive(Clone, Copy, Debug)]
struct Setting {
    unit: Unit,
    now: f64,
    min: f64,
    max: f64,
    default: f64,
}

impl Setting {
    fn pick(&self, request: Request) -> Result<f64, StandardError> {
        match request {
            Request::Minimum => Ok(self.min),
            Request::Maximum => Ok(self.max),
            Request::Default => Ok(self.default),
            Request::Number(Numeric::Value(value)) if (self.min..=self.max).contains(&value) => {
                Ok(value)
            }
            Request::Number(_) => Err(StandardError::DataOutOfRange),
        }
    }

    /// The value a command asks for.
    fn wanted(&self, params: Params<'_>) -> Result<f64, StandardError> {
        self.pick(params.only()?.numeric(Some(self.unit))?)
    }

    /// Answers `VOLT?`, `VOLT? MAX` and the like.
    fn answer(
        &self,
        mut params: Params<'_>,
        answer: &mut ResponseWriter<'_>,
    ) -> Result<(), StandardError> {
        let value = match params.next() {
            None => self.now,
            Some(param) => match param?.numeric(Some(self.unit))? {
                Request::Number(_) => return Err(StandardError::IllegalParameterValue),
                request => self.pick(request)?,
            },
        };
        params.none()?;
        answer.unit().nr2(value.into(), SETTING_DECIMALS);
        Ok(())
    }
}
