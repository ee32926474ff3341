//! Lines within the program, in the runtime's time, each with the manners of its kind:
//!
//! - `Serial`: no connection. A port that dies takes the bytes on their way with it and answers
//!   with errors; while it is away its name is not found.
//! - `Tcp`: a connection that ends in order after what has arrived; away, it is refused.
//! - `Usb`: whole messages only. A question that comes before an answer was fetched discards it.

use cresthold::instruments::link::{LinkSettings, Wire, Within};
use cresthold_sim::wire::fault::{Fate, Line, LineControl};
use cresthold_sim::wire::instrument::{Instrument, Message};
use cresthold_sim::wire::serve::ServeError;
use std::collections::VecDeque;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, Sleep, sleep_until};

/// What kind of line it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Manner {
    Serial,
    Tcp,
    Usb,
}

struct Desk {
    instrument: Box<dyn Instrument>,
    /// Every open line ends when this grows.
    cuts: u32,
    away: bool,
    busy_until: Instant,
}

/// One instrument's line; clones are the same one.
#[derive(Clone)]
pub(crate) struct VirtualLine {
    manner: Manner,
    control: LineControl,
    desk: Arc<Mutex<Desk>>,
}

impl VirtualLine {
    /// Within a runtime, whose time it goes by.
    pub(crate) fn new(instrument: Box<dyn Instrument>, manner: Manner) -> Self {
        let desk = Desk { instrument, cuts: 0, away: false, busy_until: Instant::now() };
        Self { manner, control: LineControl::default(), desk: Arc::new(Mutex::new(desk)) }
    }

    fn with<T>(&self, look: impl FnOnce(&mut Desk) -> T) -> T {
        look(&mut self.desk.lock().unwrap())
    }

    /// Until when it works off what it was asked.
    pub(crate) fn busy_until(&self) -> Instant {
        self.with(|desk| desk.busy_until)
    }

    /// As the logger's links want it. Each time it is asked is a line of its own to them.
    pub(crate) fn settings(&self, name: &str) -> LinkSettings {
        let line = self.clone();
        let dial = move || {
            let (cuts, away) = line.with(|desk| (desk.cuts, desk.away));
            if away {
                return Err(match line.manner {
                    Manner::Tcp => io::ErrorKind::ConnectionRefused.into(),
                    Manner::Serial | Manner::Usb => io::ErrorKind::NotFound.into(),
                });
            }
            let (inbox, replies, timer) = (Vec::new(), VecDeque::new(), None);
            let wire = VirtualWire { line: line.clone(), cuts, inbox, replies, timer };
            Ok(Box::new(wire) as Box<dyn Wire>)
        };
        let within = Within::new(name, dial);
        LinkSettings::Within(match self.manner {
            Manner::Usb => within.by_messages(),
            Manner::Serial | Manner::Tcp => within,
        })
    }
}

impl Line for VirtualLine {
    fn control(&self) -> &LineControl {
        &self.control
    }

    fn hang_up(&mut self) -> Result<(), ServeError> {
        self.with(|desk| desk.cuts += 1);
        Ok(())
    }

    fn take_away(&mut self) {
        self.with(|desk| (desk.cuts, desk.away) = (desk.cuts + 1, true));
    }

    fn renumber(&mut self) -> Result<(), ServeError> {
        self.take_away();
        Ok(())
    }

    fn bring_back(&mut self) -> Result<(), ServeError> {
        self.with(|desk| desk.away = false);
        Ok(())
    }
}

struct VirtualWire {
    line: VirtualLine,
    cuts: u32,
    inbox: Vec<u8>,
    /// Replies on their way, and when they arrive.
    replies: VecDeque<(Instant, Vec<u8>)>,
    timer: Option<Pin<Box<Sleep>>>,
}

impl VirtualWire {
    fn is_cut(&self) -> bool {
        self.line.with(|desk| desk.cuts != self.cuts)
    }

    /// Takes the next whole message out of the inbox.
    fn next_message(&mut self) -> Option<Vec<u8>> {
        loop {
            if self.inbox.is_empty() {
                return None;
            }
            match self.line.with(|desk| desk.instrument.message(&self.inbox)) {
                Message::Line => {
                    let end = self.inbox.iter().position(|byte| *byte == b'\n')?;
                    let mut message: Vec<u8> = self.inbox.drain(..=end).collect();
                    message.pop();
                    if !message.is_empty() {
                        return Some(message);
                    }
                }
                Message::Frame(length) => return Some(self.inbox.drain(..length).collect()),
                Message::Noise(length) => drop(self.inbox.drain(..length)),
                Message::Unfinished => return None,
            }
        }
    }

    fn carry_out(&mut self, message: &[u8]) {
        let control = &self.line.control;
        let reply = self.line.with(|desk| {
            let mut reply = Vec::new();
            let busy = desk.instrument.handle(message, &mut reply);
            control.count();
            desk.busy_until = desk.busy_until.max(Instant::now()) + busy;
            if reply.is_empty() {
                return None;
            }
            match control.fate(&mut reply) {
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
        if self.line.manner == Manner::Usb {
            self.replies.clear();
        }
        self.inbox.extend_from_slice(bytes);
        while let Some(message) = self.next_message() {
            self.carry_out(&message);
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

/// How soon a waiting reader notices that its line was cut.
const NOTICE: std::time::Duration = std::time::Duration::from_millis(20);

impl AsyncRead for VirtualWire {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let now = Instant::now();
        let cut = self.is_cut();
        let arrived = self.replies.front().is_some_and(|(due, _)| *due <= now);
        if cut && self.line.manner != Manner::Tcp {
            return Poll::Ready(Err(io::ErrorKind::BrokenPipe.into()));
        }
        if arrived && let Some((_, reply)) = self.replies.pop_front() {
            buffer.put_slice(&reply);
            return Poll::Ready(Ok(()));
        }
        if cut {
            return Poll::Ready(Ok(()));
        }
        let until = self.replies.front().map_or(now + NOTICE, |(due, _)| (*due).min(now + NOTICE));
        let timer = self.timer.insert(Box::pin(sleep_until(until)));
        // It registers the waker; it can't be over yet.
        let _ = timer.as_mut().poll(context);
        Poll::Pending
    }
}
