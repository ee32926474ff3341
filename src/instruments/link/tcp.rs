//! A TCP line.

use super::error::Broken;
use super::{LinkError, LinkSettings, OPEN_DEADLINE, check_stray, take_line};
use std::io;
use std::time::Duration;
use tokio::io::AsyncWriteExt as _;
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout, timeout_at};

/// Bytes read at once.
const CHUNK: usize = 512;

#[derive(Debug)]
pub(super) struct TcpLine {
    stream: TcpStream,
    /// The same socket, to look into its buffer without the runtime's idea of readiness, which may
    /// be older than the bytes.
    direct: std::net::TcpStream,
    pending: Vec<u8>,
}

fn not_open(address: Box<str>, error: &io::Error) -> LinkError {
    match error.kind() {
        io::ErrorKind::ConnectionRefused => LinkError::Refused { address },
        _ => LinkError::Unreachable { address, detail: error.to_string().into() },
    }
}

impl TcpLine {
    pub(super) async fn open(host: &str, port: u16) -> Result<Self, LinkError> {
        let settings = LinkSettings::Tcp { host: host.to_owned(), port };
        let address: Box<str> = settings.to_string().into();
        let stream = match timeout(OPEN_DEADLINE, TcpStream::connect((host, port))).await {
            Err(_) => return Err(LinkError::OpenDeadline { address }),
            Ok(Err(error)) => return Err(not_open(address, &error)),
            Ok(Ok(stream)) => stream,
        };
        Self::prepare(stream).map_err(|source| LinkError::NoRoom { address, source })
    }

    fn prepare(stream: TcpStream) -> io::Result<Self> {
        // Messages are short and each waits for its answer: holding them back only delays.
        stream.set_nodelay(true)?;
        let direct = stream.into_std()?;
        let stream = TcpStream::from_std(direct.try_clone()?)?;
        Ok(Self { stream, direct, pending: Vec::with_capacity(CHUNK) })
    }

    /// Takes in what has already arrived.
    fn look(&mut self) -> Result<(), Broken> {
        use std::io::Read as _;
        let mut bytes = [0; CHUNK];
        loop {
            match (&self.direct).read(&mut bytes) {
                Ok(0) => return Err(Broken::Closed),
                Ok(count) => self.pending.extend_from_slice(&bytes[..count]),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(()),
                Err(error) => return Err(error.into()),
            }
            if self.pending.len() > super::MAX_REPLY {
                return Ok(());
            }
        }
    }

    async fn receive(&mut self, deadline: Instant) -> Result<(), Broken> {
        let mut bytes = [0; CHUNK];
        loop {
            match timeout_at(deadline, self.stream.readable()).await {
                Err(_) => return Err(Broken::Deadline),
                Ok(ready) => ready?,
            }
            match self.stream.try_read(&mut bytes) {
                Ok(0) => return Err(Broken::Closed),
                Ok(count) => {
                    self.pending.extend_from_slice(&bytes[..count]);
                    return Ok(());
                }
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                Err(error) => return Err(error.into()),
            }
        }
    }

    pub(super) async fn exchange(
        &mut self,
        out: &[u8],
        reply: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        self.look()?;
        check_stray(&mut self.pending, reply)?;
        self.write(out, deadline).await?;
        self.read_line(reply, deadline).await
    }

    pub(super) async fn write(&mut self, out: &[u8], deadline: Instant) -> Result<(), Broken> {
        match timeout_at(deadline, self.stream.write_all(out)).await {
            Err(_) => Err(Broken::Deadline),
            Ok(written) => Ok(written?),
        }
    }

    pub(super) async fn read_line(
        &mut self,
        reply: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        while !take_line(&mut self.pending, reply)? {
            self.receive(deadline).await?;
        }
        Ok(())
    }

    /// Reads what comes next, whatever it is.
    pub(super) async fn receive_any(
        &mut self,
        bytes: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        bytes.clear();
        if self.pending.is_empty() {
            self.receive(deadline).await?;
        }
        bytes.append(&mut self.pending);
        Ok(())
    }

    pub(super) async fn drain(
        &mut self,
        silence: Duration,
        deadline: Instant,
    ) -> Result<(), Broken> {
        loop {
            self.pending.clear();
            let quiet = Instant::now() + silence;
            match self.receive(quiet).await {
                Err(Broken::Deadline) => return Ok(()),
                Ok(()) if Instant::now() < deadline => {}
                Ok(()) => return Err(Broken::NeverSilent),
                Err(broken) => return Err(broken),
            }
        }
    }

    pub(super) async fn close(mut self) {
        // It may be closed from the other side already.
        let _ = self.stream.shutdown().await;
    }
}
