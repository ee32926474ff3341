//! How warm cells are where only the back of the module was measured: the one convention of everything that
//! reads a log.
//!
//! Model: `T_cell = T_back + dT G / (1000 W/m2)` (King, Boyson, Kratochvil 2004, SAND2004-3535, equation 12
//! and table 1; from memory), with `dT` of 3 K for glass modules on an open rack. It is the
//! [`ThermalParams::OPEN_RACK`] of the plant, so that a rehearsal is looked at as it was made. IEC 61724-1
//! corrects performance ratios by the temperature that the module's sensor shows (from memory): that is
//! `dT` = 0.
//!
//! Validity: in light that is steady for the minutes a module takes to warm. Rejected: a `dT` by the kind of
//! mounting, found out from the station (a closed roof has 1 K, an insulated back 0 K: nobody states that).

use crate::quantities::{Celsius, Irradiance, STC_IRRADIANCE};
use cresthold_sim::thermal::ThermalParams;
use std::fmt;

/// Excess of the cells over the back of the module at 1000 W/m2 (K, 0..=30).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OverBack(f64);

impl OverBack {
    /// The sensor's temperature is the cells'.
    pub const NONE: Self = Self(0.0);
    /// The largest (K): a receiver on its heat sink has some 10 K.
    pub const MOST: f64 = 30.0;

    /// An excess (K); none outside of the range.
    #[must_use]
    pub fn new(kelvin: f64) -> Option<Self> {
        (0.0..=Self::MOST).contains(&kelvin).then_some(Self(kelvin))
    }

    /// The excess at 1000 W/m2 (K).
    #[must_use]
    pub const fn kelvin(self) -> f64 {
        self.0
    }

    /// The cells' temperature behind which the back shows `back`.
    ///
    /// ```
    /// use cresthold::quantities::{Celsius, Irradiance};
    /// use cresthold::yields::OverBack;
    /// // 3 K at 1000 W/m2 are 2.4 K at 800 W/m2.
    /// let cell = OverBack::default().cell(Celsius(45.0), Irradiance(800.0));
    /// assert!((cell.0 - 47.4).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn cell(self, back: Celsius, light: Irradiance) -> Celsius {
        back + Celsius(self.0 * (light.max(Irradiance::ZERO) / STC_IRRADIANCE))
    }
}

impl Default for OverBack {
    fn default() -> Self {
        Self(ThermalParams::OPEN_RACK.cell_over_back)
    }
}

/// As a report says it.
impl fmt::Display for OverBack {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if *self == Self::NONE {
            return f.write_str("as warm as the module's back");
        }
        write!(f, "{} K over the module's back at 1000 W/m2, less in proportion", self.0)
    }
}
