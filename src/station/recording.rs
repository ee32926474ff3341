//! Where what a channel's controller hears and does is recorded, `[recording]`.

use super::reader::{Section, Whole};
use std::path::{Path, PathBuf};

const BYTES_PER_MB: u64 = 1_000_000;
/// Some four days and nights of one channel at ten turns a second, five weeks at one.
const DEFAULT_MB: u64 = 1000;

const FOLDER: &str = "name the folder for the recordings, as \"recordings\"";
const KEEP_MB: Whole = Whole {
    key: "keep_mb",
    low: 1,
    high: 10_000_000,
    hint: "state how many megabytes each channel's recordings may take",
};

/// Where, and how much.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RecordingSpec {
    /// The folder; relative paths start at the station file's directory.
    pub folder: PathBuf,
    /// What the recordings of one channel in this folder may take together (bytes).
    pub keep_bytes: u64,
}

/// Reads `[recording]`, if it is there.
pub(super) fn read(
    root: &mut Section<'_>,
    directory: &Path,
    plant: bool,
) -> Option<Option<RecordingSpec>> {
    let Some(mut section) = root.table_if_any("recording") else { return Some(None) };
    let folder = section.text("folder", FOLDER);
    let mb = section.whole(&KEEP_MB, Some(DEFAULT_MB));
    section.finish();
    if plant {
        let text = "a run on a plant needs no recording: the same seed gives the same run; take this \
                    table out";
        root.note("recording", text);
        return None;
    }
    let (folder, mb) = (directory.join(folder?), mb?);
    Some(Some(RecordingSpec { folder, keep_bytes: mb * BYTES_PER_MB }))
}
