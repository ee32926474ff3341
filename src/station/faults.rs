//! Fault scripts: what goes wrong with a virtual bench, and when.
//!
//! Model: a TOML file of `[[fault]]` tables, each with `at_s`, `what`, `where`, and how long it
//! lasts (`for_s` or `replies`). Read like a station file: all that is wrong is told at once, with
//! line and key. What each word does is said by [`What`].

use super::problem::StationError;
use super::reader::{Number, Section, Whole};
use super::spelling::nearest;
use super::{document, text_of};
use cresthold_sim::wire::fault::{Fault, Lasting, Mishap, Place, SensorFault, What};
use std::path::Path;

const FAULTS: &str = "add at least one [[fault]]";
const AT: Number = Number {
    key: "at_s",
    low: 0.0,
    high: 1e7,
    unit: "s",
    hint: "state when it begins, since the start",
};
const FOR: Number =
    Number { key: "for_s", low: 0.001, high: 86_400.0, unit: "s", hint: "state how long it lasts" };
const BY: Number =
    Number { key: "by_s", low: 0.001, high: 60.0, unit: "s", hint: "state how late replies are" };
const PER: Number = Number {
    key: "per_s",
    low: -1e6,
    high: 1e6,
    unit: "per s",
    hint: "state how fast it drifts, in the sensor's unit",
};
const REPLIES: Whole =
    Whole { key: "replies", low: 1, high: 1_000_000, hint: "state how many replies it happens to" };
const BYTES: Whole =
    Whole { key: "bytes", low: 1, high: 1000, hint: "state how many bytes arrive" };
/// Bytes that arrive of a partial reply, where the script doesn't say.
const USUAL_BYTES: u64 = 3;

/// Reads fault scripts.
#[derive(Clone, Copy, Debug)]
pub struct FaultScript;

impl FaultScript {
    /// Reads the script in a file; its faults come in the order of their beginnings.
    ///
    /// # Errors
    /// [`StationError`] with everything that is wrong; also when the file can't be read.
    pub fn load(path: &Path, places: &[Place]) -> Result<Vec<Fault>, StationError> {
        let text = text_of(path, "a fault script")?;
        Self::parse(&path.display().to_string(), &text, places)
    }

    /// Reads a script's text; `file` names it in problems. Faults happen at `places` and count
    /// them from zero.
    ///
    /// # Errors
    /// [`StationError`] with everything that is wrong.
    ///
    /// ```
    /// use cresthold::station::FaultScript;
    /// use cresthold_sim::wire::fault::{Place, Role};
    /// let load = Place { name: "slope-1 load".to_owned(), role: Role::Load, terminal: false };
    /// let text = "[[fault]]\nat_s = 5\nwhat = \"late\"\nreplies = 2\nwhere = \"slope-1 lod\"\n";
    /// let wrong = FaultScript::parse("bad.toml", text, &[load]).unwrap_err().to_string();
    /// assert!(wrong.contains("bad.toml:1: fault[1].by_s: missing"));
    /// assert!(wrong.contains("bad.toml:5: fault[1].where: there is no \"slope-1 lod\"; did you"));
    /// ```
    pub fn parse(file: &str, text: &str, places: &[Place]) -> Result<Vec<Fault>, StationError> {
        document(file, text, |mut root| {
            let tables = root.tables("fault", FAULTS);
            let all: Vec<Option<Fault>> =
                tables.into_iter().map(|table| fault(table, places)).collect();
            root.finish();
            let mut faults = all.into_iter().collect::<Option<Vec<_>>>()?;
            faults.sort_by_key(|fault| fault.at);
            Some(faults)
        })
    }
}

fn fault(mut section: Section<'_>, places: &[Place]) -> Option<Fault> {
    let at = section.seconds(&AT);
    let what = what(&mut section);
    let place = place(&mut section, places);
    let lasting = what.and_then(|what| lasting(&mut section, what));
    if let (Some(what), Some(place)) = (what, place)
        && let Err(why) = what.fits(&places[place])
    {
        let (word, name, role) = (what.name(), &places[place].name, places[place].role);
        section.note("what", format!("\"{word}\" can't happen to {name}, a {role}: {why}"));
    }
    if what.is_some() {
        section.finish();
    }
    Some(Fault { at: at?, lasting: lasting?, what: what?, place: place? })
}

/// What happens, with the keys of its own.
fn what(section: &mut Section<'_>) -> Option<What> {
    let word = What::NAMES[section.choice("what", &What::NAMES, None)?];
    for (key, owner) in [(BY.key, "late"), (BYTES.key, "partial"), (PER.key, "drifting")] {
        if word != owner {
            section.forbid(&[key], &format!("goes with what = \"{owner}\" only; take it out"));
        }
    }
    Some(match word {
        "dropped" => What::Replies(Mishap::Silent),
        "late" => What::Replies(Mishap::Late(section.seconds(&BY)?)),
        "garbled" => What::Replies(Mishap::Garbled),
        "partial" => {
            let bytes = section.whole(&BYTES, Some(USUAL_BYTES))?;
            What::Replies(Mishap::Truncated(usize::try_from(bytes).ok()?))
        }
        "duplicated" => What::Replies(Mishap::Doubled),
        "closed" => What::Closed,
        "refused" => What::Refused,
        "renumbered" => What::Renumbered,
        "dead" => What::Dead,
        "stuck" => What::Sensor(SensorFault::Stuck),
        "drifting" => What::Sensor(SensorFault::Drifting { per_second: section.number(&PER)? }),
        "not-a-number" => What::Sensor(SensorFault::NotANumber),
        "tripped" => What::Tripped,
        "collapsed" => What::Collapsed,
        _ => What::Restarted,
    })
}

fn place(section: &mut Section<'_>, places: &[Place]) -> Option<usize> {
    let names: Vec<&str> = places.iter().map(|place| place.name.as_str()).collect();
    let hint = format!("name one of: {}", names.join(", "));
    let name = section.text("where", &hint)?;
    let found = names.iter().position(|known| *known == name);
    if found.is_none() {
        let meant = nearest(name, &names)
            .map_or_else(String::new, |near| format!("; did you mean {near}?"));
        section.note("where", format!("there is no \"{name}\"{meant}; {hint}"));
    }
    found
}

fn lasting(section: &mut Section<'_>, what: What) -> Option<Lasting> {
    let word = what.name();
    let counted = matches!(what, What::Replies(_));
    if !counted {
        let text = format!("\"{word}\" is not counted in replies; state for_s instead");
        section.forbid(&[REPLIES.key], &text);
    }
    match what {
        What::Replies(_) => match (section.has(FOR.key), section.has(REPLIES.key)) {
            (true, false) => section.seconds(&FOR).map(Lasting::For),
            (false, true) => {
                let replies = section.whole(&REPLIES, None)?;
                Some(Lasting::Replies(u32::try_from(replies).ok()?))
            }
            (true, true) => {
                section.note(REPLIES.key, "for_s is stated too; keep one of them");
                None
            }
            (false, false) => {
                section.note(FOR.key, "missing; state how long it lasts (for_s), or replies");
                None
            }
        },
        What::Closed => {
            section
                .forbid(&[FOR.key], "\"closed\" is over at once; take it out, or use \"refused\"");
            Some(Lasting::Once)
        }
        What::Tripped if !section.has(FOR.key) => Some(Lasting::Once),
        _ => section.seconds(&FOR).map(Lasting::For),
    }
}
