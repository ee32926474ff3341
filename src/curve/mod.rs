//! Current-voltage curves: what they say about a device, and how far that can be trusted.
//!
//! Model: a [`Curve`] is a validated list of points. [`parameters`] sums it up, [`fit`] finds the
//! single diode behind it, [`translate`] moves it to other conditions, [`quality`] grades it,
//! [`uncertainty`] says what the instruments leave open. Everything is a pure function of its
//! arguments: no clock, no file, and chance only from a seed. Text comes in and goes out as `&str`
//! and `String` ([`csv`]).
//!
//! Rejected: one function that does it all (each step has its own assumptions, which a reader must
//! be able to leave out), and models with more parameters than a curve fixes.

pub mod csv;
pub mod fit;
pub(crate) mod linear;
mod parameters;
mod points;
pub mod quality;
pub mod translate;
pub mod uncertainty;

pub use parameters::{
    Alternative, End, Method, Origin, Parameters, ParametersError, Window, efficiency,
    other_windows, parameters,
};
pub use points::{Conditions, Curve, CurveError, FEWEST_POINTS, Point, branches};
