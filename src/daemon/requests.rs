//! Curves asked for while a run is under way.
//!
//! Model: whoever may write beside the log may ask. A request is a small file, `LOG.sweep-NUMBER`, that
//! holds a channel's name and comes into being whole, by renaming; the run looks for such files, takes
//! them away and asks the channel. A file that is gone is a request that was heard. Rejected: a signal
//! (names no channel), a socket (a path's length is limited, and it stays behind after a crash), and a
//! table in the log (a second writer there would make the first one wait).

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant as WallInstant};

/// How often a run looks.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// How long a request waits to be heard: many looks.
const PATIENCE: Duration = Duration::from_secs(5);
/// How often it is asked whether it was heard.
const ASK_EVERY: Duration = Duration::from_millis(50);
/// A longer request is none: no channel has such a name.
const LONGEST: u64 = 4096;

/// Why nobody heard.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// No run holds the log.
    #[error(
        "{}: no run writes this log now; start one, or sweep once without a campaign: \
         cresthold sweep STATION.toml --channel NAME", log.display()
    )]
    NotRunning {
        /// The log.
        log: PathBuf,
    },
    /// The request can't be written.
    #[error("{}: can't be written ({error}); ask as the user the run belongs to", file.display())]
    Unwritable {
        /// The request's file.
        file: PathBuf,
        /// What the system said.
        error: std::io::Error,
    },
    /// The run does not take it.
    #[error(
        "the run did not take the request within {} s; is it stopped or overloaded?",
        PATIENCE.as_secs()
    )]
    Unheard,
}

/// Asks the run that writes `log` for a curve of `channel`; returns when it has heard.
///
/// # Errors
/// [`AskError`]; nothing stays behind.
pub fn ask(log: &Path, channel: &str) -> Result<(), AskError> {
    if !super::is_locked(&super::lock_of(log)) {
        return Err(AskError::NotRunning { log: log.to_path_buf() });
    }
    let number = std::process::id();
    let (draft, file) =
        (beside(log, &format!(".asking-{number}")), beside(log, &format!(".sweep-{number}")));
    let written = std::fs::write(&draft, channel).and_then(|()| std::fs::rename(&draft, &file));
    if let Err(error) = written {
        // A draft that could not be written may not be there.
        let _ = std::fs::remove_file(&draft);
        return Err(AskError::Unwritable { file, error });
    }
    let began = WallInstant::now();
    while began.elapsed() < PATIENCE {
        if !file.exists() {
            return Ok(());
        }
        std::thread::sleep(ASK_EVERY);
    }
    // Heard at the last moment: then it is gone.
    if std::fs::remove_file(&file).is_ok() { Err(AskError::Unheard) } else { Ok(()) }
}

/// The requests to a run.
#[derive(Debug)]
pub(super) struct Requests {
    folder: PathBuf,
    prefix: String,
    looked: WallInstant,
}

impl Requests {
    /// Of the run that holds `log`; what an earlier one did not hear is forgotten.
    pub(super) fn new(log: &Path) -> Self {
        let name = log.file_name().unwrap_or_default().to_string_lossy();
        let folder = log.parent().filter(|folder| !folder.as_os_str().is_empty());
        let folder = folder.unwrap_or(Path::new(".")).to_path_buf();
        let requests =
            Self { folder, prefix: format!("{name}.sweep-"), looked: WallInstant::now() };
        requests.take();
        requests
    }

    /// The names of the channels asked for since the last look, if it is time for one.
    pub(super) fn heard(&mut self) -> Vec<String> {
        if self.looked.elapsed() < LOOK_EVERY {
            return Vec::new();
        }
        self.looked = WallInstant::now();
        self.take()
    }

    fn take(&self) -> Vec<String> {
        let Ok(entries) = std::fs::read_dir(&self.folder) else {
            return Vec::new();
        };
        let ours = |name: &std::ffi::OsStr| name.to_string_lossy().starts_with(&self.prefix);
        let files = entries.flatten().filter(|entry| ours(&entry.file_name()));
        files.filter_map(|entry| request(&entry.path())).collect()
    }
}

/// Takes a request away; none where that fails, or it would be heard again and again.
fn request(file: &Path) -> Option<String> {
    let short = std::fs::metadata(file).is_ok_and(|data| data.is_file() && data.len() <= LONGEST);
    let text = short.then(|| std::fs::read_to_string(file).ok()).flatten();
    std::fs::remove_file(file).ok()?;
    text.map(|text| text.trim().to_owned())
}

fn beside(log: &Path, more: &str) -> PathBuf {
    let mut name = log.as_os_str().to_owned();
    name.push(more);
    PathBuf::from(name)
}
