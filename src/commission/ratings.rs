//! What the station file itself tells: whether every rating stands the device's worst moment.
//!
//! Model: at a cloud's edge the irradiance passes that of any clear sky. 1.5 suns are taken as the
//! current to be stood: more than 1.5 times clear sky in southern Norway (Yordanov et al. 2013,
//! IEEE JPV 3(1) 271-277), up to 1.7 times in the Andes (Emck and Richter 2008, JAMC); high sites
//! need more. The voltage to be stood is that of a frosty morning.

use super::check::{Check, Figure, Reason};
use super::expect::Sheet;
use crate::quantities::Volts;
use crate::station::ChannelSpec;

/// Currents must be stood up to this multiple of Isc at 1000 W/m2.
pub const EDGE: f64 = 1.5;
/// Powers likewise; voltage at the crest falls as the current rises, so this is on the safe side.
const EDGE_POWER: f64 = 1.5;

/// Holds the station's ratings against the device's data sheet.
#[must_use]
pub fn ratings(spec: &ChannelSpec, sheet: Option<&Sheet>) -> Vec<Check> {
    let Some(sheet) = sheet else {
        let says = "the station states no [channel.rated]; add the data sheet's figures, so that \
                    ratings, open-circuit voltage and leads can be judged";
        return vec![Check::skipped("ratings", says)];
    };
    let mut checks = currents(spec, sheet);
    checks.extend(voltages_and_powers(spec, sheet));
    checks.push(short_circuit(spec, sheet));
    checks
}

/// A rating that must be at least `least`.
fn at_least(what: &'static str, rating: Figure, least: f64, why: &str) -> (Check, bool) {
    let limit = format!("at least {} ({why})", Figure::of(least, rating.unit));
    let bad = rating.value < least;
    (Check::passed(what, Some(rating), limit), bad)
}

fn currents(spec: &ChannelSpec, sheet: &Sheet) -> Vec<Check> {
    let edge = sheet.rated().short_circuit.0 * EDGE;
    let mut checks = Vec::new();
    let mut hold = |what, amps: f64, reason, says: &str| {
        let (check, bad) = at_least(what, Figure::of(amps, "A"), edge, "1.5 x Isc");
        checks.push(if bad { check.failed(reason, says) } else { check });
    };
    if let Some(boost) = &spec.boost {
        hold(
            "boost supply's current rating",
            boost.amps.0,
            Reason::BoostRating,
            "it carries the whole device current and would give up its voltage at a cloud's bright \
             edge; take a larger supply, or put two alike in parallel",
        );
    }
    hold(
        "envelope's current",
        spec.control.envelope.device_amps_max.0,
        Reason::Envelope,
        "the guard would let go at a cloud's bright edge; raise device_amps_max, where every part \
         of the loop stands it",
    );
    hold(
        "load's current protection",
        spec.load.current_protection.0,
        Reason::Protection,
        "the load would let go or hold back at a cloud's bright edge; raise \
         current_protection_amps, or take a larger load",
    );
    checks
}

fn voltages_and_powers(spec: &ChannelSpec, sheet: &Sheet) -> Vec<Check> {
    let rated = sheet.rated();
    let envelope = &spec.control.envelope;
    let boost = spec.control.path.boost;
    let cold = sheet.largest_open_circuit();
    let crest = rated.crest_volts * rated.crest_amps;
    let load_power = (rated.crest_volts + boost) * rated.crest_amps;
    let mut checks = Vec::new();
    let mut hold = |what, found: Figure, least: f64, why: &str, says: &str| {
        let (check, bad) = at_least(what, found, least, why);
        checks.push(if bad { check.failed(Reason::Envelope, says) } else { check });
    };
    hold(
        "envelope's device voltage",
        Figure::of(envelope.device_volts_max.0, "V"),
        cold.0,
        "Voc at a bright edge on a frosty morning",
        "the guard would let go in open circuit; raise device_volts_max, where every part stands it",
    );
    hold(
        "envelope's load voltage",
        Figure::of(envelope.load_volts_max.0, "V"),
        (cold + boost).0,
        "the same with the boost supply",
        "the load stands across device and boost supply together; raise load_volts_max to what the \
         load stands, or take a load of a higher range",
    );
    hold(
        "envelope's device power",
        Figure::of(envelope.device_watts_max.0, "W"),
        crest.0 * EDGE_POWER,
        "1.5 x Pmp",
        "the guard would let go at a cloud's bright edge; raise device_watts_max",
    );
    hold(
        "envelope's load power",
        Figure::of(envelope.load_watts_max.0, "W"),
        load_power.0 * EDGE_POWER,
        "1.5 x the power at the crest, boost supply included",
        "the load dissipates the boost supply's power, too; raise load_watts_max to what the load \
         stands, or take a larger load",
    );
    checks
}

/// How near to short circuit the stated capability lets the device come.
fn short_circuit(spec: &ChannelSpec, sheet: &Sheet) -> Check {
    const WHAT: &str = "stated reach toward short circuit";
    let envelope = &spec.control.envelope;
    let isc = sheet.rated().short_circuit;
    let edge = isc * EDGE;
    if envelope.capability.volts_for(edge).is_none() {
        let most = envelope.capability.amps_at(Volts(f64::MAX));
        let says = "the load's stated capability ends below the current of a cloud's bright edge, \
                    so it would hold back; take a larger load, or a larger range";
        let limit = format!("at least {} (1.5 x Isc)", Figure::of(edge.0, "A"));
        return Check::passed(WHAT, Some(Figure::of(most.0, "A")), limit)
            .failed(Reason::Capability, says);
    }
    let load = envelope.capability.volts_for(isc).unwrap_or(envelope.load_volts_max);
    let reach = spec.control.path.device_volts(load, isc);
    let found = Some(Figure::of(reach.0, "V"));
    if spec.boost.is_none() {
        let says = "without a boost supply the load can't bring the device nearer to short circuit";
        return Check::told(WHAT, found, says);
    }
    let check = Check::passed(WHAT, found, "at most 0 V at Isc, with the boost supply");
    if reach <= Volts::ZERO {
        return check;
    }
    let says = "the boost supply's voltage is too low for the load's stated capability: short \
                circuit is out of reach; raise the boost voltage";
    check.doubtful(Reason::Capability, says)
}
