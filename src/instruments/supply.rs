//! The boost supply.

use super::commands::SupplyCommands;
use super::error::InstrumentError;
use super::link::Link;
use super::session::{Session, Setting};
use crate::quantities::{Amps, Volts};
use std::time::Duration;

/// What a boost supply is to be and how it is to be prepared.
#[derive(Clone, Debug, PartialEq)]
pub struct SupplySetup {
    /// Its name in the station, for messages.
    pub name: String,
    /// What its identity must contain; take maker, model and serial number. Never empty.
    pub identity: String,
    /// Boost voltage (V, 0 or more).
    pub volts: Volts,
    /// Current limit (A, more than the device's largest current).
    pub limit: Amps,
    /// How exactly a voltage reads back (V, more than 0).
    pub volts_resolution: Volts,
    /// How exactly a current reads back (A, more than 0).
    pub amps_resolution: Amps,
    /// How long one exchange may take.
    pub deadline: Duration,
    /// Its words.
    pub commands: SupplyCommands,
}

/// A boost supply on its link.
///
/// Calling contract: [`Supply::prepare`] first, and again after any error.
#[derive(Debug)]
pub struct Supply {
    session: Session,
    setup: SupplySetup,
}

impl Supply {
    /// A supply on a link that was just opened.
    #[must_use]
    pub fn new(link: Link, setup: SupplySetup) -> Self {
        Self { session: Session::new(&setup.name, link, setup.deadline), setup }
    }

    /// Its link.
    #[must_use]
    pub const fn link(&self) -> &Link {
        &self.session.link
    }

    /// Its whole answer to who it is, once it was prepared; 80 characters at most.
    #[must_use]
    pub fn identity(&self) -> &str {
        self.session.identity()
    }

    /// Takes the link back, to close it.
    #[must_use]
    pub fn into_link(self) -> Link {
        self.session.link
    }

    /// Brings the supply into a known, safe state: link in step, identity as stated, output off,
    /// voltage and current limit set and read back, no errors.
    ///
    /// Nothing is set before the identity is known.
    ///
    /// # Errors
    /// [`InstrumentError`]; the output is off, or was not reached.
    pub async fn prepare(&mut self) -> Result<(), InstrumentError> {
        let Self { session, setup } = self;
        let words = &setup.commands;
        session.greet(&words.identify, &setup.identity, &words.clear).await?;
        session.switch(&words.output_off, &words.output, false).await?;
        if let Some(clear) = &words.clear_trip {
            session.tell(clear).await?;
        }
        session.set(volts_setting(setup), setup.volts.0).await?;
        session.set(limit_setting(setup), setup.limit.0).await?;
        session.settle(&words.complete, &words.next_error).await
    }

    /// Switches the output and makes sure of it. Before it goes on, voltage and limit are read once
    /// more: an instrument that was restarted, or set by hand, has others.
    ///
    /// # Errors
    /// [`InstrumentError`]; the output's state is not known.
    pub async fn output(&mut self, on: bool) -> Result<(), InstrumentError> {
        let Self { session, setup } = self;
        let words = &setup.commands;
        if on {
            session.reads(volts_setting(setup), setup.volts.0).await?;
            session.reads(limit_setting(setup), setup.limit.0).await?;
        }
        let command = if on { &words.output_on } else { &words.output_off };
        session.switch(command, &words.output, on).await
    }

    /// Measures voltage and current at the supply's terminals; one whose commands describe a status
    /// is asked for it as well.
    ///
    /// # Errors
    /// [`InstrumentError`]; infinity and "not a number" are errors, never numbers.
    pub async fn measure(&mut self) -> Result<(Volts, Amps), InstrumentError> {
        let measured = self.session.measure(&self.setup.commands.measure).await?;
        self.status().await?;
        Ok(measured)
    }

    /// Makes sure that neither limit nor protection has tripped, where the commands describe how to
    /// ask.
    ///
    /// # Errors
    /// [`InstrumentError::Tripped`] and those of an exchange.
    pub async fn status(&mut self) -> Result<(), InstrumentError> {
        match &self.setup.commands.status {
            Some(query) => self.session.watch(query).await,
            None => Ok(()),
        }
    }
}

fn volts_setting(setup: &SupplySetup) -> Setting<'_> {
    Setting {
        set: &setup.commands.set_volts,
        ask: &setup.commands.volts,
        resolution: setup.volts_resolution.0,
        unit: Volts::UNIT,
    }
}

fn limit_setting(setup: &SupplySetup) -> Setting<'_> {
    Setting {
        set: &setup.commands.set_limit,
        ask: &setup.commands.limit,
        resolution: setup.amps_resolution.0,
        unit: Amps::UNIT,
    }
}
