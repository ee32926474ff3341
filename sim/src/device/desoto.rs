//! A device's parameters at standard conditions, and their scaling to any others.
//!
//! Model (De Soto, Klein, Beckman 2006, Solar Energy 80, 78-88, section 3), `G` irradiance (W/m2),
//! `T` cell temperature (K), reference 1000 W/m2 and 298.15 K:
//!
//! - `IL = (G/Gref) (ILref + alpha (T - Tref))`
//! - `I0 = I0ref (T/Tref)^3 exp(EgRef/(k Tref) - Eg/(k T))`, `Eg = EgRef (1 + d (T - Tref))`
//! - `Rsh = RshRef Gref/G`, `a = aRef T/Tref`, `Rs` constant
//!
//! With `D = T - Tref` the exponent is `(D/T) (EgRef/k) (1/Tref - d)`: no cancellation, and exactly
//! zero at the reference. The saturation current is carried as its logarithm.
//!
//! Rejected: `Rs` and `a` depending on irradiance (more parameters than a data sheet fixes) and a
//! spectral factor (the sky's business, which scales the irradiance).

use super::error::{ParameterError, Range};
use super::single_diode::SingleDiode;
use crate::quantities::{Celsius, Irradiance, STC_IRRADIANCE, STC_TEMPERATURE};

/// Boltzmann's constant (eV/K), exact quotient of the SI's k and e (SI Brochure, 9th edition).
const BOLTZMANN_EV: f64 = 1.380_649e-23 / 1.602_176_634e-19;
/// Temperatures (degC) are held within this range; beyond it the scaling has no meaning.
const COLDEST: f64 = -150.0;
const HOTTEST: f64 = 300.0;
/// Irradiance (W/m2) is held below this, a thousand suns.
const BRIGHTEST: f64 = 1e6;
/// Least `ln I0` reached by cooling; the exponential of less is no normal number.
const LEAST_LN_SATURATION: f64 = -690.0;

const ALPHA: Range = Range {
    name: "temperature coefficient of the short-circuit current",
    unit: "A/K",
    low: -1e3,
    high: 1e3,
};
const GAP: Range = Range { name: "band gap", unit: "eV", low: 0.1, high: 10.0 };
const GAP_SLOPE: Range =
    Range { name: "relative change of the band gap", unit: "1/K", low: -0.01, high: 0.003 };
const PARTS: Range = Range { name: "number of parts", unit: "", low: 1.0, high: 1e4 };

/// Band gap at 25 degC and its relative change with temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandGap {
    /// At 25 degC (eV, 0.1..=10).
    pub ev: f64,
    /// Relative change per kelvin (1/K, -0.01..=0.003).
    pub per_kelvin: f64,
}

impl BandGap {
    /// Crystalline silicon: 1.121 eV, -0.0002677 /K (De Soto et al. 2006, section 3.1).
    pub const SILICON: Self = Self { ev: 1.121, per_kelvin: -0.000_267_7 };
}

/// A device at standard conditions (1000 W/m2, 25 degC) and how it changes with them.
///
/// ```
/// use cresthold_sim::device::{desoto::{BandGap, Reference}, single_diode::SingleDiode};
/// use cresthold_sim::quantities::{Amps, Celsius, Irradiance, Ohms, Volts};
/// # fn main() -> Result<(), cresthold_sim::device::ParameterError> {
/// // pvlib 0.16.1's calcparams_desoto: at 800 W/m2, 50 degC IL 6.096 A, I0 9.45497e-8 A.
/// let stc = SingleDiode::new(Amps(7.545), Amps(1.94e-9), Ohms(0.094), Ohms(15.72), Volts(0.473))?;
/// let warm = Reference::new(stc, 0.003, BandGap::SILICON)?.at(Irradiance(800.0), Celsius(50.0));
/// assert!((warm.photocurrent().0 - 6.096).abs() < 1e-9);
/// assert!((warm.saturation().0 / 9.45497e-8 - 1.0).abs() < 1e-6);
/// # Ok(())
/// # }
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reference {
    stc: SingleDiode,
    /// A/K.
    alpha: f64,
    gap: BandGap,
    /// `(EgRef/k) (1/Tref - d)`, per unit of `D/T`.
    exponent: f64,
}

impl Reference {
    /// From the source at standard conditions, the temperature coefficient of its short-circuit
    /// current (A/K) and its band gap.
    ///
    /// # Errors
    /// [`ParameterError`] names the first parameter outside its range.
    pub fn new(stc: SingleDiode, alpha_sc: f64, gap: BandGap) -> Result<Self, ParameterError> {
        ALPHA.check(alpha_sc)?;
        GAP.check(gap.ev)?;
        GAP_SLOPE.check(gap.per_kelvin)?;
        let exponent = gap.ev / BOLTZMANN_EV * (1.0 / STC_TEMPERATURE.kelvin() - gap.per_kelvin);
        Ok(Self { stc, alpha: alpha_sc, gap, exponent })
    }

    /// The source at standard conditions.
    #[must_use]
    pub fn stc(&self) -> &SingleDiode {
        &self.stc
    }

    /// Temperature coefficient of the short-circuit current (A/K).
    #[must_use]
    pub fn alpha_sc(&self) -> f64 {
        self.alpha
    }

    /// The band gap.
    #[must_use]
    pub fn gap(&self) -> BandGap {
        self.gap
    }

    /// One of `parts` equal parts in series: a module's substring, or a substring's cell.
    ///
    /// # Errors
    /// [`ParameterError`] unless 1 <= `parts` <= 10 000 and the part's parameters are in range.
    pub fn part(&self, parts: usize) -> Result<Self, ParameterError> {
        let n = parts as f64;
        PARTS.check(n)?;
        let whole = &self.stc;
        let stc = SingleDiode::new(
            whole.photocurrent(),
            whole.saturation(),
            whole.series() / n,
            whole.shunt() / n,
            whole.ideality() / n,
        )?;
        Self::new(stc, self.alpha, self.gap)
    }

    /// The source at an irradiance and a cell temperature.
    ///
    /// Negative or missing (NaN) irradiance counts as darkness, where the shunt is infinite.
    /// Temperature is held within -150..=300 degC, irradiance below 1e6 W/m2; a missing temperature
    /// counts as 25 degC.
    #[must_use]
    pub fn at(&self, irradiance: Irradiance, cell: Celsius) -> SingleDiode {
        let lit = if irradiance.0 > 0.0 { irradiance.0.min(BRIGHTEST) } else { 0.0 };
        let suns = lit / STC_IRRADIANCE.0;
        let celsius = if cell.0.is_nan() { STC_TEMPERATURE.0 } else { cell.0 };
        let above = celsius.clamp(COLDEST, HOTTEST) - STC_TEMPERATURE.0;
        let kelvin = STC_TEMPERATURE.kelvin() + above;
        let ratio = kelvin / STC_TEMPERATURE.kelvin();
        let ln_i0 = self.stc.ln_i0 + 3.0 * ratio.ln() + above / kelvin * self.exponent;
        let ln_i0 = ln_i0.max(LEAST_LN_SATURATION);
        SingleDiode::assemble(
            suns * (self.stc.il + self.alpha * above).max(0.0),
            (ln_i0.exp(), ln_i0),
            self.stc.rs,
            self.stc.gsh * suns,
            self.stc.a * ratio,
        )
    }
}
