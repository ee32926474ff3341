//! The same as OpenMetrics text, for monitoring systems.
//!
//! Names end with base units (volts, amperes, watts, joules, seconds, bytes, celsius), as OpenMetrics
//! advises; what only grows is a counter. A value that is not known is left out: an old value shown for
//! ever would hide a dead sensor.

use super::{ChannelHealth, Health};
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use std::sync::atomic::AtomicU64;

const JOULES_PER_WATT_HOUR: f64 = 3600.0;

type Labels = Vec<(&'static str, String)>;
type Reading = Gauge<f64, AtomicU64>;
type Sum = Counter<f64, AtomicU64>;

/// OpenMetrics text (version 1.0).
///
/// # Errors
/// Never in practice: text that is written into memory can't fail.
pub fn text(health: &Health) -> Result<String, std::fmt::Error> {
    let mut registry = Registry::with_prefix("cresthold");
    station(&mut registry, health);
    log(&mut registry, health);
    channels(&mut registry, &health.channels);
    let mut text = String::new();
    encode(&mut text, &registry)?;
    Ok(text)
}

fn gauge(registry: &mut Registry, name: &str, help: &str, unit: Option<Unit>, value: f64) {
    let gauge = Reading::default();
    gauge.set(value);
    match unit {
        Some(unit) => registry.register_with_unit(name, help, unit, gauge),
        None => registry.register(name, help, gauge),
    }
}

fn counter(registry: &mut Registry, name: &str, help: &str, value: u64) {
    let counter = Counter::<u64, AtomicU64>::default();
    counter.inc_by(value);
    registry.register(name, help, counter);
}

#[expect(clippy::cast_precision_loss, reason = "sizes far below 2^53")]
fn station(registry: &mut Registry, health: &Health) {
    let turning = f64::from(u8::from(health.turning));
    gauge(registry, "turning", "1 while every channel has its turns, else 0", None, turning);
    let up = health.up_s;
    gauge(registry, "up", "How long the run has been running", Some(Unit::Seconds), up);
    let troubles = health.troubles.len() as f64;
    gauge(registry, "troubles", "Instruments and sensors in trouble now", None, troubles);
    if let Some(seconds) = health.cost.processor_s {
        let sum = Sum::default();
        sum.inc_by(seconds);
        registry.register_with_unit("processor", "Processor time", Unit::Seconds, sum);
    }
    if let Some(bytes) = health.cost.resident_bytes {
        let bytes = bytes as f64;
        gauge(registry, "resident_memory", "Memory resident", Some(Unit::Bytes), bytes);
    }
}

#[expect(clippy::cast_precision_loss, reason = "sizes far below 2^53")]
fn log(registry: &mut Registry, health: &Health) {
    let log = &health.log;
    let bytes = log.bytes as f64;
    gauge(registry, "log_size", "Size of the log's files", Some(Unit::Bytes), bytes);
    if let Some(free) = log.free_bytes {
        let free = free as f64;
        gauge(registry, "log_free", "Room left on the log's disk", Some(Unit::Bytes), free);
    }
    gauge(registry, "log_waiting", "Records waiting for a commit", None, log.waiting as f64);
    let sound = f64::from(u8::from(log.trouble.is_none()));
    gauge(registry, "log_sound", "1 while the log can be written, else 0", None, sound);
    if let Some(age) = log.commit_age_s {
        gauge(registry, "log_commit_age", "Time since the last commit", Some(Unit::Seconds), age);
    }
    counter(registry, "log_samples", "Sample rows on the disk", log.samples);
    counter(registry, "log_minutes", "Minute rows on the disk", log.minutes);
    counter(registry, "log_events", "Event rows on the disk", log.events);
    counter(registry, "log_left_out", "Samples left out: the disk was too slow", log.left_out);
    counter(registry, "log_lost", "Minutes, days and events lost", log.lost);
}

fn of(channel: &ChannelHealth) -> Labels {
    vec![("channel", channel.name.clone())]
}

fn channels(registry: &mut Registry, channels: &[ChannelHealth]) {
    type Pick = fn(&ChannelHealth) -> Option<f64>;
    let other = |unit: &str| Unit::Other(unit.to_owned());
    let readings: [(&str, &str, Unit, Pick); 6] = [
        ("device_voltage", "Device voltage, last sample", Unit::Volts, |c| c.voltage_v),
        ("device_current", "Device current, last sample", Unit::Amperes, |c| c.current_a),
        ("device_power", "Device power, last sample", other("watts"), |c| c.power_w),
        ("irradiance", "Irradiance on the device", other("watts_per_square_metre"), |c| {
            c.irradiance_w_m2
        }),
        ("module_temperature", "Back of the module", Unit::Celsius, |c| c.module_temperature_degc),
        ("overdue", "How far its turn is overdue", Unit::Seconds, |c| Some(c.overdue_s)),
    ];
    for (name, help, unit, pick) in readings {
        let family = Family::<Labels, Reading>::default();
        for channel in channels {
            if let Some(value) = pick(channel) {
                family.get_or_create(&of(channel)).set(value);
            }
        }
        registry.register_with_unit(name, help, unit, family);
    }
    let doing = Family::<Labels, Reading>::default();
    let energy = Family::<Labels, Sum>::default();
    let turns = Family::<Labels, Counter>::default();
    let late = Family::<Labels, Counter>::default();
    for channel in channels {
        let mut labels = of(channel);
        energy.get_or_create(&labels).inc_by((channel.energy_wh * JOULES_PER_WATT_HOUR).max(0.0));
        turns.get_or_create(&labels).inc_by(channel.turns);
        late.get_or_create(&labels).inc_by(channel.turns_late);
        labels.push(("doing", channel.doing.clone()));
        doing.get_or_create(&labels).set(1.0);
    }
    registry.register("activity", "What the channel is doing: the label of the 1", doing);
    let help = "Energy delivered by the device since the run began";
    registry.register_with_unit("device_energy", help, Unit::Joules, energy);
    registry.register("turns", "Turns that had a period to keep", turns);
    registry.register("turns_late", "Turns that began late or were skipped", late);
}
