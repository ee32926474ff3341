//! The tracker's table.

use super::reader::{Number, Section};
use super::spec::ScriptText;
use super::spelling::nearest;
use crate::quantities::Volts;
use crate::trackers::script::LONGEST;
use crate::trackers::{
    CrestLineConfig, FractionalVocConfig, HoldConfig, IncrementalConductanceConfig,
    PerturbAndObserveConfig, RampSeparatingConfig, Script, ScriptConfig, TrackerConfig,
    VariableStepConfig,
};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

const STEP: Number = Number {
    key: "step_volts",
    low: 0.001,
    high: 50.0,
    unit: "V",
    hint: "state the step, about 0.5 % of the open-circuit voltage",
};
const LEAST_STEP: Number = Number {
    key: "least_step_volts",
    low: 0.001,
    high: 50.0,
    unit: "V",
    hint: "state the step on the crest, about 0.3 % of the open-circuit voltage",
};
const DEAD_BAND: Number = Number {
    key: "dead_band",
    low: 0.0,
    high: 0.5,
    unit: "",
    hint: "state the relative power slope below which it keeps still, 0 for none",
};
const SHARE: Number = Number {
    key: "share",
    low: 0.5,
    high: 0.95,
    unit: "",
    hint: "state the share of the open-circuit voltage to hold, about 0.8",
};
const LOOK_EVERY: Number = Number {
    key: "look_every_s",
    low: 1.0,
    high: 3600.0,
    unit: "s",
    hint: "state how often the open-circuit voltage is measured anew",
};
const HOLD_VOLTS: Number = Number {
    key: "volts",
    low: -5.0,
    high: 600.0,
    unit: "V",
    hint: "state the device voltage to hold, inside the envelope",
};
/// A setting of a script: the script knows its range, here it only has to be a number.
const SETTING: Number = Number {
    key: "set",
    low: -1e9,
    high: 1e9,
    unit: "",
    hint: "state a number for each setting that shall differ from the script's own",
};
/// How often a fractional tracker looks unless stated otherwise.
const DEFAULT_LOOK: Duration = Duration::from_secs(30);
/// All settings of all trackers.
const SETTINGS: [&str; 8] = [
    "step_volts",
    "least_step_volts",
    "dead_band",
    "share",
    "look_every_s",
    "volts",
    "file",
    "set",
];

/// Where scripts are.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shelf<'a> {
    /// Where relative paths start.
    pub(super) directory: &'a Path,
    /// Texts in place of what the disk has.
    pub(super) kept: Option<&'a [ScriptText]>,
}

impl Shelf<'_> {
    fn text_of(&self, file: &str) -> Result<String, String> {
        let Some(kept) = self.kept else { return text_of(&self.directory.join(file)) };
        let found = kept.iter().find(|script| script.file == file);
        let missing = || "the script's text was not kept with the station".to_owned();
        found.map(|script| script.text.clone()).ok_or_else(missing)
    }
}

/// Reads `[channel.tracker]`; `device_volts_max` is known when the envelope has it right.
pub(super) fn read(
    section: &mut Section<'_>,
    shelf: Shelf<'_>,
    device_volts_max: Option<f64>,
) -> Option<TrackerConfig> {
    let names = TrackerConfig::NAMES;
    let Some(place) = section.choice("method", &names, None) else {
        // Whose settings they are can't be told.
        for key in SETTINGS {
            section.has(key);
        }
        return None;
    };
    let tracker = match names[place] {
        "hold" => hold(section, device_volts_max).map(TrackerConfig::Hold),
        "fractional-voc" => {
            let share = section.number(&SHARE);
            let look_every = section.seconds_or(&LOOK_EVERY, DEFAULT_LOOK);
            share.zip(look_every).map(|(share, look_every)| {
                TrackerConfig::FractionalVoc(FractionalVocConfig { share, look_every })
            })
        }
        "perturb-and-observe" => section.number(&STEP).map(|step| {
            TrackerConfig::PerturbAndObserve(PerturbAndObserveConfig { step: Volts(step) })
        }),
        "incremental-conductance" => {
            let step = section.number(&STEP);
            let dead_band = section.number_or(&DEAD_BAND, 0.0);
            step.zip(dead_band).map(|(step, dead_band)| {
                let step = Volts(step);
                let config = IncrementalConductanceConfig { step, dead_band };
                TrackerConfig::IncrementalConductance(config)
            })
        }
        "ramp-separating" => section
            .number(&STEP)
            .map(|step| TrackerConfig::RampSeparating(RampSeparatingConfig { step: Volts(step) })),
        "variable-step" => variable_step(section).map(TrackerConfig::VariableStep),
        "crest-line" => Some(TrackerConfig::CrestLine(CrestLineConfig {})),
        "script" => script(section, shelf, device_volts_max).map(TrackerConfig::Script),
        other => {
            section.note("method", format!("{other} can't be set up from a station file yet"));
            None
        }
    };
    let known = section.asked();
    let others: Vec<_> = SETTINGS.into_iter().filter(|key| !known.contains(key)).collect();
    let settings: Vec<_> = known.into_iter().filter(|key| *key != "method").collect();
    let why = match settings.as_slice() {
        [] => format!("{} has no settings; take it out", names[place]),
        known => format!("{} has no such setting; it has: {}", names[place], known.join(", ")),
    };
    section.forbid(&others, &why);
    tracker
}

fn variable_step(section: &mut Section<'_>) -> Option<VariableStepConfig> {
    let largest = section.number(&STEP);
    let least = section.number(&LEAST_STEP);
    let (largest, least) = largest.zip(least)?;
    if least > largest {
        let text = format!("{least} V is above step_volts ({largest} V), the largest step");
        section.note(LEAST_STEP.key, format!("{text}; {}", LEAST_STEP.hint));
        return None;
    }
    Some(VariableStepConfig { largest: Volts(largest), least: Volts(least) })
}

fn script(
    section: &mut Section<'_>,
    shelf: Shelf<'_>,
    device_volts_max: Option<f64>,
) -> Option<ScriptConfig> {
    let file = section.text("file", "state the script's file, as \"my-tracker.rhai\"");
    let set = section.table_or_defaults("set");
    let file = file?;
    let script = match shelf.text_of(file).map(|text| Script::new(file, &text)) {
        Ok(Ok(script)) => script,
        Ok(Err(why)) => return refuse(section, &why),
        Err(why) => return refuse(section, &why),
    };
    let known: Vec<String> = script.names().map(str::to_owned).collect();
    let mut config = Some(ScriptConfig::new(Arc::new(script)));
    for (name, value) in set.own_numbers(&SETTING)? {
        let changed = config.clone().and_then(|config| config.with(name, value));
        if changed.is_none() {
            let known: Vec<&str> = known.iter().map(String::as_str).collect();
            set.note(name, set_unknown(file, name, &known));
        }
        config = changed;
    }
    let config = config?;
    match device_volts_max.map(|top| config.try_out(Volts(top))) {
        Some(Err(why)) => refuse(section, &format!("{why} (tried on a made-up device)")),
        Some(Ok(())) | None => Some(config),
    }
}

fn refuse<T>(section: &Section<'_>, why: &impl ToString) -> Option<T> {
    section.note("file", why.to_string());
    None
}

/// The text of a script's file.
fn text_of(file: &Path) -> Result<String, String> {
    let whole =
        |why| format!("the script can't be read: {why}; check the path and who may read it");
    let size = std::fs::metadata(file).map_err(whole)?.len();
    if size > LONGEST as u64 {
        return Err(format!("{size} bytes are more than {LONGEST}; name a script"));
    }
    std::fs::read_to_string(file).map_err(whole)
}

fn set_unknown(file: &str, name: &str, known: &[&str]) -> String {
    let meant = nearest(name, known).map(|name| format!("did you mean {name}?"));
    let known = match known {
        [] => "it has none; name them with their defaults in fn settings()".to_owned(),
        known => format!("it has: {}", known.join(", ")),
    };
    format!("{file} has no such setting; {}", meant.unwrap_or(known))
}

fn hold(section: &mut Section<'_>, device_volts_max: Option<f64>) -> Option<HoldConfig> {
    match (section.has("volts"), section.has("share")) {
        (true, false) => {
            let volts = section.number(&HOLD_VOLTS)?;
            if let Some(max) = device_volts_max.filter(|max| volts >= *max) {
                let text = format!(
                    "{volts} V is not below device_volts_max ({max} V); {}",
                    HOLD_VOLTS.hint
                );
                section.note("volts", text);
                return None;
            }
            Some(HoldConfig::At(Volts(volts)))
        }
        (false, true) => section.number(&SHARE).map(HoldConfig::Share),
        (false, false) => {
            section.note("volts", "missing; hold needs either volts (V) or share (0.5..=0.95)");
            None
        }
        (true, true) => {
            section.note("share", "hold takes either volts or share; take one out");
            None
        }
    }
}

/// The tracker that the lines of a `[channel.tracker]` table describe, without a station around it; a
/// script's path starts where the program was started.
pub(super) fn alone(mut root: Section<'_>) -> Option<TrackerConfig> {
    let shelf = Shelf { directory: Path::new(""), kept: None };
    let tracker = read(&mut root, shelf, None);
    root.finish();
    tracker
}
