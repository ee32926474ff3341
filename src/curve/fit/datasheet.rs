//! A device from its data sheet: De Soto's five equations.
//!
//! Model (De Soto, Klein, Beckman 2006, Solar Energy 80, 78-88, section 3), at 1000 W/m2 and 25 degC:
//!
//! 1. `I(0) = Isc`; 2. `I(Voc) = 0`; 3. `I(Vmp) = Imp`; 4. `dP/dV = 0` at Vmp;
//! 5. `Voc` two kelvin higher is `Voc + 2 beta`.
//!
//! With `a` and `Rs` given, 1 to 3 are linear in `IL`, `I0 exp(Voc/a)` and `1/Rsh`; equation 4 then
//! fixes `Rs` for an `a`, and equation 5 fixes `a`: two nested searches between bounds that physics
//! gives, which need no first guess. Rejected: Newton on all five at once (depends on the guess, and
//! fails without saying why).

use crate::curve::linear::reduce;
use crate::quantities::{Amps, Celsius, Ohms, STC_IRRADIANCE, STC_TEMPERATURE, Volts};
use cresthold_sim::device::desoto::{BandGap, Reference};
use cresthold_sim::device::single_diode::SingleDiode;

/// How far above 25 degC equation 5 looks (K).
const WARMER: f64 = 2.0;
/// `Voc/a` is searched between these.
const LEAST_STEEP: f64 = 6.0;
const MOST_STEEP: f64 = 80.0;
/// Steps of the outer and of the inner search, before halving.
const STEPS: usize = 80;
/// Halvings: to the rounding of a number of order one.
const HALVINGS: usize = 50;

/// What a data sheet says, at 1000 W/m2 and 25 degC.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DataSheet {
    /// Short-circuit current (A).
    pub isc: Amps,
    /// Open-circuit voltage (V).
    pub voc: Volts,
    /// Current at the crest (A).
    pub imp: Amps,
    /// Voltage at the crest (V).
    pub vmp: Volts,
    /// Temperature coefficient of Isc (A/K).
    pub alpha: f64,
    /// Temperature coefficient of Voc (V/K), below zero.
    pub beta: f64,
    /// Band gap.
    pub gap: BandGap,
}

/// Why a data sheet gives no device.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum DataSheetError {
    /// The figures contradict each other.
    #[error(
        "data sheet: the figures must satisfy 0 < Vmp < Voc, 0 < Imp < Isc and be finite; compare \
         them with the sheet"
    )]
    Impossible,
    /// Equations 1 to 4 have no solution.
    #[error(
        "data sheet: no single diode has this crest between this Isc and Voc (fill factor \
         {fill_factor:.3}); compare Vmp and Imp with the sheet"
    )]
    NoDiode {
        /// Vmp Imp / (Voc Isc).
        fill_factor: f64,
    },
    /// Equation 5 has no solution.
    #[error(
        "data sheet: diodes with this crest have a Voc that changes by {least:.4} to {most:.4} V/K, \
         and beta is {beta:.4} V/K; check its unit (V/K, not %/K) and the band gap"
    )]
    NoTemperature {
        /// What the sheet says (V/K).
        beta: f64,
        /// Least possible (V/K).
        least: f64,
        /// Largest possible (V/K).
        most: f64,
    },
}

/// The device that a data sheet describes.
///
/// ```
/// use cresthold::curve::fit::{DataSheet, from_data_sheet};
/// use cresthold::quantities::{Amps, Volts};
/// use cresthold_sim::device::desoto::BandGap;
/// // The example of pvlib's fit_desoto: IL 9.45232 A, Rs 0.297814 ohm.
/// let sheet = DataSheet {
///     isc: Amps(9.43), voc: Volts(38.3), imp: Amps(8.71), vmp: Volts(31.0),
///     alpha: 0.005658, beta: -0.13788, gap: BandGap::SILICON,
/// };
/// let device = from_data_sheet(&sheet).unwrap();
/// assert!((device.stc().photocurrent().0 - 9.45232).abs() < 1e-4);
/// assert!((device.stc().series().0 - 0.297814).abs() < 1e-4);
/// ```
///
/// # Errors
/// [`DataSheetError`] says which of the figures don't go together.
pub fn from_data_sheet(sheet: &DataSheet) -> Result<Reference, DataSheetError> {
    let DataSheet { isc, voc, imp, vmp, .. } = *sheet;
    let finite =
        [isc.0, voc.0, imp.0, vmp.0, sheet.alpha, sheet.beta].iter().all(|x| x.is_finite());
    if !(finite && vmp.0 > 0.0 && vmp < voc && imp.0 > 0.0 && imp < isc) {
        return Err(DataSheetError::Impossible);
    }
    // The change of Voc for each steepness that has a diode.
    let mut range: Option<(f64, f64)> = None;
    let mut before: Option<(f64, f64)> = None;
    for step in 0..=STEPS {
        let share = step as f64 / STEPS as f64;
        let steep = LEAST_STEEP * (MOST_STEEP / LEAST_STEEP).powf(share);
        let Some(beta) = diode_at(sheet, steep).and_then(|stc| slope(sheet, stc)) else {
            before = None;
            continue;
        };
        range = Some(range.map_or((beta, beta), |(low, high)| (low.min(beta), high.max(beta))));
        let off = beta - sheet.beta;
        if let Some((other, other_off)) = before
            && (off > 0.0) != (other_off > 0.0)
            && let Some(found) = between(sheet, other, steep, other_off > 0.0)
        {
            return Ok(found);
        }
        before = Some((steep, off));
    }
    match range {
        Some((least, most)) => Err(DataSheetError::NoTemperature { beta: sheet.beta, least, most }),
        None => Err(DataSheetError::NoDiode { fill_factor: (vmp * imp) / (voc * isc) }),
    }
}

/// Halves the steepness between two at which equation 5 is missed to either side.
fn between(sheet: &DataSheet, mut low: f64, mut high: f64, above: bool) -> Option<Reference> {
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        let beta = slope(sheet, diode_at(sheet, middle)?)?;
        if (beta > sheet.beta) == above { low = middle } else { high = middle }
    }
    Reference::new(diode_at(sheet, 0.5 * (low + high))?, sheet.alpha, sheet.gap).ok()
}

/// Change of Voc with temperature (V/K) over the two kelvin of equation 5.
fn slope(sheet: &DataSheet, stc: SingleDiode) -> Option<f64> {
    let reference = Reference::new(stc, sheet.alpha, sheet.gap).ok()?;
    let warm = reference.at(STC_IRRADIANCE, STC_TEMPERATURE + Celsius(WARMER)).open_circuit();
    Some((warm - sheet.voc).0 / WARMER)
}

/// The diode of a steepness `Voc/a` that fulfils equations 1 to 4.
fn diode_at(sheet: &DataSheet, steep: f64) -> Option<SingleDiode> {
    let a = sheet.voc.0 / steep;
    let largest = (sheet.voc - sheet.vmp).0 / sheet.imp.0;
    let mut before: Option<(f64, f64)> = None;
    for step in 0..=STEPS {
        let rs = largest * step as f64 / STEPS as f64;
        let Some((_, off)) = crest_slope(sheet, a, rs) else {
            before = None;
            continue;
        };
        if let Some((mut low, low_off)) = before
            && (off > 0.0) != (low_off > 0.0)
        {
            let mut high = rs;
            for _ in 0..HALVINGS {
                let middle = 0.5 * (low + high);
                let (_, off) = crest_slope(sheet, a, middle)?;
                if (off > 0.0) == (low_off > 0.0) { low = middle } else { high = middle }
            }
            return crest_slope(sheet, a, 0.5 * (low + high)).map(|(diode, _)| diode);
        }
        before = Some((rs, off));
    }
    None
}

/// The diode of equations 1 to 3, and dP/dV at Vmp (A); none where its shunt or its saturation current
/// would be negative.
fn crest_slope(sheet: &DataSheet, a: f64, rs: f64) -> Option<(SingleDiode, f64)> {
    let voc = sheet.voc.0;
    let floor = (-voc / a).exp();
    let row = |volts: f64, amps: f64| {
        let x = volts + amps * rs;
        ([1.0, floor - ((x - voc) / a).exp(), -x], amps)
    };
    let mut rows = [row(0.0, sheet.isc.0), row(voc, 0.0), row(sheet.vmp.0, sheet.imp.0)];
    let [il, forward, leak] = reduce(&mut rows).solve()?;
    if !(il > 0.0 && forward > 0.0 && leak >= 0.0) {
        return None;
    }
    let shunt = Ohms(1.0 / leak);
    let diode =
        SingleDiode::new(Amps(il), Amps(forward * floor), Ohms(rs), shunt, Volts(a)).ok()?;
    let x = sheet.vmp.0 + sheet.imp.0 * rs;
    let conductance = forward * ((x - voc) / a).exp() / a + leak;
    Some((diode, sheet.imp.0 - sheet.vmp.0 * conductance / (1.0 + rs * conductance)))
}
