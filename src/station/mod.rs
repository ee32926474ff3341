//! What is to run: a TOML file in, a validated [`Station`] out.

mod problem;
mod spec;

pub use problem::{Problem, StationError};
pub use spec::{
    Address, BoostSpec, ChannelSpec, DaySource, DeviceSpec, Flow, LoadSpec, Mounting, Parity,
    PlantSpec, SensorSpec, Station,
};
