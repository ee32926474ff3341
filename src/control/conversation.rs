//! The words between a channel and whoever carries its commands out.
//!
//! Model: one command at a time, each answered by its outcome: see
//! [`Channel`](super::Channel) for the contract.

use super::guard::Setpoint;
use super::record::Record;
use crate::quantities::{Amps, Volts};
use crate::time::Instant;
use arrayvec::ArrayVec;

/// The most commands one turn (a `Wake` or `Stop` and what follows from it) can ask for: measure,
/// boost on, measure, open setpoint, input on, first setpoint, and on a breach input off, boost off.
pub const MAX_COMMANDS_PER_TURN: usize = 8;

/// Records of one input: at most a sample, a minute, a day and a few events.
pub type Outbox = ArrayVec<Record, 12>;

/// What the channel asks the bench to do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Command {
    /// Open the links, prove them in step, identify the instruments, input off, boost off,
    /// constant-voltage mode, protections set and verified.
    Prepare,
    /// Measure load volts and amps (and boost volts, where possible) over one window.
    Measure,
    /// Set the load's voltage.
    SetVoltage(Setpoint),
    /// Let the load step by itself through the setpoints that [`Channel::list`](super::Channel::list)
    /// tells, each for the sweep's settling time and a measurement.
    RunList,
    /// Close the load's input.
    InputOn,
    /// Open the load's input.
    InputOff,
    /// Switch the boost supply on.
    BoostOn,
    /// Switch the boost supply off.
    BoostOff,
}

/// One measurement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The middle of the measurement window.
    pub at: Instant,
    /// Volts at the load's terminals.
    pub load: Volts,
    /// Amps through the loop.
    pub amps: Amps,
    /// Boost supply volts, where they are measured.
    pub boost: Option<Volts>,
}

/// What the load was doing when it was asked, before [`Command::Prepare`] made it safe.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Found {
    /// Whether its input was on; none where it could not be asked.
    pub input_on: Option<bool>,
    /// Volts at its terminals (V), where they were measured.
    pub load: Option<Volts>,
    /// Amps through the loop (A), where they were measured.
    pub amps: Option<Amps>,
}

/// What happened.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Input {
    /// The time of [`Channel::next_wake`](super::Channel::next_wake) has come.
    Wake,
    /// The command was carried out and verified. For [`Command::Prepare`] this says that nobody knows
    /// what the load was doing before.
    Done,
    /// [`Command::Prepare`] was carried out and verified; the load was found like this.
    Prepared(Found),
    /// The answer to [`Command::Measure`].
    Reading(Reading),
    /// The answer to [`Command::RunList`], one point after the other; [`Input::Done`] comes behind the
    /// last.
    Listed(Reading),
    /// The command failed: no answer, a wrong one, a wrong instrument.
    Failed,
    /// The run ends: let go and close the books.
    Stop,
}
