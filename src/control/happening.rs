//! What happened: events with their severities, codes and sentences.
//!
//! Model: an [`Event`] is a code with numbers; its sentence is put together by whoever shows it.

use super::config::ZeroLimits;
use super::punctuality::PUNCTUAL;
use super::record::ChannelId;
use crate::quantities::{Amps, Irradiance, Volts, Watts};
use crate::time::{Instant, Stamp, Utc};
use crate::trackers::Trouble;
use std::fmt;
use std::time::Duration;

/// What the instruments showed in one night, with the input off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Zero {
    /// How many looks the means are over.
    pub looks: u32,
    /// Mean current of the load (A): its offset.
    pub amps: Amps,
    /// Standard deviation of a single look's current (A).
    pub scatter: Amps,
    /// Mean device voltage (V): the offset of meter and boost supply, and what moon and lamps bring.
    pub volts: Volts,
    /// Mean irradiance (W/m2): the sensor's offset, where it was fresh.
    pub irradiance: Option<Irradiance>,
}

impl Zero {
    /// Whether current and irradiance are no further from zero than `limits` say.
    #[must_use]
    pub fn is_within(&self, limits: &ZeroLimits) -> bool {
        self.amps.abs() <= limits.amps
            && self.irradiance.is_none_or(|seen| seen.0.abs() <= limits.irradiance.0)
    }
}

impl fmt::Display for Zero {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { looks, amps, scatter, volts, irradiance } = self;
        write!(
            f,
            "zeros at night, input off, {looks} looks: {:.2} mA (one look scatters by {:.2} mA), \
             {volts:.3}",
            amps.0 * 1e3,
            scatter.0 * 1e3
        )?;
        match irradiance {
            Some(seen) => write!(f, ", {seen:.2}"),
            None => f.write_str(", no irradiance"),
        }
    }
}

/// How much an event asks of a person.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// For the record.
    Note,
    /// Something was lost or limited; look when convenient.
    Warning,
    /// The channel doesn't do its job; look soon.
    Alarm,
}

impl Severity {
    /// The word for people, also stored in the log.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Warning => "warning",
            Self::Alarm => "alarm",
        }
    }
}

/// Which limit of the envelope was passed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Limit {
    /// Device voltage above its largest (V).
    DeviceVoltsHigh,
    /// Device voltage below the reverse-bias allowance (V).
    DeviceVoltsLow,
    /// Device current above its largest (A).
    DeviceAmps,
    /// Device power above its largest (W).
    DeviceWatts,
    /// Load voltage above its largest (V).
    LoadVolts,
    /// Load dissipation above its largest (W).
    LoadWatts,
    /// Boost supply current above its rating (A).
    BoostAmps,
    /// Boost supply voltage missing or wrong (V).
    BoostVolts,
    /// A reading that is no number.
    NotANumber,
    /// The load doesn't follow its setpoint (V).
    Unfollowed,
    /// Load dissipation above what its temperature allows (W).
    LoadDerated,
    /// Device temperature above its largest (degC).
    DeviceTemperature,
    /// Heat-sink temperature above its largest (degC).
    HeatsinkTemperature,
    /// Irradiance above its largest (W/m2).
    Irradiance,
    /// The mount points too far beside the sun (degrees).
    PointingError,
    /// The mount doesn't follow the sun.
    OffSun,
    /// A limit can't be checked: its sensor gives nothing fresh (s).
    Silent(Sense),
}

/// What a limit needs a sensor for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Sense {
    /// The back-of-module temperature.
    DeviceTemperature,
    /// The temperature of the load's heat sink.
    HeatsinkTemperature,
    /// The air temperature.
    AirTemperature,
    /// The irradiance.
    Irradiance,
    /// The mount's pointing error.
    PointingError,
    /// Whether the mount follows the sun.
    OnSun,
}

impl Sense {
    /// All of them.
    pub const ALL: [Self; 6] = [
        Self::DeviceTemperature,
        Self::HeatsinkTemperature,
        Self::AirTemperature,
        Self::Irradiance,
        Self::PointingError,
        Self::OnSun,
    ];
}

impl Limit {
    /// The limit in words, with its unit's symbol.
    #[must_use]
    pub const fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::DeviceVoltsHigh => ("device voltage above its largest", "V"),
            Self::DeviceVoltsLow => ("device voltage below the reverse-bias allowance", "V"),
            Self::DeviceAmps => ("device current above its largest", "A"),
            Self::DeviceWatts => ("device power above its largest", "W"),
            Self::LoadVolts => ("load voltage above its largest", "V"),
            Self::LoadWatts => ("load dissipation above its largest", "W"),
            Self::BoostAmps => ("boost supply current above its rating", "A"),
            Self::BoostVolts => ("boost supply voltage missing or wrong", "V"),
            Self::NotANumber => ("a reading that is no number", ""),
            Self::Unfollowed => ("load voltage does not follow its setpoint", "V"),
            Self::LoadDerated => ("load dissipation above what its temperature allows", "W"),
            Self::DeviceTemperature => ("device temperature above its largest", "degC"),
            Self::HeatsinkTemperature => ("heat-sink temperature above its largest", "degC"),
            Self::Irradiance => ("irradiance above its largest", "W/m2"),
            Self::PointingError => ("pointing error above its largest", "degrees"),
            Self::OffSun => ("the mount does not follow the sun", ""),
            Self::Silent(sense) => (
                match sense {
                    Sense::DeviceTemperature => "no fresh device temperature to hold its limit by",
                    Sense::HeatsinkTemperature => {
                        "no fresh heat-sink temperature to hold its limit by"
                    }
                    Sense::AirTemperature => "no fresh air temperature to derate the load by",
                    Sense::Irradiance => "no fresh irradiance to hold its limit by",
                    Sense::PointingError => "no fresh pointing error to hold its limit by",
                    Sense::OnSun => "the mount does not tell whether it follows the sun",
                },
                "s",
            ),
        }
    }

    /// Whether it passes with the weather and asks for nobody: sun and mount come and go with every
    /// cloud and every gust. Such a breach lets go as any other, but is not counted.
    #[must_use]
    pub const fn is_weather(self) -> bool {
        matches!(self, Self::Irradiance | Self::PointingError | Self::OffSun)
    }
}

/// Something worth a line in the log.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Event {
    /// Which channel; none for the station itself.
    pub channel: Option<ChannelId>,
    /// When.
    pub at: Stamp,
    /// What.
    pub what: Happening,
}

/// What happened. Texts and remedies: [`Happening::severity`], `Display`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Happening {
    /// The run began.
    RunBegan,
    /// The run ended by request.
    RunEnded,
    /// The instruments answered, were identified and made safe.
    Connected,
    /// The load's input was found on, as an earlier run or an outage left it; it was switched off.
    FoundOn {
        /// Volts at its terminals (V), where they were measured.
        load: Option<Volts>,
        /// Amps through the loop (A), where they were measured.
        amps: Option<Amps>,
    },
    /// The channel woke: enough light.
    Woke {
        /// Open-circuit voltage found (V).
        open_circuit: Volts,
    },
    /// The device is at its crest.
    TrackingBegan,
    /// The channel went to sleep: too dark.
    FellAsleep,
    /// It is light, but the device yields nothing: input off, boost off, and now and then another try.
    NoYield,
    /// The irradiance sensor says dark while the device yields power in the day.
    SensorDoubted {
        /// What the sensor says (W/m2).
        irradiance: Irradiance,
        /// What the device yields (W).
        watts: Watts,
    },
    /// The link failed; the load keeps its last setpoint by itself.
    LinkLost,
    /// The link is back after an outage.
    LinkBack {
        /// How long it was away.
        after: Duration,
    },
    /// A limit was passed: input off, boost off.
    LetGo {
        /// Which limit.
        limit: Limit,
        /// The value found.
        value: f64,
        /// The limit's value.
        bound: f64,
        /// How long the channel rests before the next try.
        rest: Duration,
    },
    /// It is light enough, but a limit forbids to begin; told once per cause.
    HeldOff {
        /// Which limit.
        limit: Limit,
        /// The value found.
        value: f64,
        /// The limit's value.
        bound: f64,
    },
    /// Let go too often: off until a person has looked.
    LockedOff {
        /// How many times the channel was let go.
        times: u32,
        /// Whether the next day begins anew.
        until_dawn: bool,
    },
    /// What the instruments showed at night, with the input off and nothing to show.
    ZerosRead(Zero),
    /// The same, further from zero than it may be.
    ZerosOff(Zero),
    /// The channel was stopped: input off, boost off.
    Stopped,
    /// The channel was to be stopped but its instruments did not confirm: they may still be on.
    StopUnconfirmed,
    /// A gap in the readings ended; its energy is not counted.
    Gap {
        /// How long it was.
        length: Duration,
    },
    /// The tracker's wishes lay outside the envelope and were held at its edge.
    WishHeld {
        /// How many wishes since the last such event.
        times: u32,
    },
    /// The log's queue was full: this many samples were left out; minutes and totals are whole.
    SamplesLeftOut {
        /// How many samples.
        count: u64,
    },
    /// The run before this one has no end in the log: killed, crashed, or its power was cut.
    LastRunBrokeOff {
        /// When its last row was written, as far as it reached the disk.
        last: Utc,
    },
    /// In this daylight of one day no run held the channel's device; it counts as missing.
    WithoutRun {
        /// Since then.
        from: Utc,
        /// Until then.
        until: Utc,
    },
    /// The wall clock was set.
    ClockSet {
        /// By how much (us), forward or back.
        by: i64,
        /// It was wrong since then, as is known now: what was labelled in this time is put right.
        corrects: Option<Instant>,
    },
    /// The wall clock was set to a time that can't be; the run goes on with its own.
    ClockDoubted {
        /// By how much (us), forward or back.
        by: i64,
    },
    /// Turns at the crest or on a curve did not begin when they were due.
    TurnsLate {
        /// How many were due.
        due: u64,
        /// How many of them began late or were skipped.
        late: u64,
        /// How much after its time the latest began.
        latest: Duration,
    },
    /// A tracker from outside failed; told once until the channel next wakes.
    TrackerFailed(Trouble),
    /// A tracker from outside failed again and again: perturb and observe has taken over.
    TrackerReplaced(Trouble),
}

impl Happening {
    /// Code of [`Happening::WithoutRun`], for those who look for it.
    pub const WITHOUT_RUN: &'static str = "without-run";

    /// How much it asks of a person.
    #[must_use]
    pub const fn severity(&self) -> Severity {
        match self {
            Self::RunBegan
            | Self::RunEnded
            | Self::Connected
            | Self::Woke { .. }
            | Self::TrackingBegan
            | Self::FellAsleep
            | Self::LinkBack { .. }
            | Self::ZerosRead(_)
            | Self::Stopped => Severity::Note,
            Self::LetGo { limit, .. } | Self::HeldOff { limit, .. } if limit.is_weather() => {
                Severity::Note
            }
            Self::FoundOn { .. }
            | Self::HeldOff { .. }
            | Self::Gap { .. }
            | Self::WishHeld { .. }
            | Self::SamplesLeftOut { .. }
            | Self::LastRunBrokeOff { .. }
            | Self::WithoutRun { .. }
            | Self::NoYield
            | Self::SensorDoubted { .. }
            | Self::ZerosOff(_)
            | Self::ClockSet { .. }
            | Self::ClockDoubted { .. }
            | Self::TurnsLate { .. }
            | Self::TrackerFailed(_) => Severity::Warning,
            Self::LinkLost
            | Self::TrackerReplaced(_)
            | Self::LetGo { .. }
            | Self::LockedOff { .. }
            | Self::StopUnconfirmed => Severity::Alarm,
        }
    }

    /// A short stable code, for filters.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::RunBegan => "run-began",
            Self::RunEnded => "run-ended",
            Self::Connected => "connected",
            Self::FoundOn { .. } => "found-on",
            Self::Woke { .. } => "woke",
            Self::TrackingBegan => "tracking-began",
            Self::FellAsleep => "fell-asleep",
            Self::NoYield => "no-yield",
            Self::SensorDoubted { .. } => "sensor-doubted",
            Self::LinkLost => "link-lost",
            Self::LinkBack { .. } => "link-back",
            Self::LetGo { .. } => "let-go",
            Self::HeldOff { .. } => "held-off",
            Self::LockedOff { .. } => "locked-off",
            Self::ZerosRead(_) => "zeros-read",
            Self::ZerosOff(_) => "zeros-off",
            Self::Stopped => "stopped",
            Self::StopUnconfirmed => "stop-unconfirmed",
            Self::Gap { .. } => "gap",
            Self::WishHeld { .. } => "wish-held",
            Self::SamplesLeftOut { .. } => "samples-left-out",
            Self::LastRunBrokeOff { .. } => "last-run-broke-off",
            Self::WithoutRun { .. } => Self::WITHOUT_RUN,
            Self::ClockSet { .. } => "clock-set",
            Self::ClockDoubted { .. } => "clock-doubted",
            Self::TurnsLate { .. } => "turns-late",
            Self::TrackerFailed(_) => "tracker-failed",
            Self::TrackerReplaced(_) => "tracker-replaced",
        }
    }
}

impl fmt::Display for Happening {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::RunBegan => f.write_str("run began"),
            Self::RunEnded => f.write_str("run ended by request"),
            Self::Connected => f.write_str("instruments identified, verified and safe"),
            Self::FoundOn { load, amps } => found_on(f, *load, *amps),
            Self::Woke { open_circuit } => {
                write!(f, "woke at {open_circuit:.3} in open circuit")
            }
            Self::TrackingBegan => f.write_str("tracking began"),
            Self::FellAsleep => f.write_str("too dark: asleep with input and boost off"),
            Self::NoYield => f.write_str(NO_YIELD),
            Self::SensorDoubted { irradiance, watts } => write!(
                f,
                "the irradiance sensor says {irradiance:.1} while the device yields {watts:.1} in the \
                 day, so it is not believed; look whether it is covered or broken"
            ),
            Self::LinkLost => f.write_str(
                "no link, or an instrument that is out of order (the warning before this says which): a \
                 load that is on keeps its last setpoint; trying again with growing waits",
            ),
            Self::LinkBack { after } => {
                write!(f, "link and instruments back after {:.1} s", after.as_secs_f64())
            }
            Self::LetGo { limit, value, bound, rest } => {
                f.write_str("let go: ")?;
                passed(f, *limit, *value, *bound)?;
                write!(f, "; input off, boost off, next try in {:.0} s", rest.as_secs_f64())
            }
            Self::HeldOff { limit, value, bound } => {
                f.write_str("not begun: ")?;
                passed(f, *limit, *value, *bound)?;
                f.write_str("; begins when that has passed")
            }
            Self::LockedOff { times, until_dawn } => {
                write!(f, "let go {times} times: {}", if *until_dawn { UNTIL_DAWN } else { FOR_GOOD })
            }
            Self::ZerosRead(zero) => write!(f, "{zero}"),
            Self::ZerosOff(zero) => write!(f, "{zero}: {ZEROS_OFF}"),
            Self::Stopped => f.write_str("stopped: input off, boost off"),
            Self::StopUnconfirmed => f.write_str(UNCONFIRMED),
            Self::Gap { length } => {
                write!(f, "no readings for {:.1} s: not counted as energy", length.as_secs_f64())
            }
            Self::WishHeld { times } => {
                write!(f, "{times} wishes of the tracker held at the envelope's edge")
            }
            Self::SamplesLeftOut { count } => write!(
                f,
                "the log could not keep up: {count} samples left out; minutes and totals are whole"
            ),
            Self::LastRunBrokeOff { last } => write!(
                f,
                "the last run broke off without an end (killed, crashed, or without power); its \
                 last row is of {last}, and what it had switched on stayed on until now"
            ),
            Self::WithoutRun { from, until } => without_run(f, *from, *until),
            Self::ClockSet { by, corrects } => clock(f, *by, match corrects {
                Some(_) => "; it was wrong before, and what this run labelled by it is put right",
                None => "; earlier records keep their times, in the order of the run",
            }),
            Self::ClockDoubted { by } => clock(
                f,
                *by,
                ", to a time before this program was written; the run goes on with its own time. \
                 Look after the computer's clock and its battery",
            ),
            Self::TurnsLate { due, late, latest } => turns_late(f, *due, *late, *latest),
            Self::TrackerFailed(trouble) | Self::TrackerReplaced(trouble) => script(f, trouble),
        }
    }
}

fn without_run(f: &mut fmt::Formatter<'_>, from: Utc, until: Utc) -> fmt::Result {
    let length = until.saturating_since(from).as_secs_f64();
    write!(f, "no run from {from} to {until}: {length:.1} s of daylight are missing")
}

fn found_on(f: &mut fmt::Formatter<'_>, load: Option<Volts>, amps: Option<Amps>) -> fmt::Result {
    f.write_str("the load's input was found on")?;
    if let Some(load) = load {
        write!(f, " at {load:.3}")?;
    }
    if let Some(amps) = amps {
        write!(f, ", sinking {amps:.3}")?;
    }
    f.write_str(", as it was left; it was made safe")
}

const NO_YIELD: &str = "it is light, but the device yields nothing: input and boost off, other tries \
     after growing waits; look for snow, a cover or an open lead";

const FOR_GOOD: &str = "off until a person has looked; mend the cause and restart";

const UNTIL_DAWN: &str = "off until the next day, which begins with all tries; look for the cause";

const ZEROS_OFF: &str = "further from zero than it may be. Look for an input that does not open, a \
     meter out of adjustment, light on the sensor";

const UNCONFIRMED: &str =
    "stopping, but the instruments did not confirm input and boost off: check them by hand";

fn turns_late(f: &mut fmt::Formatter<'_>, due: u64, late: u64, latest: Duration) -> fmt::Result {
    write!(
        f,
        "{late} of {due} turns began more than {:.0} ms late or were skipped, the latest {:.0} ms \
         late: the instruments are too slow for the period, or the computer is too slow or busy; make \
         the period longer or relieve it",
        PUNCTUAL.as_secs_f64() * 1e3,
        latest.as_secs_f64() * 1e3
    )
}

/// A step of the wall clock (us) in the unit that suits it, and what follows.
#[expect(clippy::cast_precision_loss, reason = "it is shown with three places at most")]
fn clock(f: &mut fmt::Formatter<'_>, micros: i64, follows: &str) -> fmt::Result {
    /// Units with their length (s), the largest first.
    const UNITS: [(f64, &str); 3] = [(86_400.0, "d"), (3600.0, "h"), (60.0, "min")];
    let seconds = micros.unsigned_abs() as f64 * 1e-6;
    let (length, unit) =
        UNITS.into_iter().find(|(length, _)| seconds >= *length).unwrap_or((1.0, "s"));
    let way = if micros < 0 { "back" } else { "forward" };
    write!(f, "the wall clock was set {way} by {:.3} {unit}{follows}", seconds / length)
}

/// What a tracker's script did, and what follows.
fn script(f: &mut fmt::Formatter<'_>, trouble: &Trouble) -> fmt::Result {
    match trouble.replaced_after {
        0 => write!(
            f,
            "the tracker's script failed: {trouble}; the setpoint stays for that period, and \
             further single failures aren't told until the channel next wakes"
        ),
        times => write!(
            f,
            "the tracker's script failed {times} times in a row: {trouble}; perturb-and-observe \
             holds the device at its crest until the channel next wakes; mend the script, and try \
             it with `cresthold tracker`"
        ),
    }
}

/// A limit with its numbers, where it has any.
fn passed(f: &mut fmt::Formatter<'_>, limit: Limit, value: f64, bound: f64) -> fmt::Result {
    match limit.words() {
        (words, "") => f.write_str(words),
        (words, unit) if value.is_finite() => {
            write!(f, "{words}: {value:.3} {unit} against {bound:.3} {unit}")
        }
        (words, _) => f.write_str(words),
    }
}
