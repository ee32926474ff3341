//! The electronic load.

use super::commands::LoadCommands;
use super::error::InstrumentError;
use super::link::Link;
use super::session::{Session, Setting};
use crate::quantities::{Amps, Volts};
use std::time::Duration;

/// What a load is to be and how it is to be prepared.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadSetup {
    /// Its name in the station, for messages.
    pub name: String,
    /// What its identity must contain; take maker, model and serial number. Never empty.
    pub identity: String,
    /// Current protection (A, more than 0).
    pub protection: Amps,
    /// The setpoint it is prepared with (V): high, where the device delivers nothing.
    pub start: Volts,
    /// How exactly a voltage reads back (V, more than 0).
    pub volts_resolution: Volts,
    /// How exactly a current reads back (A, more than 0).
    pub amps_resolution: Amps,
    /// How long one exchange may take.
    pub deadline: Duration,
    /// Its words.
    pub commands: LoadCommands,
}

/// A load on its link.
///
/// Calling contract: [`Load::prepare`] first, and again after any error; each operation is one or
/// a few exchanges, each within the setup's deadline.
#[derive(Debug)]
pub struct Load {
    session: Session,
    setup: LoadSetup,
}

impl Load {
    /// A load on a link that was just opened.
    #[must_use]
    pub fn new(link: Link, setup: LoadSetup) -> Self {
        Self { session: Session::new(&setup.name, link, setup.deadline), setup }
    }

    /// Its link.
    #[must_use]
    pub const fn link(&self) -> &Link {
        &self.session.link
    }

    /// Takes the link back, to close it.
    #[must_use]
    pub fn into_link(self) -> Link {
        self.session.link
    }

    /// Brings the load into a known, safe state: link in step, identity as stated, input off,
    /// constant voltage, protection and start setpoint set and read back, no errors.
    ///
    /// Nothing is set before the identity is known.
    ///
    /// # Errors
    /// [`InstrumentError`]; the input is off, or was not reached.
    pub async fn prepare(&mut self) -> Result<(), InstrumentError> {
        let Self { session, setup } = self;
        let words = &setup.commands;
        session.greet(&words.identify, &setup.identity, &words.clear).await?;
        session.switch(&words.input_off, &words.input, false).await?;
        session.choose(&words.constant_voltage, &words.mode, &words.mode_answer).await?;
        let protection = Setting {
            header: &words.set_protection,
            query: &words.protection,
            resolution: setup.amps_resolution.0,
            unit: Amps::UNIT,
        };
        session.set(protection, setup.protection.0).await?;
        session.set(volts_setting(setup), setup.start.0).await?;
        session.settle(&words.complete, &words.next_error).await
    }

    /// Sets the voltage at the load's terminals and makes sure that it reads back.
    ///
    /// # Errors
    /// [`InstrumentError`]; the load keeps its former setpoint, or the new one unconfirmed.
    pub async fn set_volts(&mut self, volts: Volts) -> Result<(), InstrumentError> {
        self.session.set(volts_setting(&self.setup), volts.0).await
    }

    /// Closes or opens the input and makes sure of it.
    ///
    /// # Errors
    /// [`InstrumentError`]; the input's state is not known.
    pub async fn input(&mut self, on: bool) -> Result<(), InstrumentError> {
        let words = &self.setup.commands;
        let command = if on { &words.input_on } else { &words.input_off };
        self.session.switch(command, &words.input, on).await
    }

    /// Measures voltage and current at the load's terminals, in one message so that they belong
    /// together.
    ///
    /// # Errors
    /// [`InstrumentError`]; infinity and "not a number" are errors, never numbers.
    pub async fn measure(&mut self) -> Result<(Volts, Amps), InstrumentError> {
        self.session.measure(&self.setup.commands.measure).await
    }
}

fn volts_setting(setup: &LoadSetup) -> Setting<'_> {
    Setting {
        header: &setup.commands.set_volts,
        query: &setup.commands.volts,
        resolution: setup.volts_resolution.0,
        unit: Volts::UNIT,
    }
}
