//! What the readings with the input off tell: offset, noise, latency, polarity, open circuit.
//!
//! Model: with the load's input and the boost supply off nothing flows, so every current read is the
//! ammeter's offset. The voltage read is the device's open-circuit voltage; the voltmeter's own
//! offset can only be seen in the dark.

use super::check::{Check, Figure, Reason, Verdict};
use super::expect::{LEAST_JUDGED, Light, STEADY_LIGHT, Sheet};
use super::noise::{Steady, steady_amps, steady_volts};
use crate::quantities::{Amps, Irradiance, Volts, Watts};
use crate::station::ChannelSpec;
use std::time::Duration;

/// An offset beyond this share of Isc disturbs energies more than usual instruments may.
const OFFSET_NOTED: f64 = 0.005;
/// An offset beyond this share is no offset: something flows.
const OFFSET_WRONG: f64 = 0.03;
/// Below this share of the rated open-circuit voltage it is too dark to work. The log-law has a
/// device at 70 % of it at some 1 W/m2.
const DARK_SHARE: f64 = 0.5;
/// Negative beyond this share of the rated open-circuit voltage: poles exchanged.
const REVERSED_SHARE: f64 = 0.05;
/// The same where nothing is rated (V).
const REVERSED_FLOOR: Volts = Volts(0.5);
/// A device below this is as dark as a device gets (V).
const NIGHT: Volts = Volts(0.2);
/// Irradiance that is light enough for any device (W/m2).
pub const LIT: Irradiance = Irradiance(100.0);
/// A measured round trip longer than the stated one by this factor is told.
const SLOW: f64 = 1.5;
/// And never over less than this (s).
const SLOW_FLOOR: f64 = 0.005;

/// One reading at the load's terminals and how long it took.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Volts at the load (V).
    pub volts: Volts,
    /// Amps (A).
    pub amps: Amps,
    /// From asking to the answer.
    pub took: Duration,
}

/// What the readings with the input off amount to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Idle {
    /// At the load's terminals.
    pub volts: Steady<Volts>,
    /// With no current flowing.
    pub amps: Steady<Amps>,
    /// The quickest and the median round trip of a reading (s).
    pub trip: (Duration, Duration),
}

impl Idle {
    /// What `readings` amount to; none where they are too few.
    #[must_use]
    pub fn of(readings: &[Reading]) -> Option<Self> {
        let volts: Vec<Volts> = readings.iter().map(|reading| reading.volts).collect();
        let amps: Vec<Amps> = readings.iter().map(|reading| reading.amps).collect();
        let mut trips: Vec<Duration> = readings.iter().map(|reading| reading.took).collect();
        trips.sort_unstable();
        Some(Self {
            volts: steady_volts(&volts)?,
            amps: steady_amps(&amps)?,
            trip: (*trips.first()?, trips[trips.len() / 2]),
        })
    }
}

/// What is known about the light.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Day {
    /// Irradiance and module temperature, where known.
    pub light: Light,
    /// The irradiance once more, after the readings, where a sensor tells it.
    pub after: Option<Irradiance>,
    /// Whether the sun must be up (`true`), must be down (`false`), or may be either.
    pub sun: Option<bool>,
}

/// Whether a channel can go on to its powered checks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// A device in the light, poles as they must be.
    Lit,
    /// Too dark for anything with current.
    Dark,
    /// Something is wrong that forbids to energise it.
    Wrong,
}

/// Offsets, noise and latency of the instruments.
#[must_use]
pub fn instruments(spec: &ChannelSpec, sheet: Option<&Sheet>, idle: &Idle) -> Vec<Check> {
    let full = sheet.map_or(spec.control.envelope.device_amps_max, |s| s.rated().short_circuit);
    let amps = &idle.amps;
    let limit = format!("within {}", Figure::of(full.0 * OFFSET_NOTED, "A"));
    let found = Figure::sure(amps.mean.0, amps.mean_uncertainty.0, "A");
    let offset = Check::passed("current with the input off", Some(found), limit);
    let away = amps.mean.abs();
    let offset = if away > full * OFFSET_WRONG {
        let says = "a current is shown with the input off; if an ammeter beside it shows it, too, \
                    the load's input is shorted or another path is closed; else the load's zero is \
                    wrong: have it adjusted";
        offset.failed(Reason::Offset, says)
    } else if away > full * OFFSET_NOTED {
        let says = "a large zero error; let the load warm up, then adjust its zero";
        offset.doubtful(Reason::Offset, says)
    } else {
        offset
    };
    let volts = &idle.volts;
    let sure = |steady: f64, sure: f64, unit| Some(Figure::sure(steady, sure, unit));
    vec![
        offset,
        Check::told(
            "noise of the current, input off",
            sure(amps.noise.0, amps.noise_uncertainty.0, "A"),
            "standard deviation of one reading",
        ),
        Check::told(
            "noise of the voltage, input off",
            sure(volts.noise.0, volts.noise_uncertainty.0, "V"),
            "standard deviation of one reading",
        ),
        latency(spec, idle),
    ]
}

fn latency(spec: &ChannelSpec, idle: &Idle) -> Check {
    let stated = (spec.load.window + spec.load.latency).as_secs_f64();
    let (quickest, median) = (idle.trip.0.as_secs_f64(), idle.trip.1.as_secs_f64());
    let limit = format!("window_s + latency_s state {}", Figure::of(stated, "s"));
    let check = Check::passed("from request to answer", Some(Figure::of(median, "s")), limit);
    if median > stated * SLOW + SLOW_FLOOR {
        let says = "readings take longer than the station states, so the period may be too short; \
                    state the larger latency_s proposed below, or look for what slows the line";
        return check.doubtful(Reason::Slow, says);
    }
    Check { says: format!("quickest {}", Figure::of(quickest, "s")), ..check }
}

/// Polarity, light and open-circuit voltage.
#[must_use]
pub fn open_circuit(
    spec: &ChannelSpec,
    sheet: Option<&Sheet>,
    idle: &Idle,
    day: Day,
) -> (State, Vec<Check>) {
    // A boost supply that can't be switched is in the reading already.
    let always = if spec.control.boost_switched { Volts::ZERO } else { spec.control.path.boost };
    let volts = idle.volts.mean - always;
    let found = Some(Figure::sure(volts.0, idle.volts.mean_uncertainty.0, "V"));
    let rated = sheet.map(|sheet| sheet.rated().open_circuit);
    let reversed = rated.map_or(REVERSED_FLOOR, |voc| voc * REVERSED_SHARE);
    let polarity = Check::passed("polarity of the device", found, "positive at the load");
    if volts < -reversed {
        let says = "the device's poles are exchanged. Don't switch the load on: its input would \
                    carry the short-circuit current backwards. Cover or disconnect the device \
                    under the rules of your site, then exchange the two leads";
        return (State::Wrong, vec![polarity.failed(Reason::Polarity, says)]);
    }
    let dark = rated.map_or(spec.control.daylight.wake_volts, |voc| voc * DARK_SHARE);
    if volts < dark {
        return without_light(found, (volts, dark), day, always);
    }
    let mut checks = vec![polarity];
    let mut state = State::Lit;
    if let Some(sheet) = sheet {
        let check = expected(sheet, volts, found, day);
        if check.verdict == Verdict::Failed {
            state = State::Wrong;
        }
        checks.push(check);
    }
    (state, checks)
}

fn without_light(
    found: Option<Figure>,
    (volts, dark): (Volts, Volts),
    day: Day,
    always: Volts,
) -> (State, Vec<Check>) {
    let limit = format!("at least {} for the checks with current", Figure::of(dark.0, "V"));
    let check = Check::passed("light on the device", found, limit);
    let bright = day.light.irradiance.map(|irradiance| irradiance >= LIT);
    // What a sensor says goes before what the calendar says.
    if bright == Some(true) || (bright.is_none() && day.sun == Some(true)) {
        let says = "it is day, but there is next to no voltage: a lead, fuse or disconnect is open, \
                    the poles are joined somewhere, or the device is covered";
        return (State::Wrong, vec![check.failed(Reason::NoDevice, says)]);
    }
    let says = format!(
        "too dark for the checks with current ({}). Done is what can be done: instruments, \
         offsets, noise, ratings, boost supply; commission again by day",
        Figure::of(volts.0, "V")
    );
    let check = Check { verdict: Verdict::Skipped, ..check.doubtful(Reason::Dark, says) };
    if always > Volts::ZERO || volts.abs() > NIGHT {
        return (State::Dark, vec![check]);
    }
    let says = "no light, no boost supply: what the voltmeter shows is its own zero";
    (State::Dark, vec![check, Check::told("zero of the voltage, in the dark", found, says)])
}

fn expected(sheet: &Sheet, volts: Volts, found: Option<Figure>, day: Day) -> Check {
    let light = day.light;
    let (low, high) = sheet.open_circuit_range(light);
    let known = match (light.irradiance, light.module) {
        (Some(g), Some(t)) => format!("at {:.0} W/m2 and {:.0} degC", g.0, t.0),
        (Some(g), None) => format!("at {:.0} W/m2, temperature not known", g.0),
        (None, Some(t)) => format!("at {:.0} degC, irradiance not known", t.0),
        (None, None) => "irradiance and temperature not known".to_owned(),
    };
    let limit = format!("{:.1} V to {:.1} V ({known})", low.0, high.0);
    let check = Check::passed("open-circuit voltage", found, limit);
    let fits = (low.0..=high.0).contains(&volts.0);
    if fits && not_by_this_light(sheet, day).is_none() {
        return check;
    }
    // In any light there is.
    let (least, most) = sheet.open_circuit_range(Light { irradiance: None, ..light });
    let possible = (least.0..=most.0).contains(&volts.0);
    if let Some(why) = not_by_this_light(sheet, day).filter(|_| possible) {
        return check.not_in_this_light(format!("{why}; {STEADY_LIGHT}"));
    }
    let says = "this is not the device that [channel.rated] describes, or a part of it is bypassed, \
                shaded or shorted; compare the name plate, and which device these leads come from";
    check.failed(Reason::Device, says)
}

/// Why the open-circuit voltage can't be held against the irradiance, if it can't.
fn not_by_this_light(sheet: &Sheet, day: Day) -> Option<String> {
    let before = day.light.irradiance?;
    if before < LEAST_JUDGED {
        return Some(format!("{:.0} W/m2 are too little to judge the voltage by", before.0));
    }
    let after = day.after?;
    let moved = sheet.open_circuit_move(before, after) > sheet.open_circuit_room(before);
    moved.then(|| format!("the light went from {:.0} to {:.0} W/m2 meanwhile", before.0, after.0))
}

/// The power that the noise stands for at a point of the curve (W).
#[must_use]
pub fn power_noise(volts: Volts, amps: Amps, noise: (Volts, Amps)) -> Watts {
    let (by_volts, by_amps) = (noise.0 * amps, volts * noise.1);
    Watts(by_volts.0.hypot(by_amps.0))
}
