//! `[channel.rated]`: what the data sheet says of the device.

use super::reader::{Number, Section};
use super::spec::{DeviceSpec, Rated};
use crate::quantities::{Amps, Celsius, Irradiance, Volts};
use cresthold_sim::device::Device;

const VOC: Number = Number {
    key: "open_circuit_volts",
    low: 0.01,
    high: 1000.0,
    unit: "V",
    hint: "state the open-circuit voltage at 1000 W/m2 and 25 degC",
};
const ISC: Number = Number {
    key: "short_circuit_amps",
    low: 0.001,
    high: 1000.0,
    unit: "A",
    hint: "state the short-circuit current at 1000 W/m2 and 25 degC",
};
const VMP: Number = Number {
    key: "crest_volts",
    low: 0.01,
    high: 1000.0,
    unit: "V",
    hint: "state the voltage of largest power at 1000 W/m2 and 25 degC",
};
const IMP: Number = Number {
    key: "crest_amps",
    low: 0.001,
    high: 1000.0,
    unit: "A",
    hint: "state the current of largest power at 1000 W/m2 and 25 degC",
};
const VOC_SLOPE: Number = Number {
    key: "open_circuit_volts_per_kelvin",
    low: -10.0,
    high: 1.0,
    unit: "V/K",
    hint: "state how the open-circuit voltage changes with temperature, negative for most devices",
};
const ISC_SLOPE: Number = Number {
    key: "short_circuit_amps_per_kelvin",
    low: -1.0,
    high: 1.0,
    unit: "A/K",
    hint: "state how the short-circuit current changes with temperature, 0 by default",
};

/// Reads `[channel.rated]`; where it is left out, a simulated device speaks for itself. The outer
/// None when something is wrong.
pub(super) fn read(
    channel: &mut Section<'_>,
    device: Option<(DeviceSpec, &[f64])>,
) -> Option<Option<Rated>> {
    let Some(mut section) = channel.table_if_any("rated") else {
        let built = device.and_then(|(device, mismatch)| device.build(mismatch).ok());
        return Some(built.map(of_device));
    };
    let open_circuit = section.number(&VOC);
    let short_circuit = section.number(&ISC);
    let crest_volts = section.number(&VMP);
    let crest_amps = section.number(&IMP);
    let voc_slope = section.number_or(&VOC_SLOPE, 0.0);
    let isc_slope = section.number_or(&ISC_SLOPE, 0.0);
    let crossed = |key, crest: Option<f64>, end: Option<f64>, what: &str| {
        let wrong = matches!((crest, end), (Some(crest), Some(end)) if crest >= end);
        if wrong {
            section.note(key, format!("the crest lies beyond {what}; the two may be exchanged"));
        }
        wrong
    };
    let volts = crossed(VMP.key, crest_volts, open_circuit, VOC.key);
    let amps = crossed(IMP.key, crest_amps, short_circuit, ISC.key);
    section.finish();
    if volts || amps {
        return None;
    }
    Some(Some(Rated {
        open_circuit: Volts(open_circuit?),
        short_circuit: Amps(short_circuit?),
        crest_volts: Volts(crest_volts?),
        crest_amps: Amps(crest_amps?),
        open_circuit_per_kelvin: Volts(voc_slope?),
        short_circuit_per_kelvin: Amps(isc_slope?),
    }))
}

/// The figures of a simulated device at 1000 W/m2 and 25 degC, its slopes over 10 K.
fn of_device(mut device: Device) -> Rated {
    const STANDARD: Irradiance = Irradiance(1000.0);
    const SPAN: f64 = 10.0;
    device.set_conditions(STANDARD, Celsius(25.0 + SPAN));
    let warm = (device.open_circuit(), device.current(Volts::ZERO));
    device.set_conditions(STANDARD, Celsius(25.0));
    let (open_circuit, short_circuit) = (device.open_circuit(), device.current(Volts::ZERO));
    let crest = device.crest();
    Rated {
        open_circuit,
        short_circuit,
        crest_volts: crest.volts,
        crest_amps: crest.amps,
        open_circuit_per_kelvin: (warm.0 - open_circuit) / SPAN,
        short_circuit_per_kelvin: (warm.1 - short_circuit) / SPAN,
    }
}
