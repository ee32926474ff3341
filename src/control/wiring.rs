//! The series path from the device through the boost supply to the load: the one place where
//! device volts and load volts are converted into each other.
//!
//! Model: device, boost supply and load form one loop that carries the device current I. With the
//! boost voltage V_b aiding and the lead resistance R in series,
//!
//! V_load = V_dev + V_b - I R
//!
//! (Kirchhoff's voltage law). Everything above this module speaks of device volts.

use crate::quantities::{Amps, Ohms, Volts};

/// What lies in series between the device's terminals and the load's.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SeriesPath {
    /// Boost supply voltage (V, 0 without one or while it is off).
    pub boost: Volts,
    /// Resistance of leads, fuse and disconnect not covered by sense leads (ohm, 0..).
    pub lead: Ohms,
}

impl SeriesPath {
    /// Device volts from what the load measures.
    ///
    /// ```
    /// use cresthold::control::SeriesPath;
    /// use cresthold::quantities::{Amps, Ohms, Volts};
    /// let path = SeriesPath { boost: Volts(6.0), lead: Ohms(0.05) };
    /// // 36 V at the load, 8 A: 36 - 6 + 8 * 0.05 = 30.4 V at the device.
    /// assert!((path.device_volts(Volts(36.0), Amps(8.0)).0 - 30.4).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn device_volts(&self, load: Volts, amps: Amps) -> Volts {
        load - self.boost + amps * self.lead
    }

    /// Load volts that put the device at `device` volts while `amps` flow.
    #[must_use]
    pub fn load_volts(&self, device: Volts, amps: Amps) -> Volts {
        device + self.boost - amps * self.lead
    }
}
