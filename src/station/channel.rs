//! One `[[channel]]`.

use super::accuracy;
use super::commands::CommandSets;
use super::instruments::{self, BOOST_AMPS, PROTECTION};
use super::limits::{self, DEVICE_AMPS};
use super::link::Links;
use super::rated;
use super::reader::{Number, Section};
use super::rhythm::{PeriodAt, Rhythm};
use super::spec::{BoostSpec, ChannelSpec, DeviceSpec, LoadSpec, Mounting};
use super::{sweep, tracker};
use crate::control::record::ChannelId;
use crate::control::{ChannelConfig, DaySplit, Envelope, GLANCED_AFTER, SeriesPath};
use crate::quantities::{Ohms, Volts};
use cresthold_sim::sky::plane::{GRASS_ALBEDO, Plane};
use std::time::Duration;

const LONGEST_NAME: usize = 32;
const NAME: &str = "state a name of 1 to 32 letters, digits, - and _";
const LEAD: Number = Number {
    key: "lead_ohms",
    low: 0.0,
    high: 10.0,
    unit: "ohm",
    hint: "state the resistance that the load's sense leads don't cover, or remote_sense = true \
           where they cover all of it",
};
const TILT: Number = Number {
    key: "tilt_deg",
    low: 0.0,
    high: 180.0,
    unit: "degrees",
    hint: "state the tilt from horizontal, or two_axis = true",
};
const AZIMUTH: Number = Number {
    key: "azimuth_deg",
    low: 0.0,
    high: 360.0,
    unit: "degrees",
    hint: "state the direction clockwise from north (180 faces south), or two_axis = true",
};
const ALBEDO: Number = Number {
    key: "albedo",
    low: 0.0,
    high: 1.0,
    unit: "",
    hint: "state what the ground reflects; grass has 0.2",
};
const MISMATCH: Number = Number {
    key: "mismatch",
    low: 0.0,
    high: 2.0,
    unit: "",
    hint: "state one irradiance factor for each substring, 1 for a perfect one",
};

/// What all channels share.
pub(super) struct Common<'a> {
    pub(super) links: Links,
    pub(super) sets: CommandSets,
    pub(super) rhythm: Rhythm,
    pub(super) control: &'a Section<'a>,
    /// Where the trackers' scripts are.
    pub(super) shelf: tracker::Shelf<'a>,
}

/// Reads one channel, the `index`-th from zero.
pub(super) fn read(
    section: &mut Section<'_>,
    index: usize,
    common: &Common<'_>,
) -> Option<ChannelSpec> {
    let plant = common.links.plant;
    let name = name(section);
    let rhythm = Rhythm::read(section, common.rhythm);
    let (remote_sense, lead) = lead(section, plant);
    let mounting = within(section.table("mounting", "add [channel.mounting]"), mounting);
    let device = device(section, plant);
    let known = device.as_ref().and_then(|(spec, mismatch)| Some(((*spec)?, mismatch.as_slice())));
    let rated = rated::read(section, known);
    let irradiance = instruments::sensor(section, "irradiance", plant);
    let module_temperature = instruments::sensor(section, "module_temperature", plant);

    let (load, boost, envelope) = circuit(section, common, rhythm.max_sensor_age);
    if let Some(load) = &load {
        rhythm.judge_load(section, PeriodAt(common.control), load);
    }

    let top = envelope.as_ref().map(|envelope| envelope.device_volts_max.0);
    let table = section.table("tracker", "add [channel.tracker] with its method");
    let tracker = within(table, |table| tracker::read(table, common.shelf, top));
    let daylight = within(section.table_or_defaults("daylight"), |table| {
        limits::daylight(table, envelope.as_ref())
    });
    let table = section.table_or_defaults("sweep");
    let sweep = within(table, |table| sweep::read(table, &rhythm, load.as_ref()));
    let retry = within(section.table_or_defaults("retry"), limits::retry);

    let parts = accuracy::Parts {
        load: load.as_ref(),
        boost: boost.as_ref().and_then(Option::as_ref),
        leads: lead.is_some_and(|ohms| ohms > 0.0),
        irradiance,
        temperature: module_temperature,
        sweep: sweep.as_ref(),
    };
    let stated = accuracy::channel(section, &parts);
    let boost = boost?;
    let (device, mismatch) = device?;
    let control = ChannelConfig {
        id: ChannelId(u16::try_from(index).ok()?),
        period: rhythm.period?,
        glance: load.as_ref()?.settling * GLANCED_AFTER,
        sample_every: rhythm.sample_every?,
        max_gap: rhythm.max_gap?,
        max_sensor_age: rhythm.max_sensor_age?,
        envelope: envelope?,
        path: SeriesPath {
            boost: boost.as_ref().map_or(Volts::ZERO, |boost| boost.volts),
            lead: Ohms(lead?),
        },
        boost_switched: boost.as_ref().is_some_and(|boost| boost.address.is_some()),
        tracker: tracker?,
        sweep: sweep?,
        // The station's, once its site is known.
        day: DaySplit::UTC,
        daylight: daylight?,
        retry: retry?,
    };
    Some(ChannelSpec {
        name: name?,
        control,
        load: load?,
        boost,
        remote_sense: remote_sense?,
        mounting: mounting?,
        device,
        rated: rated?,
        mismatch,
        irradiance,
        module_temperature,
        stated: stated?,
    })
}

/// The load's, the boost supply's and the envelope's tables, which must fit each other.
fn circuit(
    section: &mut Section<'_>,
    common: &Common<'_>,
    max_sensor_age: Option<Duration>,
) -> (Option<LoadSpec>, Option<Option<BoostSpec>>, Option<Envelope>) {
    let mut load_table = section.table("load", "add [channel.load]");
    let load = instruments::load(&mut load_table, &common.links, &common.sets);
    let mut boost_table = section.table_if_any("boost");
    let boost = match &mut boost_table {
        None => Some(None),
        Some(table) => instruments::boost(table, &common.links, &common.sets).map(Some),
    };
    let mut envelope_table = section.table("envelope", "add [channel.envelope]");
    let envelope =
        limits::envelope(&mut envelope_table, boost.as_ref().map(Option::as_ref), max_sensor_age);
    judge_ratings(&load_table, boost_table.as_ref(), (&load, &boost, &envelope));
    for table in [Some(load_table), boost_table, Some(envelope_table)].into_iter().flatten() {
        table.finish();
    }
    (load, boost, envelope)
}

fn within<'a, T>(mut table: Section<'a>, read: impl FnOnce(&mut Section<'a>) -> T) -> T {
    let found = read(&mut table);
    table.finish();
    found
}

fn name(section: &mut Section<'_>) -> Option<String> {
    let name = section.text("name", NAME)?;
    let fits = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.len() > LONGEST_NAME || !name.chars().all(fits) {
        section.note("name", format!("{name:?} can't be a channel's name; {NAME}"));
        return None;
    }
    Some(name.to_owned())
}

/// Whether the load senses at the far ends, and the resistance of the leads that it doesn't cover.
/// Real leads have one: it is stated, or remote sensing is.
fn lead(section: &mut Section<'_>, plant: bool) -> (Option<bool>, Option<f64>) {
    let remote = section.flag_or("remote_sense", false);
    let lead = match remote {
        Some(true) => {
            let why = "the load senses beyond the leads; take this out, or remote_sense";
            section.forbid(&[LEAD.key], why);
            Some(0.0)
        }
        Some(false) if !plant => section.number(&LEAD),
        _ => section.number_or(&LEAD, 0.0),
    };
    (remote, lead)
}

fn mounting(section: &mut Section<'_>) -> Option<Mounting> {
    let numbers = [TILT.key, AZIMUTH.key, ALBEDO.key];
    let Some(two_axis) = section.flag_or("two_axis", false) else {
        // Whether the numbers belong can't be told.
        for key in numbers {
            section.has(key);
        }
        return None;
    };
    if two_axis {
        let why = "a mount that faces the sun has no such number; take it out, or two_axis";
        section.forbid(&numbers, why);
        return Some(Mounting::TwoAxis);
    }
    let tilt = section.number(&TILT);
    let azimuth = section.number(&AZIMUTH);
    let albedo = section.number_or(&ALBEDO, GRASS_ALBEDO);
    // The ranges above are the plane's own: it can't refuse.
    Plane::new(tilt?, azimuth?, albedo?).ok().map(Mounting::Fixed)
}

/// The simulated device and its mismatch; outer None when something is wrong.
fn device(section: &mut Section<'_>, plant: bool) -> Option<(Option<DeviceSpec>, Vec<f64>)> {
    if !plant {
        let why = "describes a simulated device, and this station has no [plant]; take it out";
        section.forbid(&["device", MISMATCH.key], why);
        return Some((None, vec![]));
    }
    let place = section.choice("device", &DeviceSpec::NAMES, None);
    let mismatch = section.numbers(&MISMATCH)?;
    let device = DeviceSpec::from_name(DeviceSpec::NAMES[place?])?;
    if let Err(why) = device.build(&mismatch) {
        section.note(MISMATCH.key, format!("{why}; {}", MISMATCH.hint));
        return None;
    }
    Some((Some(device), mismatch))
}

type Parts<'p> = (&'p Option<LoadSpec>, &'p Option<Option<BoostSpec>>, &'p Option<Envelope>);

/// Notes ratings that lie below the envelope's current.
fn judge_ratings(load_table: &Section<'_>, boost_table: Option<&Section<'_>>, parts: Parts<'_>) {
    let (load, boost, Some(envelope)) = parts else { return };
    let max = envelope.device_amps_max;
    if let Some(load) = load
        && load.current_protection < max
    {
        let text = format!(
            "{} is less than {} ({max}); {}",
            load.current_protection, DEVICE_AMPS.key, PROTECTION.hint
        );
        load_table.note(PROTECTION.key, text);
    }
    if let (Some(Some(boost)), Some(table)) = (boost, boost_table)
        && boost.amps < max
    {
        let text =
            format!("{} is less than {} ({max}); {}", boost.amps, DEVICE_AMPS.key, BOOST_AMPS.hint);
        table.note(BOOST_AMPS.key, text);
    }
}
