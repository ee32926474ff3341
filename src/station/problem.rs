//! What is wrong with a station file, all of it at once.

use std::fmt;

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Line in the file (1..); for a missing key the line of its table's header.
    pub line: usize,
    /// Where in the file's tree, as `channel[2].envelope.device_volts_max`; channels count from
    /// one. Empty where the text is no TOML.
    pub key: String,
    /// What is wrong, and what would be right.
    pub text: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.key.is_empty() {
            write!(f, "{}: {}", self.line, self.text)
        } else {
            write!(f, "{}: {}: {}", self.line, self.key, self.text)
        }
    }
}

/// Why there is no [`super::Station`].
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct StationError {
    /// The file, as it was named.
    pub file: String,
    /// Everything that is wrong, by line; at least one.
    pub problems: Vec<Problem>,
}

impl fmt::Display for StationError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.problems.iter().enumerate() {
            let end = if index == 0 { "" } else { "\n" };
            write!(f, "{end}{}:{problem}", self.file)?;
        }
        Ok(())
    }
}
