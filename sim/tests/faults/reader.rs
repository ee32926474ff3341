//! A reader that knows nothing but bytes.

use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

/// Longer than any reply takes here, on a machine however busy.
const PATIENCE: Duration = Duration::from_secs(20);
/// A line that is silent this long says nothing; a busy machine can only make the check weaker.
pub(crate) const SILENCE: Duration = Duration::from_millis(150);

/// How to reach an instrument.
pub(crate) enum Way {
    Socket(SocketAddr),
    Terminal(PathBuf),
}

/// A conversation.
pub(crate) struct Client {
    out: Box<dyn Write>,
    socket: Option<TcpStream>,
    bytes: Receiver<Vec<u8>>,
    waiting: Vec<u8>,
}

impl Way {
    pub(crate) fn connect(&self) -> std::io::Result<Client> {
        let (send, bytes) = channel();
        let (out, socket, mut input): (Box<dyn Write>, _, Box<dyn Read + Send>) = match self {
            Self::Socket(address) => {
                let stream = TcpStream::connect(address)?;
                (Box::new(stream.try_clone()?), Some(stream.try_clone()?), Box::new(stream))
            }
            Self::Terminal(path) => {
                let port: File = OpenOptions::new().read(true).write(true).open(path)?;
                (Box::new(port.try_clone()?), None, Box::new(port))
            }
        };
        std::thread::spawn(move || {
            let mut buffer = [0; 256];
            while let Ok(count) = input.read(&mut buffer) {
                if count == 0 || send.send(buffer[..count].to_vec()).is_err() {
                    return;
                }
            }
        });
        Ok(Client { out, socket, bytes, waiting: Vec::new() })
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        // The reading thread has a clone, which would keep the connection open.
        if let Some(socket) = &self.socket {
            let _ = socket.shutdown(std::net::Shutdown::Both);
        }
    }
}

impl Client {
    pub(crate) fn send(&mut self, bytes: &[u8]) {
        self.out.write_all(bytes).unwrap();
    }

    /// The next `count` bytes.
    pub(crate) fn take(&mut self, count: usize) -> Vec<u8> {
        while self.waiting.len() < count {
            self.waiting.extend(self.bytes.recv_timeout(PATIENCE).unwrap());
        }
        self.waiting.drain(..count).collect()
    }

    /// The next line, without its newline.
    pub(crate) fn line(&mut self) -> Vec<u8> {
        let mut line = Vec::new();
        loop {
            match self.take(1)[0] {
                b'\n' => return line,
                byte => line.push(byte),
            }
        }
    }

    /// Asks and takes the answer.
    pub(crate) fn ask(&mut self, message: &str) -> String {
        self.send(format!("{message}\n").as_bytes());
        String::from_utf8(self.line()).unwrap()
    }

    /// Says something that has no answer.
    pub(crate) fn say(&mut self, message: &str) {
        self.send(format!("{message}\n").as_bytes());
    }

    /// Nothing comes any more.
    pub(crate) fn is_silent(&mut self) -> bool {
        self.waiting.is_empty()
            && self.bytes.recv_timeout(SILENCE) == Err(RecvTimeoutError::Timeout)
    }

    /// The other side hangs up within the time there is.
    pub(crate) fn is_hung_up(&mut self) -> bool {
        let until = Instant::now() + PATIENCE;
        while Instant::now() < until {
            if self.bytes.recv_timeout(PATIENCE) == Err(RecvTimeoutError::Disconnected) {
                return true;
            }
        }
        false
    }
}
