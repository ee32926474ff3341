//! How long the log keeps what, `[storage]`.

use super::reader::{Number, Section, Whole};
use std::time::Duration;

const SECONDS_PER_DAY: f64 = 86_400.0;
const BYTES_PER_MB: u64 = 1_000_000;

const FILE_PER: &str = "write \"month\" or \"campaign\"";
const KEEP_DAYS: Number = Number {
    key: "keep_samples_days",
    low: 1.0,
    high: 36_500.0,
    unit: "days",
    hint: "state for how long raw samples are kept after their month; leave out for ever",
};
/// A month of one channel's samples takes some 60 MB.
const KEEP_MB: Whole = Whole {
    key: "keep_mb",
    low: 50,
    high: 10_000_000,
    hint: "state how many megabytes the log's files may take; leave out for no limit",
};

/// How the log's files are kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StorageSpec {
    /// Whether each month has a file of its own.
    pub monthly: bool,
    /// For how long after their month raw samples are kept (days, 1..=36500); none: for ever.
    pub keep_samples: Option<Duration>,
    /// What all files may take before raw samples of the oldest month are let go (bytes); none: no
    /// limit.
    pub keep_bytes: Option<u64>,
}

impl Default for StorageSpec {
    fn default() -> Self {
        Self { monthly: true, keep_samples: None, keep_bytes: None }
    }
}

/// Reads `[storage]`, if it is there.
pub(super) fn read(root: &mut Section<'_>) -> Option<StorageSpec> {
    let mut section = root.table_or_defaults("storage");
    let monthly = match section.text_if_any("file_per", FILE_PER) {
        None | Some("month") => Some(true),
        Some("campaign") => Some(false),
        Some(other) => {
            section.note("file_per", format!("{other:?} is neither; {FILE_PER}"));
            None
        }
    };
    let days = section.has(KEEP_DAYS.key).then(|| section.number(&KEEP_DAYS));
    let mb = section.has(KEEP_MB.key).then(|| section.whole(&KEEP_MB, None));
    section.finish();
    let keep_samples = match days {
        None => None,
        Some(days) => Some(Duration::from_secs_f64(days? * SECONDS_PER_DAY)),
    };
    let keep_bytes = match mb {
        None => None,
        Some(mb) => Some(mb? * BYTES_PER_MB),
    };
    Some(StorageSpec { monthly: monthly?, keep_samples, keep_bytes })
}
