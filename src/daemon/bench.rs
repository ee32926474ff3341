//! From a channel's station file to its bench: addresses into links, specifications into setups.

use crate::instruments::link::{
    DataBits, FlowControl, LinkSettings, Parity, SerialSettings, StopBits,
};
use crate::instruments::{BenchSetup, LoadSetup, SupplySetup};
use crate::quantities::{Amps, Volts};
use crate::station::{self, Address, BoostSpec, ChannelSpec};

/// An instrument whose reading resolution the station doesn't state reads back within this (V, A).
const READ_BACK: f64 = 0.01;

/// How an address becomes a line: [`link`], unless somebody has lines of their own.
pub type Lines = dyn Fn(&Address) -> Option<LinkSettings>;

/// The bench that a channel's station file describes; none where it is on the plant.
#[must_use]
pub fn bench_setup(spec: &ChannelSpec, lines: &Lines) -> Option<BenchSetup> {
    let load = (lines(&spec.load.address)?, load_setup(spec));
    let boost = spec
        .boost
        .as_ref()
        .and_then(|boost| Some((lines(boost.address.as_ref()?)?, supply_setup(spec, boost))));
    let boost_measured = spec.boost.as_ref().is_some_and(|boost| boost.measured);
    Some(BenchSetup { load, boost, boost_measured })
}

/// How a channel's load is to be set up.
#[must_use]
pub fn load_setup(spec: &ChannelSpec) -> LoadSetup {
    LoadSetup {
        name: format!("{} load", spec.name),
        identity: spec.load.identity.clone().unwrap_or_default(),
        protection: spec.load.current_protection,
        range: spec.load.range,
        window: spec.load.window,
        start: spec.control.envelope.load_volts_max,
        volts_resolution: spec.load.resolution_volts.max(Volts(READ_BACK)),
        amps_resolution: spec.load.resolution_amps.max(Amps(READ_BACK)),
        deadline: spec.load.deadline,
        commands: spec.load.commands.clone(),
    }
}

/// How a channel's boost supply is to be set up.
#[must_use]
pub fn supply_setup(spec: &ChannelSpec, boost: &BoostSpec) -> SupplySetup {
    SupplySetup {
        name: format!("{} boost supply", spec.name),
        identity: boost.identity.clone().unwrap_or_default(),
        volts: boost.volts,
        limit: boost.amps,
        volts_resolution: Volts(READ_BACK),
        amps_resolution: Amps(READ_BACK),
        deadline: spec.load.deadline,
        commands: boost.commands.clone(),
    }
}

/// A station's address as a link's settings; none for the plant.
#[must_use]
pub fn link(address: &Address) -> Option<LinkSettings> {
    match address {
        Address::Plant => None,
        Address::Tcp { host, port } => Some(LinkSettings::Tcp { host: host.clone(), port: *port }),
        Address::UsbTmc { path } => Some(LinkSettings::UsbTmc(path.clone())),
        Address::Serial { path, baud, data_bits, parity, stop_bits, flow } => {
            Some(LinkSettings::Serial(SerialSettings {
                data_bits: if *data_bits == 7 { DataBits::Seven } else { DataBits::Eight },
                parity: match parity {
                    station::Parity::None => Parity::None,
                    station::Parity::Even => Parity::Even,
                    station::Parity::Odd => Parity::Odd,
                },
                stop_bits: if *stop_bits == 2 { StopBits::Two } else { StopBits::One },
                flow: match flow {
                    station::Flow::None => FlowControl::None,
                    station::Flow::Software => FlowControl::Software,
                    station::Flow::Hardware => FlowControl::Hardware,
                },
                ..SerialSettings::new(path, *baud)
            }))
        }
    }
}
