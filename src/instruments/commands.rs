//! The command sets of loads and boost supplies; the defaults are SCPI-1999 and IEEE 488.2.
//!
//! Model: an operation is one message or query of [`words`](super::words), and a station file may
//! replace any. Operations that not every instrument has are optional: without a description they
//! are emulated (see [`Load`](super::Load)).

use super::words::{
    MeasureQuery, NumberQuery, StatusQuery, SwitchQuery, Template, WordQuery, Words,
};

/// Most points that a list may hold unless stated: 100 values of ten characters fit a reply.
pub const LIST_POINTS: usize = 100;

/// A load's commands.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadCommands {
    /// Asks who it is.
    pub identify: Words,
    /// Clears status and errors.
    pub clear: Words,
    /// Asks for the oldest error.
    pub next_error: Words,
    /// Asks whether everything sent before has been carried out; answers 1.
    pub complete: WordQuery,
    /// Input on.
    pub input_on: Words,
    /// Input off.
    pub input_off: Words,
    /// Asks whether the input is on.
    pub input: SwitchQuery,
    /// Chooses constant voltage.
    pub constant_voltage: Words,
    /// Asks for the mode.
    pub mode: WordQuery,
    /// Sets the voltage (V).
    pub set_volts: Template,
    /// Asks for the voltage setpoint (V).
    pub volts: NumberQuery,
    /// Sets the current protection (A).
    pub set_protection: Template,
    /// Asks for the current protection (A).
    pub protection: NumberQuery,
    /// Asks for voltage and current of one measurement.
    pub measure: MeasureQuery,
    /// Asks whether a protection has tripped; none: not asked.
    pub status: Option<StatusQuery>,
    /// Lets go of a protection that tripped; none: switching the input off does.
    pub clear_trip: Option<Words>,
    /// The averaging time of a measurement (s); none: means of several measurements stand in.
    pub averaging: Option<SetAndAsk>,
    /// The current range (A); none: it can't be changed.
    pub range: Option<SetAndAsk>,
    /// Voltages that the load steps through by itself; none: they are set and measured one by one.
    pub list: Option<ListCommands>,
}

/// A setting that an instrument may not have.
#[derive(Clone, Debug, PartialEq)]
pub struct SetAndAsk {
    /// Sets it.
    pub set: Template,
    /// Asks for it.
    pub ask: NumberQuery,
}

impl SetAndAsk {
    /// The words of an averaging time.
    #[must_use]
    pub const fn aperture() -> Self {
        Self { set: Template::behind("SENS:APER "), ask: NumberQuery::plain("SENS:APER?") }
    }

    /// The words of a current range.
    #[must_use]
    pub const fn current_range() -> Self {
        Self { set: Template::behind("CURR:RANG "), ask: NumberQuery::plain("CURR:RANG?") }
    }
}

/// A list of voltages that the load runs by itself, measuring at the end of each dwell time.
#[derive(Clone, Debug, PartialEq)]
pub struct ListCommands {
    /// Sets the voltages (V), between commas.
    pub set_volts: Template,
    /// Sets the time at each voltage (s).
    pub set_dwell: Template,
    /// Starts.
    pub start: Words,
    /// Ends, after the results were fetched; none: it ends by itself.
    pub stop: Option<Words>,
    /// Asks for the measured voltages, an array.
    pub volts: NumberQuery,
    /// Asks for the measured currents, an array.
    pub amps: NumberQuery,
    /// Most voltages of one list; longer ones are run in pieces.
    pub longest: usize,
}

impl Default for ListCommands {
    fn default() -> Self {
        Self {
            set_volts: Template::behind("LIST:VOLT "),
            set_dwell: Template::behind("LIST:DWEL "),
            start: "LIST:STAT ON".into(),
            stop: None,
            volts: NumberQuery::plain("FETC:ARR:VOLT?"),
            amps: NumberQuery::plain("FETC:ARR:CURR?"),
            longest: LIST_POINTS,
        }
    }
}

impl Default for LoadCommands {
    fn default() -> Self {
        Self {
            identify: "*IDN?".into(),
            clear: "*CLS".into(),
            next_error: "SYST:ERR?".into(),
            complete: WordQuery::plain("*OPC?", "1"),
            input_on: "INP ON".into(),
            input_off: "INP OFF".into(),
            input: SwitchQuery::plain("INP?"),
            constant_voltage: "FUNC:MODE VOLT".into(),
            mode: WordQuery::plain("FUNC:MODE?", "VOLT"),
            set_volts: Template::behind("VOLT "),
            volts: NumberQuery::plain("VOLT?"),
            set_protection: Template::behind("CURR:PROT "),
            protection: NumberQuery::plain("CURR:PROT?"),
            measure: MeasureQuery::plain("MEAS:VOLT?;CURR?"),
            status: None,
            clear_trip: None,
            averaging: None,
            range: None,
            list: None,
        }
    }
}

/// A boost supply's commands.
#[derive(Clone, Debug, PartialEq)]
pub struct SupplyCommands {
    /// Asks who it is.
    pub identify: Words,
    /// Clears status and errors.
    pub clear: Words,
    /// Asks for the oldest error.
    pub next_error: Words,
    /// Asks whether everything sent before has been carried out; answers 1.
    pub complete: WordQuery,
    /// Output on.
    pub output_on: Words,
    /// Output off.
    pub output_off: Words,
    /// Asks whether the output is on.
    pub output: SwitchQuery,
    /// Sets the voltage (V).
    pub set_volts: Template,
    /// Asks for the voltage setpoint (V).
    pub volts: NumberQuery,
    /// Sets the current limit (A).
    pub set_limit: Template,
    /// Asks for the current limit (A).
    pub limit: NumberQuery,
    /// Asks for voltage and current.
    pub measure: MeasureQuery,
    /// Asks whether the limit or a protection has tripped; none: not asked.
    pub status: Option<StatusQuery>,
    /// Lets go of a protection that tripped; none: switching the output off does.
    pub clear_trip: Option<Words>,
}

impl Default for SupplyCommands {
    fn default() -> Self {
        Self {
            identify: "*IDN?".into(),
            clear: "*CLS".into(),
            next_error: "SYST:ERR?".into(),
            complete: WordQuery::plain("*OPC?", "1"),
            output_on: "OUTP ON".into(),
            output_off: "OUTP OFF".into(),
            output: SwitchQuery::plain("OUTP?"),
            set_volts: Template::behind("VOLT "),
            volts: NumberQuery::plain("VOLT?"),
            set_limit: Template::behind("CURR "),
            limit: NumberQuery::plain("CURR?"),
            measure: MeasureQuery::plain("MEAS:VOLT?;CURR?"),
            status: None,
            clear_trip: None,
        }
    }
}
