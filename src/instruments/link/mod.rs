//! Links: one message out, one line back, within a deadline.
//!
//! Model: a link is *in step* when no answer is outstanding. Whatever goes wrong (a deadline passed,
//! garbage, a caller that gave up halfway) leaves it out of step, and from then on it refuses every
//! exchange, because the late answer to one question would be taken for the answer to the next.
//! [`Link::resynchronise`] proves alignment anew: drain until silence, end any half message, clear
//! the instrument's queues, then set a register to changing numbers until that very number
//! comes back. A link begins out of step: an instrument may hold answers from a former run.
//!
//! A serial port or USB-TMC device lives in a thread of its own, since its `read` can outstay its
//! timeout; TCP uses the runtime's sockets, and a line within the program goes the same way. All
//! frame by newline, never by packet.
//!
//! [`Link::resynchronise`] takes 0.2 s and two exchanges on a sound line, 3.2 s on a dead one, and
//! 12 s at most: 5 s for an instrument that doesn't stop talking, 1 s for each of six tries. A
//! USB-TMC device adds the time its driver still blocks, 6.5 s for each exchange that failed.
//!
//! Rejected: clearing the input buffer before each question (it hides the evidence: bytes nobody
//! asked for now put the link out of step); a settling pause after a timeout (how long is enough is
//! exactly what nobody knows).

mod align;
mod error;
mod modbus;
mod settings;
mod stream;
mod thread;
mod within;

pub use error::{Excerpt, LinkError};
pub use modbus::{Bus, BusError, BusSettings};
pub use settings::{DataBits, FlowControl, LinkSettings, Parity, SerialSettings, StopBits};
pub use within::{Dial, Wire, Within};

use error::Broken;
use std::time::Duration;
use stream::StreamLine;
use thread::ThreadLine;
use tokio::time::Instant;

/// Longest reply (bytes); the longest that is ever asked for is an error queue's entry, which the
/// standard bounds to 255 letters.
pub const MAX_REPLY: usize = 4096;
/// How long opening a line may take: a connection across a site's network is there in
/// milliseconds; a lost packet costs one or three seconds more.
pub const OPEN_DEADLINE: Duration = Duration::from_secs(5);
/// How long writing a message may take; at 9600 baud a message of 100 bytes takes 0.1 s.
pub const WRITE_DEADLINE: Duration = Duration::from_secs(2);
/// How long to wait between closing a line and opening it again: instruments keep dead sockets.
pub const REOPEN_WAIT: Duration = Duration::from_secs(1);
/// The shortest deadline that makes sense on a USB-TMC device: its driver's own can't be shorter.
pub const SHORTEST_USBTMC_DEADLINE: Duration = Duration::from_millis(500);

/// The line below a link.
#[derive(Debug)]
enum Line {
    Thread(ThreadLine),
    Stream(StreamLine),
}

impl Line {
    async fn exchange(
        &mut self,
        out: &[u8],
        reply: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        match self {
            Self::Thread(line) => line.exchange(out, reply, deadline).await,
            Self::Stream(line) => line.exchange(out, reply, deadline).await,
        }
    }

    async fn write(&mut self, out: &[u8], deadline: Instant) -> Result<(), Broken> {
        match self {
            Self::Thread(line) => line.write(out, deadline).await,
            Self::Stream(line) => line.write(out, deadline).await,
        }
    }

    async fn read_line(&mut self, reply: &mut Vec<u8>, deadline: Instant) -> Result<(), Broken> {
        match self {
            Self::Thread(line) => line.read_line(reply, deadline).await,
            Self::Stream(line) => line.read_line(reply, deadline).await,
        }
    }

    async fn drain(&mut self, silence: Duration, deadline: Instant) -> Result<(), Broken> {
        match self {
            Self::Thread(line) => line.drain(silence, deadline).await,
            Self::Stream(line) => line.drain(silence, deadline).await,
        }
    }
}

/// A line to one instrument.
///
/// Calling contract: [`Link::open`], [`Link::resynchronise`], then any number of [`Link::query`] and
/// [`Link::send`]. After an error, `resynchronise` again, or [`Link::close`] and open anew after
/// [`REOPEN_WAIT`]. A future that is dropped halfway counts as an error.
#[derive(Debug)]
pub struct Link {
    line: Line,
    address: Box<str>,
    in_step: bool,
    /// Whether the line itself marks where a message ends, so that no half one can be left over.
    whole_messages: bool,
    /// The number that proved alignment last.
    token: u8,
    /// The outgoing message with its newline; kept so that an exchange allocates nothing.
    out: Vec<u8>,
    /// Lines read while aligning.
    scratch: Vec<u8>,
    /// The last of them that was not the number asked for.
    seen: Vec<u8>,
}

impl Link {
    /// Opens the line; the link begins out of step.
    ///
    /// # Errors
    /// [`LinkError`] says what keeps the line from opening and what to do.
    pub async fn open(settings: &LinkSettings) -> Result<Self, LinkError> {
        let line = match settings {
            LinkSettings::Serial(serial) => Line::Thread(ThreadLine::serial(serial).await?),
            LinkSettings::Tcp { host, port } => {
                Line::Stream(StreamLine::connect(host, *port).await?)
            }
            LinkSettings::UsbTmc(path) => Line::Thread(ThreadLine::usbtmc(path).await?),
            LinkSettings::Within(within) => Line::Stream(StreamLine::dial(within)?),
        };
        Ok(Self {
            line,
            address: settings.to_string().into(),
            in_step: false,
            token: align::first_token(settings),
            whole_messages: match settings {
                LinkSettings::UsbTmc(_) => true,
                LinkSettings::Within(within) => within.goes_by_messages(),
                LinkSettings::Serial(_) | LinkSettings::Tcp { .. } => false,
            },
            out: Vec::with_capacity(128),
            scratch: Vec::with_capacity(128),
            seen: Vec::new(),
        })
    }

    /// The line's address, as messages show it.
    #[must_use]
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Whether question and answer are known to belong together.
    #[must_use]
    pub const fn in_step(&self) -> bool {
        self.in_step
    }

    /// Puts the link out of step, for a caller that found a reply which can't be the answer.
    pub const fn distrust(&mut self) {
        self.in_step = false;
    }

    /// How many jobs the port's thread has done, for a watchdog; none on TCP.
    #[must_use]
    pub fn heartbeat(&self) -> Option<u64> {
        match &self.line {
            Line::Thread(line) => Some(line.heartbeat()),
            Line::Stream(_) => None,
        }
    }

    fn frame(&mut self, message: &[u8]) {
        debug_assert!(!message.contains(&b'\n'), "a message is one line");
        self.out.clear();
        self.out.extend_from_slice(message);
        self.out.push(b'\n');
    }

    fn error(&self, broken: Broken, reply: &[u8], deadline: Duration) -> LinkError {
        broken.at(&self.address, &self.out, reply, deadline)
    }

    fn require_step(&self, message: &[u8]) -> Result<(), LinkError> {
        if self.in_step {
            return Ok(());
        }
        Err(LinkError::OutOfStep { address: self.address.clone(), command: Excerpt::of(message) })
    }

    /// Sends `message` and reads the line that answers it into `reply`, without its newline.
    ///
    /// # Errors
    /// [`LinkError`]; after any of them the link is out of step.
    pub async fn query(
        &mut self,
        message: &[u8],
        reply: &mut Vec<u8>,
        deadline: Duration,
    ) -> Result<(), LinkError> {
        reply.clear();
        self.require_step(message)?;
        self.in_step = false;
        self.frame(message);
        let until = Instant::now() + deadline;
        let result = self.line.exchange(&self.out, reply, until).await;
        let result = result.and_then(|()| check_printable(reply));
        result.map_err(|broken| self.error(broken, reply, deadline))?;
        self.in_step = true;
        Ok(())
    }

    /// Sends `message`, which nothing answers.
    ///
    /// # Errors
    /// [`LinkError`]; after any of them the link is out of step.
    pub async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        self.require_step(message)?;
        self.in_step = false;
        self.frame(message);
        let result = self.line.write(&self.out, Instant::now() + WRITE_DEADLINE).await;
        result.map_err(|broken| self.error(broken, &[], WRITE_DEADLINE))?;
        self.in_step = true;
        Ok(())
    }

    /// Closes the line in order and waits until it is closed, so that it can be opened again.
    pub async fn close(self) {
        match self.line {
            Line::Thread(line) => line.close().await,
            Line::Stream(line) => line.close().await,
        }
    }
}

fn check_printable(reply: &[u8]) -> Result<(), Broken> {
    let printable =
        reply.iter().all(|byte| byte.is_ascii_graphic() || matches!(byte, b' ' | b'\t'));
    if printable { Ok(()) } else { Err(Broken::Garbage) }
}

/// Removes the first line of `pending` and puts it into `reply`, without newline and carriage
/// return. Reports whether there was one.
fn take_line(pending: &mut Vec<u8>, reply: &mut Vec<u8>) -> Result<bool, Broken> {
    let Some(end) = pending.iter().position(|byte| *byte == b'\n') else {
        // An unfinished reply stays in sight for the error's text.
        reply.clear();
        reply.extend_from_slice(&pending[..pending.len().min(MAX_REPLY)]);
        return if pending.len() > MAX_REPLY { Err(Broken::TooLong) } else { Ok(false) };
    };
    if end > MAX_REPLY {
        return Err(Broken::TooLong);
    }
    let line = pending[..end].strip_suffix(b"\r").unwrap_or(&pending[..end]);
    reply.clear();
    reply.extend_from_slice(line);
    pending.drain(..=end);
    Ok(true)
}

/// Whether bytes that nobody asked for can be overlooked: an instrument may end its lines with
/// newline and carriage return, in this order.
fn is_leftover(byte: u8) -> bool {
    matches!(byte, b'\r' | b' ' | 0)
}

/// Moves bytes that nobody asked for into `reply` as evidence; overlooks line ends.
fn check_stray(pending: &mut Vec<u8>, reply: &mut Vec<u8>) -> Result<(), Broken> {
    let stray = !pending.iter().all(|byte| is_leftover(*byte));
    if stray {
        reply.clear();
        reply.extend_from_slice(&pending[..pending.len().min(MAX_REPLY)]);
    }
    pending.clear();
    if stray { Err(Broken::Stray) } else { Ok(()) }
}
