//! The volts and amps to expect along a channel's loop, and whether they fit what is stated.
//!
//! Model: the device's data sheet gives open circuit, crest and short circuit at 1000 W/m2 and
//! 25 degC. Its current goes with the irradiance and its open-circuit voltage with the temperature,
//! both in a straight line; that is how IEC 60891 moves single points (from memory), and more than
//! a rating needs. Volts along the loop come from [`SeriesPath`] alone.

use crate::control::SeriesPath;
use crate::quantities::{Amps, Celsius, STC_TEMPERATURE, Volts, Watts};
use crate::station::{ChannelSpec, Rated};

/// The device's temperature on the cold bright morning that sets the largest voltage: a winter's
/// night of central Europe, before the sun has warmed the device. Colder sites: local codes tell.
pub const COLD: Celsius = Celsius(-20.0);
/// Irradiance of the brightest cloud edge over 1000 W/m2: the largest current.
pub const BRIGHT: f64 = 1.5;

/// The loop at one point of the device's curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopPoint {
    /// Across the device (V).
    pub device: Volts,
    /// Across the boost supply (V, 0 without one).
    pub boost: Volts,
    /// Lost in leads, fuse and disconnect (V).
    pub lead: Volts,
    /// Across the load (V).
    pub load: Volts,
    /// Around the loop (A).
    pub amps: Amps,
    /// What the load turns into heat (W).
    pub heat: Watts,
    /// The least voltage at which the load sinks that current (V); none when it never can.
    pub needs: Option<Volts>,
}

impl LoopPoint {
    fn at(channel: &ChannelSpec, device: Volts, amps: Amps) -> Self {
        let path = channel.control.path;
        let load = path.load_volts(device, amps);
        Self {
            device,
            boost: path.boost,
            lead: amps * path.lead,
            load,
            amps,
            heat: load * amps,
            needs: channel.control.envelope.capability.volts_for(amps),
        }
    }

    /// Whether the load can hold the device there.
    #[must_use]
    pub fn reached(&self) -> bool {
        self.needs.is_some_and(|needs| self.load >= needs)
    }
}

/// The points to expect.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    /// Open circuit at 1000 W/m2 and 25 degC, boost supply on.
    pub open: LoopPoint,
    /// The crest there.
    pub crest: LoopPoint,
    /// Short circuit there.
    pub short: LoopPoint,
    /// Open circuit at 1000 W/m2 and [`COLD`]; none where the file states no change with
    /// temperature.
    pub cold_open: Option<LoopPoint>,
    /// The crest at [`BRIGHT`] suns.
    pub bright_crest: LoopPoint,
    /// Short circuit at [`BRIGHT`] suns.
    pub bright_short: LoopPoint,
    /// What the load would see in open circuit with the boost supply the wrong way round (V); none
    /// without a supply.
    pub reversed_open: Option<Volts>,
}

impl Expected {
    /// The points of `channel`; none where its file has no `[channel.rated]`.
    #[must_use]
    pub fn of(channel: &ChannelSpec) -> Option<Self> {
        let rated: Rated = channel.rated?;
        let at = |volts, amps| LoopPoint::at(channel, volts, amps);
        let slope = rated.open_circuit_per_kelvin;
        let cold = rated.open_circuit + slope * (COLD - STC_TEMPERATURE).0;
        let path = channel.control.path;
        let reversed = SeriesPath { boost: -path.boost, ..path };
        Some(Self {
            open: at(rated.open_circuit, Amps::ZERO),
            crest: at(rated.crest_volts, rated.crest_amps),
            short: at(Volts::ZERO, rated.short_circuit),
            cold_open: (slope.0.abs() > 0.0).then(|| at(cold, Amps::ZERO)),
            bright_crest: at(rated.crest_volts, rated.crest_amps * BRIGHT),
            bright_short: at(Volts::ZERO, rated.short_circuit * BRIGHT),
            reversed_open: channel
                .boost
                .is_some()
                .then(|| reversed.load_volts(rated.open_circuit, Amps::ZERO)),
        })
    }

    /// The open circuit with the largest voltage.
    #[must_use]
    pub fn largest_open(&self) -> LoopPoint {
        match self.cold_open {
            Some(cold) if cold.device > self.open.device => cold,
            _ => self.open,
        }
    }
}

/// An expected extreme beside the limit that it must keep to.
#[derive(Clone, Debug, PartialEq)]
pub struct Rating {
    /// What is compared, and when it is largest.
    pub what: &'static str,
    /// The largest value to expect, with its unit; none where nothing is rated.
    pub expected: Option<String>,
    /// The limit, with its unit.
    pub limit: String,
    /// The limit's key in the station file.
    pub key: &'static str,
    /// Whether the limit is kept, as far as anything is expected.
    pub fits: bool,
}

/// Every extreme of `channel` beside its limit.
#[must_use]
pub fn ratings(channel: &ChannelSpec, expected: Option<&Expected>) -> Vec<Rating> {
    let envelope = &channel.control.envelope;
    let open = expected.map(Expected::largest_open);
    let bright = expected.map(|expected| expected.bright_short.amps);
    let heat = expected.map(|expected| expected.bright_crest.heat);
    let volts = |what, found: Option<Volts>, key, limit: Volts| Rating {
        what,
        expected: found.map(|found| format!("{found:.1}")),
        limit: format!("{limit:.1}"),
        key,
        fits: found.is_none_or(|found| found <= limit),
    };
    let current = |what, key, limit: Amps| Rating {
        what,
        expected: bright.map(|amps| format!("{amps:.2}")),
        limit: format!("{limit:.2}"),
        key,
        fits: bright.is_none_or(|amps| amps <= limit),
    };
    let mut all = vec![
        volts("device, open", open.map(|at| at.device), DEVICE_VOLTS, envelope.device_volts_max),
        volts("load, open", open.map(|at| at.load), "load_volts_max", envelope.load_volts_max),
        current("device, short and bright", "device_amps_max", envelope.device_amps_max),
        current("load's own protection", PROTECTION, channel.load.current_protection),
    ];
    if let Some(boost) = &channel.boost {
        all.push(current("boost supply's rating", "boost.amps", boost.amps));
    }
    all.push(Rating {
        what: "load's heat, crest and bright",
        expected: heat.map(|heat| format!("{heat:.0}")),
        limit: format!("{:.0}", envelope.load_watts_max),
        key: "load_watts_max",
        fits: heat.is_none_or(|heat| heat <= envelope.load_watts_max),
    });
    all
}

const DEVICE_VOLTS: &str = "device_volts_max";
const PROTECTION: &str = "current_protection_amps";
