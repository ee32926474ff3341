//! What can go wrong on a line, where, and what to do about it.

use super::{MAX_REPLY, OPEN_DEADLINE};
use std::fmt;
use std::io;
use std::time::Duration;

/// Longest part of a message or reply that an error shows (bytes).
const EXCERPT: usize = 80;

/// The beginning of a message or reply, made printable.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Excerpt(Box<str>);

impl Excerpt {
    /// The first 80 bytes, escaped, without the newline at the end.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        let bytes = bytes.strip_suffix(b"\n").unwrap_or(bytes);
        let mut text = String::new();
        for byte in &bytes[..bytes.len().min(EXCERPT)] {
            match byte {
                b' '..=b'~' => text.push(char::from(*byte)),
                _ => text.extend(byte.escape_ascii().map(char::from)),
            }
        }
        if bytes.len() > EXCERPT {
            text.push_str("...");
        }
        Self(text.into())
    }

    /// The text; empty where there were no bytes.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Excerpt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() { f.write_str("nothing") } else { write!(f, "`{}`", self.0) }
    }
}

/// Why a line doesn't open, or an exchange failed.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// The device may not be opened.
    #[error("{address}: no permission to open it; {remedy}")]
    PermissionDenied {
        /// Which line.
        address: Box<str>,
        /// What to do.
        remedy: &'static str,
    },
    /// There is no such device.
    #[error("{address}: no such device; check cable and power, {remedy}")]
    NoSuchDevice {
        /// Which line.
        address: Box<str>,
        /// What else to do.
        remedy: &'static str,
    },
    /// Another program has the device.
    #[error(
        "{address}: in use by another program; stop it, or find it with `fuser {address}`, and \
         check that no two channels name the same port"
    )]
    Busy {
        /// Which line.
        address: Box<str>,
    },
    /// The device doesn't take the settings.
    #[error(
        "{address}: the port does not open ({detail}); check that it is a serial port and that \
         the adapter knows the baud rate"
    )]
    NotOpened {
        /// Which line.
        address: Box<str>,
        /// What the system said.
        detail: Box<str>,
    },
    /// The host refuses the connection.
    #[error(
        "{address}: connection refused; the host is there but nothing listens on this port: \
         enable raw sockets on the instrument, check the port, and end other programs' connections"
    )]
    Refused {
        /// Which line.
        address: Box<str>,
    },
    /// The host can't be reached.
    #[error("{address}: can't be reached ({detail}); check host name, network cable and power")]
    Unreachable {
        /// Which line.
        address: Box<str>,
        /// What the system said.
        detail: Box<str>,
    },
    /// The line didn't open in time.
    #[error(
        "{address}: not open within {:.0} s; check host name, network cable and power",
        OPEN_DEADLINE.as_secs_f64()
    )]
    OpenDeadline {
        /// Which line.
        address: Box<str>,
    },
    /// No whole answer within the deadline.
    #[error(
        "{address}: no answer to {command} within {:.1} s, got {got}; check cable, power, baud \
         rate and the instrument's remote setting",
        deadline.as_secs_f64()
    )]
    Deadline {
        /// Which line.
        address: Box<str>,
        /// What was sent.
        command: Excerpt,
        /// What came.
        got: Excerpt,
        /// How long was waited.
        deadline: Duration,
    },
    /// The answer isn't text.
    #[error(
        "{address}: the answer to {command} is garbage, {got}; check baud rate, parity, cable \
         shield and earth"
    )]
    Garbage {
        /// Which line.
        address: Box<str>,
        /// What was sent.
        command: Excerpt,
        /// What came.
        got: Excerpt,
    },
    /// The answer doesn't end.
    #[error(
        "{address}: the answer to {command} exceeds {MAX_REPLY} bytes without a newline, it begins \
         {got}; check that the instrument ends its answers with a newline"
    )]
    TooLong {
        /// Which line.
        address: Box<str>,
        /// What was sent.
        command: Excerpt,
        /// How it begins.
        got: Excerpt,
    },
    /// Bytes came that nobody asked for.
    #[error(
        "{address}: {got} came unasked before {command}; the link has to be resynchronised. If it \
         happens again, turn off echo on the instrument or the serial adapter"
    )]
    Unasked {
        /// Which line.
        address: Box<str>,
        /// What was to be sent.
        command: Excerpt,
        /// What came.
        got: Excerpt,
    },
    /// A former error has not been mended.
    #[error(
        "{address}: {command} not sent, because question and answer are out of step after an \
         earlier error; resynchronise the link first"
    )]
    OutOfStep {
        /// Which line.
        address: Box<str>,
        /// What was to be sent.
        command: Excerpt,
    },
    /// Question and answer can't be brought into step.
    #[error(
        "{address}: no alignment after {tries} tries; the last, {command}, was answered {got}; \
         check that the instrument speaks IEEE 488.2 here, or switch it off and on"
    )]
    NotAligned {
        /// Which line.
        address: Box<str>,
        /// What was sent last.
        command: Excerpt,
        /// What came last.
        got: Excerpt,
        /// How often it was tried.
        tries: u32,
    },
    /// The instrument doesn't stop sending.
    #[error(
        "{address}: never silent for {:.1} s; switch off continuous sending on the instrument",
        deadline.as_secs_f64()
    )]
    NeverSilent {
        /// Which line.
        address: Box<str>,
        /// How long was waited.
        deadline: Duration,
    },
    /// The device has nothing to say where an answer is due.
    #[error(
        "{address}: the answer to {command} is empty; the device is out of step and has to be \
         resynchronised. If it stays so, switch it off and on"
    )]
    Empty {
        /// Which line.
        address: Box<str>,
        /// What was sent.
        command: Excerpt,
    },
    /// The other side is gone.
    #[error(
        "{address}: the line was closed at {command}, got {got}; check cable and power, then open \
         it again"
    )]
    Closed {
        /// Which line.
        address: Box<str>,
        /// What was sent.
        command: Excerpt,
        /// What came.
        got: Excerpt,
    },
    /// The port's thread doesn't come back.
    #[error(
        "{address}: the port's driver hangs at {command}; pull the adapter out and in, and open \
         the line again"
    )]
    Hung {
        /// Which line.
        address: Box<str>,
        /// What was sent.
        command: Excerpt,
    },
    /// The system reports an error.
    #[error("{address}: error of the line at {command} ({source}); check cable and adapter")]
    Io {
        /// Which line.
        address: Box<str>,
        /// What was sent.
        command: Excerpt,
        /// What the system said.
        source: io::Error,
    },
    /// The system gives no thread or socket.
    #[error("{address}: the system has no room for another line ({source}); check its limits")]
    NoRoom {
        /// Which line.
        address: Box<str>,
        /// What the system said.
        source: io::Error,
    },
}

impl LinkError {
    pub(super) fn no_such_device(address: Box<str>) -> Self {
        let remedy = "and name the port by its path under /dev/serial/by-id or \
                      /dev/serial/by-path, which does not change";
        Self::NoSuchDevice { address, remedy }
    }
}

/// Why an exchange failed, before address and command are known.
#[derive(Debug)]
pub(super) enum Broken {
    Deadline,
    Garbage,
    TooLong,
    Stray,
    Empty,
    Closed,
    Hung,
    NeverSilent,
    Io(io::Error),
}

impl Broken {
    pub(super) fn at(
        self,
        address: &str,
        command: &[u8],
        reply: &[u8],
        deadline: Duration,
    ) -> LinkError {
        let (address, command, got) = (address.into(), Excerpt::of(command), Excerpt::of(reply));
        match self {
            Self::Deadline => LinkError::Deadline { address, command, got, deadline },
            Self::Garbage => LinkError::Garbage { address, command, got },
            Self::TooLong => LinkError::TooLong { address, command, got },
            Self::Stray => LinkError::Unasked { address, command, got },
            Self::Empty => LinkError::Empty { address, command },
            Self::Closed => LinkError::Closed { address, command, got },
            Self::Hung => LinkError::Hung { address, command },
            Self::NeverSilent => LinkError::NeverSilent { address, deadline },
            Self::Io(source) => LinkError::Io { address, command, source },
        }
    }
}

/// A hang-up has several names.
impl From<io::Error> for Broken {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::BrokenPipe
            | io::ErrorKind::ConnectionReset
            | io::ErrorKind::ConnectionAborted
            | io::ErrorKind::NotConnected
            | io::ErrorKind::UnexpectedEof => Self::Closed,
            _ => Self::Io(error),
        }
    }
}
