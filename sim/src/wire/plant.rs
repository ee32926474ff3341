//! The plant's bench behind virtual instruments.
//!
//! Model: load, boost supply and sensors of one channel share a [`LivePlant`]; every request first
//! lets the bench live up to now, under a sky that moves on at least every 50 ms. What "now" is
//! comes from a clock that the plant is given: real time unless somebody has another. The sky may
//! run faster than the instruments, so that a morning passes in minutes on real lines; device
//! temperature goes with the sky.

use super::{LoadPort, Measured, SupplyPort};
use crate::bench::{Bench, LoadParams, Operating, Truth};
use crate::quantities::{Amps, Celsius, Irradiance, MetresPerSecond, Volts};
use crate::sky::plane::Mounting;
use crate::sky::{Place, Sky, SkyState};
use crate::thermal::Thermal;
use crate::time::{Instant, Utc};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// Conditions never hold still for longer, unless the plant is told that they may.
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

/// What surrounds the device at one moment, as it truly is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weather {
    /// The plant's time.
    pub at: Instant,
    /// Irradiance on the device (W/m2).
    pub plane: Irradiance,
    /// Direct normal irradiance (W/m2).
    pub direct: Irradiance,
    /// Back of the device (degC).
    pub back: Celsius,
    /// Air (degC).
    pub air: Celsius,
    /// Wind (m/s).
    pub wind: MetresPerSecond,
}

/// Time since the plant began.
type Clock = Box<dyn Fn() -> Duration + Send>;

struct Inner {
    parts: PlantParts,
    clock: Clock,
    /// How many times faster than the clock the sky goes.
    sky_speed: f64,
    /// How long conditions hold still at most.
    refresh: Duration,
    sky: Option<SkyState>,
    light: Irradiance,
    /// The load as it was built: full range, usual window.
    whole: LoadParams,
    /// What the boost supply is set to, and what it was built for.
    boost: (Volts, Amps),
    boost_max: (Volts, Amps),
    collapsed: bool,
}

impl Inner {
    fn catch_up(&mut self) -> &mut Bench {
        let now = Instant::ZERO + (self.clock)();
        self.live_until(now);
        &mut self.parts.bench
    }

    fn live_until(&mut self, now: Instant) {
        loop {
            let parts = &mut self.parts;
            let behind = now.saturating_since(parts.bench.now());
            // Nothing has changed since the last look.
            if behind.is_zero() && self.sky.is_some() {
                break;
            }
            let step = behind.min(self.refresh);
            let to = parts.bench.now() + step;
            parts.bench.advance(to);
            let since = to.saturating_since(Instant::ZERO).mul_f64(self.sky_speed);
            let state = parts.sky.state(parts.began + since, Place::default());
            let light = parts.mounting.irradiance(&state);
            let passed = step.mul_f64(self.sky_speed);
            let cell = parts.thermal.step(passed, light, state.air, state.wind);
            parts.bench.set_conditions(light, cell);
            (self.sky, self.light) = (Some(state), light);
            if step == behind {
                break;
            }
        }
    }

    fn set_boost(&mut self, volts: Volts, limit: Amps) {
        self.boost = (volts, limit);
        let volts = if self.collapsed { Volts::ZERO } else { volts };
        self.catch_up().set_boost_levels(volts, limit);
    }
}

/// One channel's plant, living on its clock; clones share it.
#[derive(Clone)]
pub struct LivePlant(Arc<Mutex<Inner>>);

impl LivePlant {
    /// A plant that begins to live now, in real time.
    #[must_use]
    pub fn new(parts: PlantParts) -> Self {
        let started = std::time::Instant::now();
        Self::with_clock(parts, move || started.elapsed())
    }

    /// A plant on another clock, which tells the time since the plant began.
    #[must_use]
    pub fn with_clock(parts: PlantParts, clock: impl Fn() -> Duration + Send + 'static) -> Self {
        let boost = parts.bench.boost().map_or((Volts::ZERO, Amps::ZERO), |b| (b.volts, b.limit));
        let boost_max = (boost.0.max(SUPPLY_VOLTS_MAX), boost.1.max(SUPPLY_AMPS_MAX));
        let whole = *parts.bench.load();
        Self(Arc::new(Mutex::new(Inner {
            parts,
            clock: Box::new(clock),
            sky_speed: 1.0,
            refresh: REFRESH,
            sky: None,
            light: Irradiance::ZERO,
            whole,
            boost,
            boost_max,
            collapsed: false,
        })))
    }

    /// The same under a sky that goes so many times faster than the clock (0..=1e6).
    #[must_use]
    pub fn under_fast_sky(self, speed: f64) -> Self {
        self.hold().sky_speed = speed;
        self
    }

    /// The same under a sky that holds still for so long (s, above 0): a plant that lives through
    /// years in virtual time can't move it on every 50 ms.
    #[must_use]
    pub fn under_calm_sky(self, refresh: Duration) -> Self {
        self.hold().refresh = refresh;
        self
    }

    /// What surrounds the device now.
    #[must_use]
    pub fn weather(&self) -> Weather {
        let mut inner = self.hold();
        let at = inner.catch_up().now();
        let back = inner.parts.thermal.back_of_module();
        let sky = inner.sky;
        Weather {
            at,
            plane: inner.light,
            direct: sky.map_or(Irradiance::ZERO, |sky| sky.direct),
            back,
            air: sky.map_or(back, |sky| sky.air),
            wind: sky.map_or(MetresPerSecond(0.0), |sky| sky.wind),
        }
    }

    /// What only the plant knows, up to now.
    #[must_use]
    pub fn truth(&self) -> Truth {
        self.hold().catch_up().truth()
    }

    /// Where the loop truly stands now.
    #[must_use]
    pub fn operating(&self) -> Operating {
        self.hold().catch_up().operating()
    }

    /// Whether the load's input is closed and the boost supply is on.
    #[must_use]
    pub fn switches(&self) -> (bool, bool) {
        let mut inner = self.hold();
        let bench = inner.catch_up();
        (bench.input(), bench.boost_is_on())
    }

    /// A supply that nobody switches: on, at what it was built with.
    #[must_use]
    pub fn with_fixed_boost(self) -> Self {
        self.hold().parts.bench.set_boost(true);
        self
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
        self.hold().whole.amps_max
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

    fn step(&mut self, volts: Volts, dwell: Duration) -> Measured {
        let mut inner = self.hold();
        inner.catch_up().set_volts(volts);
        // Steps follow each other, ahead of the clock by what the front end then waits.
        let until = inner.parts.bench.now() + dwell;
        inner.live_until(until);
        let bench = &mut inner.parts.bench;
        let takes = dwell + bench.load().window;
        let seen = bench.measure();
        Measured { volts: seen.load, amps: seen.amps, takes }
    }

    fn window(&self) -> Option<Duration> {
        Some(self.hold().parts.bench.load().window)
    }

    fn set_window(&mut self, window: Duration) {
        let mut inner = self.hold();
        let whole = inner.whole;
        inner.catch_up().adjust_load(|load| {
            load.window = window;
            set_noise(load, &whole);
        });
    }

    fn range(&self) -> Option<Amps> {
        Some(self.hold().parts.bench.load().amps_max)
    }

    fn set_range(&mut self, amps: Amps) {
        let mut inner = self.hold();
        let whole = inner.whole;
        let low = whole.amps_max * LOW_RANGE;
        inner.catch_up().adjust_load(|load| {
            load.amps_max = if amps <= low { low } else { whole.amps_max };
            load.amps_meter.range = load.amps_max.0;
            set_noise(load, &whole);
        });
    }
}

/// The lower current range over the full one, as many loads have it (common practice, no source).
const LOW_RANGE: f64 = 0.1;

/// Noise and resolution of the meters for the load's window and range. White noise falls with the
/// square root of the averaging time; that and the step of the ammeter go with the range.
fn set_noise(load: &mut LoadParams, whole: &LoadParams) {
    let usual = whole.window.as_secs_f64();
    let shorter = if usual > 0.0 { usual / load.window.as_secs_f64().max(1e-6) } else { 1.0 };
    let range = load.amps_max / whole.amps_max;
    load.volts_meter.noise = whole.volts_meter.noise * shorter.sqrt();
    load.amps_meter.noise = whole.amps_meter.noise * shorter.sqrt() * range;
    load.amps_meter.resolution = whole.amps_meter.resolution * range;
}

impl SupplyPort for LivePlant {
    fn set_volts(&mut self, volts: Volts) {
        let mut inner = self.hold();
        let limit = inner.boost.1;
        inner.set_boost(volts, limit);
    }

    fn volts(&self) -> Volts {
        self.hold().boost.0
    }

    fn volts_max(&self) -> Volts {
        self.hold().boost_max.0
    }

    fn set_limit(&mut self, amps: Amps) {
        let mut inner = self.hold();
        let volts = inner.boost.0;
        inner.set_boost(volts, amps);
    }

    fn limit(&self) -> Amps {
        self.hold().boost.1
    }

    fn amps_max(&self) -> Amps {
        self.hold().boost_max.1
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

    fn set_collapsed(&mut self, collapsed: bool) {
        let mut inner = self.hold();
        inner.collapsed = collapsed;
        let (volts, limit) = inner.boost;
        inner.set_boost(volts, limit);
    }
}

/// The simulated supply is of the 60 V, 30 A class at least (invented).
const SUPPLY_VOLTS_MAX: Volts = Volts(60.0);
/// See [`SUPPLY_VOLTS_MAX`].
const SUPPLY_AMPS_MAX: Amps = Amps(30.0);
