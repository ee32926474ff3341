//! The single-diode equation: current, voltage and crest of one photovoltaic source.
//!
//! Model, with the diode's voltage `x = V + I Rs`:
//!
//! `I = IL - I0 (exp(x/a) - 1) - x/Rsh`
//!
//! `IL` photocurrent (A), `I0` saturation current (A), `Rs`, `Rsh` series and shunt resistance
//! (ohm), `a = n Ns k T/q` modified ideality (V). Valid for `IL >= 0`, any voltage of either sign;
//! reverse breakdown is not part of it. Both directions are closed in the Wright omega function
//! (`w + ln w = l`), evaluated in logarithms: nothing overflows.
//!
//! - `I(V)`: `w = (Rs I0/(k a)) exp(x/a)`, `k = 1 + Rs/Rsh`, `l = ln(Rs I0/(k a)) + (V + Rs (IL +
//!   I0))/(k a)`; then `I = (IL + I0 - V/Rsh)/k - (a/Rs) w`.
//! - `V(I)`: `u = (Rsh I0/a) exp(x/a)`, `l = ln(Rsh I0/a) + Rsh (IL + I0 - I)/a`.
//! - crest: `dP/dx = I (1 + 2 g Rs) - g x` with `g = -dI/dx` changes its sign once over `x > 0`,
//!   because `I(V)` is concave and falling; bracketed Halley steps, one `exp` each.
//!
//! Rejected: Lambert's `W` of `e^l` (overflows near `l` = 709, that is at ordinary shunts), Newton
//! on `I` (up to thirty steps from a poor start), golden-section search for the crest (slow, and
//! half the digits).

use super::error::{ParameterError, Range};
use super::omega::{SMALL, exp_m1, omega, small_exp_m1, tabled};
use crate::quantities::{Amps, Ohms, Volts, Watts};

pub(super) const PHOTOCURRENT: Range =
    Range { name: "photocurrent", unit: Amps::UNIT, low: 0.0, high: 1e6 };
pub(super) const SATURATION: Range =
    Range { name: "saturation current", unit: Amps::UNIT, low: 1e-200, high: 1e3 };
pub(super) const SERIES: Range =
    Range { name: "series resistance", unit: Ohms::UNIT, low: 0.0, high: 1e6 };
pub(super) const SHUNT: Range =
    Range { name: "shunt resistance", unit: Ohms::UNIT, low: 1e-6, high: f64::INFINITY };
pub(super) const IDEALITY: Range =
    Range { name: "modified ideality", unit: Volts::UNIT, low: 1e-4, high: 1e5 };

/// Series resistance (ohm) below which it is left out: `I Rs` is lost in the rounding of `V`.
pub(super) const LEAST_SERIES: f64 = 1e-30;
/// Shunt resistance (ohm) above which it is left out: `V/Rsh` is lost in the rounding of `I0`.
pub(super) const LARGEST_SHUNT: f64 = 1e60;
/// Share of a current in the shunt up to which the diode's voltage is found from the diode alone.
pub(super) const HALF: f64 = 0.5;
/// A Halley step, in units of `a`, whose cube is below rounding.
pub(super) const LAST_STEP: f64 = 1e-5;
/// Photocurrent, in saturation currents, below which a source counts as dark: `I0`'s own rounding is
/// then a visible part of it.
const DARKNESS: f64 = 1e-9;
/// Voltages and currents are held within this, so that no product of theirs overflows.
const LARGEST_ARGUMENT: f64 = 1e100;

/// One photovoltaic source at given conditions.
///
/// ```
/// use cresthold_sim::device::single_diode::SingleDiode;
/// use cresthold_sim::quantities::{Amps, Ohms, Volts};
/// # fn main() -> Result<(), cresthold_sim::device::ParameterError> {
/// // pvlib's test of bishop88 and singlediode: Voc 8.106300146586 V, Pmp 38.19421054758 W.
/// let cell = SingleDiode::new(Amps(7.0), Amps(6e-7), Ohms(0.1), Ohms(20.0), Volts(0.5))?;
/// assert!((cell.open_circuit().0 - 8.106300146586).abs() < 1e-11);
/// assert!((cell.crest().watts.0 - 38.19421054758).abs() < 1e-10);
/// # Ok(())
/// # }
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SingleDiode {
    /// `IL` (A).
    pub(super) il: f64,
    /// `I0` (A) and its logarithm.
    pub(super) i0: f64,
    pub(super) ln_i0: f64,
    /// `Rs` (ohm); zero when negligible.
    pub(super) rs: f64,
    /// `1/Rsh` (S); zero when negligible.
    pub(super) gsh: f64,
    /// `a` (V) and its inverse.
    pub(super) a: f64,
    pub(super) inv_a: f64,
    /// The current's omega, `w = omega(offset + slope V)`.
    offset: f64,
    slope: f64,
    /// `I = base - leak V - per_omega w`: (A), (S) and (A).
    base: f64,
    leak: f64,
    /// Zero without series resistance, where the diode takes `exp(offset + slope V)`.
    per_omega: f64,
}

/// The point of largest power.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Crest {
    /// Voltage at the crest (V).
    pub volts: Volts,
    /// Current at the crest (A).
    pub amps: Amps,
    /// Power at the crest (W).
    pub watts: Watts,
}

impl Crest {
    pub(super) fn at(volts: f64, amps: f64) -> Self {
        Self { volts: Volts(volts), amps: Amps(amps), watts: Watts(volts * amps) }
    }
}

/// The five numbers that sum a curve up.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CurveSummary {
    /// Short-circuit current (A).
    pub isc: Amps,
    /// Open-circuit voltage (V).
    pub voc: Volts,
    /// Voltage at the crest (V).
    pub vmp: Volts,
    /// Current at the crest (A).
    pub imp: Amps,
    /// Power at the crest (W).
    pub pmp: Watts,
}

impl SingleDiode {
    /// A source with photocurrent `IL` (A, 0..=1e6), saturation current `I0` (A, 1e-200..=1e3),
    /// series and shunt resistance (ohm, 0..=1e6 and 1e-6..=inf) and modified ideality
    /// `a = n Ns k T/q` (V, 1e-4..=1e5).
    ///
    /// # Errors
    /// [`ParameterError`] names the first parameter outside its range.
    #[inline]
    pub fn new(
        photocurrent: Amps,
        saturation: Amps,
        series: Ohms,
        shunt: Ohms,
        ideality: Volts,
    ) -> Result<Self, ParameterError> {
        PHOTOCURRENT.check(photocurrent.0)?;
        SATURATION.check(saturation.0)?;
        SERIES.check(series.0)?;
        SHUNT.check(shunt.0)?;
        IDEALITY.check(ideality.0)?;
        let saturation = (saturation.0, saturation.0.ln());
        Ok(Self::assemble(photocurrent.0, saturation, series.0, 1.0 / shunt.0, ideality.0))
    }

    /// From numbers known to lie within their ranges: `IL` (A), `I0` (A) with its logarithm, `Rs`
    /// (ohm), `1/Rsh` (S), `a` (V).
    #[inline]
    pub(super) fn assemble(il: f64, (i0, ln_i0): (f64, f64), rs: f64, gsh: f64, a: f64) -> Self {
        let gsh = if gsh > 1.0 / LARGEST_SHUNT { gsh } else { 0.0 };
        let inv_a = 1.0 / a;
        let sum = il + i0;
        if rs < LEAST_SERIES {
            let (offset, slope, base, leak, per_omega) = (ln_i0, inv_a, sum, gsh, 0.0);
            return Self {
                il,
                i0,
                ln_i0,
                rs: 0.0,
                gsh,
                a,
                inv_a,
                offset,
                slope,
                base,
                leak,
                per_omega,
            };
        }
        let inv_k = 1.0 / (1.0 + rs * gsh);
        let slope = inv_k * inv_a;
        let offset = (i0 * rs * slope).ln() + rs * sum * slope;
        let (base, leak, per_omega) = (sum * inv_k, gsh * inv_k, a / rs);
        Self { il, i0, ln_i0, rs, gsh, a, inv_a, offset, slope, base, leak, per_omega }
    }

    /// The same source behind `more` (ohm) in series.
    pub(super) fn with_more_series(&self, more: f64) -> Self {
        Self::assemble(self.il, (self.i0, self.ln_i0), self.rs + more, self.gsh, self.a)
    }

    /// Photocurrent `IL` (A).
    #[must_use]
    pub fn photocurrent(&self) -> Amps {
        Amps(self.il)
    }

    /// Saturation current `I0` (A).
    #[must_use]
    pub fn saturation(&self) -> Amps {
        Amps(self.i0)
    }

    /// Series resistance `Rs` (ohm).
    #[must_use]
    pub fn series(&self) -> Ohms {
        Ohms(self.rs)
    }

    /// Shunt resistance `Rsh` (ohm), infinite where there is none.
    #[must_use]
    pub fn shunt(&self) -> Ohms {
        Ohms(1.0 / self.gsh)
    }

    /// Modified ideality `a = n Ns k T/q` (V).
    #[must_use]
    pub fn ideality(&self) -> Volts {
        Volts(self.a)
    }

    /// Current (A) at a terminal voltage (V, any sign).
    ///
    /// Accurate to a few 1e-15 of the largest of `IL`, the diode's and the shunt's current. Without
    /// series resistance the exponential is held at the largest finite number.
    #[must_use]
    #[inline]
    pub fn current(&self, volts: Volts) -> Amps {
        Amps(self.amps_at(volts.0))
    }

    /// [`Self::current`] in bare numbers: A at V.
    #[inline]
    pub(super) fn amps_at(&self, volts: f64) -> f64 {
        match tabled(self.offset + self.slope * volts) {
            Some(w) if self.per_omega > 0.0 => self.base - self.leak * volts - self.per_omega * w,
            _ => self.amps_aside(volts),
        }
    }

    /// [`Self::amps_at`] without series resistance or where omega is not in its table.
    fn amps_aside(&self, volts: f64) -> f64 {
        let v = volts.clamp(-LARGEST_ARGUMENT, LARGEST_ARGUMENT);
        let l = self.offset + self.slope * v;
        let diode = if self.per_omega > 0.0 { self.per_omega * omega(l) } else { l.exp() };
        (self.base - self.leak * v - diode).clamp(-f64::MAX, f64::MAX)
    }

    /// Currents (A) at many voltages (V), as [`Self::current`]; stops at the shorter slice.
    pub fn currents(&self, volts: &[Volts], amps: &mut [Amps]) {
        for (v, i) in volts.iter().zip(amps) {
            *i = self.current(*v);
        }
    }

    /// Voltage (V) at a current (A, any sign).
    ///
    /// Above `IL + I0` only the shunt carries the excess: the voltage is negative, and negative
    /// infinity where there is no shunt. Accurate to a few 1e-15 of `40 a + I Rs`.
    #[must_use]
    #[inline]
    pub fn voltage(&self, amps: Amps) -> Volts {
        Volts(self.volts_at(amps.0))
    }

    /// [`Self::voltage`] in bare numbers: V at A.
    #[inline]
    pub(super) fn volts_at(&self, amps: f64) -> f64 {
        let i = amps.clamp(-LARGEST_ARGUMENT, LARGEST_ARGUMENT);
        self.diode_volts(i) - i * self.rs
    }

    /// Diode voltage `x` (V) at a current (A).
    #[inline]
    pub(super) fn diode_volts(&self, amps: f64) -> f64 {
        let forward = (self.il - amps) + self.i0;
        if forward > 0.0 {
            self.shunted(forward, self.a * (forward.ln() - self.ln_i0))
        } else if self.gsh > 0.0 {
            self.shunt_dominated(forward)
        } else {
            f64::NEG_INFINITY
        }
    }

    /// Diode voltage (V) at which diode and shunt carry `forward` (A, above zero), given the voltage
    /// at which the diode alone would.
    ///
    /// `x = alone + a d` leaves `exp(d) - 1 + b + c d = 0`, `b = alone/(Rsh forward)`,
    /// `c = a/(Rsh forward)`: Halley steps from `d = 0` where the shunt takes less than half.
    #[inline]
    fn shunted(&self, forward: f64, alone: f64) -> f64 {
        let inverse = self.gsh / forward;
        let (b, c) = (alone * inverse, self.a * inverse);
        if b.abs() > HALF {
            return self.shunt_dominated(forward);
        }
        let halley = |f: f64, grown: f64| {
            let slope = grown + 1.0 + c;
            -2.0 * f * slope / (2.0 * slope * slope - f * (1.0 + grown))
        };
        let d = halley(b, 0.0);
        let grown = if d.abs() <= SMALL { small_exp_m1(d) } else { exp_m1(d) };
        let step = halley(grown + b + c * d, grown);
        if step.abs() <= LAST_STEP {
            return alone + self.a * (d + step);
        }
        let grown = grown + (1.0 + grown) * small_exp_m1(step);
        let d = d + step;
        alone + self.a * (d + halley(grown + b + c * d, grown))
    }

    /// The same by omega, for any current (A) and a finite shunt.
    fn shunt_dominated(&self, forward: f64) -> f64 {
        let log = (self.a * self.gsh).ln();
        let shunt_only = forward / self.gsh;
        let u = omega(self.ln_i0 - log + shunt_only * self.inv_a);
        // Whichever form does not cancel: the diode's logarithm or the shunt's straight line.
        if u > 1.0 {
            self.a * ((u * self.a * self.gsh).ln() - self.ln_i0)
        } else {
            shunt_only - self.a * u
        }
    }

    /// Short-circuit current (A); zero in the dark.
    #[must_use]
    pub fn short_circuit(&self) -> Amps {
        Amps(if self.is_dark() { 0.0 } else { self.amps_at(0.0) })
    }

    /// Open-circuit voltage (V); zero in the dark.
    #[must_use]
    pub fn open_circuit(&self) -> Volts {
        Volts(if self.is_dark() {
            0.0
        } else {
            self.shunted(self.il + self.i0, self.ideal_open_circuit())
        })
    }

    /// The point of largest power; all zero in the dark.
    #[must_use]
    pub fn crest(&self) -> Crest {
        if self.is_dark() {
            return Crest::default();
        }
        let ceiling = self.ideal_open_circuit();
        self.climb(self.crest_guess(ceiling), ceiling)
    }

    /// [`Self::crest`], started at an earlier crest; exact however far that is, faster when near.
    #[must_use]
    pub fn crest_near(&self, previous: Crest) -> Crest {
        let start = previous.volts.0 + previous.amps.0 * self.rs;
        if self.is_dark() || start.is_nan() || start <= 0.0 {
            return self.crest();
        }
        // From beyond the ceiling each step would come down by only two `a`.
        let ceiling = self.ideal_open_circuit();
        self.climb(start.min(ceiling), ceiling)
    }

    /// Isc, Voc and the crest.
    #[must_use]
    pub fn summary(&self) -> CurveSummary {
        if self.is_dark() {
            return CurveSummary::default();
        }
        let ceiling = self.ideal_open_circuit();
        let crest = self.climb(self.crest_guess(ceiling), ceiling);
        CurveSummary {
            isc: self.short_circuit(),
            voc: Volts(self.shunted(self.il + self.i0, ceiling)),
            vmp: crest.volts,
            imp: crest.amps,
            pmp: crest.watts,
        }
    }

    /// Whether there is no light to speak of: `IL` below 1e-9 `I0`.
    #[must_use]
    pub fn is_dark(&self) -> bool {
        self.il <= DARKNESS * self.i0
    }

    /// `a ln(1 + IL/I0)` (V): the open circuit without shunt, above the crest's diode voltage.
    pub(super) fn ideal_open_circuit(&self) -> f64 {
        // Where `IL` is not far above `I0`, a difference of logarithms would cancel.
        let log = if self.il > 1e3 * self.i0 {
            (self.il + self.i0).ln() - self.ln_i0
        } else {
            (self.il / self.i0).ln_1p()
        };
        self.a * log
    }
}
