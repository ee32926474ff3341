//! The plant's bench behind virtual instruments, in real time.
//!
//! Model: load and boost supply of one channel share a [`LivePlant`]; every request first lets the
//! bench live up to now, under a sky that moves on at least every 50 ms.

use super::{LoadPort, Measured, SupplyPort};
use crate::bench::{Bench, Truth};
use crate::quantities::{Amps, Volts};
use crate::sky::plane::Mounting;
use crate::sky::{Place, Sky};
use crate::thermal::Thermal;
use crate::time::{Instant, Utc};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// Conditions never hold still for longer.
const REFRESH: Duration = Duration::from_millis(50);

/// What the plant of one channel is made of.
pub struct PlantParts {
    /// Device, load and boost supply.
    pub bench: Bench,
    /// The device's temperature.
    pub thermal: Thermal,
    /// The sky.
    pub sky: Box<dyn Sky>,
    /// The sky's time when the plant begins to live.
    pub began: Utc,
    /// How the device faces the sky.
    pub mounting: Mounting,
}

struct Inner {
    parts: PlantParts,
    started: std::time::Instant,
}

impl Inner {
    fn catch_up(&mut self) -> &mut Bench {
        let now = Instant::ZERO + self.started.elapsed();
        loop {
            let parts = &mut self.parts;
            let behind = now.saturating_since(parts.bench.now());
            let step = behind.min(REFRESH);
            let to = parts.bench.now() + step;
            parts.bench.advance(to);
            let utc = parts.began + to.saturating_since(Instant::ZERO);
            let state = parts.sky.state(utc, Place::default());
            let light = parts.mounting.irradiance(&state);
            let cell = parts.thermal.step(step, light, state.air, state.wind);
            parts.bench.set_conditions(light, cell);
            if step == behind {
                break;
            }
        }
        &mut self.parts.bench
    }
}

/// One channel's plant, living in real time; clones share it.
#[derive(Clone)]
pub struct LivePlant(Arc<Mutex<Inner>>);

impl LivePlant {
    /// A plant that begins to live now.
    #[must_use]
    pub fn new(parts: PlantParts) -> Self {
        Self(Arc::new(Mutex::new(Inner { parts, started: std::time::Instant::now() })))
    }

    /// What only the plant knows, up to now.
    #[must_use]
    pub fn truth(&self) -> Truth {
        self.hold().catch_up().truth()
    }

    /// Whether the load's input is closed and the boost supply is on.
    #[must_use]
    pub fn switches(&self) -> (bool, bool) {
        let mut inner = self.hold();
        let bench = inner.catch_up();
        (bench.input(), bench.boost_is_on())
    }

    // A holder that panicked leaves a bench that is whole: every change is a plain assignment.
    fn hold(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl LoadPort for LivePlant {
    fn set_volts(&mut self, volts: Volts) {
        self.hold().catch_up().set_volts(volts);
    }

    fn volts(&self) -> Volts {
        self.hold().parts.bench.volts()
    }

    fn volts_max(&self) -> Volts {
        self.hold().parts.bench.load().volts_max
    }

    fn set_protection(&mut self, amps: Amps) {
        self.hold().catch_up().set_protection(amps);
    }

    fn protection(&self) -> Amps {
        self.hold().parts.bench.protection()
    }

    fn amps_max(&self) -> Amps {
        self.hold().parts.bench.load().amps_max
    }

    fn set_input(&mut self, on: bool) {
        self.hold().catch_up().set_input(on);
    }

    fn input(&self) -> bool {
        self.hold().parts.bench.input()
    }

    fn measure(&mut self) -> Measured {
        let mut inner = self.hold();
        let bench = inner.catch_up();
        let takes = bench.latency() + bench.load().window;
        let seen = bench.measure();
        Measured { volts: seen.load, amps: seen.amps, takes }
    }
}

impl SupplyPort for LivePlant {
    fn set_volts(&mut self, volts: Volts) {
        let mut inner = self.hold();
        let bench = inner.catch_up();
        let limit = bench.boost().map_or(Amps::ZERO, |boost| boost.limit);
        bench.set_boost_levels(volts, limit);
    }

    fn volts(&self) -> Volts {
        self.hold().parts.bench.boost().map_or(Volts::ZERO, |boost| boost.volts)
    }

    fn volts_max(&self) -> Volts {
        SUPPLY_VOLTS_MAX
    }

    fn set_limit(&mut self, amps: Amps) {
        let mut inner = self.hold();
        let bench = inner.catch_up();
        let volts = bench.boost().map_or(Volts::ZERO, |boost| boost.volts);
        bench.set_boost_levels(volts, amps);
    }

    fn limit(&self) -> Amps {
        self.hold().parts.bench.boost().map_or(Amps::ZERO, |boost| boost.limit)
    }

    fn amps_max(&self) -> Amps {
        SUPPLY_AMPS_MAX
    }

    fn set_output(&mut self, on: bool) {
        self.hold().catch_up().set_boost(on);
    }

    fn output(&self) -> bool {
        self.hold().parts.bench.boost_is_on()
    }

    fn measure(&mut self) -> Measured {
        let mut inner = self.hold();
        let bench = inner.catch_up();
        let takes = bench.latency() + bench.load().window;
        Measured { volts: bench.boost_terminals(), amps: bench.operating().amps, takes }
    }
}

/// The simulated supply is of the 60 V, 30 A class (invented).
const SUPPLY_VOLTS_MAX: Volts = Volts(60.0);
/// See [`SUPPLY_VOLTS_MAX`].
const SUPPLY_AMPS_MAX: Amps = Amps(30.0);
