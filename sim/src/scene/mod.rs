//! What a device is exposed to over a scenario's time.
//!
//! Model: a [`Scene`] is a plain function of time: asked for a moment, it fills an [`Exposure`] with
//! the light on each substring, the temperature of the cells, and what a sensor in the plane of the
//! device would see. Between two questions the bench holds conditions still, so whoever drives it asks
//! for the *middle* of each piece and makes no piece longer than [`Scene::still_for`]: a staircase
//! through the middles has the energy of the slope but for terms of second order.
//!
//! Nothing allocates on the path: the same [`Exposure`] is filled again and again.
//!
//! Rejected: a sky with mounting and temperature for every scenario (the standards' sequences and
//! moving shade have none), and conditions that vary inside a piece (the exact crest would need an
//! integral at each step, for less than a millionth).

pub mod edges;
pub mod layout;
pub mod named;
pub mod nearby;
pub mod outdoors;
pub mod pointing;
pub mod shade;
pub mod standard;
mod warmth;

use crate::quantities::{Celsius, Irradiance};
use crate::time::Instant;
use std::time::Duration;

/// How long conditions may be held still unless a scene knows better (s). On the standards' steepest
/// ramp, 100 W/m2/s, the staircase's energy is then right to 1e-7 (held by `sim/tests/scene.rs`). It
/// bounds the pieces of energy alone: what a reading sees is taken anew for each measurement.
pub const REFRESH: Duration = Duration::from_millis(35);

/// What a device and the sensors beside it are exposed to at one moment.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Exposure {
    irradiance: Irradiance,
    each: Vec<Irradiance>,
    cell: Celsius,
    back: Celsius,
    sensed: Irradiance,
}

impl Exposure {
    /// The same light everywhere, on the sensor too; the back of the module as warm as its cells.
    pub fn uniform(&mut self, irradiance: Irradiance, cell: Celsius) {
        self.each.clear();
        self.irradiance = irradiance;
        self.sensed = irradiance;
        (self.cell, self.back) = (cell, cell);
    }

    /// Light for each substring, in the device's order; the sensor sees the brightest, the back of
    /// the module is as warm as its cells. [`Self::sensor`] and [`Self::back_of_module`] come after.
    pub fn each(&mut self, irradiances: impl IntoIterator<Item = Irradiance>, cell: Celsius) {
        self.each.clear();
        self.each.extend(irradiances);
        let brightest = self.each.iter().fold(Irradiance::ZERO, |most, one| most.max(*one));
        self.irradiance = brightest;
        self.sensed = brightest;
        (self.cell, self.back) = (cell, cell);
    }

    /// What a sensor in the plane of the device sees (W/m2), where that differs.
    pub fn sensor(&mut self, irradiance: Irradiance) {
        self.sensed = irradiance;
    }

    /// Temperature of the module's back (degC), where that differs from the cells'.
    pub fn back_of_module(&mut self, back: Celsius) {
        self.back = back;
    }

    /// Light on the whole device, or on its brightest substring (W/m2).
    #[must_use]
    pub fn irradiance(&self) -> Irradiance {
        self.irradiance
    }

    /// Light on each substring (W/m2); none where all see the same.
    #[must_use]
    pub fn substrings(&self) -> Option<&[Irradiance]> {
        (!self.each.is_empty()).then_some(&self.each)
    }

    /// Temperature of the cells (degC).
    #[must_use]
    pub fn cell(&self) -> Celsius {
        self.cell
    }

    /// Temperature of the module's back (degC).
    #[must_use]
    pub fn back(&self) -> Celsius {
        self.back
    }

    /// What a sensor in the plane of the device sees (W/m2).
    #[must_use]
    pub fn sensed(&self) -> Irradiance {
        self.sensed
    }
}

/// Conditions over a scenario's time, from [`Instant::ZERO`] on.
///
/// It must give the same answer for the same seed and time, whoever asks and how often.
///
/// ```
/// use cresthold_sim::quantities::{Celsius, Irradiance};
/// use cresthold_sim::scene::{Exposure, Scene};
/// use cresthold_sim::time::Instant;
/// use std::time::Duration;
///
/// struct Edge;
/// impl Scene for Edge {
///     fn length(&self) -> Duration {
///         Duration::from_secs(60)
///     }
///     fn expose(&mut self, at: Instant, to: &mut Exposure) {
///         let light = if at.as_secs_f64() < 30.0 { 900.0 } else { 300.0 };
///         to.uniform(Irradiance(light), Celsius(40.0));
///     }
/// }
/// let mut seen = Exposure::default();
/// Edge.expose(Instant::ZERO + Duration::from_secs(31), &mut seen);
/// assert_eq!((seen.irradiance().0, seen.substrings()), (300.0, None));
/// ```
pub trait Scene: Send {
    /// How long it lasts, its setup included.
    fn length(&self) -> Duration;

    /// How long its beginning is that doesn't count: trackers find the crest in it.
    fn setup(&self) -> Duration {
        Duration::ZERO
    }

    /// What holds at `at`, which doesn't go back from call to call.
    fn expose(&mut self, at: Instant, to: &mut Exposure);

    /// How long conditions may be held still from `at` on (above zero). A piece should not reach
    /// across a kink.
    fn still_for(&self, _at: Instant) -> Duration {
        REFRESH
    }
}

impl<S: Scene + ?Sized> Scene for Box<S> {
    fn length(&self) -> Duration {
        (**self).length()
    }

    fn setup(&self) -> Duration {
        (**self).setup()
    }

    fn expose(&mut self, at: Instant, to: &mut Exposure) {
        (**self).expose(at, to);
    }

    fn still_for(&self, at: Instant) -> Duration {
        (**self).still_for(at)
    }
}
