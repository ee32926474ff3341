//! The pure core: a channel's state machine, the guard, the energy meter, the records.
//!
//! What this module must NOT do: open a socket, file or port; read a clock; start a thread; draw a
//! random number; allocate once it runs; know SQLite, tokio or the simulated bench. Time, readings
//! and outcomes come in as values; commands and records go out as values. The field daemon and the
//! studies drive the very same code.

pub mod record;
