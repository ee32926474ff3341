//! Servers: one instrument on one line, in a thread of its own.
//!
//! Model: the thread sleeps in `poll` until bytes come or the server is dropped, frames by newline
//! whatever the packets, and handles one message after the other, as an instrument does: while
//! it measures, or while a late reply is held back, further messages wait in the line's buffer.
//! Stopping closes one end of a socket pair that `poll` watches, so that nothing ticks.
//!
//! Rejected: an asynchronous runtime (this crate has none, and a thread that sleeps costs nothing).

mod line;
mod pty;
mod tcp;

pub use super::fault::LineControl;
pub use pty::PtyServer;
pub use tcp::TcpServer;

use std::io;
use std::path::PathBuf;

/// Why a virtual instrument can't be served.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The system gives no pseudo-terminal.
    #[error("no pseudo-terminal to be had ({source}); check that /dev/pts is mounted")]
    NoTerminal {
        /// What the system said.
        source: io::Error,
    },
    /// The name for the pseudo-terminal can't be made.
    #[error(
        "can't name the pseudo-terminal {path} ({source}); choose a path in a directory you own"
    )]
    NoName {
        /// The name asked for.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The TCP port can't be listened on.
    #[error("can't listen on 127.0.0.1:{port} ({source}); choose another port, or 0 for any")]
    NoSocket {
        /// The port asked for.
        port: u16,
        /// What the system said.
        source: io::Error,
    },
    /// The system gives no thread.
    #[error("can't start a thread for the instrument ({source})")]
    NoThread {
        /// What the system said.
        source: io::Error,
    },
}
