//! Whether every stated limit and every condition of a sweep that sensors check has its sensor. Without
//! one the guard would hold the channel off for ever, or no scheduled curve would ever be taken, and the
//! roof would tell so only in the morning.

use super::reader::Section;
use super::sensed;
use super::sensor::StationSensor;
use super::spec::ChannelSpec;
use super::sweep::{IRRADIANCE_MIN, STEADY_PERCENT};
use crate::control::DeratedBy;
use crate::sensors::Quantity;

const LIGHT: &[Quantity] = &[Quantity::PlaneIrradiance, Quantity::DirectIrradiance];

/// Notes the limits and conditions of `channels` that no sensor serves; `tables` are the channels' own.
pub(super) fn judge(
    tables: Vec<Section<'_>>,
    channels: &[ChannelSpec],
    sensors: &[StationSensor],
    plant: bool,
) {
    for (mut table, channel) in tables.into_iter().zip(channels) {
        let envelope = table.table("envelope", "");
        let is_served = |any_of: &[Quantity]| {
            any_of.iter().any(|quantity| serves(*quantity, channel, sensors, plant))
        };
        for (key, any_of) in needed(channel) {
            if !is_served(any_of) {
                envelope.note(key, remedy(any_of, (&channel.name, plant), &LIMIT));
            }
        }
        let Some(sweep) = table.table_if_any("sweep") else { continue };
        let conditions = &channel.control.sweep.conditions;
        for (stated, key) in [
            (conditions.irradiance_min.is_some(), IRRADIANCE_MIN.key),
            (conditions.steady.is_some(), STEADY_PERCENT.key),
        ] {
            if stated && !is_served(LIGHT) {
                sweep.note(key, remedy(LIGHT, (&channel.name, plant), &CONDITION));
            }
        }
    }
}

/// The stated limits: key, and the quantities any of which checks it.
fn needed(channel: &ChannelSpec) -> Vec<(&'static str, &'static [Quantity])> {
    let limits = &channel.control.envelope.sensed;
    let derated = limits.derating.as_ref().map(crate::control::Derating::by);
    [
        (
            limits.device_temperature_max.is_some(),
            sensed::DEVICE_TEMPERATURE.key,
            &[Quantity::ModuleTemperature][..],
        ),
        (
            limits.heatsink_temperature_max.is_some(),
            sensed::HEATSINK_TEMPERATURE.key,
            &[Quantity::HeatsinkTemperature],
        ),
        (
            derated == Some(DeratedBy::HeatSink),
            sensed::OVER_HEATSINK.key,
            &[Quantity::HeatsinkTemperature],
        ),
        (derated == Some(DeratedBy::Air), sensed::OVER_AIR.key, &[Quantity::AirTemperature]),
        (limits.irradiance_max.is_some(), sensed::IRRADIANCE.key, LIGHT),
        (limits.pointing_error_max.is_some(), sensed::POINTING.key, &[Quantity::PointingError]),
        (limits.needs_on_sun, sensed::ON_SUN, &[Quantity::OnSun]),
    ]
    .into_iter()
    .filter_map(|(stated, key, any_of)| stated.then_some((key, any_of)))
    .collect()
}

fn serves(
    quantity: Quantity,
    channel: &ChannelSpec,
    sensors: &[StationSensor],
    plant: bool,
) -> bool {
    if plant {
        return match quantity {
            Quantity::PlaneIrradiance | Quantity::DirectIrradiance => channel.irradiance.is_some(),
            Quantity::ModuleTemperature => channel.module_temperature.is_some(),
            // A simulated mount always faces the sun.
            Quantity::AirTemperature | Quantity::PointingError | Quantity::OnSun => true,
            Quantity::HeatsinkTemperature | Quantity::WindSpeed => false,
        };
    }
    sensors.iter().any(|each| {
        each.sensor.quantity == quantity && each.sensor.channels.contains(&channel.control.id)
    })
}

/// What can't be checked, and what would come of it.
struct What {
    name: &'static str,
    so: &'static str,
}

const LIMIT: What = What { name: "limit", so: "the channel would stay off" };
const CONDITION: What = What { name: "condition", so: "no scheduled curve would be taken" };

fn remedy(any_of: &[Quantity], (channel, plant): (&str, bool), what: &What) -> String {
    let What { name, so } = *what;
    let names: Vec<&str> = any_of.iter().map(|quantity| quantity.name()).collect();
    let names = names.join(" or ");
    if plant {
        let add = match any_of[0] {
            Quantity::PlaneIrradiance => "add [channel.irradiance], or take",
            Quantity::ModuleTemperature => "add [channel.module_temperature], or take",
            _ => "a plant has none; take",
        };
        return format!(
            "no {names} of {channel} is simulated, so this can't be checked; {add} the {name} out"
        );
    }
    format!(
        "no [[sensor]] gives {channel} its {names}, so this can't be checked and {so}; add one whose \
         channels have \"{channel}\", or take the {name} out"
    )
}
