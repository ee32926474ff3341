//! What is to run: a TOML file in, a validated [`Station`] out.
//!
//! Model: parse, don't validate. A [`Station`] can only come out of a file whose every value lies
//! in its range and fits the others, so nobody later on checks anything again. All that is wrong is
//! told at once, each [`Problem`] with its line, its key, and what would be right. The file that
//! explains every key is the rehearsal station's, `src/station/rehearsal.toml`.
//!
//! Relative paths in a station file start at its directory, wherever the program was started. Of
//! other files only the trackers' scripts are opened here: their mistakes are the station's, and
//! their text is part of what the log keeps of it. Whoever plays a plant's day tells what is wrong
//! with that.
//!
//! Rejected: deriving the reader (it stops at the first problem, and knows neither units nor what
//! would be right); warnings (they are read by nobody on an unattended roof: a value is right, or
//! it is a problem); one file for plant and real instruments by a switch (a campaign's record must
//! say which it was).

mod accuracy;
mod channel;
mod checkable;
mod commands;
mod faults;
mod instruments;
mod limits;
mod link;
mod problem;
mod rated;
mod reader;
mod recording;
mod rhythm;
mod sensed;
mod sensor;
mod spec;
mod spelling;
mod storage;
mod sweep;
mod tracker;

pub use accuracy::{Accuracy, Meters};
pub use faults::FaultScript;
pub use problem::{Problem, StationError};
pub use recording::RecordingSpec;
pub use rhythm::{PERIODS_S, SETTLED_AFTER, control_lines};
pub use sensor::{SensorSource, StationSensor};
pub use spec::{
    Address, BoostSpec, ChannelSpec, DaySource, DeviceSpec, Flow, LoadSpec, Mounting, Parity,
    PlantSpec, Rated, ScriptText, SensorSpec, Station,
};
pub use storage::StorageSpec;

use crate::control::DaySplit;
use crate::quantities::MetresPerSecond;
use crate::trackers::TrackerConfig;
use commands::CommandSets;
use cresthold_sim::sky::recorded::DEFAULT_WIND;
use cresthold_sim::sky::sun::Site;
use link::Links;
use reader::{Notes, Number, Section, Whole};
use rhythm::Rhythm;
use std::fs::File;
use std::io::Read as _;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;
use toml::de::DeTable;
use tracker::Shelf;

/// The name of the day that is compiled in.
pub const EMBEDDED_DAY: &str = "payerne-2016-06-15";
/// Longest name of a station (characters).
const LONGEST_NAME: usize = 60;
/// Largest station file read (bytes): a thousand channels fit well.
const LARGEST_FILE: u64 = 4_000_000;
/// Most channels of a station: the control turn serves them all in one period.
const MOST_CHANNELS: usize = 1000;

const NAME: &str = "state the station's name, 1 to 60 characters";
const CHANNELS: &str = "add at least one [[channel]]";
const LISTEN: &str = "write an address and a port, such as \"127.0.0.1:9470\", or \"nowhere\"";
const DAY: &str =
    "write \"payerne-2016-06-15\", the day that is built in, or the path of a CSV file";
const SEED: Whole = Whole {
    key: "seed",
    low: 0,
    high: i64::MAX.unsigned_abs(),
    hint: "state any whole number that isn't negative",
};
const DEFAULT_SEED: u64 = 1;
const LATITUDE: Number = Number {
    key: "latitude",
    low: -90.0,
    high: 90.0,
    unit: "degrees",
    hint: "state degrees north",
};
const LONGITUDE: Number = Number {
    key: "longitude",
    low: -180.0,
    high: 180.0,
    unit: "degrees",
    hint: "state degrees east, west is negative",
};
const ELEVATION: Number = Number {
    key: "elevation",
    low: -450.0,
    high: 9000.0,
    unit: "m",
    hint: "state metres above sea level",
};
const WIND: Number = Number {
    key: "wind_mps",
    low: 0.0,
    high: 40.0,
    unit: "m/s",
    hint: "state the wind where the record has none",
};

impl Station {
    /// Reads a station file.
    ///
    /// # Errors
    /// [`StationError`] with everything that is wrong; also when the file can't be read.
    pub fn load(path: &Path) -> Result<Self, StationError> {
        let text = text_of(path, "a station file")?;
        Self::parse(&path.display().to_string(), &text)
    }

    /// Reads the text of a station file; `file` names it in problems, and its directory is where
    /// relative paths start.
    ///
    /// # Errors
    /// [`StationError`] with everything that is wrong.
    ///
    /// ```
    /// use cresthold::station::Station;
    /// let wrong = Station::parse("yard.toml", "name = 7\n[site]\nlatitude = 91\n").unwrap_err();
    /// let text = wrong.to_string();
    /// let first = "yard.toml:1: name: a whole number was found where text belongs";
    /// assert!(text.lines().next().unwrap().starts_with(first));
    /// assert!(text.contains("yard.toml:3: site.latitude: 91 degrees is outside -90..=90 degrees"));
    /// assert!(text.contains("yard.toml:2: site.longitude: missing"));
    /// ```
    pub fn parse(file: &str, text: &str) -> Result<Self, StationError> {
        let directory = Path::new(file).parent().unwrap_or(Path::new(""));
        document(file, text, |root| read(root, (directory, None), text))
    }

    /// Reads a station that was read before, from [`Station::text`] and [`Station::scripts`] alone:
    /// nothing is looked for on the disk.
    ///
    /// # Errors
    /// [`StationError`] with everything that is wrong.
    pub fn again(file: &str, text: &str, scripts: &[ScriptText]) -> Result<Self, StationError> {
        document(file, text, |root| read(root, (Path::new(""), Some(scripts)), text))
    }

    /// The rehearsal station that is compiled in: an invented yard, wholly simulated.
    ///
    /// ```
    /// let station = cresthold::station::Station::rehearsal();
    /// assert_eq!(station.channels.len(), 3);
    /// ```
    #[must_use]
    pub fn rehearsal() -> Self {
        Self::parse("rehearsal.toml", Self::REHEARSAL).expect("a test reads the committed file")
    }

    /// The text of the rehearsal station's file.
    pub const REHEARSAL: &'static str = include_str!("rehearsal.toml");
}

/// The tracker that the lines of a `[channel.tracker]` table describe, without a station around it.
///
/// # Errors
/// [`StationError`] with everything that is wrong.
pub fn tracker_of(text: &str) -> Result<TrackerConfig, StationError> {
    document("tracker", text, tracker::alone)
}

/// So many places that are no TOML are told one by one: more, and it is another kind of file.
const MOST_FAULTS: usize = 5;

/// What every SQLite file begins with: a log that is named by mistake.
const DATABASE: &[u8] = b"SQLite format 3\0";

/// Whether the file begins with these bytes.
fn begins(path: &Path, with: &[u8]) -> bool {
    let mut first = Vec::new();
    let read =
        File::open(path).and_then(|file| file.take(with.len() as u64).read_to_end(&mut first));
    read.is_ok() && first == with
}

/// The text of a file of ours; `kind` is what it should be.
fn text_of(path: &Path, kind: &str) -> Result<String, StationError> {
    let failed = |text: String| StationError {
        file: path.display().to_string(),
        problems: vec![Problem { line: 1, key: String::new(), text }],
    };
    if begins(path, DATABASE) {
        return Err(failed(format!("this is a database, such as a log; name {kind}")));
    }
    let size = std::fs::metadata(path).map_or(0, |data| data.len());
    if size > LARGEST_FILE {
        return Err(failed(format!(
            "the file has {size} bytes, more than {LARGEST_FILE}; name {kind}"
        )));
    }
    std::fs::read_to_string(path).map_err(|why| {
        failed(format!("the file can't be read: {why}; check the path and who may read it"))
    })
}

/// Reads a file of ours: everything that is wrong with it at once, or what `read` makes of it.
fn document<T>(
    file: &str,
    text: &str,
    read: impl FnOnce(Section<'_>) -> Option<T>,
) -> Result<T, StationError> {
    let failed = |problems| StationError { file: file.to_owned(), problems };
    let notes = Notes::new(text);
    let (document, faults) = DeTable::parse_recoverable(text);
    for fault in faults.iter().take(MOST_FAULTS) {
        let line = fault.span().map_or(1, |span| notes.line(&span));
        let message = fault.message().replace('\n', ", ");
        notes.note(line, "", format!("this is no TOML: {message}"));
    }
    if faults.len() > MOST_FAULTS {
        let more = faults.len() - MOST_FAULTS;
        let last = faults[MOST_FAULTS].span().map_or(1, |span| notes.line(&span));
        let text = format!("and {more} more from here on; is this the right file?");
        notes.note(last, "", text);
    }
    if !faults.is_empty() {
        return Err(failed(notes.into_problems()));
    }
    let made = read(Section::root(&notes, document.get_ref()));
    match (made, notes.into_problems()) {
        (Some(made), problems) if problems.is_empty() => Ok(made),
        (None, problems) if problems.is_empty() => Err(failed(vec![Problem {
            line: 1,
            key: String::new(),
            text: "the file was refused without a reason; this is a fault of the program, \
                   please report it with the file"
                .to_owned(),
        }])),
        (_, problems) => Err(failed(problems)),
    }
}

fn read(
    mut root: Section<'_>,
    (directory, scripts): (&Path, Option<&[ScriptText]>),
    text: &str,
) -> Option<Station> {
    let name = name(&mut root);
    let log = root.text_if_any("log", "state the log's file").map(|log| directory.join(log));
    let seed = root.whole(&SEED, Some(DEFAULT_SEED));
    let site = site(&mut root);
    let health = health(&mut root);
    let plant = root.table_if_any("plant");
    let links = Links::new(plant.is_some());
    let sets = CommandSets::read(&mut root);
    let plant = match plant {
        None => Some(None),
        Some(table) => plant_spec(table, directory).map(Some),
    };
    let mut control = root.table_or_defaults("control");
    let commit_every = rhythm::commit_every(&mut control);
    let by_the_sun = rhythm::by_the_sun(&mut control);
    let storage = storage::read(&mut root);
    let recording = recording::read(&mut root, directory, links.plant);
    let rhythm = Rhythm::read(&mut control, Rhythm::DEFAULT);
    let shelf = Shelf { directory, kept: scripts };
    let common = channel::Common { links, sets, rhythm, control: &control, shelf };
    let channels = channels(&mut root, &common);
    let sensors = sensor::read(&mut root, channels.as_deref(), &common.links);
    if let (Some(channels), Some(sensors)) = (&channels, &sensors) {
        checkable::judge(root.tables("channel", CHANNELS), channels, sensors, common.links.plant);
    }
    control.finish();
    root.finish();
    let scripts = channels.as_deref().map(scripts_of).unwrap_or_default();
    let (mut channels, sensors) = (channels?, sensors?);
    let (site, by_the_sun) = (site?, by_the_sun?);
    let day = if by_the_sun { DaySplit::mean_solar(site.longitude()) } else { DaySplit::UTC };
    for channel in &mut channels {
        accuracy::sensed(channel, &sensors);
        channel.control.day = day;
    }
    Some(Station {
        name: name?,
        log,
        commit_every: commit_every?,
        health: health?,
        storage: storage?,
        recording: recording?,
        day,
        site,
        seed: seed?,
        plant: plant?,
        channels,
        sensors,
        text: text.to_owned(),
        scripts,
    })
}

/// The scripts of the channels' trackers: what has run must be known later on.
fn scripts_of(channels: &[ChannelSpec]) -> Vec<ScriptText> {
    let mut all: Vec<ScriptText> = vec![];
    for channel in channels {
        if let TrackerConfig::Script(config) = &channel.control.tracker
            && !all.iter().any(|known| known.text == config.script().text())
        {
            all.push(ScriptText {
                file: config.script().file().to_owned(),
                channel: channel.name.clone(),
                text: config.script().text().to_owned(),
            });
        }
    }
    all
}

fn name(root: &mut Section<'_>) -> Option<String> {
    let name = root.text("name", NAME)?;
    if name.chars().count() > LONGEST_NAME || name.chars().any(char::is_control) {
        root.note("name", format!("the name is too long or has control characters; {NAME}"));
        return None;
    }
    Some(name.to_owned())
}

/// Where a run tells how it is: by default any free port that only this computer reaches.
fn health(root: &mut Section<'_>) -> Option<Option<SocketAddr>> {
    let anywhere = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
    let Some(mut section) = root.table_if_any("health") else { return Some(Some(anywhere)) };
    let read = match section.text_if_any("listen", LISTEN) {
        None => Some(Some(anywhere)),
        Some("nowhere") => Some(None),
        Some(text) => match text.parse() {
            Ok(address) => Some(Some(address)),
            Err(_) => {
                section.note("listen", format!("{text:?} is no address with a port; {LISTEN}"));
                None
            }
        },
    };
    section.finish();
    read
}

fn site(root: &mut Section<'_>) -> Option<Site> {
    let mut section = root.table("site", "add [site] with latitude, longitude and elevation");
    let latitude = section.number(&LATITUDE);
    let longitude = section.number(&LONGITUDE);
    let elevation = section.number(&ELEVATION);
    section.finish();
    // The ranges above are the site's own: it can't refuse.
    Site::new(latitude?, longitude?, elevation?).ok()
}

fn plant_spec(mut section: Section<'_>, directory: &Path) -> Option<PlantSpec> {
    let day = section.text("day", DAY).map(|day| match day {
        EMBEDDED_DAY => DaySource::EmbeddedPayerne,
        path => DaySource::File(directory.join(path)),
    });
    let wind = section.number_or(&WIND, DEFAULT_WIND.0);
    section.finish();
    Some(PlantSpec { day: day?, wind: MetresPerSecond(wind?) })
}

fn channels(root: &mut Section<'_>, common: &channel::Common<'_>) -> Option<Vec<ChannelSpec>> {
    let tables = root.tables("channel", CHANNELS);
    if tables.len() > MOST_CHANNELS {
        let text =
            format!("{} channels are more than {MOST_CHANNELS}; split the station", tables.len());
        root.note("channel", text);
        return None;
    }
    let mut names: Vec<(&str, usize)> = vec![];
    let mut all = Some(Vec::with_capacity(tables.len()));
    for (index, mut table) in tables.into_iter().enumerate() {
        if let Some(name) = table.peek("name") {
            match names.iter().find(|(other, _)| *other == name) {
                Some((_, line)) => {
                    let text = format!(
                        "{name:?} is the name of another channel too (line {line}); give each its \
                         own"
                    );
                    table.note("name", text);
                }
                None => names.push((name, table.line_of("name"))),
            }
        }
        let read = channel::read(&mut table, index, common);
        table.finish();
        match (read, &mut all) {
            (Some(channel), Some(channels)) => channels.push(channel),
            _ => all = None,
        }
    }
    all.filter(|channels| !channels.is_empty())
}
