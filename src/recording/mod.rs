//! What a channel's controller heard and did, as text, and the same once more.
//!
//! Model: a [`Channel`](crate::control::Channel) is a pure function of what it is told, in the order in
//! which it is told it. So a [`Word`] for each thing that it was told (surroundings, a request for a
//! sweep, an input with its time) and for each thing that came of it (the command, the next wake, the
//! records) is a whole account of a campaign. [`Scribe`] makes lines of words; [`Recording`] reads
//! them; [`replay`] builds the channel from the station's text, which stands at the head of the
//! recording, tells it the same, and compares all that comes of it.
//!
//! A line is a seal, a space, and words:
//!
//! ```text
//! 5c8ab1a9 around irradiance=812.43@12000000000 sun=41.2@9000000000
//! 94ee0b21 heard 12003400000 1465984812003400 reading 11990000000 30.12 5.21 6.003
//! 1f09c3d7 told Sample(Sample { channel: ChannelId(0), ...
//! d0be7f35 did 12100000000 SetVoltage(Setpoint { device: Volts(24.4), ...
//! ```
//!
//! - Times are nanoseconds of the run and microseconds of UTC. Numbers are the shortest text that
//!   gives the same bits. `around` tells only what is not as before.
//! - What was done is told in the form that the program's own types print themselves, so that no field
//!   of a record can be forgotten. It is compared as text and never read back.
//! - `did` closes what began with `heard`. A recording that breaks off in between, or in the middle of
//!   a line, as a power cut leaves it, ends before that.
//! - The seal goes on from line to line, so that a line that was changed, lost or moved is found there,
//!   and not as a controller that acted differently later on.
//!
//! Rejected: keeping the controller's state now and then (a campaign could be entered in the middle,
//! but every field would become a promise of the format); inputs without actions (a difference would
//! be told by its result only, long after); compressing (what a power cut leaves must be readable to
//! its last line, and files that are over can be compressed by any tool).

mod overheard;
mod read;
mod replay;
mod seal;
mod words;
mod write;

pub use overheard::{Listener, Overheard};
pub use read::{End, Header, ReadError, Recording};
pub use replay::{Difference, ReplayError, Replayed, replay};
pub use words::Word;
pub use write::Scribe;

/// The format's number. It changes with every change that a reader of the one before can't take.
pub const FORMAT: u32 = 1;

/// What the first line says, before the format's number.
const TITLE: &str = "cresthold recording";

/// This program, and what it runs on: the last bit of a logarithm may be another elsewhere.
#[must_use]
pub fn program() -> String {
    let (arch, os) = (std::env::consts::ARCH, std::env::consts::OS);
    format!("{} {arch} {os}", env!("CARGO_PKG_VERSION"))
}
