//! Commissioning: what measurements on a real bench say about it, before a campaign begins.
//!
//! Model: the shell measures; this room judges. Readings, steps and times come in as values;
//! [`Check`]s go out, each with what was found, how sure that is, the limit, a verdict and, where it
//! is not passed, a [`Reason`] and a sentence that tells a person what to do. From the figures
//! follow a [`Proposal`] for the station file and a page to sign.
//!
//! Judged are only mistakes that electricity can tell apart. Two devices of one kind that changed
//! places as a whole, each with its load and supply, look right from here; the page says so and asks
//! a person to cover one and look.
//!
//! Rejected: correcting offsets and gains by what was found here (a calibration needs a reference
//! that a bench doesn't have), and a single overall score (it hides which wire is wrong).

pub mod boost;
mod check;
pub mod clock;
pub mod expect;
pub mod idle;
pub mod json;
pub mod loaded;
pub mod noise;
pub mod page;
pub mod propose;
pub mod ratings;
mod report;
pub mod sensors;
pub mod settling;
pub mod text;

pub use check::{Check, Figure, Reason, Verdict};
pub use expect::{Light, STEADY_LIGHT, Sheet};
pub use propose::Proposal;
pub use report::{ChannelPart, Commissioning, Outcome};
pub use sensors::SensorFound;
