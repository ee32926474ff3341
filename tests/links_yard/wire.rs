//! A line within the program, in the runtime's time: an instrument that is a value in memory, with
//! mishaps on its way.

use cresthold::instruments::link::{LinkSettings, Wire, Within};
use cresthold_sim::wire::fault::{Fate, LineFault};
use cresthold_sim::wire::instrument::Instrument;
use std::collections::VecDeque;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, Sleep, sleep_until};

/// One instrument and its line.
pub(crate) struct Desk {
    pub(crate) instrument: Box<dyn Instrument>,
    pub(crate) fault: Option<Box<dyn LineFault>>,
    /// The line can't be opened before this.
    pub(crate) refused_until: Instant,
    /// Every open line ends when this grows.
    pub(crate) cuts: u32,
    /// Messages carried out.
    pub(crate) handled: Vec<String>,
    busy_until: Instant,
}

/// Clones share the desk.
#[derive(Clone)]
pub(crate) struct SharedDesk(Arc<Mutex<Desk>>);

impl SharedDesk {
    /// Within a runtime, whose time it goes by.
    pub(crate) fn new(instrument: Box<dyn Instrument>) -> Self {
        Self(Arc::new(Mutex::new(Desk {
            instrument,
            fault: None,
            refused_until: Instant::now(),
            cuts: 0,
            handled: Vec::new(),
            busy_until: Instant::now(),
        })))
    }

    pub(crate) fn with<T>(&self, look: impl FnOnce(&mut Desk) -> T) -> T {
        look(&mut self.0.lock().unwrap())
    }

    pub(crate) fn settings(&self, name: &str) -> LinkSettings {
        let desk = self.clone();
        let dial = move || {
            let (cuts, until) = desk.with(|desk| (desk.cuts, desk.refused_until));
            if Instant::now() < until {
                return Err(io::ErrorKind::ConnectionRefused.into());
            }
            let (inbox, replies, timer) = (Vec::new(), VecDeque::new(), None);
            let wire = VirtualWire { desk: desk.clone(), cuts, inbox, replies, timer };
            Ok(Box::new(wire) as Box<dyn Wire>)
        };
        LinkSettings::Within(Within::new(name, dial))
    }
}

struct VirtualWire {
    desk: SharedDesk,
    cuts: u32,
    inbox: Vec<u8>,
    /// Replies on their way, and when they arrive.
    replies: VecDeque<(Instant, Vec<u8>)>,
    timer: Option<Pin<Box<Sleep>>>,
}

impl VirtualWire {
    fn is_cut(&self) -> bool {
        self.desk.with(|desk| desk.cuts != self.cuts)
    }

    fn carry_out(&mut self, message: &[u8]) {
        let reply = self.desk.with(|desk| {
            let mut reply = Vec::new();
            let busy = desk.instrument.handle(message, &mut reply);
            desk.handled.push(String::from_utf8_lossy(message).into_owned());
            desk.busy_until = desk.busy_until.max(Instant::now()) + busy;
            if reply.is_empty() {
                return None;
            }
            match desk.fault.as_mut().map_or(Fate::Sent, |fault| fault.meddle(&mut reply)) {
                Fate::Sent => {}
                Fate::Late(wait) => desk.busy_until += wait,
                Fate::Lost => return None,
            }
            Some((desk.busy_until, reply))
        });
        self.replies.extend(reply);
    }
}

impl AsyncWrite for VirtualWire {
    fn poll_write(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        if self.is_cut() {
            return Poll::Ready(Err(io::ErrorKind::BrokenPipe.into()));
        }
        self.inbox.extend_from_slice(bytes);
        while let Some(end) = self.inbox.iter().position(|byte| *byte == b'\n') {
            let message: Vec<u8> = self.inbox.drain(..=end).collect();
            if end > 0 {
                self.carry_out(&message[..end]);
            }
        }
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

impl AsyncRead for VirtualWire {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if self.is_cut() {
            return Poll::Ready(Ok(()));
        }
        let Some((due, reply)) = self.replies.pop_front() else { return Poll::Pending };
        if due <= Instant::now() {
            buffer.put_slice(&reply);
            return Poll::Ready(Ok(()));
        }
        self.replies.push_front((due, reply));
        let timer = self.timer.insert(Box::pin(sleep_until(due)));
        // It registers the waker; it can't be over yet.
        let _ = timer.as_mut().poll(context);
        Poll::Pending
    }
}
