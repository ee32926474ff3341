//! The files of one log: the current one, the months before it, and those beside it.
//!
//! Model: `roof.sqlite` is written. When a month is over it is closed, renamed `roof.2026-06.sqlite`
//! and begun anew: what is to be thinned out or carried away later is a file nobody writes. When the
//! current file can't be written (locked, damaged, read-only, a sick disk), the run goes on in
//! `roof.beside-1.sqlite`; nothing is overwritten. A reader looks at all of them.
//!
//! The month is that of the file's first boot, and only goes forward: a clock that starts in the
//! past makes a short file, and one that is set back makes none.

use super::error::StoreError;
use super::log::{COMMIT_INTERVAL, Log, OpenFacts};
use super::results::{Appraise, StatedRow};
use super::sensors::SensorFacts;
use super::tail::{Locked, TailFile, tail_path};
use super::thin::Keep;
use crate::time::{Stamp, Utc};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Files beside the current one that are tried: a disk that spoils more than this many files will
/// spoil the next one too.
const BESIDE_MAX: u32 = 99;

/// How often a locked file is tried at the start, for a second each: longer than any reader takes.
const BUSY_TRIES: u32 = 10;

/// How long (s) commits may fail before a fresh file is begun: above what a lock or a slow card's
/// housekeeping takes, below what fills the queue of four channels at ten samples a second.
const PATIENCE: Duration = Duration::from_secs(20);

/// How tails are opened.
pub type OpenTails = fn(&Path) -> Result<Box<dyn TailFile>, StoreError>;

/// The tail as a locked file.
///
/// # Errors
/// As [`Locked::open`].
pub fn locked_tail(log: &Path) -> Result<Box<dyn TailFile>, StoreError> {
    Ok(Box::new(Locked::open(log)?))
}

/// What a run's log files are opened with.
#[derive(Clone, Debug)]
pub struct Book {
    /// The current file.
    pub path: PathBuf,
    /// What the run is.
    pub facts: OpenFacts,
    /// What its sensors are.
    pub sensors: Vec<SensorFacts>,
    /// What is known of each channel's instruments.
    pub stated: Vec<Vec<StatedRow>>,
    /// What looks at whole curves.
    pub appraise: Option<Appraise>,
    /// The month that new files begin in.
    month: String,
    /// Whether a new month begins a new file.
    pub monthly: bool,
    /// How long what is kept.
    pub keep: Keep,
    /// How long commits may fail before a fresh file is begun; packings three times so long.
    pub patience: Duration,
    /// Time from one commit to the next.
    pub interval: Duration,
    /// How tails are opened.
    pub tails: OpenTails,
}

/// A log that was opened, or that will be.
#[derive(Debug)]
pub struct Opened {
    /// The log; none as long as the disk doesn't let it be opened.
    pub log: Option<Log>,
    /// Why it is not the current file, but one beside it or none yet.
    pub instead: Option<StoreError>,
}

impl Opened {
    /// A log that can't be opened now: the writer keeps records in memory and tries again.
    #[must_use]
    pub const fn later(why: StoreError) -> Self {
        Self { log: None, instead: Some(why) }
    }
}

impl Book {
    /// A book with one file, for ever.
    #[must_use]
    pub fn new(path: &Path, facts: OpenFacts) -> Self {
        Self {
            path: path.to_path_buf(),
            month: month(facts.began.utc),
            facts,
            sensors: Vec::new(),
            stated: Vec::new(),
            appraise: None,
            monthly: false,
            keep: Keep::default(),
            patience: PATIENCE,
            interval: COMMIT_INTERVAL,
            tails: locked_tail,
        }
    }

    /// Opens the current file, or one beside it where that can't be written. A month that is over
    /// is closed first.
    ///
    /// # Errors
    /// The current file's, where it is not ours or there is no place beside it either.
    pub fn open(&self) -> Result<Opened, StoreError> {
        let first = match self.open_patiently() {
            Ok(log) if self.monthly && log.month() < self.month.as_str() => {
                let before = log.before();
                archive(log).and_then(|_| self.open_at(&self.path)).map(|log| log.after(before))
            }
            other => other,
        };
        let error = match first {
            Ok(log) => return Ok(Opened { log: Some(log), instead: None }),
            Err(error) => error,
        };
        let ours = tail_path(&self.path).exists();
        if !(error.is_of_the_disk() || ours && error.is_damage()) {
            return Err(error);
        }
        for number in 1..=BESIDE_MAX {
            let path = beside(&self.path, number);
            let fresh = is_free(&path);
            match self.open_at(&path).and_then(|log| log.going_on_in(&self.month)) {
                Ok(log) => return Ok(Opened { log: Some(log), instead: Some(error) }),
                // A disk that has no room, or lets no file be made, has no better place.
                Err(StoreError::Full { .. }) => break,
                Err(_) if fresh => break,
                Err(_) => {}
            }
        }
        Err(error)
    }

    /// The current file, waiting for whoever reads it.
    fn open_patiently(&self) -> Result<Log, StoreError> {
        let mut tries = 1;
        loop {
            match self.open_at(&self.path) {
                Err(StoreError::Busy { .. }) if tries < BUSY_TRIES => tries += 1,
                other => return other,
            }
        }
    }

    /// From `at` on, new files are those of its month.
    pub(super) fn turn(&mut self, at: Stamp) {
        self.month = month(at.utc);
    }

    /// Makes a file beside the current one, where none has been.
    ///
    /// # Errors
    /// What opening reports.
    pub(super) fn fresh(&self) -> Result<Log, StoreError> {
        let mut all = (1..=BESIDE_MAX).map(|number| beside(&self.path, number));
        let free = all.find(|path| is_free(path));
        self.open_at(&free.unwrap_or_else(|| beside(&self.path, BESIDE_MAX)))
    }

    fn open_at(&self, path: &Path) -> Result<Log, StoreError> {
        let mut log = Log::open_with_tail(path, &self.facts, &self.tails)?;
        if let Some(appraise) = self.appraise.clone() {
            log = log.with_appraisal(appraise);
        }
        log = log.with_commit_interval(self.interval).with_month(&self.month)?;
        if !self.stated.is_empty() {
            log.state(&self.stated)?;
        }
        if !self.sensors.is_empty() {
            log.enrol_sensors(self.facts.began, &self.sensors)?;
        }
        Ok(log)
    }
}

/// Year and month, as `2026-06`.
pub(super) fn month(at: Utc) -> String {
    /// Of `2026-06-21`.
    const DAY: usize = 3;
    let date = at.date();
    date.get(..date.len().saturating_sub(DAY)).unwrap_or_default().to_owned()
}

/// Closes the log and gives its file the name of its month; answers that name.
pub(super) fn archive(log: Log) -> Result<PathBuf, StoreError> {
    let (path, month) = (log.path().to_path_buf(), log.month().to_owned());
    log.finish()?;
    let name = (1..)
        .map(|number| {
            let part = if number == 1 { month.clone() } else { format!("{month}-{number}") };
            with_part(&path, &part)
        })
        .find(|name| !name.exists())
        .unwrap_or_else(|| path.clone());
    let moved = std::fs::rename(&path, &name).and_then(|()| sync_folder(&path));
    moved.map_err(|error| StoreError::from_io(&path, "naming a month's file", &error))?;
    Ok(name)
}

/// So that a power cut can't take a new name away again.
pub(super) fn sync_folder(path: &Path) -> std::io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    File::open(folder.unwrap_or_else(|| Path::new(".")))?.sync_all()
}

/// Whether nothing is there yet; a file of no length is what an earlier try left.
fn is_free(path: &Path) -> bool {
    path.metadata().map_or(true, |meta| meta.is_file() && meta.len() == 0)
}

fn beside(path: &Path, number: u32) -> PathBuf {
    with_part(path, &format!("beside-{number}"))
}

/// `roof.sqlite` becomes `roof.PART.sqlite`.
pub(super) fn with_part(path: &Path, part: &str) -> PathBuf {
    let mut name = path.file_stem().unwrap_or_default().to_owned();
    name.push(".");
    name.push(part);
    if let Some(extension) = path.extension() {
        name.push(".");
        name.push(extension);
    }
    path.with_file_name(name)
}

/// The other files of the log at `path`: months, then those beside it, each in order.
#[must_use]
pub fn others(path: &Path) -> Vec<PathBuf> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    let mut found: Vec<(bool, PathBuf)> = std::fs::read_dir(folder.unwrap_or(Path::new(".")))
        .into_iter()
        .flatten()
        .filter_map(|entry| {
            let name = path.with_file_name(entry.ok()?.file_name());
            let part = part_of(path, &name)?;
            let is_beside = part.strip_prefix("beside-").is_some_and(is_number);
            (is_beside || is_month(&part)).then_some((is_beside, name))
        })
        .collect();
    found.sort();
    found.into_iter().map(|(_, name)| name).collect()
}

/// The files that a run may have gone on in when it left the one at `path`: those beside the
/// current one, whether `path` is the current one or beside it itself.
pub(super) fn beside_ones(path: &Path) -> Vec<PathBuf> {
    let current = current(path, |part| part.strip_prefix("beside-").is_some_and(is_number));
    let is_beside = |name: &PathBuf| {
        part_of(&current, name).is_some_and(|part| !is_month(&part)) && name != path
    };
    others(&current).into_iter().filter(is_beside).collect()
}

/// All files of the log but the one at `path`, which may be any of them.
pub(super) fn family(path: &Path) -> Vec<PathBuf> {
    let other = |part: &str| is_month(part) || part.strip_prefix("beside-").is_some_and(is_number);
    let current = current(path, other);
    let mut all = others(&current);
    all.insert(0, current);
    all.retain(|file| file != path && file.exists());
    all
}

/// The current file of the log, where `path` may be another one, as its part of the name tells.
fn current(path: &Path, is_other: impl Fn(&str) -> bool) -> PathBuf {
    let stem = path.file_stem().and_then(|stem| stem.to_str()).unwrap_or_default();
    let of = stem.rsplit_once('.').filter(|(_, part)| is_other(part));
    let mut current = path.with_file_name(of.map_or(stem, |(stem, _)| stem));
    if let Some(extension) = path.extension() {
        current.as_mut_os_string().push(".");
        current.as_mut_os_string().push(extension);
    }
    current
}

/// The months among [`others`], oldest first.
pub(super) fn months(path: &Path) -> Vec<PathBuf> {
    let is_old = |name: &PathBuf| part_of(path, name).is_some_and(|part| is_month(&part));
    others(path).into_iter().filter(is_old).collect()
}

/// What stands between stem and extension of `name`, if the rest is that of `path`.
pub(super) fn part_of(path: &Path, name: &Path) -> Option<String> {
    if name.extension() != path.extension() {
        return None;
    }
    let stem = path.file_stem()?.to_str()?;
    let part = name.file_stem()?.to_str()?.strip_prefix(stem)?.strip_prefix('.')?;
    Some(part.to_owned())
}

fn is_number(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit())
}

/// `2026-06`, or `2026-06-2` for the second file of that month.
fn is_month(part: &str) -> bool {
    let mut fields = part.split('-');
    let year = fields.next().is_some_and(|year| year.len() >= 4 && is_number(year));
    let month = fields.next().is_some_and(|month| month.len() == 2 && is_number(month));
    year && month && fields.next().is_none_or(is_number) && fields.next().is_none()
}
