//! What a device's data sheet leads one to expect at another irradiance and temperature.
//!
//! Model: one diode with series resistance and no shunt,
//!
//! I = Isc (1 - exp((V + I Rs - Voc) / a)),
//!
//! with a and Rs from the four rated figures: the crest lies on the curve and dP/dV = 0 there. This
//! gives (own derivation, two lines of algebra)
//!
//! a = (2 Vmp - Voc) / (Imp / (Isc - Imp) + ln(1 - Imp / Isc)),  Rs = Vmp / Imp - a / (Isc - Imp).
//!
//! Elsewhere: Isc(G, T) = (G / 1000) (Isc + alpha (T - 25)), Voc(G, T) = Voc + beta (T - 25) +
//! a ln(G / 1000), the log-law of one diode.
//!
//! Validity: 100 to 1400 W/m2, unshaded. A shunt makes a too large by up to 1.6 times, which is
//! 6 % of Voc at 200 W/m2; [`Sheet::open_circuit_room`] leaves room for it. Rejected: the five-parameter model
//! (a data sheet's three points don't fix its five numbers).

use crate::quantities::{Amps, Celsius, Irradiance, STC_IRRADIANCE, STC_TEMPERATURE, Volts};
use crate::station::Rated;

/// What is known of light and warmth while commissioning.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Light {
    /// Irradiance on the device (W/m2), from a sensor or read off by hand.
    pub irradiance: Option<Irradiance>,
    /// Module temperature (degC), likewise.
    pub module: Option<Celsius>,
}

/// Least irradiance at which figures are held against a data sheet (W/m2): below, shunts and the
/// instruments' zeros weigh more than what the sheet tells.
pub const LEAST_JUDGED: Irradiance = Irradiance(100.0);

/// What to do about a check that the light did not allow.
pub const STEADY_LIGHT: &str = "commission again in steady light: under a clear sky or a closed cover of \
                                cloud, with 100 W/m2 or more";

/// Module temperatures that are met when nobody measures: from a frosty morning to a hot noon.
const COLDEST: Celsius = Celsius(-10.0);
/// See [`COLDEST`].
const HOTTEST: Celsius = Celsius(80.0);
/// Least and largest irradiance assumed when nobody measures (W/m2); the largest of the two is a
/// cloud's bright edge.
const DIMMEST: Irradiance = Irradiance(50.0);
/// See [`DIMMEST`].
const BRIGHTEST: Irradiance = Irradiance(1500.0);
/// Data sheet, ageing and mismatch, as a share of Voc.
const SHEET_SHARE: f64 = 0.05;
/// Uncertainty of the log-law's term as a share of it: without the shunt, a is up to 1.6 times too
/// large.
const LOG_SHARE: f64 = 0.4;
/// The drop from open circuit to the crest scatters by this share of Vmp...
const LOST_SHARE: f64 = 0.03;
/// ...and by this much more for each factor of e in the light, where shunts shift the knee.
const LOST_LOG: f64 = 0.03;
/// Irradiance that is logged and expected is taken as no less (W/m2): the log-law needs some.
const LEAST: f64 = 1.0;

/// A data sheet that can be asked about other conditions.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sheet {
    rated: Rated,
    /// The diode's slope a (V).
    slope: f64,
    /// Series resistance Rs (ohm).
    series: f64,
}

impl Sheet {
    /// The model of a data sheet.
    ///
    /// ```
    /// use cresthold::commission::{Light, Sheet};
    /// use cresthold::quantities::{Amps, Celsius, Irradiance, Volts};
    /// use cresthold::station::Rated;
    /// let sheet = Sheet::new(&Rated {
    ///     open_circuit: Volts(38.3), short_circuit: Amps(9.43),
    ///     crest_volts: Volts(31.0), crest_amps: Amps(8.71),
    ///     open_circuit_per_kelvin: Volts(-0.138), short_circuit_per_kelvin: Amps(0.0057),
    /// });
    /// // a = (62 - 38.3) / (8.71 / 0.72 + ln(1 - 8.71 / 9.43)) = 23.7 / 9.5248 = 2.488 V
    /// // At half the light and 45 degC: 38.3 - 20 x 0.138 + 2.488 ln 0.5 = 33.82 V
    /// let voc = sheet.open_circuit(Irradiance(500.0), Celsius(45.0));
    /// assert!((voc.0 - 33.82).abs() < 0.005);
    /// // The crest lies on the curve: 38.3 - 31.0 V are lost at 8.71 A.
    /// assert!((sheet.lost(Amps(9.43), Amps(8.71)).0 - 7.3).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn new(rated: &Rated) -> Self {
        let (voc, isc) = (rated.open_circuit.0, rated.short_circuit.0);
        let (vmp, imp) = (rated.crest_volts.0, rated.crest_amps.0);
        let log = (1.0 - imp / isc).ln();
        let slope = (2.0 * vmp - voc) / (imp / (isc - imp) + log);
        let series = vmp / imp - slope / (isc - imp);
        if slope > 0.0 && series >= 0.0 && slope.is_finite() {
            return Self { rated: *rated, slope, series };
        }
        // A crest that no such diode has: the curve through the three points, without resistance.
        Self { rated: *rated, slope: (voc - vmp) / -log, series: 0.0 }
    }

    /// The data sheet's figures.
    #[must_use]
    pub const fn rated(&self) -> &Rated {
        &self.rated
    }

    /// Open-circuit voltage at an irradiance and a module temperature.
    #[must_use]
    pub fn open_circuit(&self, irradiance: Irradiance, module: Celsius) -> Volts {
        let share = irradiance.0.max(LEAST) / STC_IRRADIANCE.0;
        let warmer = module.0 - STC_TEMPERATURE.0;
        self.rated.open_circuit
            + self.rated.open_circuit_per_kelvin * warmer
            + Volts(self.slope * share.ln())
    }

    /// Short-circuit current at an irradiance and a module temperature.
    #[must_use]
    pub fn short_circuit(&self, irradiance: Irradiance, module: Celsius) -> Amps {
        let warmer = module.0 - STC_TEMPERATURE.0;
        let full = self.rated.short_circuit + self.rated.short_circuit_per_kelvin * warmer;
        full * (irradiance.0 / STC_IRRADIANCE.0)
    }

    /// The irradiance that a short-circuit current stands for.
    #[must_use]
    pub fn irradiance(&self, short_circuit: Amps, module: Celsius) -> Irradiance {
        let full = self.short_circuit(STC_IRRADIANCE, module);
        STC_IRRADIANCE * (short_circuit / full)
    }

    /// How far the voltage lies below open circuit when `amps` of `short_circuit` flow (V): the
    /// device's own part of any drop.
    #[must_use]
    pub fn lost(&self, short_circuit: Amps, amps: Amps) -> Volts {
        let share = (amps / short_circuit).clamp(0.0, 0.999);
        Volts(-self.slope * (1.0 - share).ln() + amps.0 * self.series)
    }

    /// How far a sound device's drop may lie from [`Sheet::lost`] at the crest's share of the
    /// current.
    #[must_use]
    pub fn lost_room(&self, short_circuit: Amps) -> Volts {
        let share = short_circuit / self.rated.short_circuit;
        self.rated.crest_volts * (LOST_SHARE + LOST_LOG * share.ln().abs())
    }

    /// How far a sound device's open-circuit voltage may lie from [`Sheet::open_circuit`].
    #[must_use]
    pub fn open_circuit_room(&self, irradiance: Irradiance) -> Volts {
        let share = irradiance.0.max(LEAST) / STC_IRRADIANCE.0;
        self.rated.open_circuit * SHEET_SHARE + Volts(LOG_SHARE * self.slope * share.ln().abs())
    }

    /// How far the open-circuit voltage moves with the light from `one` to `other` (V).
    #[must_use]
    pub fn open_circuit_move(&self, one: Irradiance, other: Irradiance) -> Volts {
        Volts(self.slope * (one.0.max(LEAST) / other.0.max(LEAST)).ln().abs())
    }

    /// The range of open-circuit voltages that fit the light, as far as it is known.
    #[must_use]
    pub fn open_circuit_range(&self, light: Light) -> (Volts, Volts) {
        let dim = light.irradiance.unwrap_or(DIMMEST);
        let bright = light.irradiance.unwrap_or(BRIGHTEST);
        let (cold, hot) = (light.module.unwrap_or(COLDEST), light.module.unwrap_or(HOTTEST));
        let (mut low, mut high) = (Volts(f64::INFINITY), Volts(f64::NEG_INFINITY));
        for irradiance in [dim, bright] {
            let room = self.open_circuit_room(irradiance);
            for module in [cold, hot] {
                let volts = self.open_circuit(irradiance, module);
                low = low.min(volts - room);
                high = high.max(volts + room);
            }
        }
        (low, high)
    }

    /// The largest open-circuit voltage to be met: bright edge of a cloud, frosty morning.
    #[must_use]
    pub fn largest_open_circuit(&self) -> Volts {
        self.open_circuit(BRIGHTEST, COLDEST)
    }

    /// Curvature of the power at the crest: the loss is kappa (dV / Vmp)^2 for a small dV.
    ///
    /// kappa = 0.5 |P''| Vmp^2 / Pmp with P'' = 2 I' + V I''; by the crest's condition I' = -Imp/Vmp,
    /// and I'' = -(g / a) / (1 + g Rs)^3 with g = (Isc - Imp) / a.
    #[must_use]
    pub fn curvature(&self) -> f64 {
        let (vmp, imp) = (self.rated.crest_volts.0, self.rated.crest_amps.0);
        let g = (self.rated.short_circuit.0 - imp) / self.slope;
        let bend = -(g / self.slope) / (1.0 + g * self.series).powi(3);
        let second = -2.0 * imp / vmp + vmp * bend;
        0.5 * second.abs() * vmp / imp
    }
}
