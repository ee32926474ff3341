//! The plant as judges see it: lines within the program, what truly was at every measurement, and how
//! far a right value may lie from that.

#![allow(dead_code, reason = "each test binary uses its own part")]

pub(crate) mod exactness;
pub(crate) mod sensors;
pub(crate) mod wire;
pub(crate) mod witness;
