//! Cell temperature with heat capacity and wind.
//!
//! Model: one heat capacity per square metre, driven by what is absorbed and not turned into
//! electricity, cooled in proportion to its excess over the air:
//!
//! `C dT/dt = (absorbed - converted) G - U (T - T_air)`
//!
//! `C` (J/(m2 K)), `G` irradiance (W/m2), `U` heat loss (W/(m2 K)): `u0 + u1 v` for a module in
//! wind of `v` m/s (Faiman 2008, Prog. Photovolt. 16, 307-315), `1/R` for a receiver on a heat sink
//! of `R` K m2/W. The steady state with `absorbed - converted = 1` is Faiman's
//! `T = T_air + G/(u0 + u1 v)`, whose coefficients are fitted to the whole irradiance. Inputs are
//! held over a step, so the exponential is exact: one long step equals two short ones.
//!
//! Rejected: Euler steps (unstable for steps longer than twice the time constant), two capacities
//! for glass and cells (no figures in ordinary data sheets), radiation to the sky as its own term
//! (it is inside Faiman's fit).

use crate::quantities::{Celsius, Irradiance, MetresPerSecond, STC_IRRADIANCE};
use std::time::Duration;

/// How heat leaves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cooling {
    /// Air and wind (Faiman 2008).
    Wind {
        /// Heat loss in still air (W/(m2 K), above zero).
        u0: f64,
        /// Heat loss per wind speed (W s/(m3 K), zero or more).
        u1: f64,
    },
    /// A heat sink to the air, whatever the wind.
    Sink {
        /// Thermal resistance of one square metre of aperture (K m2/W, above zero).
        resistance: f64,
    },
}

/// What heats and cools a device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThermalParams {
    /// Heat capacity per area (J/(m2 K), zero for none).
    pub capacity: f64,
    /// Share of the irradiance that is absorbed (0..=1).
    pub absorbed: f64,
    /// Share of the irradiance that leaves as electricity (0..=1).
    pub converted: f64,
    /// How heat leaves.
    pub cooling: Cooling,
    /// Excess of the cell over the back of the module at 1000 W/m2 (K).
    pub cell_over_back: f64,
}

impl ThermalParams {
    /// A glass module on an open rack. Faiman's u0 25, u1 6.84; 3 K over the back after King, Boyson,
    /// Kratochvil 2004, SAND2004-3535, table 1 (from memory); 11 kJ/(m2 K) makes six minutes in still
    /// air and three in a breeze, the usual size.
    pub const OPEN_RACK: Self = Self {
        capacity: 11_000.0,
        absorbed: 1.0,
        converted: 0.0,
        cooling: Cooling::Wind { u0: 25.0, u1: 6.84 },
        cell_over_back: 3.0,
    };

    /// A concentrator receiver on a heat sink (invented): 40 K over the air at 1000 W/m2 of direct
    /// light of which 0.8 is absorbed and 0.3 converted, time constant two minutes.
    pub const HEAT_SINK: Self = Self {
        capacity: 1_500.0,
        absorbed: 0.8,
        converted: 0.3,
        cooling: Cooling::Sink { resistance: 0.08 },
        cell_over_back: 10.0,
    };

    /// Heat loss (W/(m2 K)) at a wind speed, never below [`LEAST_LOSS`].
    fn loss(&self, wind: MetresPerSecond) -> f64 {
        let loss = match self.cooling {
            Cooling::Wind { u0, u1 } => u0 + u1 * wind.0.max(0.0),
            Cooling::Sink { resistance } => 1.0 / resistance,
        };
        loss.max(LEAST_LOSS)
    }
}

/// Least heat loss (W/(m2 K)), a hundredth of still air: keeps the steady state finite.
const LEAST_LOSS: f64 = 0.25;

/// A device's temperature in time.
///
/// ```
/// use cresthold_sim::quantities::{Celsius, Irradiance, MetresPerSecond};
/// use cresthold_sim::thermal::{Thermal, ThermalParams};
/// // pvlib's test of its faiman function: 900 W/m2, 20 degC, 5 m/s -> 35.203 degC.
/// let steady = Thermal::steady(
///     &ThermalParams::OPEN_RACK, Irradiance(900.0), Celsius(20.0), MetresPerSecond(5.0));
/// assert!((steady.0 - 35.203).abs() < 5e-4);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thermal {
    params: ThermalParams,
    cell: Celsius,
    irradiance: Irradiance,
}

impl Thermal {
    /// A device whose cells begin at `start`, in the dark.
    #[must_use]
    pub fn new(params: ThermalParams, start: Celsius) -> Self {
        Self { params, cell: start, irradiance: Irradiance::ZERO }
    }

    /// Where the cell's temperature (degC) ends under constant inputs.
    #[must_use]
    pub fn steady(
        params: &ThermalParams,
        irradiance: Irradiance,
        air: Celsius,
        wind: MetresPerSecond,
    ) -> Celsius {
        let heat = (params.absorbed - params.converted) * irradiance.0.max(0.0);
        Celsius(air.0 + heat / params.loss(wind))
    }

    /// Moves on by `span` with inputs constant over it; the cell's temperature (degC) at its end.
    /// A step with an input that is no number changes nothing.
    pub fn step(
        &mut self,
        span: Duration,
        irradiance: Irradiance,
        air: Celsius,
        wind: MetresPerSecond,
    ) -> Celsius {
        let end = Self::steady(&self.params, irradiance, air, wind);
        if end.is_finite() && irradiance.is_finite() {
            let rate = self.params.loss(wind) / self.params.capacity;
            let left = if rate.is_finite() { (-rate * span.as_secs_f64()).exp() } else { 0.0 };
            self.cell = end + (self.cell - end) * left;
            self.irradiance = irradiance.max(Irradiance::ZERO);
        }
        self.cell
    }

    /// Cell temperature (degC).
    #[must_use]
    pub fn cell(&self) -> Celsius {
        self.cell
    }

    /// Temperature at the back of the module (degC): `cell - dT G/1000`, `dT` = 3 K for glass modules
    /// on an open rack (King, Boyson, Kratochvil 2004, SAND2004-3535, equation 12; from memory).
    #[must_use]
    pub fn back_of_module(&self) -> Celsius {
        let excess = self.params.cell_over_back * (self.irradiance / STC_IRRADIANCE);
        Celsius(self.cell.0 - excess)
    }
}
