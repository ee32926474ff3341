//! Trackers and their settings as one writes them on a line.
//!
//! Model: `method:key=value,key=value`, with the methods and keys of `[channel.tracker]` in a station
//! file, so that what won can be pasted there. A value with `%` is a share of the device's
//! open-circuit voltage under standard conditions, which makes one line fit devices of any size.

use super::Plant;
use crate::quantities::Volts;
use crate::station::{Problem, StationError, tracker_of};
use crate::trackers::TrackerConfig;
use std::fmt::Write as _;

/// A tracker with its settings, for devices of any size.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contender {
    text: String,
}

/// Why a contender's line can't be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ContenderError {
    /// A setting without a value.
    #[error("{text}: {part} is no setting; write method:key=value,key=value")]
    NoSetting {
        /// The whole line.
        text: String,
        /// The part that is wrong.
        part: String,
    },
    /// The tracker refuses its settings.
    #[error("{text}: {why}")]
    Refused {
        /// The whole line.
        text: String,
        /// Why.
        why: String,
    },
}

impl Contender {
    /// Those that every comparison shows, because each tracker must beat them.
    pub const BASELINES: [&'static str; 2] =
        ["hold:share=0.8", "fractional-voc:share=0.8,look_every_s=30"];
    /// The trackers of the standard comparison beside the baselines.
    pub const COMPARED: [&'static str; 5] = [
        "crest-line",
        "perturb-and-observe:step_volts=0.5%",
        "incremental-conductance:step_volts=0.5%",
        "ramp-separating:step_volts=0.5%",
        "variable-step:step_volts=2%,least_step_volts=0.25%",
    ];

    /// A contender from its line, tried on a device of 100 V.
    ///
    /// # Errors
    /// [`ContenderError`] when it is no line, or the tracker refuses its settings.
    ///
    /// ```
    /// use cresthold::study::{Contender, Plant};
    /// let climber = Contender::new("perturb-and-observe:step_volts=0.4%").unwrap();
    /// let plant = Plant::named("standard-crystalline").unwrap();
    /// // 0.4 % of 124.894 V (Annex C at 1000 W/m2).
    /// let lines = climber.station_lines(&plant).unwrap();
    /// assert_eq!(lines, "method = \"perturb-and-observe\"\nstep_volts = 0.499576\n");
    /// let wrong = Contender::new("perturb-and-observe:share=0.8").unwrap_err().to_string();
    /// assert!(wrong.contains("has no such setting"), "{wrong}");
    /// let half = Contender::new("hold").unwrap_err().to_string();
    /// assert!(half.starts_with("hold: volts: missing; hold needs"), "{half}");
    /// ```
    pub fn new(text: &str) -> Result<Self, ContenderError> {
        let contender = Self { text: text.trim().to_owned() };
        contender.for_volts(USUAL_OPEN_CIRCUIT)?;
        Ok(contender)
    }

    /// Its line.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Its method's name.
    #[must_use]
    pub fn method(&self) -> &str {
        self.text.split(':').next().unwrap_or_default()
    }

    /// The tracker for a device.
    ///
    /// # Errors
    /// [`ContenderError`] when the tracker refuses its settings for this device.
    pub fn tracker(&self, plant: &Plant) -> Result<TrackerConfig, ContenderError> {
        self.for_volts(plant.open_circuit())
    }

    /// What to paste below `[channel.tracker]` in a station file for this device.
    ///
    /// # Errors
    /// [`ContenderError`] when the line is none.
    pub fn station_lines(&self, plant: &Plant) -> Result<String, ContenderError> {
        self.lines(plant.open_circuit())
    }

    fn for_volts(&self, open_circuit: Volts) -> Result<TrackerConfig, ContenderError> {
        tracker_of(&self.lines(open_circuit)?)
            .map_err(|error| ContenderError::Refused { text: self.text.clone(), why: why(&error) })
    }

    fn lines(&self, open_circuit: Volts) -> Result<String, ContenderError> {
        let (method, settings) = self.text.split_once(':').unwrap_or((&self.text, ""));
        let mut lines = format!("method = {}\n", quoted(method.trim()));
        for part in settings.split(',').map(str::trim).filter(|part| !part.is_empty()) {
            let no_setting =
                || ContenderError::NoSetting { text: self.text.clone(), part: part.to_owned() };
            let (key, value) = part.split_once('=').ok_or_else(no_setting)?;
            let (key, value) = (key.trim(), value.trim());
            let share = value.strip_suffix('%').map(|share| share.trim().parse::<f64>());
            let value = match share {
                Some(share) => number(open_circuit.0 * share.map_err(|_| no_setting())? / 100.0),
                None if value.parse::<f64>().is_ok() || BARE.contains(&value) => value.to_owned(),
                None => quoted(value),
            };
            // Writing to a String can't fail.
            let _ = writeln!(lines, "{key} = {value}");
        }
        Ok(lines)
    }
}

/// All that is wrong with a line. It has no lines to number.
fn why(error: &StationError) -> String {
    let of = |problem: &Problem| {
        let key = if problem.key.is_empty() { "" } else { ": " };
        format!("{}{key}{}", problem.key, problem.text)
    };
    error.problems.iter().map(of).collect::<Vec<_>>().join("; ")
}

/// A device to try a line on (V).
const USUAL_OPEN_CIRCUIT: Volts = Volts(100.0);
/// Values that are not text though they are no numbers.
const BARE: [&str; 2] = ["true", "false"];
/// Digits that a voltage computed from a share keeps: microvolts.
const MICRO: f64 = 1e6;

fn number(value: f64) -> String {
    ((value * MICRO).round() / MICRO).to_string()
}

fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}
