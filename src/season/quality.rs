//! Which minutes count: limits, rates of change, stuck values, contradictions, and what is missing.
//!
//! Model: the kinds of rule are those that IEC 61724-1:2021 lists for data quality (from memory): values
//! outside limits, changes that can't be, values that stay the same, gaps, times told twice. Their numbers
//! are not fixed there; [`Rules::default`] says where each is from. A rule marks one quantity of a minute:
//! an irradiance that is out takes no energy with it. Every mark is in an [`Exclusion`].
//!
//! Of two minutes with a jump between them both are marked: which one is wrong isn't known. A value
//! outside its limits neither jumps nor sticks: it is marked anyway.
//!
//! Rejected: rules that learn from the data what is usual (they leave out the unusual, which a campaign is
//! for), and repair.

use super::minute::Minute;
use crate::quantities::Watts;
use crate::time::Utc;
use std::fmt;
use std::time::Duration;

/// One minute's length.
pub(super) const MINUTE: Duration = Duration::from_secs(60);
/// Minutes further apart than this are no neighbours of a stuck value (a sleeping channel looks up every
/// few minutes at least).
const APART: Duration = Duration::from_secs(600);
/// Irradiance below this is dark (W/m2), where the device says that it is not.
const DARK: f64 = 5.0;
/// Power above this share of the rating, or of the largest power of the record, says that it is light: a
/// device yields so much at some 50 W/m2, ten times what the sensor claims.
const LIT_SHARE: f64 = 0.05;
/// And so much (W): a device whose rating isn't known may have been asleep all the time, and what its meters
/// show then is noise.
const SOME_POWER: f64 = 0.5;
/// Irradiance that a stuck sensor's value must pass for a value that moves by day (W/m2); at night an
/// offset may stand still.
const MOVES: f64 = 20.0;
/// Irradiance from which a module temperature moves (W/m2).
const WARMS: f64 = 100.0;
/// Share of the rating from which power moves.
const YIELDS: f64 = 0.01;

/// What a rule looks at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// Irradiance.
    Irradiance,
    /// Module temperature.
    Module,
    /// Device power, with its energy.
    Power,
    /// The whole record: nothing was measured.
    Record,
}

impl Quantity {
    /// In words.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Irradiance => "irradiance",
            Self::Module => "module temperature",
            Self::Power => "power",
            Self::Record => "all",
        }
    }
}

/// Why minutes don't count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reason {
    /// Outside its limits.
    Limits,
    /// Changed faster than it can.
    Rate,
    /// The same value for too long.
    Stuck,
    /// The irradiance says dark, the device delivers.
    Contradiction,
    /// The wall clock passed the minute twice.
    Twice,
    /// Not measured, by day.
    Gap,
}

impl Reason {
    /// In words.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Limits => "outside its limits",
            Self::Rate => "jumps",
            Self::Stuck => "stuck",
            Self::Contradiction => "dark, but the device delivers",
            Self::Twice => "the clock passed it twice",
            Self::Gap => "not measured",
        }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// A stretch of time in which a quantity does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Exclusion {
    /// Which quantity.
    pub quantity: Quantity,
    /// Why.
    pub reason: Reason,
    /// Start of the first minute.
    pub from: Utc,
    /// End of the last.
    pub until: Utc,
    /// Minutes lost: of a gap those by day, else all that were marked.
    pub minutes: u32,
}

/// Rules for one quantity, in its unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Least value that can be.
    pub low: f64,
    /// Largest value that can be.
    pub high: f64,
    /// Largest change from one minute's mean to the next.
    pub step: f64,
    /// Values no further apart than this are the same.
    pub same: f64,
    /// The same value for so many minutes in which it should move is stuck.
    pub stuck: u32,
}

impl Limits {
    /// Whether a value can be.
    fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }
}

/// The rules. Those for power are in shares of the rating, and but for a stuck value (W) apply only where
/// that is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rules {
    /// Of irradiance (W/m2).
    pub irradiance: Limits,
    /// Of module temperature (degC).
    pub module: Limits,
    /// Of power (1; `same` in W).
    pub power: Limits,
}

impl Default for Rules {
    /// The kinds are IEC 61724-1's; numbers begin at the example table of IEC TS 61724-3:2016 (from
    /// memory: irradiance -6 to 1500 W/m2, changes up to 800 W/m2, power -1 % to 102 % of the rating,
    /// changes up to 80 % of it, for records of 15 minutes of a plant with inverters).
    ///
    /// Ours differ where a minute or a device is not a quarter of an hour or a plant: thermopiles show
    /// down to some -10 W/m2 under a clear night sky; broken cloud changes a minute's mean by more than
    /// 800 W/m2 but not by more than the sun's own 1200; behind no inverter the edge of a cloud lifts
    /// power far above the rating. The rest is common practice, no source: a back of module lags by
    /// minutes and so moves by less than 20 K in one, and is between frost and what kills an encapsulant;
    /// stuck means that the last digit that the log keeps (1 mW/m2, 1 mdegC; of power 1 mW) stays as it is
    /// for an hour, of temperature, which coarse sensors show in tenths, for two.
    fn default() -> Self {
        Self {
            irradiance: Limits { low: -15.0, high: 1500.0, step: 1200.0, same: 0.0015, stuck: 60 },
            module: Limits { low: -45.0, high: 120.0, step: 20.0, same: 0.0015, stuck: 120 },
            power: Limits { low: -0.01, high: 1.5, step: 1.2, same: 0.001, stuck: 60 },
        }
    }
}

/// What is wrong with each minute, and the list of it.
#[derive(Clone, Debug, Default)]
pub struct Judged {
    marks: Vec<u8>,
    /// By time.
    pub exclusions: Vec<Exclusion>,
}

impl Judged {
    /// Whether a quantity of the minute at `index` counts, as far as it was measured.
    #[must_use]
    pub fn counts(&self, index: usize, quantity: Quantity) -> bool {
        self.marks[index] & (bit(quantity) | bit(Quantity::Record)) == 0
    }

    fn mark(&mut self, minutes: &[Minute], found: &[usize], quantity: Quantity, reason: Reason) {
        let mut runs = Runs::new(quantity, reason);
        for &index in found {
            self.marks[index] |= bit(quantity);
            runs.push(minutes[index].start);
        }
        self.exclusions.append(&mut runs.done);
    }
}

const fn bit(quantity: Quantity) -> u8 {
    1 << quantity as u8
}

/// Puts neighbouring minutes together.
pub(super) struct Runs {
    quantity: Quantity,
    reason: Reason,
    pub(super) done: Vec<Exclusion>,
}

impl Runs {
    pub(super) const fn new(quantity: Quantity, reason: Reason) -> Self {
        Self { quantity, reason, done: Vec::new() }
    }

    /// The next minute, in the order of time.
    pub(super) fn push(&mut self, start: Utc) {
        let until = start + MINUTE;
        match self.done.last_mut() {
            Some(last) if last.until >= start => {
                last.minutes += u32::from(last.until < until);
                last.until = until;
            }
            _ => self.done.push(Exclusion {
                quantity: self.quantity,
                reason: self.reason,
                from: start,
                until,
                minutes: 1,
            }),
        }
    }
}

fn irradiance(minute: &Minute) -> Option<f64> {
    minute.irradiance.map(|g| g.0)
}

fn module(minute: &Minute) -> Option<f64> {
    minute.module.map(|t| t.0)
}

fn watts(minute: &Minute) -> Option<f64> {
    minute.watts.map(|p| p.0)
}

/// Judges minutes ([`merge`](super::merge)d) of a device of that rating. Gaps need to know what is day:
/// [`evaluate`](super::evaluate) adds them.
#[must_use]
pub fn judge(minutes: &[Minute], rated: Option<Watts>, rules: &Rules) -> Judged {
    let mut judged = Judged { marks: vec![0; minutes.len()], exclusions: Vec::new() };
    let rated = rated.map(|rated| rated.0).filter(|rated| *rated > 0.0);
    let share = |minute: &Minute| watts(minute).zip(rated).map(|(watts, rated)| watts / rated);
    let mut note =
        |found: &[usize], quantity, reason| judged.mark(minutes, found, quantity, reason);

    let twice = places(minutes, |minute| minute.twice);
    note(&twice, Quantity::Record, Reason::Twice);
    let of =
        |value: fn(&Minute) -> Option<f64>, limits: &Limits, moves: &dyn Fn(&Minute) -> bool| {
            let inside = |minute: &Minute| value(minute).filter(|value| limits.holds(*value));
            let change = |a: &Minute, b: &Minute| Some(inside(b)? - inside(a)?);
            [
                (outside(minutes, value, limits), Reason::Limits),
                (jumps(minutes, change, limits), Reason::Rate),
                (stuck(minutes, inside, moves, limits), Reason::Stuck),
            ]
        };
    let lit = |above: f64| move |minute: &Minute| irradiance(minute).is_some_and(|g| g > above);
    for (found, reason) in of(irradiance, &rules.irradiance, &lit(MOVES)) {
        note(&found, Quantity::Irradiance, reason);
    }
    for (found, reason) in of(module, &rules.module, &lit(WARMS)) {
        note(&found, Quantity::Module, reason);
    }
    let largest = minutes.iter().filter_map(watts).fold(0.0, f64::max);
    let lively = (LIT_SHARE * rated.unwrap_or(largest)).max(SOME_POWER);
    let denied = |minute: &Minute| {
        let dark = |g: f64| g < DARK && g >= rules.irradiance.low;
        irradiance(minute).is_some_and(dark) && watts(minute).is_some_and(|p| p > lively)
    };
    note(&places(minutes, denied), Quantity::Irradiance, Reason::Contradiction);

    note(&outside(minutes, share, &rules.power), Quantity::Power, Reason::Limits);
    // Off and on again is no jump of the device.
    let held = |a: &Minute, b: &Minute| (a.working() && b.working()).then_some(());
    let change = |a: &Minute, b: &Minute| held(a, b).and(Some(share(b)? - share(a)?));
    note(&jumps(minutes, change, &rules.power), Quantity::Power, Reason::Rate);
    let yields = YIELDS * rated.unwrap_or(largest);
    let moves = |minute: &Minute| minute.working() && watts(minute).is_some_and(|p| p > yields);
    note(&stuck(minutes, watts, moves, &rules.power), Quantity::Power, Reason::Stuck);
    judged
}

fn places(minutes: &[Minute], is: impl Fn(&Minute) -> bool) -> Vec<usize> {
    minutes.iter().enumerate().filter(|(_, minute)| is(minute)).map(|(index, _)| index).collect()
}

fn outside(
    minutes: &[Minute],
    value: impl Fn(&Minute) -> Option<f64>,
    limits: &Limits,
) -> Vec<usize> {
    places(minutes, |minute| value(minute).is_some_and(|value| !limits.holds(value)))
}

/// Both sides of each jump between neighbours.
fn jumps(
    minutes: &[Minute],
    change: impl Fn(&Minute, &Minute) -> Option<f64>,
    limits: &Limits,
) -> Vec<usize> {
    let mut found: Vec<usize> = Vec::new();
    for (index, pair) in minutes.windows(2).enumerate() {
        let near = pair[0].start + MINUTE == pair[1].start;
        if near && change(&pair[0], &pair[1]).is_some_and(|change| change.abs() > limits.step) {
            if found.last() != Some(&index) {
                found.push(index);
            }
            found.push(index + 1);
        }
    }
    found
}

/// Minutes of stretches with the same value, where it `moves` for as long as the rule says.
fn stuck(
    minutes: &[Minute],
    value: impl Fn(&Minute) -> Option<f64>,
    moves: impl Fn(&Minute) -> bool,
    limits: &Limits,
) -> Vec<usize> {
    let mut found = Vec::new();
    let mut run: Option<(usize, f64)> = None;
    let mut moving = 0;
    for index in 0..=minutes.len() {
        let minute = minutes.get(index);
        let now = minute.and_then(&value);
        let goes_on = minute.zip(now).zip(run).is_some_and(|((minute, now), (_, first))| {
            let since = minute.start.saturating_since(minutes[index - 1].start);
            since <= APART && (now - first).abs() <= limits.same
        });
        if !goes_on {
            if let Some((from, _)) = run.filter(|_| moving >= limits.stuck) {
                found.extend(from..index);
            }
            run = now.map(|now| (index, now));
            moving = 0;
        }
        moving += u32::from(minute.is_some_and(&moves));
    }
    found
}
