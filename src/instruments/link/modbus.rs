//! A Modbus bus: one request out, its answer back, within a deadline.
//!
//! Model: on TCP the transaction number ties answer to request, and after anything that goes wrong
//! the connection is closed. A serial frame carries no such number, so a late answer to one request
//! could be taken for the answer to the next. Therefore a unit whose answer failed to come, or came
//! wrong, is *in doubt*, as every unit is at first; before anything is read from it again, the
//! line is drained until it is silent and the unit must answer a request that no reading can be
//! mistaken for: the diagnostics echo (function 8) with a number of its own. A unit that
//! doesn't know function 8 refuses it with an exception, which proves as much, for units answer in
//! order. Only of a unit that never answers an echo at all is a long silence taken for proof.
//!
//! A frame ends with silence (3.5 characters), so one that goes on afterwards is none.
//!
//! Rejected: only draining after a timeout (a reply that is later still finds the next request out);
//! asking twice and comparing (two late answers agree as well).

use super::align::first_token;
use super::error::Broken;
use super::stream::StreamLine;
use super::thread::ThreadLine;
use super::within::Within;
use super::{Excerpt, LinkError, LinkSettings, SerialSettings, WRITE_DEADLINE};
use crate::modbus::{Answer, Framing, MAX_FRAME, ReplyError, Request};
use std::fmt;
use std::time::Duration;
use tokio::time::Instant;

/// Silence that ends a frame (bits): 3.5 characters of eleven bits (Modbus over Serial Line V1.02,
/// 2.5.1.1, from memory).
const SILENT_BITS: f64 = 38.5;
/// Above 19200 baud it doesn't get shorter (same place).
const SHORTEST_SILENCE: Duration = Duration::from_micros(1750);
/// Added to it: USB adapters hold bytes back for up to 16 ms.
const MARGIN: Duration = Duration::from_millis(20);
/// How long to wait for silence: longer than any frame at 1200 baud.
const SILENCE_DEADLINE: Duration = Duration::from_secs(5);
/// A unit that never answers an echo is believed again after this long without a word from it, some
/// hundred times what units take for an answer.
const LONG_SILENCE: Duration = Duration::from_secs(3);
/// Echoes without an answer after which a unit counts as deaf to them.
const DEAF_AFTER: u32 = 2;
/// The units of a bus.
const UNITS: usize = 256;

/// Where a bus is to be found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BusSettings {
    /// RTU on a serial line.
    Rtu(SerialSettings),
    /// TCP; devices listen on 502 as a rule.
    Tcp {
        /// Host name or address.
        host: String,
        /// Port.
        port: u16,
    },
    /// A line within the program, in RTU's frames.
    WithinRtu(Within),
    /// A line within the program, in TCP's frames.
    WithinTcp(Within),
}

impl fmt::Display for BusSettings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Rtu(serial) => serial.path.display().fmt(f),
            Self::Tcp { host, port } => {
                LinkSettings::Tcp { host: host.clone(), port: *port }.fmt(f)
            }
            Self::WithinRtu(within) | Self::WithinTcp(within) => within.name().fmt(f),
        }
    }
}

/// Why a bus gave no answer.
#[derive(Debug, thiserror::Error)]
pub enum BusError {
    /// The line failed.
    #[error(transparent)]
    Link(Box<LinkError>),
    /// No whole answer in time.
    #[error(
        "{address}: unit {unit} did not answer within {:.1} s, got {got}; check unit number, baud \
         rate, parity, cable and power", deadline.as_secs_f64()
    )]
    Silent {
        /// Which bus.
        address: Box<str>,
        /// Which unit.
        unit: u8,
        /// How long was waited.
        deadline: Duration,
        /// What came.
        got: Excerpt,
    },
    /// Something came that is not the answer.
    #[error(
        "{address}: what came from unit {unit} is not its answer: {why}, got {got}; nothing of it \
         was used"
    )]
    Wrong {
        /// Which bus.
        address: Box<str>,
        /// Which unit.
        unit: u8,
        /// Why not.
        why: ReplyError,
        /// What came.
        got: Excerpt,
    },
    /// The frame went on where it should end.
    #[error(
        "{address}: more came from unit {unit} than its answer, {got}; nothing of it was used. \
         Check that no other master is on the bus and that unit numbers are unique"
    )]
    More {
        /// Which bus.
        address: Box<str>,
        /// Which unit.
        unit: u8,
        /// What came.
        got: Excerpt,
    },
    /// The unit was asked for an echo before it could be trusted again, and gave none.
    #[error(
        "{address}: unit {unit} is not known to be in step and did not echo ({why}); asking again"
    )]
    InDoubt {
        /// Which bus.
        address: Box<str>,
        /// Which unit.
        unit: u8,
        /// What came of it.
        why: Box<BusError>,
    },
    /// The unit refuses.
    #[error("{address}: unit {unit} refuses: {exception}")]
    Refused {
        /// Which bus.
        address: Box<str>,
        /// Which unit.
        unit: u8,
        /// Why.
        exception: crate::modbus::Exception,
    },
}

#[derive(Debug)]
enum Line {
    Thread(ThreadLine),
    Stream(StreamLine),
}

impl Line {
    async fn write(&mut self, out: &[u8], deadline: Instant) -> Result<(), Broken> {
        match self {
            Self::Thread(line) => line.write(out, deadline).await,
            Self::Stream(line) => line.write(out, deadline).await,
        }
    }

    async fn receive(&mut self, bytes: &mut Vec<u8>, deadline: Instant) -> Result<(), Broken> {
        match self {
            Self::Thread(line) => line.receive(bytes, deadline).await,
            Self::Stream(line) => line.receive_any(bytes, deadline).await,
        }
    }

    async fn drain(&mut self, silence: Duration, deadline: Instant) -> Result<(), Broken> {
        match self {
            Self::Thread(line) => line.drain(silence, deadline).await,
            Self::Stream(line) => line.drain(silence, deadline).await,
        }
    }
}

/// What is known of a unit.
#[derive(Clone, Copy, Debug, Default)]
struct Unit {
    /// Whether the next answer that comes from it must be the next request's.
    trusted: bool,
    /// Whether it ever answered an echo.
    echoes: bool,
    /// Echoes without an answer since it was trusted last.
    unanswered: u32,
    /// When it was asked last.
    asked: Option<Instant>,
}

/// Where a bus begins counting, as [`first_token`] does.
fn first_transaction(settings: &BusSettings) -> u16 {
    let link = match settings {
        BusSettings::WithinRtu(within) | BusSettings::WithinTcp(within) => {
            LinkSettings::Within(within.clone())
        }
        BusSettings::Rtu(serial) => LinkSettings::Serial(serial.clone()),
        BusSettings::Tcp { host, port } => LinkSettings::Tcp { host: host.clone(), port: *port },
    };
    u16::from(first_token(&link)) << u8::BITS
}

/// A line to one or more Modbus units.
///
/// Calling contract: [`Bus::open`], then any number of [`Bus::read`]. After an error for which
/// [`Bus::is_broken`] holds, [`Bus::close`] and open anew after [`super::REOPEN_WAIT`]. A future
/// that is dropped halfway counts as an error.
#[derive(Debug)]
pub struct Bus {
    line: Line,
    address: Box<str>,
    /// Whether frames are RTU's, ended by silence and without a number.
    rtu: bool,
    silence: Duration,
    /// The last number of a connection's request or of an echo; begins elsewhere in each run.
    transaction: u16,
    broken: bool,
    units: Box<[Unit; UNITS]>,
    out: Vec<u8>,
    frame: Vec<u8>,
    chunk: Vec<u8>,
}

impl Bus {
    /// Opens the line.
    ///
    /// # Errors
    /// [`LinkError`] says what keeps the line from opening and what to do.
    pub async fn open(settings: &BusSettings) -> Result<Self, LinkError> {
        let line = match settings {
            BusSettings::Rtu(serial) => Line::Thread(ThreadLine::serial(serial).await?),
            BusSettings::Tcp { host, port } => {
                Line::Stream(StreamLine::connect(host, *port).await?)
            }
            BusSettings::WithinRtu(within) | BusSettings::WithinTcp(within) => {
                Line::Stream(StreamLine::dial(within)?)
            }
        };
        let ended = match settings {
            BusSettings::Rtu(serial) => {
                let silence = Duration::from_secs_f64(SILENT_BITS / f64::from(serial.baud.max(1)));
                silence.max(SHORTEST_SILENCE)
            }
            _ => SHORTEST_SILENCE,
        };
        Ok(Self {
            line,
            address: settings.to_string().into(),
            rtu: matches!(settings, BusSettings::Rtu(_) | BusSettings::WithinRtu(_)),
            silence: ended + MARGIN,
            transaction: first_transaction(settings),
            broken: false,
            units: Box::new([Unit::default(); UNITS]),
            out: Vec::with_capacity(MAX_FRAME),
            frame: Vec::with_capacity(MAX_FRAME),
            chunk: Vec::with_capacity(MAX_FRAME),
        })
    }

    /// Whether the line has to be closed and opened anew.
    #[must_use]
    pub const fn is_broken(&self) -> bool {
        self.broken
    }

    /// Asks and waits for the answer.
    ///
    /// # Errors
    /// [`BusError`]; whatever came is then not used.
    pub async fn read(
        &mut self,
        request: &Request,
        deadline: Duration,
    ) -> Result<Answer<'_>, BusError> {
        let framing = if self.rtu {
            self.prove(request.unit(), deadline).await?;
            Framing::Rtu
        } else {
            self.transaction = self.transaction.wrapping_add(1);
            Framing::Tcp { transaction: self.transaction }
        };
        self.exchange(request, framing, deadline).await?;
        request
            .parse(framing, &self.frame)
            .map_err(|why| Self::wrong(&self.address, request, why, &[]))
    }

    /// Closes the line in order and waits until it is closed.
    pub async fn close(self) {
        match self.line {
            Line::Thread(line) => line.close().await,
            Line::Stream(line) => line.close().await,
        }
    }

    /// Makes sure that the next answer of `unit` is the answer to the next request.
    async fn prove(&mut self, unit: u8, deadline: Duration) -> Result<(), BusError> {
        let known = self.units[usize::from(unit)];
        // Silence is wanted before every frame; a line in step has it already.
        let silence = if known.trusted { SHORTEST_SILENCE } else { self.silence };
        let until = Instant::now() + SILENCE_DEADLINE;
        if let Err(broken) = self.line.drain(silence, until).await {
            return Err(self.lost(broken, SILENCE_DEADLINE));
        }
        if known.trusted {
            return Ok(());
        }
        let quiet = known.asked.is_none_or(|asked| asked.elapsed() >= LONG_SILENCE);
        if !known.echoes && known.unanswered >= DEAF_AFTER && quiet {
            return Ok(());
        }
        self.transaction = self.transaction.wrapping_add(1);
        let echo = Request::echo(unit, self.transaction);
        let answered = self.exchange(&echo, Framing::Rtu, deadline).await;
        let known = &mut self.units[usize::from(unit)];
        match answered {
            Ok(()) | Err(BusError::Refused { .. }) => {
                known.echoes = true;
                known.unanswered = 0;
                Ok(())
            }
            Err(why @ BusError::Link(_)) => Err(why),
            Err(why) => {
                known.unanswered = known.unanswered.saturating_add(1);
                Err(BusError::InDoubt { address: self.address.clone(), unit, why: Box::new(why) })
            }
        }
    }

    /// One request, one frame that answers it.
    async fn exchange(
        &mut self,
        request: &Request,
        framing: Framing,
        deadline: Duration,
    ) -> Result<(), BusError> {
        let unit = usize::from(request.unit());
        self.units[unit].trusted = false;
        self.units[unit].asked = Some(Instant::now());
        let serial = framing == Framing::Rtu;
        // Until the answer is here, a connection is not to be used again.
        let was_broken = std::mem::replace(&mut self.broken, !serial);
        if was_broken {
            return Err(self.lost(Broken::Closed, deadline));
        }
        request.write(framing, &mut self.out);
        if let Err(broken) = self.line.write(&self.out, Instant::now() + WRITE_DEADLINE).await {
            return Err(self.lost(broken, WRITE_DEADLINE));
        }
        self.receive(request, framing, deadline).await?;
        self.broken = false;
        self.units[unit].trusted = true;
        match request.parse(framing, &self.frame) {
            // The device's own words are an answer, too.
            Err(why @ ReplyError::Refused(_)) => Err(Self::wrong(&self.address, request, why, &[])),
            _ => Ok(()),
        }
    }

    /// Gathers a frame until it is whole, right and, on a serial line, at its end.
    async fn receive(
        &mut self,
        request: &Request,
        framing: Framing,
        deadline: Duration,
    ) -> Result<(), BusError> {
        let until = Instant::now() + deadline;
        self.frame.clear();
        let length = loop {
            match request.reply_length(framing, &self.frame) {
                Ok(Some(length)) if self.frame.len() >= length => break length,
                Ok(_) => {}
                Err(why) => return Err(Self::wrong(&self.address, request, why, &self.frame)),
            }
            match self.line.receive(&mut self.chunk, until).await {
                Ok(()) => self.frame.extend_from_slice(&self.chunk),
                Err(Broken::Deadline) => {
                    let (address, unit) = (self.address.clone(), request.unit());
                    let got = Excerpt::of(&self.frame);
                    return Err(BusError::Silent { address, unit, deadline, got });
                }
                Err(broken) => return Err(self.lost(broken, deadline)),
            }
        };
        if framing == Framing::Rtu && self.frame.len() == length {
            match self.line.receive(&mut self.chunk, Instant::now() + self.silence).await {
                Err(Broken::Deadline) => {}
                Ok(()) => self.frame.extend_from_slice(&self.chunk),
                Err(broken) => return Err(self.lost(broken, deadline)),
            }
        }
        if self.frame.len() > length {
            let (address, unit) = (self.address.clone(), request.unit());
            return Err(BusError::More { address, unit, got: Excerpt::of(&self.frame) });
        }
        match request.parse(framing, &self.frame) {
            Ok(_) | Err(ReplyError::Refused(_)) => Ok(()),
            Err(why) => Err(Self::wrong(&self.address, request, why, &self.frame)),
        }
    }

    fn wrong(address: &str, request: &Request, why: ReplyError, got: &[u8]) -> BusError {
        let (address, unit) = (address.into(), request.unit());
        match why {
            ReplyError::Refused(exception) => BusError::Refused { address, unit, exception },
            why => BusError::Wrong { address, unit, why, got: Excerpt::of(got) },
        }
    }

    fn lost(&mut self, broken: Broken, deadline: Duration) -> BusError {
        self.broken |= !matches!(broken, Broken::NeverSilent | Broken::Deadline);
        BusError::Link(Box::new(broken.at(&self.address, &self.out, &self.frame, deadline)))
    }
}
