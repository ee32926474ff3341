//! Curves asked for while a run is under way.
//!
//! Model: whoever may write beside the log may ask. A request is a small file, `LOG.sweep-NUMBER`, that
//! holds a channel's name and comes into being whole, by renaming; a thread of the run looks for such files, takes
//! them away, and answers in `LOG.answer-NUMBER`, which whoever asked takes away: whether the channel
//! will be swept, or why not. A channel that isn't at its crest is not swept later, when nobody waits
//! for it any more and the light is another. Rejected: a signal (names no channel), a socket (a path's
//! length is limited, and it stays behind after a crash), and a table in the log (a second writer there
//! would make the first one wait).

use crate::control::record::Activity;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread;
use std::time::{Duration, Instant as WallInstant};

/// What a run says to a request, a sentence each.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// The channel will be swept.
    Taken(String),
    /// The channel isn't swept as it is now.
    NotNow(String),
    /// No channel of the run has that name.
    Unknown(String),
}

impl Answer {
    /// What to say to a request for the channel called `name`, of channels that do so.
    fn to(name: &str, doing: &[(&str, Activity)]) -> Self {
        let Some((_, activity)) = doing.iter().find(|(other, _)| *other == name) else {
            let names: Vec<&str> = doing.iter().map(|(name, _)| *name).collect();
            let names = names.join(", ");
            return Self::Unknown(format!("the run has no channel {name}; it has {names}"));
        };
        let why = match activity {
            Activity::Tracking => return Self::Taken(format!("{name} is swept now")),
            Activity::Sweeping => {
                return Self::Taken(format!("{name} is on a curve already; another follows it"));
            }
            Activity::Starting => {
                return Self::Taken(format!("{name} is swept as soon as it is at its crest"));
            }
            Activity::Connecting => "its instruments don't answer, or not yet",
            Activity::Asleep => "it is too dark, or was until now",
            Activity::Resting => "it was let go and rests; the events in the log tell why",
            Activity::LockedOff => {
                "it was let go too often and is locked off until the next run; the events in the \
                 log tell why"
            }
            Activity::Stopped => "the run is ending",
        };
        Self::NotNow(format!(
            "{name} is not swept: {why} ({}). Ask again when it is at its crest",
            activity.word()
        ))
    }

    const WORDS: [&str; 3] = ["taken", "not-now", "unknown"];

    fn text(&self) -> String {
        let (word, sentence) = match self {
            Self::Taken(sentence) => (Self::WORDS[0], sentence),
            Self::NotNow(sentence) => (Self::WORDS[1], sentence),
            Self::Unknown(sentence) => (Self::WORDS[2], sentence),
        };
        format!("{word}\n{sentence}\n")
    }

    fn read(text: &str) -> Option<Self> {
        let (word, sentence) = text.split_once('\n')?;
        let make = [Self::Taken, Self::NotNow, Self::Unknown];
        let place = Self::WORDS.iter().position(|known| *known == word)?;
        Some(make[place](sentence.trim_end().to_owned()))
    }
}

/// How often a run looks for requests, and who asked for the curve.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// How long a request waits to be heard: many looks.
const PATIENCE: Duration = Duration::from_secs(5);
/// How often it is asked whether it was heard.
const ASK_EVERY: Duration = Duration::from_millis(50);
/// A longer request is none: no channel has such a name.
const LONGEST: u64 = 4096;
/// What a request's and an answer's name have between the log's and the number.
const REQUEST: &str = ".sweep-";
const ANSWER: &str = ".answer-";

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

/// Asks the run that writes `log` for a curve of `channel`; returns its answer.
///
/// # Errors
/// [`AskError`]; nothing stays behind.
pub fn ask(log: &Path, channel: &str) -> Result<Answer, AskError> {
    if !super::claim::is_held(log) {
        return Err(AskError::NotRunning { log: log.to_path_buf() });
    }
    let number = std::process::id();
    let (draft, file) =
        (beside(log, &format!(".asking-{number}")), beside(log, &format!("{REQUEST}{number}")));
    let answered = beside(log, &format!("{ANSWER}{number}"));
    // Of somebody with the same number, who did not wait for it.
    let _ = std::fs::remove_file(&answered);
    if let Err(error) = write_whole(&draft, &file, channel) {
        return Err(AskError::Unwritable { file, error });
    }
    let began = WallInstant::now();
    let mut answer = None;
    while answer.is_none() && began.elapsed() < PATIENCE {
        std::thread::sleep(ASK_EVERY);
        answer = std::fs::read_to_string(&answered).ok().and_then(|text| Answer::read(&text));
    }
    // Both may be gone.
    let _ = std::fs::remove_file(&file);
    let _ = std::fs::remove_file(&answered);
    answer.ok_or(AskError::Unheard)
}

/// Looks every now and then whether what was asked for has come, `within` a time.
///
/// # Errors
/// Those of a look.
pub fn wait<E>(within: Duration, mut look: impl FnMut() -> Result<bool, E>) -> Result<bool, E> {
    let began = WallInstant::now();
    while began.elapsed() < within {
        std::thread::sleep(LOOK_EVERY);
        if look()? {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Writes a file that comes into being whole.
fn write_whole(draft: &Path, file: &Path, text: &str) -> std::io::Result<()> {
    let written = std::fs::write(draft, text).and_then(|()| std::fs::rename(draft, file));
    if written.is_err() {
        // A draft that could not be written may not be there.
        let _ = std::fs::remove_file(draft);
    }
    written
}

/// The requests to a run. A disk that hangs holds up a thread of their own, not control.
#[derive(Debug)]
pub(super) struct Requests {
    /// The number of each, and the channel's name.
    asked: Receiver<(String, String)>,
    /// Who lets go of this ends the thread.
    answers: Sender<(String, Answer)>,
}

impl Requests {
    /// To the run that holds `log`; what an earlier one did not hear, and answers that nobody took, are
    /// forgotten.
    pub(super) fn new(log: &Path) -> Self {
        let (heard, asked) = channel();
        let (answers, answered) = channel();
        let folder = Folder::of(log);
        let started = thread::Builder::new()
            .name("requests".to_owned())
            .spawn(move || folder.attend(&heard, &answered));
        if let Err(error) = started {
            tracing::warn!("no curve can be asked for in this run: {error}");
        }
        Self { asked, answers }
    }

    /// Answers the requests since the last look, by what the channels are doing in their order; the places
    /// of those to be swept.
    pub(super) fn heard(&mut self, doing: &[(&str, Activity)]) -> Vec<usize> {
        let mut taken = Vec::new();
        for (number, name) in self.asked.try_iter() {
            let answer = Answer::to(&name, doing);
            tracing::info!("a curve of {name} was asked for: {}", answer.text().trim_end());
            if let Answer::Taken(_) = answer {
                taken.extend(doing.iter().position(|(other, _)| *other == name));
            }
            // Who can't be answered learns that after a while.
            let _ = self.answers.send((number, answer));
        }
        taken
    }
}

/// Where requests to a run come into being.
struct Folder {
    folder: PathBuf,
    /// The log's name.
    log: String,
}

impl Folder {
    fn of(log: &Path) -> Self {
        let name = log.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let folder = log.parent().filter(|folder| !folder.as_os_str().is_empty());
        Self { folder: folder.unwrap_or(Path::new(".")).to_path_buf(), log: name }
    }

    /// Takes requests to the run and its answers back, until there is no run any more.
    fn attend(&self, heard: &Sender<(String, String)>, answered: &Receiver<(String, Answer)>) {
        self.take(REQUEST);
        self.take(ANSWER);
        loop {
            match answered.recv_timeout(LOOK_EVERY) {
                Ok((number, answer)) => {
                    let file = |kind: &str| self.folder.join(format!("{}{kind}{number}", self.log));
                    let _ = write_whole(&file(".answering-"), &file(ANSWER), &answer.text());
                }
                Err(RecvTimeoutError::Timeout) => {
                    for request in self.take(REQUEST) {
                        // With the run gone, the next look ends.
                        let _ = heard.send(request);
                    }
                }
                Err(RecvTimeoutError::Disconnected) => return,
            }
        }
    }

    /// Takes files of a kind away: their numbers and texts.
    fn take(&self, kind: &str) -> Vec<(String, String)> {
        let Ok(entries) = std::fs::read_dir(&self.folder) else {
            return Vec::new();
        };
        let prefix = format!("{}{kind}", self.log);
        let one = |entry: std::fs::DirEntry| {
            let name = entry.file_name().to_string_lossy().into_owned();
            let number = name.strip_prefix(&prefix)?.to_owned();
            Some((number, request(&entry.path())?))
        };
        entries.flatten().filter_map(one).collect()
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_activity_has_its_answer_and_every_answer_comes_back() {
        for activity in Activity::ALL {
            let answer = Answer::to("east", &[("west", Activity::Tracking), ("east", activity)]);
            let crest = [Activity::Tracking, Activity::Sweeping, Activity::Starting];
            assert_eq!(matches!(answer, Answer::Taken(_)), crest.contains(&activity));
            assert_eq!(Answer::read(&answer.text()), Some(answer));
        }
        let unknown = Answer::to("north", &[("west", Activity::Tracking)]);
        assert!(matches!(&unknown, Answer::Unknown(why) if why.contains("it has west")));
        assert_eq!(Answer::read(&unknown.text()), Some(unknown));
        assert_eq!(Answer::read("taken"), None, "half an answer is none");
    }
}
