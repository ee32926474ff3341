//! Named example devices. All are invented except where a source is given; none is a product.
//!
//! Figures below are at standard conditions (1000 W/m2, 25 degC) and are held by tests.

use super::desoto::{BandGap, Reference};
use super::error::ParameterError;
use super::row::{Bypass, Device};
use super::single_diode::SingleDiode;
use crate::quantities::{Amps, Ohms, Volts};

/// Substrings with a bypass diode each in the two modules.
const CRYSTALLINE_SUBSTRINGS: usize = 3;
const THIN_FILM_SUBSTRINGS: usize = 1;

/// 60 crystalline cells: 270 W, Vmp 31.0 V, Imp 8.71 A, Voc 38.3 V, Isc 9.43 A.
///
/// The five parameters are the result in pvlib's test of `fit_desoto`.
#[must_use]
pub fn crystalline_reference() -> Reference {
    (|| {
        let stc = SingleDiode::new(
            Amps(9.452_32),
            Amps(3.224_60e-10),
            Ohms(0.297_814),
            Ohms(125.798),
            Volts(1.591_28),
        )?;
        Reference::new(stc, 0.005_658, BandGap::SILICON)
    })()
    .expect("fixed parameters lie within their ranges")
}

/// Invented thin-film module: 144 W, Vmp 84.8 V, Imp 1.70 A, Voc 111 V, Isc 1.91 A, fill factor
/// 0.679.
///
/// The band gap is an effective one, chosen so that voltage and power fall by 0.23 and 0.31 %/K.
#[must_use]
pub fn thin_film_reference() -> Reference {
    (|| {
        let stc = SingleDiode::new(Amps(1.92), Amps(3e-8), Ohms(6.0), Ohms(1100.0), Volts(6.2))?;
        Reference::new(stc, 0.000_8, BandGap { ev: 0.70, per_kelvin: 0.0 })
    })()
    .expect("fixed parameters lie within their ranges")
}

/// Invented concentrator receiver: twelve multi-junction cells in series behind an optic, as one
/// equivalent diode: 251 W, Vmp 32.7 V, Voc 37.2 V, Isc 8.0 A at direct irradiance 1000 W/m2.
///
/// The optic's concentration and efficiency are folded into the photocurrent; the band gap is an
/// effective one, chosen so that voltage and power fall by 0.135 and 0.09 %/K.
#[must_use]
pub fn receiver_reference() -> Reference {
    (|| {
        let stc = SingleDiode::new(Amps(8.0), Amps(1.2e-15), Ohms(0.12), Ohms(400.0), Volts(1.02))?;
        Reference::new(stc, 0.008, BandGap { ev: 1.24, per_kelvin: 0.0 })
    })()
    .expect("fixed parameters lie within their ranges")
}

/// [`crystalline_reference`] as three substrings of twenty cells with bypass diodes.
#[must_use]
pub fn crystalline_module() -> Device {
    build(Device::module(crystalline_reference(), CRYSTALLINE_SUBSTRINGS, Bypass::SCHOTTKY))
}

/// [`thin_film_reference`] with one bypass diode across the module.
#[must_use]
pub fn thin_film_module() -> Device {
    build(Device::module(thin_film_reference(), THIN_FILM_SUBSTRINGS, Bypass::SCHOTTKY))
}

/// [`receiver_reference`] with one bypass diode.
#[must_use]
pub fn receiver_cell() -> Device {
    build(Device::receiver(receiver_reference(), Bypass::SCHOTTKY))
}

fn build(device: Result<Device, ParameterError>) -> Device {
    device.expect("fixed parameters lie within their ranges")
}
