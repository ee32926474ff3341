//! A line without a wire: whatever a caller hands over as a stream.
//!
//! It goes the very way of a TCP line, so that links, instruments and a whole channel can be tried
//! in virtual time (`tokio::time::pause`) against instruments that are values in memory.

use std::fmt;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use tokio::io::{AsyncRead, AsyncWrite};

/// A stream of bytes both ways.
pub trait Wire: AsyncRead + AsyncWrite + Send + Unpin {}

impl<T: AsyncRead + AsyncWrite + Send + Unpin> Wire for T {}

/// Something that opens a line each time it is asked.
pub trait Dial: Send + Sync {
    /// Opens the line.
    ///
    /// # Errors
    /// What a system would say: [`io::ErrorKind::ConnectionRefused`] where nothing listens,
    /// [`io::ErrorKind::NotFound`] where the device is unplugged.
    fn dial(&self) -> io::Result<Box<dyn Wire>>;
}

impl<F: Fn() -> io::Result<Box<dyn Wire>> + Send + Sync> Dial for F {
    fn dial(&self) -> io::Result<Box<dyn Wire>> {
        self()
    }
}

/// A line within the program: its name, for messages, and who opens it.
///
/// Two are equal when they have one name and one dialler.
///
/// ```
/// use cresthold::instruments::link::{LinkSettings, Wire, Within};
/// let none = || Err(std::io::ErrorKind::ConnectionRefused.into());
/// let line = Within::new("load 1", none);
/// assert_eq!(LinkSettings::Within(line).to_string(), "load 1");
/// ```
#[derive(Clone)]
pub struct Within {
    name: String,
    dialler: Arc<dyn Dial>,
    /// How often it was opened.
    opened: Arc<AtomicU32>,
    by_messages: bool,
}

impl Within {
    /// A line of this name that `dialler` opens.
    #[must_use]
    pub fn new(name: &str, dialler: impl Dial + 'static) -> Self {
        Self {
            name: name.to_owned(),
            dialler: Arc::new(dialler),
            opened: Arc::default(),
            by_messages: false,
        }
    }

    /// The same where the line itself marks where messages end, as a USB-TMC device's does.
    #[must_use]
    pub fn by_messages(self) -> Self {
        Self { by_messages: true, ..self }
    }

    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    pub(super) fn dial(&self) -> io::Result<Box<dyn Wire>> {
        self.opened.fetch_add(1, Ordering::Relaxed);
        self.dialler.dial()
    }

    pub(super) const fn goes_by_messages(&self) -> bool {
        self.by_messages
    }

    pub(super) fn opened(&self) -> u32 {
        self.opened.load(Ordering::Relaxed)
    }
}

impl fmt::Debug for Within {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Within").field(&self.name).finish()
    }
}

impl PartialEq for Within {
    fn eq(&self, other: &Self) -> bool {
        self.name == other.name && Arc::ptr_eq(&self.dialler, &other.dialler)
    }
}

impl Eq for Within {}
