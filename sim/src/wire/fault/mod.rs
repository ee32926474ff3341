//! Faults of the plant: of lines, of sensors, of loads and boost supplies.
//!
//! Model: a [`Fault`] says what happens, to which [`Victim`], when and for how long. A [`Player`]
//! is told the time and begins and ends the faults that are due; it has no clock and no thread, so
//! that the same faults happen to servers in real time and to a harness in virtual time. What a
//! fault does lies in small handles that anybody may pull at alone: [`LineControl`] for replies,
//! [`Line`] for connections, [`Sickness`] for sensors, [`Held`](super::instrument::Held) for the
//! instruments themselves. Front ends and readers are the same with and without faults.
//!
//! Faults of one kind of place (its replies, its connection, its power, ...) replace each other;
//! those of different places go on side by side.
//!
//! Rejected: faults as probabilities per message. What happened must be told and played again.

mod control;
mod kind;
mod player;
mod random;
mod reply;
mod sensor;
mod victim;

pub use control::LineControl;
pub use kind::{Fault, Lasting, Place, Role, Unfit, What};
pub use player::{Notice, Player};
pub use random::RandomFaults;
pub use reply::{Fate, LineFault, Mishap, Spell};
pub use sensor::{SensorFault, Sickness};
pub use victim::{Body, Line, Victim};
