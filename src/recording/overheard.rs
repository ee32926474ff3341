//! A channel somebody listens to.

use super::words::{Word, deeds};
use crate::control::{Channel, Command, Input, Outbox, Surroundings};
use crate::time::Stamp;
use std::ops::Deref;

/// Whoever takes words; it must neither wait nor allocate, since a device hangs on whoever tells them.
pub trait Listener {
    /// Takes a word.
    fn hear(&mut self, word: Word);
}

/// A channel whose every input and action is told to a listener, if there is one. It can be looked at
/// as a channel, and be told nothing that the listener does not hear.
#[derive(Debug)]
pub struct Overheard<L> {
    channel: Channel,
    listener: Option<L>,
}

impl<L> Deref for Overheard<L> {
    type Target = Channel;
    fn deref(&self) -> &Channel {
        &self.channel
    }
}

impl<L: Listener> Overheard<L> {
    /// `channel`, which has not been told anything yet.
    pub fn new(channel: Channel, listener: Option<L>) -> Self {
        Self { channel, listener }
    }

    /// As [`Channel::note_surroundings`].
    pub fn note_surroundings(&mut self, surroundings: Surroundings) {
        if let Some(listener) = &mut self.listener {
            listener.hear(Word::Around(surroundings));
        }
        self.channel.note_surroundings(surroundings);
    }

    /// As [`Channel::request_sweep`].
    pub fn request_sweep(&mut self) {
        if let Some(listener) = &mut self.listener {
            listener.hear(Word::SweepAsked);
        }
        self.channel.request_sweep();
    }

    /// As [`Channel::handle`].
    pub fn handle(&mut self, now: Stamp, input: Input, out: &mut Outbox) -> Option<Command> {
        let before = out.len();
        let command = self.channel.handle(now, input, out);
        if let Some(listener) = &mut self.listener {
            listener.hear(Word::Heard(now, input));
            deeds(&self.channel, command, &out[before..], |word| listener.hear(word));
        }
        command
    }
}
