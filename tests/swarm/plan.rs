//! What a life goes through, all of it drawn from its seed beforehand.

use crate::dice::Dice;
use crate::disk::Trouble;
use crate::oracle::wire::Manner;
use crate::weather::Weather;
use cresthold::time::Utc;
use cresthold_sim::wire::fault::{Fault, Lasting, Mishap, SensorFault, What};
use std::fmt::Write as _;
use std::time::Duration;

const DAY: Duration = Duration::from_secs(86_400);
const HOUR_US: i64 = 3_600_000_000;
/// Forty years of 365.25 days, and ninety-one: a board that wakes in 1935.
const FORTY_YEARS: i64 = 14_610 * 24 * HOUR_US;
const NINETY_YEARS: i64 = 33_238 * 24 * HOUR_US;

/// The instruments of a yard.
pub(crate) const PLACES: [&str; 5] = ["load", "boost", "plane-1", "back-1", "plane-2"];
/// Those of [`PLACES`] that are sensors.
pub(crate) const FIRST_SENSOR: usize = 2;
/// The one with the device's temperature, which a limit needs.
pub(crate) const THERMOMETER: usize = 3;

/// Control periods (s) and how many lives in a hundred have them: most of the years are lived at
/// the long ones, most of the turns are as many at each.
const PERIODS: [(u64, usize); 4] = [(10, 5), (60, 8), (300, 12), (600, 75)];
/// Turns of a life, about.
const TURNS: u64 = 8000;
/// After everything is healed a life goes on for so long.
pub(crate) const HEALED: Duration = Duration::from_secs(3 * 86_400);

/// How a run ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum End {
    /// It is asked to stop.
    Asked,
    /// The process is killed; what it wrote stays in the system's hands.
    Killed,
    /// The computer's power fails; instruments have their own.
    Cut,
    /// The whole site's power fails.
    Blackout,
}

/// One run of the daemon. All times are since the beginning of the life.
#[derive(Clone, Debug)]
pub(crate) struct Run {
    pub(crate) begins: Duration,
    pub(crate) ends: Duration,
    pub(crate) end: End,
    /// What the wall clock is ahead (us) when it begins, and what it is set by later.
    pub(crate) ahead: i64,
    pub(crate) steps: Vec<(Duration, i64)>,
}

/// A span of a life.
pub(crate) type Span = (Duration, Duration);

/// See the module.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) seed: u64,
    pub(crate) period: Duration,
    pub(crate) began: Utc,
    /// When everything is healed, and when the life ends.
    pub(crate) healed: Duration,
    pub(crate) ends: Duration,
    pub(crate) weather: Weather,
    /// The roof's tilt and direction (degrees).
    pub(crate) faces: (f64, f64),
    pub(crate) manners: [Manner; PLACES.len()],
    pub(crate) tracker: &'static str,
    pub(crate) solar_days: bool,
    pub(crate) monthly: bool,
    pub(crate) runs: Vec<Run>,
    pub(crate) faults: Vec<Fault>,
    pub(crate) disk: Vec<(Duration, Duration, Trouble)>,
    pub(crate) covered: Vec<Span>,
    /// The same as [`Weather::snow`].
    pub(crate) snow: Vec<Span>,
    /// When the machine stands still, as a process that is stopped, and for how long.
    pub(crate) stalls: Vec<Span>,
}

/// How long the life of a seed is.
pub(crate) fn length(seed: u64) -> Duration {
    let mut dice = Dice::new(seed);
    let days = (TURNS * period(&mut dice).as_secs() / 43_200).max(1);
    // A whole day of faults at least.
    DAY * u32::try_from(days).unwrap_or(u32::MAX) + HEALED
}

fn period(dice: &mut Dice) -> Duration {
    let mut place = dice.below(100);
    for (seconds, share) in PERIODS {
        if place < share {
            return Duration::from_secs(seconds);
        }
        place -= share;
    }
    unreachable!("the shares add up to a hundred")
}

impl Plan {
    /// The life of a seed.
    pub(crate) fn of(seed: u64) -> Self {
        let mut dice = Dice::new(seed);
        let period = period(&mut dice);
        let ends = length(seed);
        let healed = ends - HEALED;
        let first: Utc = "2026-02-01T00:00:00Z".parse().unwrap();
        let began = first + Duration::from_secs(dice.below(8 * 365 * 86_400) as u64);
        // Within the polar circles the sun may stay away for longer than a life.
        let latitude = 60.0 * (2.0 * dice.share() - 1.0);
        let longitude = 175.0 * (2.0 * dice.share() - 1.0);
        let faces = (10.0 + 30.0 * dice.share(), if latitude > 0.0 { 180.0 } else { 0.0 });
        let manners =
            [(); PLACES.len()].map(|()| dice.one_of(&[Manner::Serial, Manner::Tcp, Manner::Usb]));
        let tracker = dice.one_of(&TRACKERS);
        let (solar_days, monthly) = (dice.chance(0.5), dice.chance(0.7));
        let p = period.as_secs_f64();
        let spells = |dice: &mut Dice, mean: f64, length: (f64, f64)| {
            spells(dice, healed, period.mul_f64(mean), (p * length.0, p * length.1))
        };
        let covered = spells(&mut dice, 1500.0, (3.0, 150.0));
        let snow = spells(&mut dice, 2500.0, (3.0, 300.0));
        // Now and then one lasts for longer than the queue.
        let mut ill = spells(&mut dice, 500.0, (0.5, 60.0));
        if dice.chance(0.2) {
            ill.truncate(1 + dice.below(ill.len()));
            if let Some((from, until)) = ill.last_mut() {
                *until = (*from + period * 4000).min(healed);
            }
        }
        let disk =
            ill.into_iter().map(|(from, until)| (from, until, dice.one_of(&TROUBLES))).collect();
        let stalls = spells(&mut dice, 300.0, (0.01, 40.0));
        let at = |since: &Duration| began + *since;
        let lies = snow.iter().map(|(from, until)| (at(from), at(until))).collect();
        Self {
            runs: runs(&mut dice, period, healed, ends),
            faults: faults(&mut dice, &manners, period, healed),
            weather: Weather { seed, latitude, longitude, snow: lies },
            seed,
            period,
            began,
            healed,
            ends,
            faces,
            manners,
            tracker,
            solar_days,
            monthly,
            disk,
            covered,
            snow,
            stalls,
        }
    }

    /// The same life for two days of quick turns, in which nothing but stalls of the machine goes wrong,
    /// many of them.
    pub(crate) fn with_stalls_alone(mut self) -> Self {
        let mut dice = Dice::new(self.seed);
        self.period = Duration::from_secs(10);
        self.healed = DAY * 2;
        self.ends = self.healed + HEALED;
        let (begins, ends, end) = (Duration::ZERO, self.ends, End::Asked);
        self.runs = vec![Run { begins, ends, end, ahead: 0, steps: Vec::new() }];
        (self.faults, self.disk) = (Vec::new(), Vec::new());
        (self.covered, self.snow, self.weather.snow) = (Vec::new(), Vec::new(), Vec::new());
        self.stalls = spells(&mut dice, self.healed, self.period * 2, (20.0, 100.0));
        self
    }

    /// When the last whole days begin, in which all is as it should be.
    pub(crate) fn last_days(&self) -> Duration {
        self.healed + DAY
    }

    /// All of it, for whoever looks at one life.
    pub(crate) fn told(&self) -> String {
        let mut text = String::new();
        let Weather { latitude, longitude, .. } = &self.weather;
        let days = self.ends.as_secs_f64() / 86_400.0;
        let _ = writeln!(
            text,
            "seed {}: {days:.0} days from {}, healed after {:.0} s, period {:?}, {latitude:.1} N \
             {longitude:.1} E, faces {:?}, lines {:?}, {}, solar days {}, monthly files {}",
            self.seed,
            self.began,
            self.healed.as_secs_f64(),
            self.period,
            self.faces,
            self.manners,
            self.tracker,
            self.solar_days,
            self.monthly,
        );
        let mut line = |what: std::fmt::Arguments<'_>| {
            let _ = writeln!(text, "  {what}");
        };
        self.runs.iter().for_each(|run| line(format_args!("{run:?}")));
        self.faults
            .iter()
            .for_each(|fault| line(format_args!("{}", fault.written(PLACES[fault.place]))));
        self.disk.iter().for_each(|spell| line(format_args!("disk {spell:?}")));
        self.covered.iter().for_each(|span| line(format_args!("sensor covered {span:?}")));
        self.stalls.iter().for_each(|span| line(format_args!("machine stalls {span:?}")));
        self.snow.iter().for_each(|span| line(format_args!("snow {span:?}")));
        text
    }
}

/// Trackers as the station file has them; wide steps, since a turn is minutes.
const TRACKERS: [&str; 6] = [
    r#"{ method = "perturb-and-observe", step_volts = 0.3 }"#,
    r#"{ method = "fractional-voc", share = 0.8, look_every_s = 3600 }"#,
    r#"{ method = "incremental-conductance", step_volts = 0.3 }"#,
    r#"{ method = "ramp-separating", step_volts = 0.3 }"#,
    r#"{ method = "variable-step", step_volts = 0.6, least_step_volts = 0.1 }"#,
    r#"{ method = "crest-line" }"#,
];

const TROUBLES: [Trouble; 4] =
    [Trouble::Full, Trouble::ReadOnly, Trouble::Errors, Trouble::Damaged];

/// Spells that come in `mean` on average and last from `length.0` to `length.1` (s); all are over
/// before `end`.
fn spells(dice: &mut Dice, end: Duration, mean: Duration, length: (f64, f64)) -> Vec<Span> {
    let mut all = Vec::new();
    let mut at = Duration::ZERO;
    loop {
        let from = at + dice.until_next(mean);
        let until = from + dice.span(length.0, length.1);
        if until >= end {
            return all;
        }
        all.push((from, until));
        at = until;
    }
}

/// Runs, one after the other, with pauses; the last one lasts to the end of the life.
fn runs(dice: &mut Dice, period: Duration, healed: Duration, ends: Duration) -> Vec<Run> {
    let mut all = Vec::new();
    let mut begins = Duration::ZERO;
    loop {
        let wish = begins + dice.until_next(period * 700);
        let last = wish >= healed;
        let run_ends = if last { ends } else { wish };
        let end = match dice.below(8) {
            _ if last => End::Asked,
            0 | 1 => End::Asked,
            2..=4 => End::Killed,
            5 | 6 => End::Cut,
            _ => End::Blackout,
        };
        let (ahead, steps) = clock(dice, (begins, run_ends.min(healed)));
        all.push(Run { begins, ends: run_ends, end, ahead, steps });
        if last {
            return all;
        }
        let pause =
            if dice.chance(0.1) { dice.span(3600.0, 200_000.0) } else { dice.span(5.0, 3600.0) };
        begins = (run_ends + pause).min(healed);
    }
}

/// What the wall clock of a run does: most are right all the time. At the end of the span it is right.
fn clock(dice: &mut Dice, (begins, ends): Span) -> (i64, Vec<(Duration, i64)>) {
    let mut ahead = match dice.below(12) {
        0 => -NINETY_YEARS,
        1 => -FORTY_YEARS,
        2 => -HOUR_US * dice.below(2000) as i64,
        _ => 0,
    };
    let first = ahead;
    let mut steps = Vec::new();
    let mut at = begins;
    if ahead == 0 && dice.chance(0.6) {
        return (0, steps);
    }
    for _ in 0..dice.below(5) {
        at += dice.span(1.0, (ends.saturating_sub(at)).as_secs_f64().max(2.0));
        let to = match dice.below(8) {
            0 => FORTY_YEARS,
            1 => -FORTY_YEARS,
            2 => HOUR_US,
            3 => -HOUR_US,
            4 => HOUR_US / 3,
            5 => -HOUR_US / 120,
            _ => 0,
        };
        steps.push((at, to - ahead));
        ahead = to;
    }
    steps.retain(|(at, _)| *at < ends);
    let off: i64 = first + steps.iter().map(|(_, by)| by).sum::<i64>();
    // The time service has the last word.
    steps.push((ends, -off));
    (first, steps)
}

/// Faults at every place.
fn faults(
    dice: &mut Dice,
    manners: &[Manner; PLACES.len()],
    period: Duration,
    healed: Duration,
) -> Vec<Fault> {
    let mut all = Vec::new();
    let mut at = Duration::ZERO;
    loop {
        at += dice.until_next(period * 50);
        let place = dice.below(PLACES.len());
        let Some((what, lasting)) = what(dice, (place, manners[place]), period) else { continue };
        let length = if let Lasting::For(span) = lasting { span } else { Duration::ZERO };
        if at + length >= healed {
            return all;
        }
        all.push(Fault { at, lasting, what, place });
    }
}

/// What happens, if it can happen there, and for how long: a moment, or up to twenty periods.
fn what(
    dice: &mut Dice,
    (place, manner): (usize, Manner),
    period: Duration,
) -> Option<(What, Lasting)> {
    let p = period.as_secs_f64();
    let lasting = Lasting::For(dice.span(0.2 * p, 20.0 * p));
    let sensor = place >= FIRST_SENSOR;
    let late = Mishap::Late(dice.span(0.05, 3.0));
    let bytes = 1 + dice.below(6);
    let drift = 10.0 * (2.0 * dice.share() - 1.0) / p;
    let (what, fits) = match dice.below(What::NAMES.len()) {
        0 => (What::Replies(Mishap::Silent), true),
        1 => (What::Replies(late), true),
        // USB carries checksums and whole messages.
        2 => (What::Replies(Mishap::Garbled), manner != Manner::Usb),
        3 => (What::Replies(Mishap::Truncated(bytes)), manner != Manner::Usb),
        4 => (What::Replies(Mishap::Doubled), true),
        5 => return Some((What::Closed, Lasting::Once)),
        6 => (What::Refused, true),
        7 => (What::Renumbered, manner != Manner::Tcp),
        8 => (What::Dead, sensor),
        9 => (What::Sensor(SensorFault::Stuck), sensor),
        10 => (What::Sensor(SensorFault::Drifting { per_second: drift }), sensor),
        11 => (What::Sensor(SensorFault::NotANumber), sensor),
        12 => (What::Tripped, place == 0),
        13 => (What::Collapsed, place == 1),
        _ => (What::Restarted, !sensor),
    };
    fits.then_some((what, lasting))
}
