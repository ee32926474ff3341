//! The plant's side: what truly happened, and whether it was allowed.
//!
//! The plant is looked at before and after everything that instruments do to it, and every
//! [`LOOK_EVERY`] in between; the load's voltage settles without overshoot, so that nothing passes
//! a limit unseen.

use cresthold::control::Envelope;
use cresthold::quantities::{Amps, Volts};
use cresthold_sim::bench::Operating;
use cresthold_sim::wire::plant::{LivePlant, Weather};
use cresthold_sim::wire::{LoadPort, Measured, SupplyPort};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// How often the plant is looked at where nothing happens.
pub(crate) const LOOK_EVERY: Duration = Duration::from_millis(25);

/// The plant at one moment (s since its beginning).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Moment {
    pub(crate) at: f64,
    pub(crate) input: bool,
    pub(crate) light: f64,
    pub(crate) back: f64,
}

/// One measurement of the load: the truth at its beginning and at its end.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Measure {
    pub(crate) at: f64,
    pub(crate) truth: [Operating; 2],
}

/// What was switched against the order, and when (s).
#[derive(Clone, Debug)]
pub(crate) struct Disorder {
    pub(crate) at: f64,
    pub(crate) what: &'static str,
}

#[derive(Default)]
pub(crate) struct Trace {
    pub(crate) moments: Vec<Moment>,
    pub(crate) measures: Vec<Measure>,
    pub(crate) disorder: Vec<Disorder>,
    pub(crate) violations: Vec<String>,
    /// Whether the supply was measured since its output went on.
    verified: bool,
    /// Whatever is done now is done by a fault.
    pub(crate) by_fault: bool,
}

/// The plant under observation; clones share it.
#[derive(Clone)]
pub(crate) struct Witness {
    pub(crate) plant: LivePlant,
    envelope: Arc<Envelope>,
    trace: Arc<Mutex<Trace>>,
}

impl Witness {
    pub(crate) fn new(plant: LivePlant, envelope: Envelope) -> Self {
        Self { plant, envelope: Arc::new(envelope), trace: Arc::default() }
    }

    pub(crate) fn trace<T>(&self, look: impl FnOnce(&mut Trace) -> T) -> T {
        look(&mut self.trace.lock().unwrap())
    }

    /// Looks at the plant now.
    pub(crate) fn look(&self) {
        let (weather, now) = (self.plant.weather(), self.plant.operating());
        self.note(&weather, &now);
    }

    fn note(&self, weather: &Weather, now: &Operating) {
        let at = seconds(weather);
        let (input, _) = self.plant.switches();
        let back = weather.back.0;
        let moment = Moment { at, input, light: weather.plane.0, back };
        let broken = self.broken(now, input);
        self.trace(|trace| {
            trace.moments.push(moment);
            trace.violations.extend(broken.map(|what| format!("{at:.3} s: {what}: {now:?}")));
        });
    }

    /// The envelope, on what truly is. Readings are what the guard has; their noise and the
    /// settling after the last setpoint are allowed for (V).
    fn broken(&self, now: &Operating, input: bool) -> Option<&'static str> {
        const NOISE: f64 = 0.05;
        let limits = &self.envelope;
        let boost_max = limits.boost_amps_max.unwrap_or(Amps(f64::INFINITY));
        let checks = [
            (now.device.0 > limits.device_volts_max.0, "device volts"),
            (now.device.0 < -limits.reverse_allowance.0 - NOISE, "reverse volts"),
            (now.amps > limits.device_amps_max, "device amps"),
            (now.watts() > limits.device_watts_max, "device watts"),
            (now.load > limits.load_volts_max, "load volts"),
            (input && now.load * now.amps > limits.load_watts_max, "load watts"),
            (now.amps > boost_max, "boost amps"),
        ];
        checks.into_iter().find(|(broken, _)| *broken).map(|(_, what)| what)
    }

    /// Does something to the plant, with a look before and after.
    fn around<T>(&self, act: impl FnOnce(&mut LivePlant) -> T) -> T {
        self.look();
        let done = act(&mut self.plant.clone());
        self.look();
        done
    }

    fn disorder(&self, what: &'static str) {
        let at = seconds(&self.plant.weather());
        self.trace(|trace| {
            if !trace.by_fault {
                trace.disorder.push(Disorder { at, what });
            }
        });
    }
}

fn seconds(weather: &Weather) -> f64 {
    weather.at.saturating_since(cresthold::time::Instant::ZERO).as_secs_f64()
}

/// The boost supply was not measured since it went on.
pub(crate) const UNVERIFIED: &str = "input on with the boost supply unverified";
/// Every end is input off, then boost off.
pub(crate) const BOOST_FIRST: &str = "boost off while the input is on";

impl LoadPort for Witness {
    fn set_volts(&mut self, volts: Volts) {
        self.around(|plant| LoadPort::set_volts(plant, volts));
    }
    fn volts(&self) -> Volts {
        LoadPort::volts(&self.plant)
    }
    fn volts_max(&self) -> Volts {
        LoadPort::volts_max(&self.plant)
    }
    fn set_protection(&mut self, amps: Amps) {
        self.around(|plant| plant.set_protection(amps));
    }
    fn protection(&self) -> Amps {
        self.plant.protection()
    }
    fn amps_max(&self) -> Amps {
        LoadPort::amps_max(&self.plant)
    }
    fn set_input(&mut self, on: bool) {
        let (was_on, boost) = self.plant.switches();
        let verified = self.trace(|trace| trace.verified);
        if on && !was_on && !(boost && verified) {
            self.disorder(UNVERIFIED);
        }
        self.around(|plant| plant.set_input(on));
    }
    fn input(&self) -> bool {
        self.plant.input()
    }
    fn measure(&mut self) -> Measured {
        let (before, at) = (self.plant.operating(), seconds(&self.plant.weather()));
        let measured = self.around(LoadPort::measure);
        let measure = Measure { at, truth: [before, self.plant.operating()] };
        self.trace(|trace| trace.measures.push(measure));
        measured
    }
}

impl SupplyPort for Witness {
    fn set_volts(&mut self, volts: Volts) {
        self.around(|plant| SupplyPort::set_volts(plant, volts));
    }
    fn volts(&self) -> Volts {
        SupplyPort::volts(&self.plant)
    }
    fn volts_max(&self) -> Volts {
        SupplyPort::volts_max(&self.plant)
    }
    fn set_limit(&mut self, amps: Amps) {
        self.around(|plant| plant.set_limit(amps));
    }
    fn limit(&self) -> Amps {
        self.plant.limit()
    }
    fn amps_max(&self) -> Amps {
        SupplyPort::amps_max(&self.plant)
    }
    fn set_output(&mut self, on: bool) {
        let (input, was_on) = self.plant.switches();
        if !on && was_on && input {
            self.disorder(BOOST_FIRST);
        }
        if on != was_on {
            self.trace(|trace| trace.verified = false);
        }
        self.around(|plant| plant.set_output(on));
    }
    fn output(&self) -> bool {
        self.plant.output()
    }
    fn measure(&mut self) -> Measured {
        let (_, on) = self.plant.switches();
        self.trace(|trace| trace.verified |= on);
        self.around(SupplyPort::measure)
    }
    fn set_collapsed(&mut self, collapsed: bool) {
        self.around(|plant| plant.set_collapsed(collapsed));
    }
}
