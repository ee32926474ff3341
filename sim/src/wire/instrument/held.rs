//! A front end that can be pulled at from outside while a line serves it.

use super::{Commands, FrontEnd, Instrument, LoadCommands, SupplyCommands};
use crate::scpi::StandardError;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// An instrument that several hold: the lines that serve it, and whoever pulls its plug. Clones
/// hold the same one; a message is carried out as a whole before anybody else gets at it.
#[derive(Debug)]
pub struct Held<C>(Arc<Mutex<FrontEnd<C>>>);

impl<C> Clone for Held<C> {
    fn clone(&self) -> Self {
        Self(Arc::clone(&self.0))
    }
}

impl<C: Commands> Held<C> {
    /// Takes hold of a front end.
    #[must_use]
    pub fn new(front_end: FrontEnd<C>) -> Self {
        Self(Arc::new(Mutex::new(front_end)))
    }

    /// Switches its power: see [`FrontEnd::power`].
    pub fn power(&self, on: bool) {
        self.hold().power(on);
    }

    // A message that panicked leaves settings that are whole: each is a plain assignment.
    fn hold(&self) -> MutexGuard<'_, FrontEnd<C>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Held<LoadCommands> {
    /// Lets the input go off by itself, with error -300 in the queue. Where the cause is `lasting`
    /// the input can't be switched on (error -240) until [`Held::untrip`].
    pub fn trip(&self, lasting: bool) {
        let mut load = self.hold();
        load.commands.trip(lasting);
        load.status.report(StandardError::DeviceSpecificError);
    }

    /// Takes the cause of a trip away; the input stays off until it is switched on.
    pub fn untrip(&self) {
        self.hold().commands.untrip();
    }
}

impl Held<SupplyCommands> {
    /// Lets the voltage fall to nothing while the output stays on, or ends that.
    pub fn collapse(&self, collapsed: bool) {
        self.hold().commands.collapse(collapsed);
    }
}

impl<C: Commands> Instrument for Held<C> {
    fn handle(&mut self, message: &[u8], reply: &mut Vec<u8>) -> Duration {
        self.hold().handle(message, reply)
    }

    fn overrun(&mut self) {
        self.hold().overrun();
    }
}
