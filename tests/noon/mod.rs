//! A module that lives in real time at noon of the recorded day, and what a daemon beside it costs.

#![allow(dead_code, unreachable_pub, clippy::unwrap_used, reason = "each test uses its part")]

use cresthold::control::PUNCTUAL;
use cresthold::quantities::{Amps, Celsius, MetresPerSecond, Ohms, Volts, Watts};
use cresthold::station::Station;
use cresthold::time::Utc;
use cresthold_sim::bench::{Bench, Boost, LoadParams};
use cresthold_sim::device::examples;
use cresthold_sim::sky::plane::{Mounting, Plane};
use cresthold_sim::sky::recorded::{RecordedSky, embedded_payerne};
use cresthold_sim::thermal::{Thermal, ThermalParams};
use cresthold_sim::wire::plant::{LivePlant, PlantParts};
use std::fmt::Write as _;
use std::path::Path;
use std::process::{Child, Command};
use std::time::{Duration, Instant};

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

/// A station with a plant of so many crystalline modules, the first with an irradiance sensor.
pub fn roof(modules: usize) -> Station {
    let mut text = String::from(
        r#"
name = "Larkfell test yard"
[site]
latitude = 46.815
longitude = 6.944
elevation = 491.0
[control]
period_s = 0.1
sample_every_s = 1.0
[plant]
day = "payerne-2016-06-15"
wind_mps = 2.0
"#,
    );
    for number in 1..=modules {
        let name = format!("slope-{number}");
        let sensor = if number == 1 { "irradiance = { lag_s = 0.2, gain = 0.005 }" } else { "" };
        write!(
            text,
            r#"
[[channel]]
name = "{name}"
device = "crystalline-module"
lead_ohms = 0.02
mounting = {{ tilt_deg = 20.0, azimuth_deg = 180.0 }}
tracker = {{ method = "perturb-and-observe", step_volts = 0.2 }}
daylight = {{ wake_volts = 20.0 }}
{sensor}
[channel.load]
link = "plant"
settling_s = 0.01
window_s = 0.02
latency_s = 0.005
current_protection_amps = 16.0
noise_volts = 0.008
noise_amps = 0.002
[channel.boost]
volts = 6.0
amps = 20.0
link = "plant"
measured = true
[channel.envelope]
device_volts_max = 48.0
device_amps_max = 15.5
device_watts_max = 520.0
load_volts_max = 80.0
load_watts_max = 650.0
capability = [[0.0, 0.0], [2.0, 20.0]]
"#
        )
        .unwrap();
    }
    Station::parse("plant.toml", &text).unwrap()
}

/// Share of wake-ups of a thread that only sleeps which come too late: what the machine itself does
/// to any program.
pub fn metronome(length: Duration, beat: Duration) -> f64 {
    let (mut due, mut late, mut all) = (Instant::now() + beat, 0.0, 0.0);
    let end = due + length;
    while due < end {
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        all += 1.0;
        late += f64::from(u8::from(due.elapsed() > PUNCTUAL));
        due += beat;
    }
    late / all
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

/// The station file of that module; `load` and `boost` are links.
pub fn station(load: &str, boost: &str) -> String {
    format!(
        r#"
name = "Larkfell test yard"
[site]
latitude = 46.8
longitude = 6.9
elevation = 490.0
[control]
period_s = 0.1
sample_every_s = 0.5
commit_every_s = 0.5
[[channel]]
name = "slope-1"
lead_ohms = 0.0
mounting = {{ tilt_deg = 20.0, azimuth_deg = 180.0 }}
tracker = {{ method = "perturb-and-observe", step_volts = 0.2 }}
daylight = {{ wake_volts = 20.0 }}
[channel.load]
link = {load}
identity = "VL-1"
settling_s = 0.01
window_s = 0.02
latency_s = 0.005
current_protection_amps = 16.0
[channel.boost]
volts = 6.0
amps = 20.0
link = {boost}
identity = "VB-1"
measured = true
[channel.envelope]
device_volts_max = 48.0
device_amps_max = 15.5
device_watts_max = 520.0
load_volts_max = 80.0
load_watts_max = 600.0
capability = [[0.0, 0.0], [2.0, 20.0]]
"#
    )
}

/// A daemon that does not outlive the test.
pub struct Daemon(pub Child);

impl Daemon {
    pub fn start(file: &Path, log: &Path) -> Self {
        Self::start_with(Command::new(env!("CARGO_BIN_EXE_cresthold")), file, log)
    }

    /// The same, with its standard error in a file.
    pub fn start_told(file: &Path, log: &Path, told: &Path) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
        command.stderr(std::fs::File::create(told).unwrap());
        Self::start_with(command, file, log)
    }

    /// The same, with an environment of one's choice.
    pub fn start_with(mut command: Command, file: &Path, log: &Path) -> Self {
        command.args(["run", file.to_str().unwrap(), "--quiet", "--log", log.to_str().unwrap()]);
        Self(command.spawn().unwrap())
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
