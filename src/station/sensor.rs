//! One `[[sensor]]`: a real one, on a line of its own, on a bus, or read through a channel.

mod meaning;
mod source;

pub use source::SensorSource;

use super::accuracy::{self, Accuracy};
use super::link::Links;
use super::reader::{Number, Section, Whole};
use super::spec::ChannelSpec;
use crate::control::record::ChannelId;
use crate::sensors::{Disagreement, Quantity, Sensor, SensorId};
use std::time::Duration;
use toml::de::DeValue;

const LONGEST_NAME: usize = 32;
/// Most sensors of a station; each of a thousand channels may have two.
const MOST_SENSORS: usize = 2000;
const NAME: &str = "state a name of 1 to 32 letters, digits, - and _";
const TABLES: &str = "add [[sensor]] tables, or take it out";
const CHANNELS: &str = "write the names of the channels that it serves, as [\"module-1\"]; [] for a \
                        sensor that is only recorded";
const RANK: Whole = Whole {
    key: "rank",
    low: 1,
    high: 100,
    hint: "state its place in the order of trust, 1 first",
};
const PERIOD: Number = Number {
    key: "period_s",
    low: 0.05,
    high: 3600.0,
    unit: "s",
    hint: "state how often it is asked",
};
const MAX_AGE: Number = Number {
    key: "max_age_s",
    low: 0.1,
    high: 7200.0,
    unit: "s",
    hint: "state when its value is too old, several periods",
};
const PERCENT: Number = Number {
    key: "disagree_percent",
    low: 0.1,
    high: 100.0,
    unit: "%",
    hint: "state the share by which it may differ from the sensor trusted before it",
};
const ABSOLUTE: Number = Number {
    key: "disagree_absolute",
    low: 0.0,
    high: 1000.0,
    unit: "",
    hint: "state the difference that is always allowed, in the quantity's unit",
};
const AFTER: Number = Number {
    key: "disagree_after_s",
    low: 1.0,
    high: 86_400.0,
    unit: "s",
    hint: "state how long a disagreement must last",
};
const STUCK: Number = Number {
    key: "stuck_after_s",
    low: 1.0,
    high: 86_400.0,
    unit: "s",
    hint: "state how long one same answer is believed",
};
/// Unless stated.
const DEFAULT_PERIOD: Duration = Duration::from_secs(1);
/// Unless stated: as old as a channel lets a sensor's value be, or this many periods.
const DEFAULT_MAX_AGE: Duration = Duration::from_secs(10);
/// See [`DEFAULT_MAX_AGE`].
const DEFAULT_AGE_PERIODS: u32 = 5;
/// Unless stated: longer than the shadow of a bird, a pole or a person.
const DEFAULT_DISAGREE_AFTER: Duration = Duration::from_secs(60);

/// A sensor and where its raw numbers come from.
#[derive(Clone, Debug, PartialEq)]
pub struct StationSensor {
    /// What it is.
    pub sensor: Sensor,
    /// Where its raw numbers come from.
    pub source: SensorSource,
    /// What is known of its errors; none where the file doesn't tell.
    pub accuracy: Option<Accuracy>,
}

/// What the tables may refer to.
struct Known<'a> {
    /// Name and quantity of each sensor, where they can be told.
    sensors: Vec<(Option<&'a str>, Option<Quantity>)>,
    /// The channels; none where something is wrong with them.
    channels: Option<&'a [ChannelSpec]>,
    links: &'a Links,
}

impl Known<'_> {
    /// The channel of that name; notes one that isn't there.
    fn channel(&self, section: &Section<'_>, key: &str, name: &str) -> Option<ChannelId> {
        let channels = self.channels?;
        let found = channels.iter().find(|channel| channel.name == name);
        if found.is_none() {
            let names: Vec<&str> = channels.iter().map(|channel| channel.name.as_str()).collect();
            let text =
                format!("there is no channel {name:?}; the channels are {}", names.join(", "));
            section.note(key, text);
        }
        found.map(|channel| channel.control.id)
    }

    /// The temperature sensor that `key` names.
    fn temperature(&self, section: &mut Section<'_>, key: &'static str) -> Option<SensorId> {
        let name = section.text(key, "name the temperature sensor")?;
        let own = section.path_of("");
        let place = self.sensors.iter().position(|(other, _)| *other == Some(name));
        let Some(place) = place else {
            section.note(key, format!("there is no sensor {name:?}; name a [[sensor]]"));
            return None;
        };
        let itself = own.starts_with(&format!("sensor[{}]", place + 1));
        if itself || self.sensors[place].1.is_some_and(|quantity| !quantity.is_temperature()) {
            let text = format!("{name:?} is no other sensor's temperature; name one that is");
            section.note(key, text);
            return None;
        }
        u16::try_from(place).ok().map(SensorId)
    }
}

/// Reads all sensors.
pub(super) fn read(
    root: &mut Section<'_>,
    channels: Option<&[ChannelSpec]>,
    links: &Links,
) -> Option<Vec<StationSensor>> {
    if !root.has("sensor") {
        return Some(vec![]);
    }
    if links.plant {
        let text = "real sensors in a station with a [plant] table; use [channel.irradiance] and \
                    [channel.module_temperature] there, or take [plant] out";
        root.note("sensor", text);
    }
    let mut tables = root.tables("sensor", TABLES);
    if tables.len() > MOST_SENSORS {
        root.note("sensor", format!("more than {MOST_SENSORS} sensors; split the station"));
        return None;
    }
    let quantity = |table: &Section<'_>| {
        let name = table.peek("quantity")?;
        let place = Quantity::NAMES.iter().position(|known| *known == name)?;
        Some(Quantity::ALL[place])
    };
    let sensors = tables.iter().map(|table| (table.peek("name"), quantity(table))).collect();
    let known = Known { sensors, channels, links };
    let mut all: Vec<Option<StationSensor>> = Vec::with_capacity(tables.len());
    for (index, table) in tables.iter_mut().enumerate() {
        all.push(one(table, index, &known));
    }
    judge_together(&tables, &all, &known);
    judge_accuracy(&tables, &all, &known);
    tables.into_iter().for_each(Section::finish);
    all.into_iter().collect()
}

fn one(section: &mut Section<'_>, index: usize, known: &Known<'_>) -> Option<StationSensor> {
    let name = name(section, index, known);
    let place = section.choice("quantity", &Quantity::NAMES, None);
    let quantity = place.map(|place| Quantity::ALL[place]);
    let channels = served(section, known);
    let rank = section.whole(&RANK, Some(1));
    let period = section.seconds_or(&PERIOD, DEFAULT_PERIOD);
    let otherwise = period.map_or(DEFAULT_MAX_AGE, |period| period * DEFAULT_AGE_PERIODS);
    let max_age = section.seconds_or(&MAX_AGE, otherwise.max(DEFAULT_MAX_AGE));
    if let (Some(period), Some(age)) = (period, max_age)
        && age <= period
    {
        let (age, period) = (age.as_secs_f64(), period.as_secs_f64());
        let text = format!("{age} s is not more than period_s ({period} s); {}", MAX_AGE.hint);
        section.note(MAX_AGE.key, text);
    }
    let disagreement = disagreement(section);
    let stuck_after = match section.has(STUCK.key) {
        true => section.seconds(&STUCK).map(Some),
        false => Some(None),
    };
    let source = source::read(section, known);
    let meaning = meaning::read(section, quantity, known);
    let percent = meaning.as_ref().and_then(|meaning| meaning.calibration.uncertainty_percent);
    let accuracy = accuracy::sensor(section, percent, None);
    let (source, mut channels, quantity) = (source?, channels?, quantity?);
    if let SensorSource::Channel(held) = source {
        if !quantity.is_irradiance() {
            section.note("quantity", "a channel's current tells irradiance only");
        }
        // A channel that is run by its own current would be its own evidence.
        channels.retain(|channel| *channel != held);
    }
    let sensor = Sensor {
        name: name?,
        quantity,
        channels,
        rank: u32::try_from(rank?).ok()?,
        period: period?,
        max_age: max_age?,
        meaning: meaning?,
        disagreement: disagreement?,
        stuck_after: stuck_after?,
        polled: !matches!(source, SensorSource::Channel(_)),
    };
    Some(StationSensor { sensor, source, accuracy: accuracy? })
}

fn name(section: &mut Section<'_>, index: usize, known: &Known<'_>) -> Option<String> {
    let name = section.text("name", NAME)?;
    let fits = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.len() > LONGEST_NAME || !name.chars().all(fits) {
        section.note("name", format!("{name:?} can't be a sensor's name; {NAME}"));
        return None;
    }
    if known.sensors[..index].iter().any(|(other, _)| *other == Some(name)) {
        let text = format!("{name:?} is the name of another sensor too; give each its own");
        section.note("name", text);
        return None;
    }
    Some(name.to_owned())
}

/// The channels that it serves; all of them unless stated.
fn served(section: &mut Section<'_>, known: &Known<'_>) -> Option<Vec<ChannelId>> {
    let Some(value) = section.value("channels") else {
        return Some(known.channels?.iter().map(|channel| channel.control.id).collect());
    };
    let DeValue::Array(items) = value.get_ref() else {
        section.note("channels", CHANNELS);
        return None;
    };
    let mut all = Some(vec![]);
    for item in items.iter() {
        let found = match item.get_ref().as_str() {
            Some(name) => known.channel(section, "channels", name),
            None => {
                section.note_at(item, "channels", CHANNELS);
                None
            }
        };
        match (found, &mut all) {
            (Some(channel), Some(channels)) => channels.push(channel),
            _ => all = None,
        }
    }
    all
}

fn disagreement(section: &mut Section<'_>) -> Option<Option<Disagreement>> {
    let stated = [PERCENT.key, ABSOLUTE.key, AFTER.key].map(|key| section.has(key));
    let after = section.seconds_or(&AFTER, DEFAULT_DISAGREE_AFTER);
    match stated {
        [false, false, false] => Some(None),
        [false, false, true] => {
            section.note(AFTER.key, "state disagree_percent or disagree_absolute with it");
            None
        }
        _ => {
            let percent = section.number_or(&PERCENT, 0.0);
            let absolute = section.number_or(&ABSOLUTE, 0.0);
            Some(Some(Disagreement { percent: percent?, absolute: absolute?, after: after? }))
        }
    }
}

/// Notes what doesn't go together among the sensors.
fn judge_together(tables: &[Section<'_>], all: &[Option<StationSensor>], known: &Known<'_>) {
    let read = || all.iter().zip(tables).filter_map(|(read, table)| Some((read.as_ref()?, table)));
    for (place, (this, table)) in read().enumerate() {
        for needed in this.sensor.meaning.needs() {
            let other = all.get(usize::from(needed.0)).and_then(Option::as_ref);
            if other.is_some_and(|other| other.sensor.meaning.needs().next().is_some()) {
                let text = "it depends on a sensor that itself depends on another; take a \
                            temperature that stands alone";
                table.note("", text);
            }
        }
        for channel in &this.sensor.channels {
            let Some(channel) = known.channels.and_then(|all| all.get(usize::from(channel.0)))
            else {
                continue;
            };
            if this.sensor.period >= channel.control.max_sensor_age {
                let text = format!(
                    "{} s is not less than max_sensor_age_s of channel {} ({} s), which would find \
                     every value too old; ask more often, or raise that",
                    this.sensor.period.as_secs_f64(),
                    channel.name,
                    channel.control.max_sensor_age.as_secs_f64()
                );
                table.note(PERIOD.key, text);
            }
        }
        let on_line = |(other, _): &(&StationSensor, &Section<'_>)| {
            let line = |one: &StationSensor| one.source.address().map(ToString::to_string);
            line(other).is_some() && line(other) == line(this)
        };
        if let Some((first, _)) = read().take(place).find(on_line)
            && let Err(text) = this.source.fits(&first.source, &first.sensor.name)
        {
            table.note("link", text);
        }
        for (other, _) in read().take(place) {
            judge_irradiances(table, &this.sensor, &other.sensor, known);
        }
    }
}

/// Notes the irradiances whose errors a channel's uncertainty needs.
fn judge_accuracy(tables: &[Section<'_>], all: &[Option<StationSensor>], known: &Known<'_>) {
    for channel in known.channels.unwrap_or_default() {
        let Some((one, text)) = accuracy::lacking(channel, all.iter().flatten()) else { continue };
        let place =
            all.iter().position(|other| other.as_ref().is_some_and(|o| std::ptr::eq(o, one)));
        if let Some(table) = place.and_then(|place| tables.get(place)) {
            table.note("accuracy", text);
        }
    }
}

/// Notes a channel that would have its irradiance sometimes from one kind, sometimes from the other.
fn judge_irradiances(table: &Section<'_>, one: &Sensor, two: &Sensor, known: &Known<'_>) {
    let shared = one.channels.iter().find(|channel| two.channels.contains(channel));
    if let Some(shared) = shared
        && one.quantity.is_irradiance()
        && two.quantity.is_irradiance()
        && one.quantity != two.quantity
    {
        let channel = known.channels.and_then(|all| all.get(usize::from(shared.0)));
        let channel = channel.map_or("", |channel| channel.name.as_str());
        let text = format!(
            "channel {channel} would have {} here and {} from {}; a concentrator takes direct, \
             other devices plane: state the channels of each",
            one.quantity.name(),
            two.quantity.name(),
            two.name
        );
        table.note("quantity", text);
    }
}
