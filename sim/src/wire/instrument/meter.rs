//! A virtual multimeter: volts, ohms and degrees, each asked by its own query.

use super::{Commands, FrontEnd, find};
use crate::scpi::{Params, Pattern, Resolved, ResponseWriter, StandardError};
use std::time::Duration;

/// A virtual multimeter over any source of values.
pub type VirtualMeter = FrontEnd<MeterCommands>;

/// What a meter is asked to measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MeterFunction {
    /// `MEASure:VOLTage?` (V).
    Volts,
    /// `MEASure:RESistance?` and `MEASure:FRESistance?`, four wires (ohm).
    Ohms,
    /// `MEASure:TEMPerature?` (degC).
    Temperature,
}

const TABLE: [(Pattern, MeterFunction); 4] = [
    (Pattern("MEASure[:SCALar]:VOLTage[:DC]"), MeterFunction::Volts),
    (Pattern("MEASure[:SCALar]:RESistance"), MeterFunction::Ohms),
    (Pattern("MEASure[:SCALar]:FRESistance"), MeterFunction::Ohms),
    (Pattern("MEASure[:SCALar]:TEMPerature"), MeterFunction::Temperature),
];

/// Digits after the point: 0.1 uV, 0.1 uohm.
const DECIMALS: usize = 7;
/// How long a measurement takes: one mains cycle.
const WINDOW: Duration = Duration::from_millis(20);

/// What the meter measures. A value that is no number is answered as 9.91E37, as SCPI has it.
pub trait MeterPort: Send {
    /// The value in the function's unit; none where nothing of the kind is connected (error -240).
    fn measure(&mut self, what: MeterFunction) -> Option<f64>;
}

impl<F: FnMut(MeterFunction) -> Option<f64> + Send> MeterPort for F {
    fn measure(&mut self, what: MeterFunction) -> Option<f64> {
        self(what)
    }
}

/// The meter's own commands over what it measures.
pub struct MeterCommands {
    port: Box<dyn MeterPort>,
    identity: String,
    measured: u32,
}

impl std::fmt::Debug for MeterCommands {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("MeterCommands").field("identity", &self.identity).finish_non_exhaustive()
    }
}

impl FrontEnd<MeterCommands> {
    /// A meter that was just switched on; `identity` is its answer to `*IDN?`.
    #[must_use]
    pub fn meter(identity: &str, port: impl MeterPort + 'static) -> Self {
        let identity = identity.to_owned();
        Self::new(MeterCommands { port: Box::new(port), identity, measured: 0 })
    }
}

impl Commands for MeterCommands {
    fn identity(&self) -> &str {
        &self.identity
    }

    fn reset(&mut self) {}

    fn begin(&mut self) {
        self.measured = 0;
    }

    fn busy(&self) -> Duration {
        WINDOW * self.measured
    }

    fn execute(
        &mut self,
        header: &Resolved<'_>,
        params: Params<'_>,
        answer: &mut ResponseWriter<'_>,
    ) -> Result<(), StandardError> {
        let what = find(&TABLE, header)?;
        if !header.query {
            return Err(StandardError::UndefinedHeader);
        }
        params.none()?;
        let value = self.port.measure(what).ok_or(StandardError::HardwareError)?;
        self.measured += 1;
        answer.unit().nr2(value.into(), DECIMALS);
        Ok(())
    }
}
