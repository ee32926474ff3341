//! A line that is a stream of bytes: a TCP connection, or one within the program.

use super::error::Broken;
use super::within::{Wire, Within};
use super::{LinkError, LinkSettings, MAX_REPLY, OPEN_DEADLINE, check_stray, take_line};
use std::fmt;
use std::future::poll_fn;
use std::io;
use std::pin::Pin;
use std::task::Poll;
use std::time::Duration;
use tokio::io::{AsyncRead as _, AsyncReadExt as _, AsyncWriteExt as _, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout, timeout_at};

/// Bytes read at once.
const CHUNK: usize = 512;
/// How long closing in order may take.
const CLOSE_DEADLINE: Duration = Duration::from_secs(1);

pub(super) struct StreamLine {
    stream: Box<dyn Wire>,
    /// On TCP the same socket, to look into its buffer without the runtime's idea of readiness,
    /// which may be older than the bytes.
    direct: Option<std::net::TcpStream>,
    pending: Vec<u8>,
}

impl fmt::Debug for StreamLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("StreamLine").field("direct", &self.direct).finish_non_exhaustive()
    }
}

fn not_open(address: Box<str>, error: &io::Error) -> LinkError {
    match error.kind() {
        io::ErrorKind::ConnectionRefused => LinkError::Refused { address },
        io::ErrorKind::NotFound => LinkError::no_such_device(address),
        _ => LinkError::Unreachable { address, detail: error.to_string().into() },
    }
}

impl StreamLine {
    pub(super) async fn connect(host: &str, port: u16) -> Result<Self, LinkError> {
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
        let stream = Box::new(TcpStream::from_std(direct.try_clone()?)?);
        Ok(Self { stream, direct: Some(direct), pending: Vec::with_capacity(CHUNK) })
    }

    pub(super) fn dial(within: &Within) -> Result<Self, LinkError> {
        let dialled = within.dial().map_err(|error| not_open(within.name().into(), &error));
        Ok(Self { stream: dialled?, direct: None, pending: Vec::with_capacity(CHUNK) })
    }

    /// Takes in what has already arrived.
    async fn look(&mut self) -> Result<(), Broken> {
        let mut bytes = [0; CHUNK];
        while self.pending.len() <= MAX_REPLY {
            let read = match &mut self.direct {
                Some(socket) => io::Read::read(socket, &mut bytes),
                None => read_now(&mut self.stream, &mut bytes).await,
            };
            match read {
                Ok(0) => return Err(Broken::Closed),
                Ok(count) => self.pending.extend_from_slice(&bytes[..count]),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(()),
                Err(error) => return Err(error.into()),
            }
        }
        Ok(())
    }

    async fn receive(&mut self, deadline: Instant) -> Result<(), Broken> {
        let mut bytes = [0; CHUNK];
        match timeout_at(deadline, self.stream.read(&mut bytes)).await {
            Err(_) => Err(Broken::Deadline),
            Ok(Ok(0)) => Err(Broken::Closed),
            Ok(Ok(count)) => {
                self.pending.extend_from_slice(&bytes[..count]);
                Ok(())
            }
            Ok(Err(error)) => Err(error.into()),
        }
    }

    pub(super) async fn exchange(
        &mut self,
        out: &[u8],
        reply: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        self.look().await?;
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
        // It may be closed from the other side already, or never answer.
        let _ = timeout(CLOSE_DEADLINE, self.stream.shutdown()).await;
    }
}

/// One read that doesn't wait.
async fn read_now(stream: &mut Box<dyn Wire>, bytes: &mut [u8]) -> io::Result<usize> {
    poll_fn(|context| {
        let mut buffer = ReadBuf::new(bytes);
        Poll::Ready(match Pin::new(&mut *stream).poll_read(context, &mut buffer) {
            Poll::Pending => Err(io::ErrorKind::WouldBlock.into()),
            Poll::Ready(read) => read.map(|()| buffer.filled().len()),
        })
    })
    .await
}
