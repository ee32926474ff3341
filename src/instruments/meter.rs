//! A meter that measures for a sensor: asked in words that the station states.

use super::error::InstrumentError;
use super::link::Link;
use super::session::Session;
use std::time::Duration;

/// IEEE 488.2's words, which every such meter knows.
const IDENTIFY: &str = "*IDN?";
/// See [`IDENTIFY`].
const CLEAR: &str = "*CLS";

/// What a meter is to be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MeterSetup {
    /// Its name in the station, for messages.
    pub name: String,
    /// What its identity must contain. Never empty.
    pub identity: String,
    /// How long one exchange may take; a measurement over many mains cycles takes seconds.
    pub deadline: Duration,
}

/// A meter on its link.
///
/// Calling contract: [`Meter::prepare`] first, and again after any error.
#[derive(Debug)]
pub struct Meter {
    session: Session,
    setup: MeterSetup,
}

impl Meter {
    /// A meter on a link that was just opened.
    #[must_use]
    pub fn new(link: Link, setup: MeterSetup) -> Self {
        Self { session: Session::new(&setup.name, link, setup.deadline), setup }
    }

    /// Takes the link back, to close it.
    #[must_use]
    pub fn into_link(self) -> Link {
        self.session.link
    }

    /// Brings the link into step and makes sure of the identity. Nothing of the meter is set.
    ///
    /// # Errors
    /// [`InstrumentError`].
    pub async fn prepare(&mut self) -> Result<(), InstrumentError> {
        self.session.greet(IDENTIFY, &self.setup.identity, CLEAR).await
    }

    /// Asks `query`, such as `MEAS:VOLT?`, and reads the number that answers.
    ///
    /// # Errors
    /// [`InstrumentError`]; infinity and "not a number" are errors, never numbers.
    pub async fn read(&mut self, query: &str) -> Result<f64, InstrumentError> {
        self.session.value(query).await
    }
}
