//! A module that lives in real time at noon of the recorded day, and what a daemon beside it costs.

#![allow(dead_code, unreachable_pub, clippy::unwrap_used, reason = "each test uses its part")]

use cresthold::quantities::{Amps, Celsius, MetresPerSecond, Ohms, Volts, Watts};
use cresthold::time::Utc;
use cresthold_sim::bench::{Bench, Boost, LoadParams};
use cresthold_sim::device::examples;
use cresthold_sim::sky::plane::{Mounting, Plane};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use cresthold_sim::thermal::{Thermal, ThermalParams};
use cresthold_sim::wire::plant::{LivePlant, PlantParts};
use std::process::Child;

/// A crystalline module with load and boost supply.
pub fn plant() -> LivePlant {
    let (day, site) = embedded_payerne();
    let load = LoadParams::usual(Volts(80.0), Amps(20.0), Watts(600.0));
    let boost = Boost { volts: Volts(6.0), limit: Amps(20.0) };
    LivePlant::new(PlantParts {
        bench: Bench::new(examples::crystalline_module(), load, Some(boost), Ohms::ZERO, 5),
        thermal: Thermal::new(ThermalParams::OPEN_RACK, Celsius(25.0)),
        sky: Box::new(RecordedSky::new(day, site, 3).with_wind(MetresPerSecond(2.0))),
        began: "2016-06-15T11:00:00Z".parse::<Utc>().unwrap(),
        mounting: Mounting::Fixed(Plane::new(20.0, 180.0, 0.2).unwrap()),
    })
}

/// Largest resident memory so far (kB), and processor seconds so far (proc(5)); none of a process
/// that has ended.
pub fn usage(child: &Child) -> Option<(f64, f64)> {
    let at = format!("/proc/{}", child.id());
    let status = std::fs::read_to_string(format!("{at}/status")).ok()?;
    let resident = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    let resident = resident.trim().trim_end_matches(" kB").parse().ok()?;
    let stat = std::fs::read_to_string(format!("{at}/stat")).ok()?;
    let fields: Vec<&str> = stat.rsplit(')').next()?.split_whitespace().collect();
    let ticks: f64 = fields[11].parse::<f64>().ok()? + fields[12].parse::<f64>().ok()?;
    Some((resident, ticks / 100.0))
}
