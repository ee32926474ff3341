//! What both kinds of line share: framing, pausing, faults, sleeping until there is work.

use super::ServeError;
use crate::wire::fault::{Fate, LineControl};
use crate::wire::instrument::{Instrument, Message};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use std::io::{self, Read, Write};
use std::os::fd::{AsFd, BorrowedFd};
use std::os::unix::net::UnixStream;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Longest program message (bytes), room for a list of a hundred setpoints however written; a longer
/// one is thrown away with error -363.
const INPUT_BUFFER: usize = 4096;

/// Why a conversation ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ended {
    /// The server is being stopped.
    Stopped,
    /// The other side is gone.
    HungUp,
}

/// What a wait was ended by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Woken {
    Stopped,
    Ready,
    TimedOut,
}

/// The instrument at its line, as the serving thread holds it.
pub(super) struct Desk {
    instrument: Box<dyn Instrument>,
    control: LineControl,
    stop: UnixStream,
    message: Vec<u8>,
    reply: Vec<u8>,
    overrun: bool,
}

impl Desk {
    pub(super) fn new(
        instrument: Box<dyn Instrument>,
        control: LineControl,
        stop: UnixStream,
    ) -> Self {
        Self {
            instrument,
            control,
            stop,
            message: Vec::with_capacity(INPUT_BUFFER),
            reply: Vec::with_capacity(INPUT_BUFFER),
            overrun: false,
        }
    }

    pub(super) fn into_instrument(self) -> Box<dyn Instrument> {
        self.instrument
    }

    /// Sleeps until `line` is ready for `what`, the time is over, or the server stops.
    pub(super) fn wait(
        &self,
        line: Option<(BorrowedFd<'_>, PollFlags)>,
        limit: Option<Duration>,
    ) -> Woken {
        let until = limit.map(|limit| Instant::now() + limit);
        loop {
            let left = until.map(|until| until.saturating_duration_since(Instant::now()));
            let left = left.and_then(|left| Timespec::try_from(left).ok());
            let stop = PollFd::from_borrowed_fd(self.stop.as_fd(), PollFlags::IN);
            let ready = match line {
                Some((fd, what)) => {
                    let mut both = [stop, PollFd::from_borrowed_fd(fd, what)];
                    poll(&mut both, left.as_ref()).map(|_| [both[0].revents(), both[1].revents()])
                }
                None => {
                    let mut one = [stop];
                    poll(&mut one, left.as_ref()).map(|_| [one[0].revents(), PollFlags::empty()])
                }
            };
            match ready {
                Err(rustix::io::Errno::INTR) => {}
                Err(_) => return Woken::Stopped,
                Ok([stop, _]) if !stop.is_empty() => return Woken::Stopped,
                Ok([_, line]) if !line.is_empty() => return Woken::Ready,
                Ok(_) if until.is_some_and(|until| Instant::now() >= until) => {
                    return Woken::TimedOut;
                }
                Ok(_) => {}
            }
        }
    }

    /// Serves the line until it ends. `idle` is called about once in `tick` while nothing comes.
    pub(super) fn converse<L: Read + Write + AsFd>(
        &mut self,
        line: &mut L,
        tick: Option<Duration>,
        mut idle: impl FnMut(),
    ) -> Ended {
        let mut bytes = [0_u8; INPUT_BUFFER];
        self.message.clear();
        self.overrun = false;
        loop {
            match self.wait(Some((line.as_fd(), PollFlags::IN)), tick) {
                Woken::Stopped => return Ended::Stopped,
                Woken::TimedOut => {
                    idle();
                    continue;
                }
                Woken::Ready => {}
            }
            let count = match line.read(&mut bytes) {
                Ok(0) => return Ended::HungUp,
                Ok(count) => count,
                Err(error) if is_passing(&error) => continue,
                Err(_) => return Ended::HungUp,
            };
            if let Some(ended) = self.take(&bytes[..count], line) {
                return ended;
            }
        }
    }

    fn take<L: Read + Write + AsFd>(&mut self, bytes: &[u8], line: &mut L) -> Option<Ended> {
        if self.instrument.message(bytes) != Message::Line {
            return self.take_frames(bytes, line);
        }
        for byte in bytes {
            if self.control.is_paused() {
                self.message.clear();
                self.overrun = false;
                return None;
            }
            match byte {
                b'\n' if std::mem::take(&mut self.overrun) => self.instrument.overrun(),
                b'\n' => {
                    let ended = self.answer(line);
                    if ended.is_some() {
                        return ended;
                    }
                }
                _ if self.message.len() < INPUT_BUFFER && !self.overrun => self.message.push(*byte),
                _ => {
                    self.message.clear();
                    self.overrun = true;
                }
            }
        }
        None
    }

    /// The same for an instrument that tells its messages by their length.
    fn take_frames<L: Read + Write + AsFd>(&mut self, bytes: &[u8], line: &mut L) -> Option<Ended> {
        let mut waiting = std::mem::take(&mut self.message);
        waiting.extend_from_slice(bytes);
        while !waiting.is_empty() && !self.control.is_paused() {
            match self.instrument.message(&waiting) {
                Message::Noise(length) => {
                    waiting.drain(..length.min(waiting.len()));
                }
                Message::Frame(length) => {
                    self.message = waiting.drain(..length.min(waiting.len())).collect();
                    let ended = self.answer(line);
                    if ended.is_some() {
                        return ended;
                    }
                }
                Message::Line | Message::Unfinished => {
                    self.message = waiting;
                    return None;
                }
            }
        }
        None
    }

    fn answer<L: Read + Write + AsFd>(&mut self, line: &mut L) -> Option<Ended> {
        self.reply.clear();
        let busy = self.instrument.handle(&self.message, &mut self.reply);
        self.message.clear();
        self.control.count();
        let silent = self.reply.is_empty();
        let fate = if silent { Fate::Lost } else { self.control.fate(&mut self.reply) };
        let wait = if let Fate::Late(late) = fate { busy + late } else { busy };
        if self.wait(None, Some(wait)) == Woken::Stopped {
            return Some(Ended::Stopped);
        }
        if fate == Fate::Lost || self.control.is_paused() {
            return None;
        }
        self.send(line)
    }

    fn send<L: Read + Write + AsFd>(&self, line: &mut L) -> Option<Ended> {
        let mut rest = &self.reply[..];
        while !rest.is_empty() {
            match line.write(rest) {
                Ok(count) => rest = &rest[count..],
                Err(error) if is_passing(&error) => {
                    if self.wait(Some((line.as_fd(), PollFlags::OUT)), None) == Woken::Stopped {
                        return Some(Ended::Stopped);
                    }
                }
                Err(_) => return Some(Ended::HungUp),
            }
        }
        None
    }
}

fn is_passing(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted)
}

/// A serving thread, or its instrument while it is idle; stops and joins when dropped.
pub(super) struct Running {
    stop: Option<UnixStream>,
    thread: Option<JoinHandle<Desk>>,
    idle: Option<Box<dyn Instrument>>,
}

impl std::fmt::Debug for Running {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Running").field("idle", &self.is_idle()).finish_non_exhaustive()
    }
}

impl Running {
    pub(super) fn start(
        name: &str,
        instrument: Box<dyn Instrument>,
        control: LineControl,
        serve: impl FnOnce(&mut Desk) + Send + 'static,
    ) -> Result<Self, ServeError> {
        let (stop, watched) =
            UnixStream::pair().map_err(|source| ServeError::NoThread { source })?;
        let mut desk = Desk::new(instrument, control, watched);
        let thread = std::thread::Builder::new()
            .name(name.to_owned())
            .spawn(move || {
                serve(&mut desk);
                desk
            })
            .map_err(|source| ServeError::NoThread { source })?;
        Ok(Self { stop: Some(stop), thread: Some(thread), idle: None })
    }

    /// Stops the thread and keeps the instrument, unless the thread panicked.
    pub(super) fn pause(&mut self) {
        self.stop = None;
        if let Some(Ok(desk)) = self.thread.take().map(JoinHandle::join) {
            self.idle = Some(desk.into_instrument());
        }
    }

    /// Whether the instrument is kept here instead of served.
    pub(super) const fn is_idle(&self) -> bool {
        self.idle.is_some()
    }

    /// Stops the thread and gives the instrument back, unless it panicked.
    pub(super) fn stop(&mut self) -> Option<Box<dyn Instrument>> {
        self.pause();
        self.idle.take()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.pause();
    }
}
