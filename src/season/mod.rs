//! After the campaign: what a channel's record comes to, what it lost where, and how far to trust it.
//!
//! Pure: one-minute records in, figures out. [`judge`] looks at the minutes after quality rules and tells
//! what it leaves out and why; [`evaluate`] sums the rest up by day, month and all ([`Totals`]), takes the
//! difference between what the light offered and what was measured apart ([`Losses`]), and finds the
//! yearly change of the device ([`Degradation`]) and its [`PowerMatrix`]. [`side_by_side`] sets two channels against each other.
//!
//! Model: yields and ratios after IEC 61724-1:2021 (from memory) are over the minutes whose power and
//! irradiance both count, so that a gap in one is no gain of the other; energy and capacity are over all. The
//! light of a minute in which a run began or ended counts for the part that is in the books, as its energy does.
//! A minute without a record counts as light where the log tells that no run was there in daylight, and between two
//! minutes of light which are no night apart. Else a minute without a sound irradiance counts as light if the same minute of the day was light ([`LIGHT`]) on
//! days before and after it: that is for availability and completeness alone, no energy hangs on it.
//!
//! What a minute was doing is what the channel did when it ended; a minute that was part rest and part
//! tracking counts as the latter, and its loss is in the rest. What is missing of a minute, or has no record,
//! counts against availability and completeness to the second.
//!
//! Rejected: filling gaps with models of sun or device (a number that nobody measured), and a list of
//! "valid days" (one bad minute would cost a day).

mod degradation;
mod dice;
mod light;
mod losses;
mod matrix;
mod minute;
mod pairs;
mod quality;
mod seen;
mod totals;
mod walk;

pub use degradation::{Degradation, LEAST_DAYS, NoRate, degradation};
pub use losses::{Losses, Tracked};
pub use matrix::{MatrixPoint, POINTS, PowerMatrix, Steady};
pub use minute::{Minute, merge};
pub use pairs::{Difference, side_by_side};
pub use quality::{Exclusion, Judged, Limits, Quantity, Reason, Rules, judge};
pub use seen::seen;
pub use totals::Totals;
pub use walk::{BRIGHT, Day, Device, LIGHT, Period, Record, Season, evaluate};
