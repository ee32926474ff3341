//! The devices that studies try trackers on, by name.

use crate::quantities::{Amps, STC_IRRADIANCE, STC_TEMPERATURE, Volts};
use cresthold_sim::device::single_diode::Crest;
use cresthold_sim::device::standard::{StandardGenerator, Technology};
use cresthold_sim::device::{Device, Source, examples};
use cresthold_sim::scene::layout::Layout;

/// Size of the standards' generators in studies: their crest under standard conditions (V, A).
const STANDARD_SIZE: (Volts, Amps) = (Volts(100.0), Amps(10.0));

/// Modules in the string.
const STRING_MODULES: usize = 4;
/// From one substring to the next (m): three in a module of about a metre.
const PITCH: f64 = 0.35;
/// Substrings of a device that clouds reach all at once.
const SMALL: usize = 3;

/// A device with its name and what its data sheet would say.
#[derive(Clone, Debug)]
pub struct Plant {
    name: String,
    source: Source,
    open_circuit: Volts,
    short_circuit: Amps,
    crest: Crest,
}

impl Plant {
    /// Names of the built-in devices: the standards' two generators, two single-diode modules, a string
    /// of four of the crystalline ones, and a concentrator's receiver.
    pub const NAMES: [&'static str; 6] = [
        "standard-crystalline",
        "standard-thin-film",
        "crystalline-module",
        "thin-film-module",
        "crystalline-string",
        "receiver",
    ];
    /// The three generators of the standard comparison.
    pub const COMPARED: [&'static str; 3] = [Self::NAMES[0], Self::NAMES[1], Self::NAMES[2]];

    /// A device under a name of its own.
    #[must_use]
    pub fn new(name: impl Into<String>, source: impl Into<Source>) -> Self {
        let mut source = source.into();
        source.set_conditions(STC_IRRADIANCE, STC_TEMPERATURE);
        Self {
            name: name.into(),
            open_circuit: source.open_circuit(),
            short_circuit: source.short_circuit(),
            crest: source.crest(),
            source,
        }
    }

    /// A built-in device.
    ///
    /// ```
    /// use cresthold::study::Plant;
    /// let plant = Plant::named("standard-crystalline").unwrap();
    /// // Annex C with FFu 0.8: 100 V / 0.8, times ln(1000/CG + 1) CV - CR 1000 = 0.99915.
    /// assert!((plant.open_circuit().0 - 125.0 * 0.99915).abs() < 1e-3);
    /// assert!(Plant::NAMES.iter().all(|name| Plant::named(name).is_some()));
    /// ```
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        let standard = |technology| {
            let (volts, amps) = STANDARD_SIZE;
            StandardGenerator::new(technology, volts, amps).map(Source::from)
        };
        let source = match name {
            "standard-crystalline" => standard(Technology::Crystalline).ok()?,
            "standard-thin-film" => standard(Technology::ThinFilm).ok()?,
            "crystalline-module" => examples::crystalline_module().into(),
            "thin-film-module" => examples::thin_film_module().into(),
            "crystalline-string" => {
                let modules = vec![examples::crystalline_module(); STRING_MODULES];
                Device::string(modules).ok()?.into()
            }
            "receiver" => examples::receiver_cell().into(),
            _ => return None,
        };
        Some(Self::new(name, source))
    }

    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The device, at standard conditions.
    #[must_use]
    pub fn source(&self) -> &Source {
        &self.source
    }

    /// Where its substrings lie, in a row running east. A device of up to three is a point for scenes
    /// that don't need `least` substrings: clouds reach all of it at once.
    #[must_use]
    pub fn layout(&self, least: usize) -> Layout {
        let count = self.source.substrings();
        if count <= SMALL && least <= 1 {
            return Layout::point();
        }
        Layout::row(count, PITCH, 90.0).unwrap_or_else(|_| Layout::point())
    }

    /// Open-circuit voltage under standard conditions (V).
    #[must_use]
    pub fn open_circuit(&self) -> Volts {
        self.open_circuit
    }

    /// Short-circuit current under standard conditions (A).
    #[must_use]
    pub fn short_circuit(&self) -> Amps {
        self.short_circuit
    }

    /// The crest under standard conditions.
    #[must_use]
    pub fn crest(&self) -> Crest {
        self.crest
    }
}
