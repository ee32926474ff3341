//! What load and supply share: who they are, and one measurement for all queries of a message.

use super::MEASURED_DECIMALS;
use crate::scpi::{Pattern, ResponseWriter};
use crate::wire::Measured;
use std::time::Duration;

/// Volts or amps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Meter {
    Volts,
    Amps,
}

/// The patterns of the measuring queries, volts first.
pub(super) const MEASURE: [Pattern; 2] =
    [Pattern("MEASure[:SCALar]:VOLTage[:DC]"), Pattern("MEASure[:SCALar]:CURRent[:DC]")];

impl Meter {
    pub(super) fn answer(self, measured: &Measured, answer: &mut ResponseWriter<'_>) {
        let number = match self {
            Self::Volts => measured.volts.0,
            Self::Amps => measured.amps.0,
        };
        answer.nr2(number.into(), MEASURED_DECIMALS);
    }
}

/// An instrument's identity and what it measured for the message at hand.
#[derive(Debug)]
pub(super) struct Measuring {
    pub(super) identity: String,
    measured: Option<Measured>,
    busy: Duration,
}

impl Measuring {
    pub(super) fn new(identity: &str) -> Self {
        Self { identity: identity.to_owned(), measured: None, busy: Duration::ZERO }
    }

    /// A message begins.
    pub(super) fn begin(&mut self) {
        self.measured = None;
        self.busy = Duration::ZERO;
    }

    /// How long the message's measurements took.
    pub(super) fn busy(&self) -> Duration {
        self.busy
    }

    /// Something else took this long.
    pub(super) fn take(&mut self, time: Duration) {
        self.busy += time;
    }

    /// Answers from the message's measurement, made now if it is the first query.
    pub(super) fn answer(
        &mut self,
        meter: Meter,
        measure: impl FnOnce() -> Measured,
        answer: &mut ResponseWriter<'_>,
    ) {
        let measured = match self.measured {
            Some(measured) => measured,
            None => {
                let measured = measure();
                self.busy += measured.takes;
                *self.measured.insert(measured)
            }
        };
        meter.answer(&measured, answer.unit());
    }
}
