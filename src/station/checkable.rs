//! Whether every stated limit that sensors check has its sensor. Without one the guard would hold
//! the channel off for ever, and the roof would tell so only in the morning.

use super::reader::Section;
use super::sensed;
use super::sensor::StationSensor;
use super::spec::ChannelSpec;
use crate::control::DeratedBy;
use crate::sensors::Quantity;

/// Notes the limits of `channels` that no sensor serves; `tables` are the channels' own.
pub(super) fn judge(
    tables: Vec<Section<'_>>,
    channels: &[ChannelSpec],
    sensors: &[StationSensor],
    plant: bool,
) {
    for (mut table, channel) in tables.into_iter().zip(channels) {
        let envelope = table.table("envelope", "");
        for (key, any_of) in needed(channel) {
            if !any_of.iter().any(|quantity| serves(*quantity, channel, sensors, plant)) {
                envelope.note(key, remedy(any_of, &channel.name, plant));
            }
        }
    }
}

/// The stated limits: key, and the quantities any of which checks it.
fn needed(channel: &ChannelSpec) -> Vec<(&'static str, &'static [Quantity])> {
    let limits = &channel.control.envelope.sensed;
    let derated = limits.derating.as_ref().map(crate::control::Derating::by);
    let light: &[Quantity] = &[Quantity::PlaneIrradiance, Quantity::DirectIrradiance];
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
        (limits.irradiance_max.is_some(), sensed::IRRADIANCE.key, light),
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

fn remedy(any_of: &[Quantity], channel: &str, plant: bool) -> String {
    let names: Vec<&str> = any_of.iter().map(|quantity| quantity.name()).collect();
    let names = names.join(" or ");
    if plant {
        let add = match any_of[0] {
            Quantity::PlaneIrradiance => "add [channel.irradiance], or take the limit out",
            Quantity::ModuleTemperature => {
                "add [channel.module_temperature], or take the limit out"
            }
            _ => "a plant has none; take the limit out here",
        };
        return format!("no {names} of {channel} is simulated, so this can't be checked; {add}");
    }
    format!(
        "no [[sensor]] gives {channel} its {names}, so this can't be checked and the channel would \
         stay off; add one whose channels have \"{channel}\", or take the limit out"
    )
}
