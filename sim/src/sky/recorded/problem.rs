//! What can be wrong with a recorded day, in words that say what to do.
//!
//! Model: a [`DayError`] is a bounded list of [`Problem`]s, each with line, column and [`Fault`].
//! Rejected: stopping at the first problem, as a record from the field often has several.

use crate::time::Utc;
use std::fmt;

/// Problems reported of one file; more are only counted.
pub const MOST_PROBLEMS: usize = 20;

/// What is wrong with a file, all of it.
#[derive(Clone, Debug, PartialEq)]
pub struct DayError {
    /// The file's name, as given.
    pub file: String,
    /// The first [`MOST_PROBLEMS`] problems in the order of the file.
    pub problems: Vec<Problem>,
    /// How many more there are.
    pub more: usize,
}

/// One thing wrong, and where.
#[derive(Clone, Debug, PartialEq)]
pub struct Problem {
    /// Line of the file, from 1, the header's; 0 for the file as a whole.
    pub line: u64,
    /// Name of the column; empty where the whole line is meant.
    pub column: &'static str,
    /// What is wrong.
    pub fault: Fault,
}

/// What is wrong at one place of a file.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Fault {
    /// The file could not be read at all.
    #[error("cannot be read: {0}; check the path and that it is text in UTF-8")]
    Unreadable(String),
    /// A required column is missing.
    #[error("the column is missing; the header needs time_utc,ghi,dni,dhi,temp_air,pressure")]
    MissingColumn,
    /// A column stands twice in the header.
    #[error("the column stands twice in the header; leave one")]
    RepeatedColumn,
    /// Some but not all three statistics columns.
    #[error("the column is missing; give all of ghi_std,ghi_min,ghi_max or none")]
    HalfStatistics,
    /// A row with too few or too many fields.
    #[error("{found} fields where the header has {expected}; give one value for each column")]
    Fields {
        /// Fields in the row.
        found: usize,
        /// Fields in the header.
        expected: usize,
    },
    /// A value that is blank or NaN.
    #[error("no value; give a number, or leave the minute's row out at either end of the record")]
    Blank,
    /// Both the direct and the diffuse component are blank.
    #[error("no value, and dni has none either; give one of the two, the other follows from it")]
    BothBlank,
    /// A value that isn't a number.
    #[error("`{0}` is not a number; give a decimal such as 512.0")]
    NotANumber(String),
    /// A value that nature doesn't offer.
    #[error("{value} {unit} is impossible; {least}..={greatest} {unit} would be right")]
    Impossible {
        /// The value.
        value: f64,
        /// The least value taken.
        least: f64,
        /// The greatest value taken.
        greatest: f64,
        /// Unit of the three.
        unit: &'static str,
    },
    /// A minute's mean lies outside its own minimum and maximum.
    #[error(
        "mean {mean} W/m2 lies outside the minute's own {least}..={greatest} W/m2; one of the \
             three is wrong"
    )]
    OutsideSpread {
        /// The mean.
        mean: f64,
        /// The minute's minimum.
        least: f64,
        /// The minute's maximum.
        greatest: f64,
    },
    /// A stamp that isn't a time.
    #[error("`{0}` is not a time; give the minute's start such as 2016-06-15T04:12:00Z")]
    NotATime(String),
    /// A stamp within a minute.
    #[error("{0} is not a full minute; give one row a minute, stamped with its start")]
    NotAMinute(Utc),
    /// A stamp earlier than the one before it.
    #[error("{stamp} comes after {before}; sort the rows by time")]
    OutOfOrder {
        /// The stamp.
        stamp: Utc,
        /// The stamp of the row before.
        before: Utc,
    },
    /// A stamp equal to the one before it.
    #[error("{0} stands twice; leave one row a minute")]
    Duplicate(Utc),
    /// Minutes are missing before this row.
    #[error("{missing} minute(s) missing before {stamp}; fill them or cut the record there")]
    Gap {
        /// The stamp after the gap.
        stamp: Utc,
        /// How many minutes are missing.
        missing: i64,
    },
    /// Fewer than two minutes.
    #[error("{0} minute(s) are no record; give at least two")]
    TooShort(usize),
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.line > 0 {
            write!(f, "line {}", self.line)?;
            if !self.column.is_empty() {
                write!(f, ", column {}", self.column)?;
            }
            f.write_str(": ")?;
        }
        self.fault.fmt(f)
    }
}

impl fmt::Display for DayError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.problems.iter().enumerate() {
            let line_break = if index == 0 { "" } else { "\n" };
            write!(f, "{line_break}{}: {problem}", self.file)?;
        }
        if self.more > 0 {
            write!(f, "\n{}: and {} more problems", self.file, self.more)?;
        }
        Ok(())
    }
}

impl std::error::Error for DayError {}

#[derive(Default)]
pub(super) struct Problems {
    list: Vec<Problem>,
    more: usize,
}

impl Problems {
    pub(super) fn add(&mut self, line: u64, column: &'static str, fault: Fault) {
        if self.list.len() < MOST_PROBLEMS {
            self.list.push(Problem { line, column, fault });
        } else {
            self.more += 1;
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    pub(super) fn into_error(self, name: &str) -> DayError {
        DayError { file: name.to_owned(), problems: self.list, more: self.more }
    }
}
