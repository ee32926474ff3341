//! Where an instrument is to be found.

use super::Within;
use std::fmt;
use std::path::PathBuf;

/// Data bits of a serial line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DataBits {
    /// Seven.
    Seven,
    /// Eight, as nearly always.
    #[default]
    Eight,
}

/// Parity of a serial line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Parity {
    /// None, as nearly always.
    #[default]
    None,
    /// Odd.
    Odd,
    /// Even.
    Even,
}

/// Stop bits of a serial line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum StopBits {
    /// One, as nearly always.
    #[default]
    One,
    /// Two.
    Two,
}

/// Flow control of a serial line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FlowControl {
    /// None, as nearly always.
    #[default]
    None,
    /// XON and XOFF.
    Software,
    /// RTS and CTS.
    Hardware,
}

/// A serial line's settings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SerialSettings {
    /// The device's path, best one under /dev/serial/by-id or by-path: numbers change.
    pub path: PathBuf,
    /// Baud rate (bit/s, 50..=4 000 000 as the adapter allows).
    pub baud: u32,
    /// Data bits.
    pub data_bits: DataBits,
    /// Parity.
    pub parity: Parity,
    /// Stop bits.
    pub stop_bits: StopBits,
    /// Flow control.
    pub flow: FlowControl,
}

impl SerialSettings {
    /// `baud` bit/s, eight data bits, no parity, one stop bit, no flow control.
    #[must_use]
    pub fn new(path: impl Into<PathBuf>, baud: u32) -> Self {
        Self {
            path: path.into(),
            baud,
            data_bits: DataBits::default(),
            parity: Parity::default(),
            stop_bits: StopBits::default(),
            flow: FlowControl::default(),
        }
    }
}

/// Where an instrument is to be found. Its `Display` is the address that messages show.
///
/// ```
/// # use cresthold::instruments::link::{LinkSettings, SerialSettings};
/// let tcp = LinkSettings::Tcp { host: "load-1.site".into(), port: 5025 };
/// assert_eq!(tcp.to_string(), "load-1.site:5025");
/// let serial = LinkSettings::Serial(SerialSettings::new("/dev/ttyUSB0", 9600));
/// assert_eq!(serial.to_string(), "/dev/ttyUSB0");
/// ```
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkSettings {
    /// On a serial line, or a USB adapter that looks like one.
    Serial(SerialSettings),
    /// On a TCP socket.
    Tcp {
        /// Host name or address.
        host: String,
        /// Port; instruments listen on 5025 as a rule.
        port: u16,
    },
    /// On USB, by the test and measurement class (USB-TMC); the path of its character device.
    UsbTmc(PathBuf),
    /// Within the program, for trials in virtual time.
    Within(Within),
}

impl fmt::Display for LinkSettings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Serial(serial) => serial.path.display().fmt(f),
            Self::UsbTmc(path) => path.display().fmt(f),
            Self::Within(within) => f.write_str(within.name()),
            // An address with colons of its own needs brackets (RFC 3986, 3.2.2).
            Self::Tcp { host, port } if host.contains(':') => write!(f, "[{host}]:{port}"),
            Self::Tcp { host, port } => write!(f, "{host}:{port}"),
        }
    }
}
