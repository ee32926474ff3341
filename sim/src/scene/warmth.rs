//! Temperature of the cells in a scene: the same for the same time, whoever asks and how often.
//!
//! Model: the thermal state goes on in steps of [`STEP`] with the light of each step's middle, and
//! between two steps along a straight line. So it doesn't depend on when it is asked. The back of the
//! module is colder by what the light of the moment makes of the cells' excess.
//!
//! Rejected: stepping from question to question, which makes a scene's temperature depend on the
//! tracker's period.

use crate::quantities::{Celsius, Irradiance, MetresPerSecond, STC_IRRADIANCE};
use crate::thermal::{Thermal, ThermalParams};
use crate::time::Instant;
use std::time::Duration;

/// Step of the thermal state (s): a thousandth of the minutes in which modules warm and cool.
pub(super) const STEP: Duration = Duration::from_secs(1);
const STEP_NANOS: u64 = 1_000_000_000;

/// What warms and cools at a moment: light (W/m2), air (degC), wind (m/s).
pub(super) type Weather = (Irradiance, Celsius, MetresPerSecond);

/// A thermal state in time.
#[derive(Clone, Debug)]
pub(super) struct Warmth {
    params: ThermalParams,
    thermal: Thermal,
    /// Steps done.
    done: u64,
    before: Celsius,
}

impl Warmth {
    /// Cells that have stood in this weather for long.
    pub(super) fn settled(params: ThermalParams, (light, air, wind): Weather) -> Self {
        let start = Thermal::steady(&params, light, air, wind);
        Self { params, thermal: Thermal::new(params, start), done: 0, before: start }
    }

    /// Temperature of the cells at `at`, `weather` telling what holds at a moment before or soon after.
    pub(super) fn at(
        &mut self,
        at: Instant,
        mut weather: impl FnMut(Instant) -> Weather,
    ) -> Celsius {
        let nanos = at.as_nanos();
        while self.done <= nanos / STEP_NANOS {
            self.before = self.thermal.cell();
            let middle = self.done * STEP_NANOS + STEP_NANOS / 2;
            let (light, air, wind) = weather(Instant::from_nanos(middle));
            self.thermal.step(STEP, light, air, wind);
            self.done += 1;
        }
        let since = at.saturating_since(Instant::from_nanos((self.done - 1) * STEP_NANOS));
        let share = since.as_secs_f64();
        Celsius(self.before.0 + (self.thermal.cell().0 - self.before.0) * share)
    }

    /// Temperature of the module's back, the cells at `cell` under `light`.
    pub(super) fn back(&self, cell: Celsius, light: Irradiance) -> Celsius {
        Celsius(cell.0 - self.params.cell_over_back * (light / STC_IRRADIANCE))
    }
}
