//! The generator model that the standards on tracking efficiency test with.
//!
//! Model (EN 50530:2010+A1:2013 and IEC 62891:2020, Annex C; equations and crystalline constants read
//! in a published research script, thin-film constants from memory), `G` irradiance (W/m2), `T` cell
//! temperature (degC), `d = T - 25`, `g = G/1000`:
//!
//! - `I(U) = Isc - I0 (exp(U/(Uoc CAQ)) - 1)`
//! - `Isc = IscSTC g (1 + alpha d)`, `IscSTC = ImppSTC/FFi`
//! - `Uoc = UocSTC (1 + beta d) (CV ln(G/CG + 1) - CR G)`, `UocSTC = UmppSTC/FFu`
//! - `I0 = IscSTC (1 - FFi)^(1/(1 - FFu)) g`, `CAQ = (FFu - 1)/ln(1 - FFi)`
//!
//! The crest is closed: with `x = U/(Uoc CAQ)`, `dP/dU = 0` is `(1 + x) exp(1 + x) = e (1 + Isc/I0)`,
//! so `1 + x = omega(1 + ln(1 + Isc/I0))`, the Wright omega function. `Isc/I0` does not depend on `G`.
//!
//! **A trap**: hence `Umpp/Uoc` is one number at every irradiance, and a tracker that holds a share of
//! the open-circuit voltage looks exact. A real device has a series resistance that tells otherwise:
//! score every tracker on a single-diode device, too.
//!
//! `Uoc` is the model's name for a scale: the current there is `I0`, not zero. [`open_circuit`] is
//! where the current is zero.
//!
//! Rejected: the model's own temperature of the generator over irradiance (an option there; a
//! [`Scene`](crate::scene::Scene) says how warm it is).
//!
//! [`open_circuit`]: StandardGenerator::open_circuit

use super::error::{ParameterError, Range};
use super::omega::omega;
use super::single_diode::Crest;
use crate::quantities::{Amps, Celsius, Irradiance, Ohms, STC_IRRADIANCE, STC_TEMPERATURE, Volts};

const RATED_VOLTS: Range =
    Range { name: "rated voltage at the crest", unit: Volts::UNIT, low: 0.1, high: 1e4 };
const RATED_AMPS: Range =
    Range { name: "rated current at the crest", unit: Amps::UNIT, low: 1e-3, high: 1e4 };
/// Temperatures (degC) are held within this range: the model is linear in them.
const COLDEST: f64 = -100.0;
const HOTTEST: f64 = 200.0;
/// Irradiance (W/m2) below which it counts as dark, and above which it is held: `CR G` is then still
/// small beside the logarithm.
const DARK: f64 = 1e-6;
const BRIGHTEST: f64 = 3_000.0;

/// Which of the standards' two generators.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Technology {
    /// Crystalline silicon.
    Crystalline,
    /// Thin film.
    ThinFilm,
}

/// The constants of one technology.
#[derive(Clone, Copy, Debug)]
struct Constants {
    /// `Umpp/Uoc` and `Impp/Isc` at standard conditions, nominally.
    ff_u: f64,
    ff_i: f64,
    /// `CG` (W/m2), `CV` (1) and `CR` (m2/W) of the open-circuit voltage.
    c_g: f64,
    c_v: f64,
    c_r: f64,
    /// Relative temperature coefficients of current and voltage (1/K).
    alpha: f64,
    beta: f64,
}

impl Technology {
    /// Annex C, table C.1.
    const fn constants(self) -> Constants {
        match self {
            Self::Crystalline => Constants {
                ff_u: 0.80,
                ff_i: 0.90,
                c_g: 2.514e-3,
                c_v: 8.593e-2,
                c_r: 1.088e-4,
                alpha: 4e-4,
                beta: -4e-3,
            },
            Self::ThinFilm => Constants {
                ff_u: 0.72,
                ff_i: 0.80,
                c_g: 1.252e-3,
                c_v: 8.419e-2,
                c_r: 1.476e-4,
                alpha: 2e-4,
                beta: -2e-3,
            },
        }
    }
}

/// A generator after the standards' model, at the conditions last set; standard ones at first.
///
/// ```
/// use cresthold_sim::device::standard::{StandardGenerator, Technology};
/// use cresthold_sim::quantities::{Amps, Celsius, Irradiance, Volts};
/// # fn main() -> Result<(), cresthold_sim::device::ParameterError> {
/// // Section 1 of the project's facts: 94.594208 V and 189.585081 W at 200 W/m2, computed from the
/// // same equations before this code was written.
/// let mut generator = StandardGenerator::new(Technology::Crystalline, Volts(100.0), Amps(10.0))?;
/// generator.set_conditions(Irradiance(200.0), Celsius(25.0));
/// let crest = generator.crest();
/// assert!((crest.volts.0 - 94.594208).abs() < 1e-6);
/// assert!((crest.watts.0 - 189.585081).abs() < 1e-6);
/// # Ok(())
/// # }
/// ```
#[derive(Clone, Debug)]
pub struct StandardGenerator {
    constants: Constants,
    /// `UocSTC` (V), `IscSTC` (A), and `I0/g` (A).
    volts_stc: f64,
    amps_stc: f64,
    saturation: f64,
    c_aq: f64,
    /// The temperature (degC) that `warmth` holds for.
    cell: f64,
    warmth: Warmth,
    /// `Uoc CAQ` (V) and its inverse; zero in the dark.
    scale: f64,
    inverse: f64,
    /// `Isc` and `I0` (A).
    isc: f64,
    i0: f64,
}

/// What depends on temperature alone.
#[derive(Clone, Copy, Debug, Default)]
struct Warmth {
    /// Factors on current and voltage.
    amps: f64,
    volts: f64,
    /// `x` of the crest and of open circuit.
    crest: f64,
    open: f64,
}

impl StandardGenerator {
    /// A generator rated `volts` (V, 0.1..=1e4) and `amps` (A, 1e-3..=1e4) at its crest under
    /// standard conditions.
    ///
    /// # Errors
    /// [`ParameterError`] names the parameter outside its range.
    pub fn new(technology: Technology, volts: Volts, amps: Amps) -> Result<Self, ParameterError> {
        RATED_VOLTS.check(volts.0)?;
        RATED_AMPS.check(amps.0)?;
        let constants = technology.constants();
        let Constants { ff_u, ff_i, .. } = constants;
        let amps_stc = amps.0 / ff_i;
        let mut generator = Self {
            constants,
            volts_stc: volts.0 / ff_u,
            amps_stc,
            saturation: amps_stc * (1.0 - ff_i).powf(1.0 / (1.0 - ff_u)),
            c_aq: (ff_u - 1.0) / (1.0 - ff_i).ln(),
            cell: f64::NAN,
            warmth: Warmth::default(),
            scale: 0.0,
            inverse: 0.0,
            isc: 0.0,
            i0: 0.0,
        };
        generator.set_conditions(STC_IRRADIANCE, STC_TEMPERATURE);
        Ok(generator)
    }

    /// Sets irradiance (W/m2) and cell temperature (degC). An irradiance that is negative or no
    /// number counts as darkness, a temperature that is no number as 25 degC.
    pub fn set_conditions(&mut self, irradiance: Irradiance, cell: Celsius) {
        let cell = if cell.0.is_nan() { STC_TEMPERATURE.0 } else { cell.0 };
        if cell.to_bits() != self.cell.to_bits() {
            self.warm(cell);
        }
        let light = irradiance.0;
        if light.is_nan() || light < DARK {
            (self.scale, self.inverse, self.isc, self.i0) = (0.0, 0.0, 0.0, 0.0);
            return;
        }
        let light = light.min(BRIGHTEST);
        let Constants { c_g, c_v, c_r, .. } = self.constants;
        let suns = light / STC_IRRADIANCE.0;
        let open = self.volts_stc * self.warmth.volts * (c_v * (light / c_g).ln_1p() - c_r * light);
        self.scale = open * self.c_aq;
        self.inverse = 1.0 / self.scale;
        self.isc = self.amps_stc * suns * self.warmth.amps;
        self.i0 = self.saturation * suns;
    }

    fn warm(&mut self, cell: f64) {
        self.cell = cell;
        let above = cell.clamp(COLDEST, HOTTEST) - STC_TEMPERATURE.0;
        let amps = 1.0 + self.constants.alpha * above;
        let log = (self.amps_stc * amps / self.saturation).ln_1p();
        self.warmth = Warmth {
            amps,
            volts: 1.0 + self.constants.beta * above,
            crest: omega(1.0 + log) - 1.0,
            open: log,
        };
    }

    /// Current (A) at a voltage (V, any sign).
    #[must_use]
    pub fn current(&self, volts: Volts) -> Amps {
        Amps(self.isc - self.i0 * (volts.0 * self.inverse).exp_m1())
    }

    /// Current (A) at the voltage (V, any sign) behind a resistance (ohm, 0 and above) in series with
    /// it, as leads are: `V = V_device(I) - I R`.
    ///
    /// With `s = Uoc CAQ` and `y = (I0 R/s) exp((V + I R)/s)` the equation is
    /// `y + ln y = ln(I0 R/s) + (V + (Isc + I0) R)/s`, the Wright omega function of the right side,
    /// and `I = Isc + I0 - y s/R`.
    #[must_use]
    pub fn current_behind(&self, volts: Volts, lead: Ohms) -> Amps {
        if lead.0 <= 0.0 || self.scale <= 0.0 {
            return self.current(volts);
        }
        let amps = self.isc + self.i0;
        let stiffness = lead.0 * self.inverse;
        let y = omega((self.i0 * stiffness).ln() + volts.0 * self.inverse + amps * stiffness);
        Amps(amps - y / stiffness)
    }

    /// The voltage without current (V).
    #[must_use]
    pub fn open_circuit(&self) -> Volts {
        Volts(self.scale * self.warmth.open)
    }

    /// The crest; all zero in the dark.
    #[must_use]
    pub fn crest(&self) -> Crest {
        let volts = self.scale * self.warmth.crest;
        Crest::at(volts, self.current(Volts(volts)).0)
    }
}
