//! How a run is, for those who look from afar: `cresthold status`, and monitoring systems.
//!
//! Model: the run answers HTTP on one address, by default a free port of the loopback interface:
//! `/metrics` is OpenMetrics text, `/status` the same and more as JSON. The address is written into
//! the log's lock file, so whoever knows the log finds the run. Answers are put together when somebody
//! asks, on the run's own thread, from what it holds anyway; they take some tens of microseconds, and at
//! most four are served at once. What it costs is part of what is told.
//!
//! Nothing can be changed from here. Who may reach the address may read it: an address other than
//! loopback belongs into a network that is trusted, or behind a server that asks for a password.
//!
//! Rejected: a status file beside the log (a write per second would wear flash out), a Unix socket (a
//! path's length is limited, and monitoring systems speak HTTP).

mod client;
mod cost;
mod metrics;
pub(super) mod server;
mod table;

pub use client::{AskError, ask};
pub use cost::Cost;
pub use metrics::text as metrics_text;

use crate::store::{self, Status};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// How a run is.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Health {
    /// The station's name.
    pub station: String,
    /// The run's wall time, ISO 8601 with zone.
    pub time: String,
    /// How long it has been running (s).
    pub up_s: f64,
    /// Whether control turns: every channel had its turn when it was due, or a minute later at most.
    pub turning: bool,
    /// The channels, in the station file's order.
    pub channels: Vec<ChannelHealth>,
    /// What is wrong with instruments and sensors now, a sentence each.
    pub troubles: Vec<String>,
    /// The log.
    pub log: LogHealth,
    /// The recordings, where the station file wants any.
    #[serde(default)]
    pub recordings: Vec<RecordingHealth>,
    /// The last events of the run, the oldest first.
    #[serde(default)]
    pub events: Vec<EventHealth>,
    /// What the run costs.
    pub cost: Cost,
}

/// How a channel is.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ChannelHealth {
    /// Its name.
    pub name: String,
    /// What it is doing, in plain words.
    pub doing: String,
    /// When its last sample was taken, ISO 8601 with zone.
    pub sample_time: Option<String>,
    /// Device voltage (V), mean of the last sample; like all of them none once that is too old to say
    /// how the channel is.
    pub voltage_v: Option<f64>,
    /// Device current (A), likewise.
    pub current_a: Option<f64>,
    /// Device power (W), likewise.
    pub power_w: Option<f64>,
    /// Irradiance on the device (W/m2), likewise.
    pub irradiance_w_m2: Option<f64>,
    /// Back-of-module temperature (degC), likewise.
    pub module_temperature_degc: Option<f64>,
    /// Energy since the run began (Wh).
    pub energy_wh: f64,
    /// Energy of the day so far, with what earlier runs made of it (Wh); the minute under way as its samples tell it.
    #[serde(default)]
    pub today_wh: f64,
    /// Turns that had a period to keep.
    pub turns: u64,
    /// How many of them began late.
    pub turns_late: u64,
    /// How far its turn is overdue (s); zero while it is not.
    pub overdue_s: f64,
}

/// How a recording is.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RecordingHealth {
    /// The channel that is recorded.
    pub channel: String,
    /// Its file; none where none could be begun.
    pub file: Option<String>,
    /// Its size (bytes).
    pub bytes: u64,
    /// Why it ended, if it did before the run.
    pub ended: Option<String>,
}

/// Something that happened.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct EventHealth {
    /// When, ISO 8601 with zone.
    pub time: String,
    /// The channel; none for the station itself.
    pub channel: Option<String>,
    /// note, warning or alarm.
    pub severity: String,
    /// Its code in the log.
    pub code: String,
    /// What happened, a sentence.
    pub text: String,
}

/// How the log is.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LogHealth {
    /// Its file.
    pub file: String,
    /// The size of all its files (bytes).
    pub bytes: u64,
    /// Room left on its disk (bytes), where the system tells.
    pub free_bytes: Option<u64>,
    /// Rows of samples on the disk since the run began.
    pub samples: u64,
    /// Rows of minutes, likewise.
    pub minutes: u64,
    /// Rows of events, likewise.
    pub events: u64,
    /// Records waiting for the next commit.
    pub waiting: u64,
    /// Samples left out because the disk could not keep up.
    pub left_out: u64,
    /// Minutes, days and events lost.
    pub lost: u64,
    /// Time since the last commit (s).
    pub commit_age_s: Option<f64>,
    /// What is wrong with it now.
    pub trouble: Option<String>,
}

impl LogHealth {
    pub(super) fn of(file: &Path, status: &Status) -> Self {
        Self {
            file: file.display().to_string(),
            bytes: store::size(file),
            free_bytes: cost::room(file),
            samples: status.rows.samples,
            minutes: status.rows.minutes,
            events: status.rows.events,
            waiting: status.waiting as u64,
            left_out: status.left_out,
            lost: status.lost + status.refused,
            commit_age_s: status.commit_age.map(|age| age.as_secs_f64()),
            trouble: status.error.clone(),
        }
    }
}
