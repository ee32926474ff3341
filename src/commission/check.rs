//! One check: what was found, the limit, the verdict, and what to do.

use std::borrow::Cow;
use std::fmt;

/// A number with its unit and its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    /// The value.
    pub value: f64,
    /// Expanded uncertainty, coverage factor 2 (about 95 %, JCGM 100:2008, 6); none where it is
    /// exact or not known.
    pub uncertainty: Option<f64>,
    /// The unit's symbol.
    pub unit: &'static str,
}

impl Figure {
    /// A figure without uncertainty.
    #[must_use]
    pub const fn of(value: f64, unit: &'static str) -> Self {
        Self { value, uncertainty: None, unit }
    }

    /// A figure with its expanded uncertainty.
    #[must_use]
    pub const fn sure(value: f64, uncertainty: f64, unit: &'static str) -> Self {
        Self { value, uncertainty: Some(uncertainty), unit }
    }
}

/// Digits after the point that show `size` to two or three figures (0..=6).
fn digits(size: f64) -> usize {
    // 0.02 needs 3 digits to show two of its own.
    let places = 1.0 - size.abs().log10().floor();
    if places.is_finite() {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "held to 0..=6 right here"
        )]
        let places = places.clamp(0.0, 6.0) as usize;
        places
    } else {
        0
    }
}

/// The value with as many digits as its uncertainty deserves.
impl fmt::Display for Figure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { value, uncertainty, unit } = *self;
        match uncertainty {
            Some(sure) if sure > 0.0 => {
                let digits = digits(sure);
                write!(f, "{value:.digits$} +- {sure:.digits$} {unit}")
            }
            _ => write!(f, "{value:.*} {unit}", digits(value) + 1),
        }
    }
}

/// What became of a check.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// As it must be.
    Passed,
    /// A figure for the record; nothing to hold it against.
    Told,
    /// Could not be made now; the sentence says why.
    Skipped,
    /// Possible, but a person should look.
    Doubtful,
    /// Wrong: put it right before the campaign.
    Failed,
}

impl Verdict {
    /// The word on the page and in the table.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::Told => "noted",
            Self::Skipped => "not made",
            Self::Doubtful => "look",
            Self::Failed => "FAILED",
        }
    }
}

macro_rules! reasons {
    ($($(#[$doc:meta])* $name:ident = $word:literal,)*) => {
        /// Why a check did not pass: one word for each kind of mistake, for scripts and the log.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Reason {
            $($(#[$doc])* $name,)*
        }

        impl Reason {
            /// The word, stable for filters.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$name => $word,)* }
            }
        }
    };
}

reasons! {
    /// Another instrument is on the line.
    Identity = "identity",
    /// The line fails, or no answer comes.
    Line = "line",
    /// One of the instrument's own protections has tripped, or somebody switched it off.
    Tripped = "tripped",
    /// A setting is refused or doesn't read back: out of the instrument's range.
    Setting = "setting",
    /// The wall clock can't be right.
    Clock = "clock",
    /// The device's poles are exchanged.
    Polarity = "polarity",
    /// Light, but no voltage: lead, fuse or disconnect open, or the poles joined.
    NoDevice = "no-device",
    /// It is too dark.
    Dark = "dark",
    /// The boost supply opposes the device.
    BoostReversed = "boost-reversed",
    /// The boost supply is not in the loop.
    BoostNotInLoop = "boost-not-in-loop",
    /// The boost supply lies across the device.
    BoostAcross = "boost-across",
    /// The boost supply has another voltage than stated.
    BoostVolts = "boost-volts",
    /// The boost supply's output doesn't come on.
    BoostSilent = "boost-silent",
    /// The boost supply can't carry the current of a cloud's bright edge.
    BoostRating = "boost-rating",
    /// A limit of the envelope lies below what the device can do.
    Envelope = "envelope",
    /// The load's own current protection lies below the current of a cloud's bright edge.
    Protection = "protection",
    /// The load can't sink the current near short circuit.
    Capability = "capability",
    /// Another device than stated, or a shaded one.
    Device = "device",
    /// The light moved meanwhile, or is too weak to judge by.
    Light = "light",
    /// More voltage is lost on the leads than the station states.
    SenseLeads = "sense-leads",
    /// The load of this channel is on another channel's device.
    Exchanged = "exchanged",
    /// The input is on, the setpoint is low, and no current flows.
    NoCurrent = "no-current",
    /// Current is shown, or flows, with the input off.
    Offset = "offset",
    /// Slower than the station states.
    Slow = "slow",
    /// A limit of the envelope was passed, and the channel was let go.
    Guard = "guard",
    /// The instruments did not confirm that they are off.
    NotOff = "not-off",
    /// A sensor is silent, or says what can't be.
    Sensor = "sensor",
    /// Nobody agreed to energise the channel, or the work was broken off.
    Declined = "declined",
}

/// One check of the report.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// What was looked at.
    pub what: Cow<'static, str>,
    /// What was found; none where there is no number.
    pub found: Option<Figure>,
    /// What it is held against, in words.
    pub limit: String,
    /// What became of it.
    pub verdict: Verdict,
    /// Why it did not pass.
    pub reason: Option<Reason>,
    /// What it means and what to do; may be empty where it passed.
    pub says: String,
}

impl Check {
    /// A passed check.
    #[must_use]
    pub fn passed(
        what: impl Into<Cow<'static, str>>,
        found: Option<Figure>,
        limit: impl Into<String>,
    ) -> Self {
        let (what, limit) = (what.into(), limit.into());
        Self { what, found, limit, verdict: Verdict::Passed, reason: None, says: String::new() }
    }

    /// A figure for the record.
    #[must_use]
    pub fn told(
        what: impl Into<Cow<'static, str>>,
        found: Option<Figure>,
        says: impl Into<String>,
    ) -> Self {
        let (what, says) = (what.into(), says.into());
        Self { what, found, limit: String::new(), verdict: Verdict::Told, reason: None, says }
    }

    /// A check that could not be made.
    #[must_use]
    pub fn skipped(what: impl Into<Cow<'static, str>>, says: impl Into<String>) -> Self {
        Self { verdict: Verdict::Skipped, ..Self::told(what, None, says) }
    }

    /// The same check, which could not be made in this light.
    #[must_use]
    pub fn not_in_this_light(self, says: impl Into<String>) -> Self {
        let (verdict, reason) = (Verdict::Skipped, Some(Reason::Light));
        Self { verdict, reason, says: says.into(), ..self }
    }

    /// The same check, failed.
    #[must_use]
    pub fn failed(self, reason: Reason, says: impl Into<String>) -> Self {
        Self { verdict: Verdict::Failed, reason: Some(reason), says: says.into(), ..self }
    }

    /// The same check, doubtful.
    #[must_use]
    pub fn doubtful(self, reason: Reason, says: impl Into<String>) -> Self {
        Self { verdict: Verdict::Doubtful, reason: Some(reason), says: says.into(), ..self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_shows_the_digits_its_uncertainty_deserves() {
        assert_eq!(Figure::sure(38.301_27, 0.021, "V").to_string(), "38.301 +- 0.021 V");
        assert_eq!(Figure::sure(0.015_04, 0.000_31, "s").to_string(), "0.01504 +- 0.00031 s");
        assert_eq!(Figure::of(14.145, "A").to_string(), "14.1 A");
        assert_eq!(Figure::of(0.0, "A").to_string(), "0.0 A");
    }
}
