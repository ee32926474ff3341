//! The words that operations are made of; the defaults are SCPI-1999 and IEEE 488.2 throughout.
//!
//! Model: setting a value is a header, a blank and the number; asking for it is a message. Everything
//! is text, so that an instrument with words of its own needs a description and no code.

use std::borrow::Cow;

/// Words that are `'static` by default and owned when they come from a file.
type Words = Cow<'static, str>;

/// A load's commands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LoadCommands {
    /// Asks who it is.
    pub identify: Words,
    /// Clears status and errors.
    pub clear: Words,
    /// Asks for the oldest error.
    pub next_error: Words,
    /// Asks whether everything sent before has been carried out; answers 1.
    pub complete: Words,
    /// Input on.
    pub input_on: Words,
    /// Input off.
    pub input_off: Words,
    /// Asks whether the input is on; answers 1 or 0.
    pub input: Words,
    /// Chooses constant voltage.
    pub constant_voltage: Words,
    /// Asks for the mode.
    pub mode: Words,
    /// What the mode's query answers in constant voltage.
    pub mode_answer: Words,
    /// Header that sets the voltage (V).
    pub set_volts: Words,
    /// Asks for the voltage setpoint (V).
    pub volts: Words,
    /// Header that sets the current protection (A).
    pub set_protection: Words,
    /// Asks for the current protection (A).
    pub protection: Words,
    /// Asks for voltage and current of one measurement; answers `V;A`.
    pub measure: Words,
}

impl Default for LoadCommands {
    fn default() -> Self {
        Self {
            identify: "*IDN?".into(),
            clear: "*CLS".into(),
            next_error: "SYST:ERR?".into(),
            complete: "*OPC?".into(),
            input_on: "INP ON".into(),
            input_off: "INP OFF".into(),
            input: "INP?".into(),
            constant_voltage: "FUNC:MODE VOLT".into(),
            mode: "FUNC:MODE?".into(),
            mode_answer: "VOLT".into(),
            set_volts: "VOLT".into(),
            volts: "VOLT?".into(),
            set_protection: "CURR:PROT".into(),
            protection: "CURR:PROT?".into(),
            measure: "MEAS:VOLT?;CURR?".into(),
        }
    }
}

/// A boost supply's commands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SupplyCommands {
    /// Asks who it is.
    pub identify: Words,
    /// Clears status and errors.
    pub clear: Words,
    /// Asks for the oldest error.
    pub next_error: Words,
    /// Asks whether everything sent before has been carried out; answers 1.
    pub complete: Words,
    /// Output on.
    pub output_on: Words,
    /// Output off.
    pub output_off: Words,
    /// Asks whether the output is on; answers 1 or 0.
    pub output: Words,
    /// Header that sets the voltage (V).
    pub set_volts: Words,
    /// Asks for the voltage setpoint (V).
    pub volts: Words,
    /// Header that sets the current limit (A).
    pub set_limit: Words,
    /// Asks for the current limit (A).
    pub limit: Words,
    /// Asks for voltage and current; answers `V;A`.
    pub measure: Words,
}

impl Default for SupplyCommands {
    fn default() -> Self {
        Self {
            identify: "*IDN?".into(),
            clear: "*CLS".into(),
            next_error: "SYST:ERR?".into(),
            complete: "*OPC?".into(),
            output_on: "OUTP ON".into(),
            output_off: "OUTP OFF".into(),
            output: "OUTP?".into(),
            set_volts: "VOLT".into(),
            volts: "VOLT?".into(),
            set_limit: "CURR".into(),
            limit: "CURR?".into(),
            measure: "MEAS:VOLT?;CURR?".into(),
        }
    }
}
