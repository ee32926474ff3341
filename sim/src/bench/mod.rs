//! The bench: what stands between a device and the logger.
//!
//! Model: device, boost supply and electronic load form one loop ([`Bench`]). The load regulates
//! its terminal voltage with first-order settling; the device answers at once. Conditions hold
//! still between two calls of [`Bench::set_conditions`], so that the exact crest and the exact
//! energies are known: [`Truth`] integrates both, through every transient. Measurements see the
//! truth through gain, offset, noise and resolution ([`Meter`]); [`Sensor`]s see the sky through
//! lag and drift.
//!
//! Rejected: integrating the loop with a fixed small step. The only state is the load's inner
//! voltage, whose path is known in closed form, so one quadratic over the transient is both faster
//! and better.

mod load;
mod meter;
mod sensor;
mod wiring;

pub use load::{Boost, LoadParams};
pub use meter::{Meter, Noise};
pub use sensor::{Sensor, SensorParams};
pub use wiring::{BoostWiring, Wiring};

use crate::device::single_diode::Crest;
use crate::device::{ParameterError, Source};
use crate::quantities::{Amps, Celsius, Irradiance, Ohms, Volts, WattHours, Watts};
use crate::time::Instant;
use std::time::Duration;

const SECONDS_PER_HOUR: f64 = 3600.0;

/// The loop's electrical state at one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Operating {
    /// Device voltage (V).
    pub device: Volts,
    /// Load terminal voltage (V).
    pub load: Volts,
    /// Loop current (A).
    pub amps: Amps,
    /// Boost supply voltage (V).
    pub boost: Volts,
}

impl Operating {
    /// Power the device delivers (W).
    #[must_use]
    pub fn watts(&self) -> Watts {
        self.device * self.amps
    }
}

/// What only the plant knows.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Truth {
    /// Energy the device delivered (Wh).
    pub delivered: WattHours,
    /// Energy it would have delivered at its crest all the time (Wh).
    pub available: WattHours,
    /// The crest at the conditions of the moment.
    pub crest: Watts,
}

/// One measurement of the loop, as the instruments tell it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measurement {
    /// Volts at the load's terminals (V).
    pub load: Volts,
    /// Loop current (A).
    pub amps: Amps,
    /// Boost supply volts (V).
    pub boost: Volts,
}

/// A device with its load, its boost supply and what joins them.
#[derive(Clone, Debug)]
pub struct Bench {
    device: Source,
    load: LoadParams,
    boost: Option<Boost>,
    lead: Ohms,
    wiring: Wiring,
    noise: Noise,
    now: Instant,
    input_on: bool,
    boost_on: bool,
    protection: Amps,
    target: Volts,
    inner: Volts,
    open_circuit: Volts,
    crest: Crest,
    truth: Truth,
}

impl Bench {
    /// A bench in the dark with everything off. `seed` feeds the measurement noise.
    #[must_use]
    pub fn new(
        device: impl Into<Source>,
        load: LoadParams,
        boost: Option<Boost>,
        lead: Ohms,
        seed: u64,
    ) -> Self {
        let mut device = device.into();
        device.set_conditions(Irradiance::ZERO, Celsius(20.0));
        let crest = device.crest();
        Self {
            device,
            load,
            boost,
            lead,
            wiring: Wiring::default(),
            noise: Noise::new(seed),
            now: Instant::ZERO,
            input_on: false,
            boost_on: false,
            protection: load.amps_max,
            target: load.volts_max,
            inner: load.volts_max,
            open_circuit: Volts::ZERO,
            crest,
            truth: Truth::default(),
        }
    }

    /// The load's parameters.
    #[must_use]
    pub fn load(&self) -> &LoadParams {
        &self.load
    }

    /// The boost supply's parameters.
    #[must_use]
    pub fn boost(&self) -> Option<&Boost> {
        self.boost.as_ref()
    }

    /// Changes the load from now on, as choosing another range or window does.
    pub fn adjust_load(&mut self, change: impl FnOnce(&mut LoadParams)) {
        change(&mut self.load);
    }

    /// Wires the loop another way, as a hurried hand would.
    pub fn set_wiring(&mut self, wiring: Wiring) {
        self.wiring = wiring;
        self.inner = self.regulated();
    }

    /// What the boost supply measures at its own terminals (V), whether or not they are in the
    /// loop.
    #[must_use]
    pub fn boost_terminals(&self) -> Volts {
        let own = match &self.boost {
            Some(boost) if self.boost_on => boost.volts * self.wiring.boost_scale,
            _ => Volts::ZERO,
        };
        match self.wiring.boost {
            BoostWiring::Series if self.boost_on => self.operating().boost,
            BoostWiring::Across => own.max(self.operating().load),
            _ => own,
        }
    }

    /// Its own time.
    #[must_use]
    pub fn now(&self) -> Instant {
        self.now
    }

    /// What only the plant knows.
    #[must_use]
    pub fn truth(&self) -> Truth {
        Truth { crest: self.crest.watts, ..self.truth }
    }

    /// The device's crest at the conditions of the moment.
    #[must_use]
    pub fn crest(&self) -> Crest {
        self.crest
    }

    /// Sets the irradiance on the device and its cell temperature, from now on.
    pub fn set_conditions(&mut self, irradiance: Irradiance, cell: Celsius) {
        self.device.set_conditions(irradiance, cell);
        self.conditions_changed();
    }

    /// The same with an irradiance of its own for each substring.
    ///
    /// # Errors
    /// As [`Source::set_substring_irradiances`]; nothing changes then.
    pub fn set_substring_conditions(
        &mut self,
        irradiances: &[Irradiance],
        cell: Celsius,
    ) -> Result<(), ParameterError> {
        self.device.set_substring_irradiances(irradiances, cell)?;
        self.conditions_changed();
        Ok(())
    }

    fn conditions_changed(&mut self) {
        self.open_circuit = self.device.open_circuit();
        self.crest = self.device.crest();
    }

    /// Closes or opens the load's input.
    pub fn set_input(&mut self, on: bool) {
        // A closed input begins to regulate from where the terminals stand.
        if on && !self.input_on {
            self.inner = self.terminals();
        }
        self.input_on = on;
    }

    /// Whether the load's input is closed.
    #[must_use]
    pub fn input(&self) -> bool {
        self.input_on
    }

    /// Switches the boost supply.
    pub fn set_boost(&mut self, on: bool) {
        self.boost_on = on && self.boost.is_some();
    }

    /// Whether the boost supply is on.
    #[must_use]
    pub fn boost_is_on(&self) -> bool {
        self.boost_on
    }

    /// Sets the boost supply's voltage (V) and current limit (A).
    pub fn set_boost_levels(&mut self, volts: Volts, limit: Amps) {
        if let Some(boost) = &mut self.boost {
            boost.volts = volts;
            boost.limit = limit;
        }
    }

    /// Sets the load's constant-voltage setpoint (V), rounded to its resolution.
    pub fn set_volts(&mut self, volts: Volts) {
        self.target = self.load.settable(volts);
    }

    /// The load's setpoint (V).
    #[must_use]
    pub fn volts(&self) -> Volts {
        self.target
    }

    /// Sets the load's current protection (A).
    pub fn set_protection(&mut self, amps: Amps) {
        self.protection = amps.max(Amps::ZERO).min(self.load.amps_max);
    }

    /// The load's current protection (A).
    #[must_use]
    pub fn protection(&self) -> Amps {
        self.protection
    }

    /// The operating point of this moment.
    #[must_use]
    pub fn operating(&self) -> Operating {
        self.operate(self.inner)
    }

    /// Lets time pass until `to`, adding up the truth.
    pub fn advance(&mut self, to: Instant) {
        let span = to.saturating_since(self.now);
        if span.is_zero() {
            return;
        }
        self.now = to;
        let seconds = span.as_secs_f64();
        let joules = self.pass(seconds);
        self.truth.delivered += WattHours(joules / SECONDS_PER_HOUR);
        self.truth.available += WattHours(self.crest.watts.0 * seconds / SECONDS_PER_HOUR);
    }

    /// Energy delivered (J) over `seconds`, moving the load's inner voltage along its path.
    ///
    /// With s = exp(-t / tau), the inner voltage is target + (inner - target) s. Power over s is
    /// taken as the parabola through both ends and the middle, whose integral over time is exact:
    /// dt = -tau ds / s.
    fn pass(&mut self, seconds: f64) -> f64 {
        let (from, to) = (self.inner, self.regulated());
        let away = from - to;
        if !self.input_on || away.abs() < SETTLED {
            self.inner = to;
            return self.operate(to).watts().0 * seconds;
        }
        let tau = self.load.settling.as_secs_f64().max(LEAST_SETTLING);
        let left = (-seconds / tau).exp();
        self.inner = to + away * left;
        let first = self.operate(from).watts().0;
        let middle = self.operate(to + away * 0.5).watts().0;
        let last = self.operate(to).watts().0;
        // P(s) = last + b s + c s^2, through s = 0, 1/2, 1.
        let c = 2.0 * (first + last - 2.0 * middle);
        let b = first - last - c;
        last * seconds + b * tau * (1.0 - left) + c * tau * 0.5 * (1.0 - left * left)
    }

    /// Measures over the load's window, beginning now; time passes until its end.
    pub fn measure(&mut self) -> Measurement {
        let window = self.load.window;
        // The mean of an exponential over the window lies where its middle nearly does.
        self.advance(self.now + window / 2);
        let seen = self.operating();
        self.advance(self.now + window / 2);
        Measurement {
            load: Volts(self.load.volts_meter.read(seen.load.0, &mut self.noise)),
            amps: Amps(self.load.amps_meter.read(seen.amps.0, &mut self.noise)),
            boost: seen.boost,
        }
    }

    /// The load voltage the loop settles to: above the open-circuit voltage there is nothing to
    /// sink, and the terminals stay where the device puts them.
    fn regulated(&self) -> Volts {
        self.target.min(self.terminals())
    }

    /// Load terminal voltage with no current flowing (V).
    fn terminals(&self) -> Volts {
        let device =
            if self.wiring.device_reversed { -self.open_circuit } else { self.open_circuit };
        device + self.boost_volts()
    }

    /// What the boost supply adds to the loop.
    fn boost_volts(&self) -> Volts {
        match &self.boost {
            Some(boost) if self.boost_on => {
                boost.volts * self.wiring.boost_scale * self.wiring.boost.sign()
            }
            _ => Volts::ZERO,
        }
    }

    /// Where the loop stands when the load regulates to `inner`.
    fn operate(&self, inner: Volts) -> Operating {
        let boost = self.boost_volts();
        let open = Operating {
            device: self.open_circuit,
            load: self.terminals(),
            boost,
            amps: Amps::ZERO,
        };
        if !self.input_on || inner >= open.load {
            return open;
        }
        let bare = inner - boost;
        let amps = self.device.current_behind(bare, self.lead);
        let device = bare + amps * self.lead;
        if amps <= self.sinkable(inner) {
            return Operating { device, load: inner, amps, boost };
        }
        self.limited(device, inner)
    }

    /// The largest current the load and the boost supply can carry with `load` volts at the load.
    fn sinkable(&self, load: Volts) -> Amps {
        let limit = match &self.boost {
            Some(boost) if self.boost_on => boost.limit,
            _ => Amps(f64::INFINITY),
        };
        self.load.sinkable(load).min(self.protection).min(limit)
    }

    /// A limit holds the current down: the device rises along its curve until it gives no more than
    /// the limit. Bisection, since this is rare and must not fail.
    fn limited(&self, device: Volts, inner: Volts) -> Operating {
        let boost = self.boost_volts();
        let supply_limited = match &self.boost {
            Some(supply) if self.boost_on => supply.limit < self.load.sinkable(inner),
            _ => false,
        };
        let load_at = |volts: Volts| if supply_limited { inner } else { volts + boost };
        let (mut low, mut high) = (device, self.open_circuit);
        for _ in 0..LIMIT_HALVINGS {
            let mid = (low + high) * 0.5;
            if self.device.current(mid) > self.sinkable(load_at(mid)) {
                low = mid;
            } else {
                high = mid;
            }
        }
        let load = load_at(high);
        Operating { device: high, load, amps: self.device.current(high), boost: load - high }
    }

    /// How long a command takes from the line to the terminals.
    #[must_use]
    pub fn latency(&self) -> Duration {
        self.load.latency
    }
}

/// The load's inner voltage has settled within this (V): a hundredth of any load's resolution.
const SETTLED: Volts = Volts(1e-5);
/// A load without settling still takes this (s), so that nothing divides by zero.
const LEAST_SETTLING: f64 = 1e-9;
/// Halvings of a span of hundreds of volts down to nanovolts.
const LIMIT_HALVINGS: usize = 40;
