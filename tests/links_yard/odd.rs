//! A load and a supply with words of their own: millivolts, other orders, words for switches.

use cresthold_sim::wire::instrument::Instrument;
use std::sync::{Arc, Mutex};
use std::time::Duration;

pub(crate) const ODD_IDENTITY: &str = "Test Yard,ODD-7,0007";

/// What it is doing. With its input on it draws a tenth of an ampere for each volt below 40.
#[derive(Clone, Debug)]
pub(crate) struct OddState {
    pub(crate) millivolts: f64,
    pub(crate) milliamps: f64,
    pub(crate) on: bool,
    pub(crate) mode: &'static str,
    pub(crate) tripped: bool,
    pub(crate) aperture: f64,
    pub(crate) range: f64,
    pub(crate) list: Vec<f64>,
    pub(crate) dwell: f64,
    pub(crate) ran: Vec<(f64, f64)>,
    /// Added to each setpoint that is read back.
    pub(crate) echo_error: f64,
    mask: String,
    errors: Vec<String>,
}

/// Clones share the state.
#[derive(Clone)]
pub(crate) struct Odd(Arc<Mutex<OddState>>);

impl Odd {
    pub(crate) fn new() -> Self {
        Self(Arc::new(Mutex::new(OddState {
            millivolts: 60_000.0,
            milliamps: 0.0,
            on: false,
            mode: "CC",
            tripped: false,
            aperture: 0.02,
            range: 3.0,
            list: Vec::new(),
            dwell: 0.0,
            ran: Vec::new(),
            echo_error: 0.0,
            mask: "0".to_owned(),
            errors: Vec::new(),
        })))
    }

    pub(crate) fn with<T>(&self, look: impl FnOnce(&mut OddState) -> T) -> T {
        look(&mut self.0.lock().unwrap())
    }
}

impl OddState {
    fn measured(&self, volts: f64) -> (f64, f64) {
        if self.on { (volts, (40.0 - volts).max(0.0) / 10.0) } else { (40.0, 0.0) }
    }

    /// Carries out one unit; the answer, if there is one.
    fn unit(&mut self, unit: &str) -> Option<String> {
        let (head, rest) = unit.split_once(' ').unwrap_or((unit, ""));
        let number = || rest.split(',').next().unwrap_or("").parse::<f64>().unwrap_or(f64::NAN);
        let array = |pick: fn(&(f64, f64)) -> f64, ran: &[(f64, f64)]| {
            ran.iter().map(|point| format!("{:.4}", pick(point))).collect::<Vec<_>>().join(",")
        };
        match head {
            "*CLS" => self.errors.clear(),
            "*ESE" => self.mask = rest.to_owned(),
            "*ESE?" => return Some(self.mask.clone()),
            "WHO?" => return Some(ODD_IDENTITY.to_owned()),
            "READY?" => return Some("YES".to_owned()),
            "ERR?" => {
                let first = if self.errors.is_empty() { None } else { Some(self.errors.remove(0)) };
                return Some(first.unwrap_or_else(|| "0,\"No error\"".to_owned()));
            }
            "MODE" => self.mode = "CV",
            "MODE?" => return Some(self.mode.to_owned()),
            "SINK" => self.on = rest == "RUN",
            "SINK?" => return Some(if self.on { "RUN" } else { "HALT" }.to_owned()),
            "VSET" => self.millivolts = number(),
            "VSET?" => return Some(format!("{:.0}", self.millivolts + self.echo_error)),
            "LIMIT" => self.milliamps = number(),
            "LIMIT?" => return Some(format!("{:.0}", self.milliamps)),
            "READ?" => {
                let (volts, amps) = self.measured(self.millivolts / 1e3);
                return Some(format!("{amps:.4},23.5,{:.1}", volts * 1e3));
            }
            "TRIP?" => return Some(if self.tripped { "YES" } else { "NO" }.to_owned()),
            "UNTRIP" => self.tripped = false,
            "SENS:APER" => self.aperture = number(),
            "SENS:APER?" => return Some(format!("{}", self.aperture)),
            // Three ranges; the next that reaches.
            "CURR:RANG" => {
                let wanted = number();
                self.range = [3.0, 10.0, 30.0].into_iter().find(|it| *it >= wanted).unwrap_or(30.0);
            }
            "CURR:RANG?" => return Some(format!("{}", self.range)),
            "LIST:VOLT" => self.list = rest.split(',').map(|it| it.parse().unwrap()).collect(),
            "LIST:DWEL" => self.dwell = number(),
            "LIST:STAT" => {
                self.ran = self.list.iter().map(|volts| self.measured(*volts)).collect();
            }
            "FETC:ARR:VOLT?" => return Some(array(|point| point.0, &self.ran)),
            "FETC:ARR:CURR?" => return Some(array(|point| point.1, &self.ran)),
            _ => self.errors.push(format!("-113,\"Undefined header;{head}\"")),
        }
        None
    }
}

impl Instrument for Odd {
    fn handle(&mut self, message: &[u8], reply: &mut Vec<u8>) -> Duration {
        let text = String::from_utf8_lossy(message).into_owned();
        let answers: Vec<String> =
            self.with(|state| text.split(';').filter_map(|unit| state.unit(unit.trim())).collect());
        if !answers.is_empty() {
            reply.extend_from_slice(answers.join(";").as_bytes());
            reply.push(b'\n');
        }
        Duration::from_millis(1)
    }

    fn overrun(&mut self) {
        self.with(|state| state.errors.push("-363,\"Input buffer overrun\"".to_owned()));
    }
}

/// A station whose load and boost supply are odd; `{load}` and `{boost}` stand for their links.
pub(crate) const ODD_STATION: &str = r#"
name = "Odd words"
site = { latitude = 0, longitude = 0, elevation = 0 }

[commands.odd-load]
instrument = "load"
identify = "WHO?"
next_error = "ERR?"
complete = { ask = "READY?", answer = "YES" }
input_on = "SINK RUN"
input_off = "SINK HALT"
input = { ask = "SINK?", on = "RUN", off = "HALT" }
constant_voltage = "MODE CV"
mode = { ask = "MODE?", answer = "CV" }
set_volts = { send = "VSET {},1", scale = 0.001, decimals = 0 }
volts = { ask = "VSET?", scale = 0.001 }
set_protection = { send = "LIMIT {}", scale = 0.001, decimals = 0 }
protection = { ask = "LIMIT?", scale = 0.001 }
measure = { ask = "READ?", fields = ["amps", "other", "volts"], volts_scale = 0.001 }
status = { ask = "TRIP?", tripped = "YES" }
clear_trip = "UNTRIP"
averaging = {}
range = { set = "CURR:RANG {}" }
list = { longest = 4 }

[commands.odd-supply]
instrument = "supply"
identify = "WHO?"
next_error = "ERR?"
complete = { ask = "READY?", answer = "YES" }
output_on = "SINK RUN"
output_off = "SINK HALT"
output = { ask = "SINK?", on = "RUN", off = "HALT" }
set_volts = { send = "VSET {}", scale = 0.001, decimals = 0 }
volts = { ask = "VSET?", scale = 0.001 }
set_limit = { send = "LIMIT {}", scale = 0.001, decimals = 0 }
limit = { ask = "LIMIT?", scale = 0.001 }
measure = { ask = "READ?", fields = ["amps", "other", "volts"], volts_scale = 0.001 }
status = { ask = "TRIP?", tripped = "YES" }

[[channel]]
name = "a"
remote_sense = true
mounting = { two_axis = true }
daylight = { wake_volts = 10 }
tracker = { method = "hold", share = 0.8 }

[channel.load]
link = { tcp = "192.0.2.10:5025" }
identity = "ODD-7"
commands = "odd-load"
range_amps = 10
settling_s = 0.01
window_s = 0.04
latency_s = 0
current_protection_amps = 10

[channel.boost]
link = { tcp = "192.0.2.11:5025" }
identity = "ODD-7"
commands = "odd-supply"
volts = 6
amps = 12

[channel.envelope]
device_volts_max = 40
device_amps_max = 10
device_watts_max = 300
load_volts_max = 60
load_watts_max = 400
capability = [[0, 0], [1, 10]]
"#;
