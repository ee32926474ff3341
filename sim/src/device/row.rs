//! A device: substrings in series, each with its own light and its bypass diode.
//!
//! Model: a substring is a single-diode source ([`Reference`] scaled to its irradiance). Its bypass
//! diode is a straight line: nothing above `-threshold`; below, the substring's cells keep the
//! current `K` they have at `-threshold` (the knee) and the diode carries the rest with
//! `V = -threshold - slope (I - K)`. Keeping `K` neglects the further rise of the cells' current in
//! reverse, at most `slope I/Rsh`, some milliamperes. The law is explicit both ways.
//!
//! Substrings that see the same are solved as one group; a uniform device costs one single-diode
//! solution. Everything else is in [`super::segments`].
//!
//! Rejected: an exponential bypass diode (a second implicit equation per substring for a drop that
//! changes by 0.1 V over the whole range of currents).

use super::desoto::Reference;
use super::error::{ParameterError, Range};
use super::segments::{Group, Segments};
use super::single_diode::{Crest, CurveSummary};
use crate::quantities::{Amps, Celsius, Irradiance, Ohms, STC_IRRADIANCE, STC_TEMPERATURE, Volts};

const MISMATCH: Range = Range { name: "mismatch factor", unit: "", low: 0.0, high: 2.0 };
const THRESHOLD: Range =
    Range { name: "bypass diode's threshold", unit: Volts::UNIT, low: 0.0, high: 5.0 };
const SLOPE: Range =
    Range { name: "bypass diode's slope", unit: Ohms::UNIT, low: 1e-4, high: 10.0 };
const SUBSTRINGS: Range = Range { name: "number of substrings", unit: "", low: 1.0, high: 1e4 };

/// What lies across a substring, against reverse bias.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Bypass {
    /// Nothing: the substring's shunt alone carries what its cells can't.
    None,
    /// A diode as a straight line.
    Diode {
        /// Forward voltage where it begins to conduct (V, 0..=5).
        threshold: Volts,
        /// Differential resistance beyond (ohm, 1e-4..=10).
        slope: Ohms,
    },
}

impl Bypass {
    /// A Schottky diode of the 15 A class: 0.3 V and 10 milliohm, 0.4 V at 10 A (invented, of the
    /// usual size).
    pub const SCHOTTKY: Self = Self::Diode { threshold: Volts(0.3), slope: Ohms(0.01) };

    fn check(self) -> Result<(), ParameterError> {
        match self {
            Self::None => Ok(()),
            Self::Diode { threshold, slope } => {
                THRESHOLD.check(threshold.0)?;
                SLOPE.check(slope.0)
            }
        }
    }
}

/// One substring of a device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Substring {
    /// Its source at standard conditions.
    pub reference: Reference,
    /// Factor on the irradiance it sees (0..=2, one for a perfect part).
    pub mismatch: f64,
    /// Its bypass diode.
    pub bypass: Bypass,
}

/// A photovoltaic device at the conditions last set; standard conditions at first.
///
/// Nothing here allocates after construction. The cost of a solution grows with the square of the
/// number of groups of substrings that see the same; a uniform device is one group.
///
/// ```
/// use cresthold_sim::device::examples;
/// use cresthold_sim::quantities::{Celsius, Irradiance, Volts};
/// let mut module = examples::crystalline_module();
/// module.set_conditions(Irradiance(500.0), Celsius(25.0));
/// // Section 8 of the project's facts: 135.98831 W at 31.115919 V, computed with pvlib.
/// let crest = module.crest();
/// assert!((crest.watts.0 - 135.988).abs() < 1e-2);
/// assert!(module.current(crest.volts + Volts(1.0)) < crest.amps);
/// ```
#[derive(Clone, Debug)]
pub struct Device {
    substrings: Vec<Substring>,
    /// For each substring, the first one with the same reference and bypass.
    kinds: Vec<usize>,
    /// Substrings equal in all, as (first, count): the groups of a uniform sky.
    alike: Vec<(usize, f64)>,
    segments: Segments,
}

impl Device {
    /// A row of substrings in series.
    ///
    /// # Errors
    /// [`ParameterError`] for an empty row, a mismatch factor or a bypass diode out of range.
    pub fn new(substrings: Vec<Substring>) -> Result<Self, ParameterError> {
        SUBSTRINGS.check(substrings.len() as f64)?;
        for part in &substrings {
            MISMATCH.check(part.mismatch)?;
            part.bypass.check()?;
        }
        let same_kind =
            |a: &Substring, b: &Substring| a.reference == b.reference && a.bypass == b.bypass;
        let mut kinds = Vec::with_capacity(substrings.len());
        let mut alike: Vec<(usize, f64)> = Vec::new();
        for (index, part) in substrings.iter().enumerate() {
            let kind = substrings.iter().position(|first| same_kind(first, part));
            kinds.push(kind.unwrap_or(index));
            match alike.iter_mut().find(|(first, _)| substrings[*first] == *part) {
                Some((_, count)) => *count += 1.0,
                None => alike.push((index, 1.0)),
            }
        }
        let segments = Segments::with_capacity(substrings.len());
        let mut device = Self { substrings, kinds, alike, segments };
        device.set_conditions(STC_IRRADIANCE, STC_TEMPERATURE);
        Ok(device)
    }

    /// A module: `reference` describes the whole of it, divided into equal substrings.
    ///
    /// # Errors
    /// As [`Self::new`] and [`Reference::part`].
    pub fn module(
        reference: Reference,
        substrings: usize,
        bypass: Bypass,
    ) -> Result<Self, ParameterError> {
        SUBSTRINGS.check(substrings as f64)?;
        let part = Substring { reference: reference.part(substrings)?, mismatch: 1.0, bypass };
        Self::new(vec![part; substrings])
    }

    /// A string of devices in series; conditions set earlier are forgotten.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn string(devices: Vec<Self>) -> Result<Self, ParameterError> {
        Self::new(devices.into_iter().flat_map(|device| device.substrings).collect())
    }

    /// A concentrator receiver: one substring whose conditions are direct irradiance and cell
    /// temperature. `reference` holds at direct irradiance 1000 W/m2, so the optic's concentration
    /// and efficiency are folded into its photocurrent.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn receiver(reference: Reference, bypass: Bypass) -> Result<Self, ParameterError> {
        Self::new(vec![Substring { reference, mismatch: 1.0, bypass }])
    }

    /// The same device with these mismatch factors, one per substring (0..=2); at standard
    /// conditions again.
    ///
    /// # Errors
    /// [`ParameterError`] for a factor out of range or the wrong number of them.
    pub fn with_mismatch(mut self, factors: &[f64]) -> Result<Self, ParameterError> {
        self.one_each("number of mismatch factors", factors.len())?;
        for (part, factor) in self.substrings.iter_mut().zip(factors) {
            part.mismatch = *factor;
        }
        Self::new(self.substrings)
    }

    /// The substrings, in order.
    #[must_use]
    pub fn substrings(&self) -> &[Substring] {
        &self.substrings
    }

    /// The same irradiance and cell temperature everywhere, times each substring's mismatch factor.
    pub fn set_conditions(&mut self, irradiance: Irradiance, cell: Celsius) {
        let Self { substrings, alike, segments, .. } = self;
        segments.clear();
        for (first, count) in alike.iter() {
            let part = &substrings[*first];
            segments.push(group(part, irradiance * part.mismatch, cell, *count));
        }
        segments.arrange();
    }

    /// An irradiance for each substring (times its mismatch factor) and one cell temperature.
    ///
    /// # Errors
    /// [`ParameterError`] unless there is one irradiance per substring; the conditions then stay.
    pub fn set_substring_irradiances(
        &mut self,
        irradiances: &[Irradiance],
        cell: Celsius,
    ) -> Result<(), ParameterError> {
        self.one_each("number of substring irradiances", irradiances.len())?;
        let Self { substrings, kinds, segments, .. } = self;
        segments.clear();
        for (index, (part, given)) in substrings.iter().zip(irradiances).enumerate() {
            let seen = *given * part.mismatch;
            if !segments.join(kinds[index], seen) {
                segments.push(group(part, seen, cell, 1.0).marked(kinds[index], seen));
            }
        }
        segments.arrange();
        Ok(())
    }

    /// Current (A) at a voltage (V, any sign).
    #[must_use]
    pub fn current(&self, volts: Volts) -> Amps {
        Amps(self.segments.amps_at(volts.0, 0.0))
    }

    /// Current (A) at the voltage (V, any sign) behind a resistance (ohm, 0 and above) in series
    /// with it, as leads are: `V = V_device(I) - I R`.
    #[must_use]
    pub fn current_behind(&self, volts: Volts, lead: Ohms) -> Amps {
        Amps(self.segments.amps_at(volts.0, lead.0))
    }

    /// Voltage (V) at a current (A, any sign).
    #[must_use]
    pub fn voltage(&self, amps: Amps) -> Volts {
        Volts(self.segments.volts_at(amps.0))
    }

    /// Short-circuit current (A).
    #[must_use]
    pub fn short_circuit(&self) -> Amps {
        self.current(Volts::ZERO)
    }

    /// Open-circuit voltage (V).
    #[must_use]
    pub fn open_circuit(&self) -> Volts {
        Volts(self.segments.open_circuit())
    }

    /// The global crest: the point of largest power of all; all zero in the dark.
    #[must_use]
    pub fn crest(&self) -> Crest {
        self.segments.crest()
    }

    /// All local crests into `buffer`, from the highest voltage down; the part filled. One per
    /// substring suffices; what doesn't fit is left out.
    pub fn crests<'b>(&self, buffer: &'b mut [Crest]) -> &'b [Crest] {
        let found = self.segments.crests(buffer);
        &buffer[..found]
    }

    /// Isc, Voc and the global crest.
    #[must_use]
    pub fn summary(&self) -> CurveSummary {
        let crest = self.crest();
        CurveSummary {
            isc: self.short_circuit(),
            voc: self.open_circuit(),
            vmp: crest.volts,
            imp: crest.amps,
            pmp: crest.watts,
        }
    }

    fn one_each(&self, name: &'static str, found: usize) -> Result<(), ParameterError> {
        let count = self.substrings.len() as f64;
        Range { name, unit: "", low: count, high: count }.check(found as f64)
    }
}

fn group(part: &Substring, seen: Irradiance, cell: Celsius, count: f64) -> Group {
    let (threshold, slope) = match part.bypass {
        Bypass::None => (f64::INFINITY, 1.0),
        Bypass::Diode { threshold, slope } => (threshold.0, slope.0),
    };
    Group::new(part.reference.at(seen, cell), count, threshold, slope)
}
