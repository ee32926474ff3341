//! What the readings with the input on tell: whether the load follows, how near to short circuit it
//! comes, the current, the leads, and whose device it is.
//!
//! Model: the setpoint goes from open circuit down in steps as far as the guard admits. At each step
//! the load's terminals must come to the setpoint; where they stay above it, something holds the
//! current back, and the point where it happens tells what. The drop between open circuit and a
//! point near the crest, less the device's own ([`Sheet::lost`]), is what the leads lose.
//!
//! All of that takes the light for steady. Some setpoints are set once more on the way back up: the same
//! voltage gives the same current only in the same light. Where it moved by more than a check
//! stands, or is too weak for it, the check is not made: nothing is said of the bench then.

use super::check::{Check, Figure, Reason};
use super::expect::{LEAST_JUDGED, Light, STEADY_LIGHT, Sheet};
use crate::quantities::{Amps, Celsius, Irradiance, Ohms, STC_TEMPERATURE, Volts};
use crate::station::ChannelSpec;

/// How far above its setpoint the load's voltage may lie: share of the setpoint and fixed part (V);
/// as the guard has it.
const FOLLOW_SHARE: f64 = 0.01;
/// See [`FOLLOW_SHARE`].
const FOLLOW_FLOOR: Volts = Volts(0.2);
/// Below this share of the expected current it counts as none.
const NO_CURRENT: f64 = 0.02;
/// A voltage that fell by less than this share of what was asked has not reacted: the way down is
/// so gradual that a load held back by anything else has followed most of it.
const UNMOVED: f64 = 0.25;
/// At this share of its protection or more a load is held back by it.
const AT_PROTECTION: f64 = 0.95;
/// Data sheet, sensor, spectrum and dirt together, as a share of Isc.
const ISC_SHARE: f64 = 0.15;
/// More current than any cloud's edge gives (suns).
const MOST_SUNS: f64 = 1.8;
/// The leads may lose so much of the crest's voltage beyond what is stated and what the data sheet
/// leaves open; a shaded cell looks alike.
const LEAD_SHARE: f64 = 0.02;
/// Least current, as a share of the rated one, that says anything about leads.
const LEAD_AMPS: f64 = 0.1;
/// Currents are compared as shares of themselves, or of this share of the largest: below, noise is no light.
const SEEN_AMPS: f64 = 0.1;
/// Setpoints that are no further apart are the same (V).
const SAME_SETPOINT: Volts = Volts(0.05);
/// Another channel's voltage that moves by more than this share of this channel's own move is no
/// accident.
const COUPLED_SHARE: f64 = 0.2;
/// The same, fixed part: clouds and voltmeters (V).
const COUPLED_FLOOR: Volts = Volts(0.5);

/// One point on the way down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// What the load was told, at its terminals (V).
    pub setpoint: Volts,
    /// What its terminals came to (V).
    pub load: Volts,
    /// The current (A).
    pub amps: Amps,
    /// The device's voltage, leads as stated (V).
    pub device: Volts,
}

impl Point {
    /// Whether the load came down to its setpoint.
    #[must_use]
    pub fn follows(&self) -> bool {
        self.load <= self.setpoint * (1.0 + FOLLOW_SHARE) + FOLLOW_FLOOR
    }
}

/// The way down.
#[derive(Clone, Debug, PartialEq)]
pub struct Descent {
    /// The device's voltage with the input on and no current (V).
    pub open: Volts,
    /// The points, by falling setpoint; it ends at the first that the load didn't follow.
    pub points: Vec<Point>,
    /// Some of the same setpoints once more, on the way back up.
    pub back: Vec<Point>,
    /// The irradiance before all of it and after, where a sensor tells it.
    pub sensed: Option<(Irradiance, Irradiance)>,
    /// How much the voltages of other channels' loads changed meanwhile (V).
    pub others: Vec<(String, Volts)>,
}

impl Descent {
    /// The last point that was followed.
    fn lowest(&self) -> Option<&Point> {
        self.points.iter().rev().find(|point| point.follows())
    }

    /// The point of largest power.
    #[must_use]
    pub fn crest(&self) -> Option<&Point> {
        let power = |point: &Point| (point.device * point.amps).0;
        self.points.iter().max_by(|a, b| power(a).total_cmp(&power(b)))
    }

    /// How far the light moved meanwhile, as a share of the larger (0..=1), as far as anybody saw it.
    #[must_use]
    pub fn light_moved(&self) -> f64 {
        let most = self.points.iter().map(|point| point.amps.0).fold(f64::MIN_POSITIVE, f64::max);
        let share = |a: f64, b: f64| (a - b).abs() / a.max(b).max(most * SEEN_AMPS);
        let again = self.back.iter().filter_map(|point| {
            let apart = |was: &&Point| (was.setpoint - point.setpoint).abs();
            let was = self.points.iter().min_by(|a, b| apart(a).0.total_cmp(&apart(b).0))?;
            let same = apart(&was) <= SAME_SETPOINT && was.follows() && point.follows();
            same.then(|| share(was.amps.0, point.amps.0))
        });
        // On the way down the current of a device in steady light can but rise.
        let fell = self
            .points
            .windows(2)
            .map(|pair| share(pair[0].amps.0.max(pair[1].amps.0), pair[1].amps.0));
        let sensed = self.sensed.map(|(before, after)| {
            (before - after).abs().0 / before.0.max(after.0).max(f64::MIN_POSITIVE)
        });
        again.chain(fell).chain(sensed).fold(0.0, f64::max).min(1.0)
    }

    /// The device's voltage where `amps` flow, between the two points around it.
    fn volts_at(&self, amps: Amps) -> Option<Volts> {
        let pair = self.points.windows(2).find(|p| p[0].amps < amps && p[1].amps >= amps)?;
        let share = (amps - pair[0].amps) / (pair[1].amps - pair[0].amps);
        Some(pair[0].device + (pair[1].device - pair[0].device) * share)
    }
}

/// Judges the way down.
#[must_use]
pub fn descent(
    spec: &ChannelSpec,
    sheet: Option<&Sheet>,
    light: Light,
    seen: &Descent,
) -> Vec<Check> {
    let mut checks = vec![following(spec, seen)];
    checks.extend(coupled(seen));
    let Some(lowest) = seen.lowest() else {
        return checks;
    };
    if checks.iter().all(|check| check.reason.is_none()) {
        let says = format!("{:.2} V at the load, {:.3} A", lowest.load.0, lowest.amps.0);
        let found = Some(Figure::of(lowest.device.0, "V"));
        checks.push(Check::told("lowest device voltage reached", found, says));
    }
    if let Some(sheet) = sheet {
        checks.push(current(sheet, light, lowest, seen.light_moved()));
        checks.push(leads(spec, sheet, seen, lowest.amps));
    }
    checks
}

/// The first setpoint that was not followed, and why.
fn following(spec: &ChannelSpec, seen: &Descent) -> Check {
    const WHAT: &str = "load follows its setpoint";
    let stuck = seen.points.iter().find(|point| !point.follows());
    let Some(stuck) = stuck else {
        return Check::passed(WHAT, None, "from open circuit as far down as the guard admits");
    };
    let found = Some(Figure::of(stuck.load.0, "V"));
    let check = Check::passed(WHAT, found, format!("{:.2} V was set", stuck.setpoint.0));
    let amps = stuck.amps;
    if let Some((name, change)) = seen.others.iter().find(|(_, change)| moved(*change, seen)) {
        let says = format!(
            "this load took up {amps:.3}, and the voltage of {name} changed by {:.2} V instead of \
             this one's: the loads of the two channels are exchanged, or their sense leads are",
            change.0
        );
        return check.failed(Reason::Exchanged, says);
    }
    if amps.0 >= spec.load.current_protection.0 * AT_PROTECTION {
        let says = format!(
            "the load holds back at {amps:.3}, its own current protection; raise it, where every \
             part of the loop stands it"
        );
        return check.failed(Reason::Protection, says);
    }
    if amps.0 < spec.control.envelope.device_amps_max.0 * NO_CURRENT {
        let says = "the input is on and the setpoint is low, but no current flows: a fuse or a \
                    disconnect is open, a lead carries only the sense voltage, or the load is \
                    inhibited";
        return check.failed(Reason::NoCurrent, says);
    }
    let fell = seen.open - stuck.device;
    let asked = fell + (stuck.load - stuck.setpoint);
    if fell < asked * UNMOVED {
        let says = format!(
            "{amps:.3} flow, but the voltage that the load regulates doesn't fall: its sense leads \
             are on another device, open, or exchanged"
        );
        return check.failed(Reason::SenseLeads, says);
    }
    let stated = spec.control.envelope.capability.amps_at(stuck.load);
    let says = format!(
        "at {:.2} V the load sinks no more than {:.3} A; the station's capability states {:.2} A \
         there. State the curve as measured, take a larger range or load, or raise the boost \
         voltage",
        stuck.load.0, amps.0, stated.0
    );
    check.failed(Reason::Capability, says)
}

fn moved(change: Volts, seen: &Descent) -> bool {
    let own = seen.points.last().map_or(Volts::ZERO, |point| (seen.open - point.device).abs());
    change.abs() > COUPLED_FLOOR.max(own * COUPLED_SHARE)
}

/// Other channels must not feel this one.
fn coupled(seen: &Descent) -> Option<Check> {
    let (name, change) = seen.others.iter().max_by(|a, b| a.1.abs().0.total_cmp(&b.1.abs().0))?;
    let limit = "no other channel's voltage moves with this one's";
    let check =
        Check::passed("independence of the channels", Some(Figure::of(change.0, "V")), limit);
    if !moved(*change, seen) {
        return Some(check);
    }
    let says = format!(
        "the voltage of {name} moved while this channel's load drew current: the loads are \
         exchanged, or the two devices share a lead"
    );
    Some(check.failed(Reason::Exchanged, says))
}

/// The current at the lowest voltage against the data sheet, or what it says of the light.
fn current(sheet: &Sheet, light: Light, lowest: &Point, moved: f64) -> Check {
    const WHAT: &str = "current near short circuit";
    let found = Some(Figure::of(lowest.amps.0, "A"));
    let module = light.module.unwrap_or(STC_TEMPERATURE);
    let implied = sheet.irradiance(lowest.amps, module);
    let Some(irradiance) = light.irradiance else {
        let limit = format!("at most {MOST_SUNS} x Isc; irradiance not known");
        let check = Check::passed(WHAT, found, limit);
        let says = format!("as at {:.0} W/m2", implied.0);
        if implied < LEAST_JUDGED {
            let says = format!("{says}, too little to tell the device by; {STEADY_LIGHT}");
            return check.not_in_this_light(says);
        }
        if implied.0 <= MOST_SUNS * 1000.0 {
            return Check { says, ..check };
        }
        return check.failed(Reason::Device, format!("{says}: no sky gives that; {WHICH}"));
    };
    let expected = sheet.short_circuit(irradiance, module);
    let room = expected * ISC_SHARE;
    let limit = format!(
        "{:.2} A to {:.2} A (at {:.0} W/m2)",
        (expected - room).0,
        (expected + room).0,
        irradiance.0
    );
    let check = Check::passed(WHAT, found, limit);
    if implied.0 <= MOST_SUNS * 1000.0 {
        if irradiance < LEAST_JUDGED {
            let says = format!("{:.0} W/m2 are too little to judge it by", irradiance.0);
            return check.not_in_this_light(format!("{says}; {STEADY_LIGHT}"));
        }
        if moved > ISC_SHARE {
            return check.not_in_this_light(moved_words(moved));
        }
    }
    if (lowest.amps - expected).abs() <= room {
        return check;
    }
    let says = format!(
        "as at {:.0} W/m2: {WHICH}, or the irradiance is not the one of its plane",
        implied.0
    );
    check.failed(Reason::Device, says)
}

fn moved_words(moved: f64) -> String {
    format!(
        "the light moved by {:.0} % meanwhile, more than this check stands; {STEADY_LIGHT}",
        moved * 100.0
    )
}

const WHICH: &str = "another device than [channel.rated] describes, a part of it shaded or dirty";

/// What the leads lose.
fn leads(spec: &ChannelSpec, sheet: &Sheet, seen: &Descent, short_circuit: Amps) -> Check {
    const WHAT: &str = "resistance of the leads beyond the stated";
    let rated = sheet.rated();
    if short_circuit < rated.short_circuit * LEAD_AMPS {
        let check = Check::passed(WHAT, None, String::new());
        return check.not_in_this_light(format!("too little current to see it; {STEADY_LIGHT}"));
    }
    let amps = short_circuit * (rated.crest_amps / rated.short_circuit);
    let Some(volts) = seen.volts_at(amps) else {
        return Check::skipped(WHAT, "the current of the crest was not reached");
    };
    let lost = seen.open - volts - sheet.lost(short_circuit, amps);
    let ohms = Ohms(lost.0 / amps.0);
    let room = sheet.lost_room(short_circuit);
    let most = (room + rated.crest_volts * LEAD_SHARE).0 / amps.0;
    let found = Some(Figure::sure(ohms.0, room.0 / amps.0, Ohms::UNIT));
    let limit = format!("at most {most:.3} ohm, as well as it can be told in this light");
    let check = Check::passed(WHAT, found, limit);
    // In light that moves so far the crest's share of the current is another one.
    let moved = seen.light_moved();
    let shifted = sheet.lost(short_circuit, amps * (1.0 + moved)) - sheet.lost(short_circuit, amps);
    if shifted.0 > most * amps.0 {
        return check.not_in_this_light(moved_words(moved));
    }
    if ohms.0 <= most {
        return check;
    }
    let says = format!(
        "{:.2} V more are lost at {:.2} A than device and stated leads ({}) lose: the sense leads \
         are not connected at the device, remote sensing is off, or a contact is bad. Connect them, \
         or state lead_ohms. A shaded cell looks alike",
        lost.0, amps.0, spec.control.path.lead
    );
    check.failed(Reason::SenseLeads, says)
}

/// The irradiance that a current stands for, where the module is as warm as stated or at 25 degC.
#[must_use]
pub fn implied_light(sheet: &Sheet, light: Light, amps: Amps) -> Light {
    let module: Celsius = light.module.unwrap_or(STC_TEMPERATURE);
    Light { irradiance: light.irradiance.or(Some(sheet.irradiance(amps, module))), ..light }
}

/// The open-circuit voltage once more, now that the current tells the light.
#[must_use]
pub fn open_circuit_again(sheet: &Sheet, light: Light, seen: &Descent) -> Option<Check> {
    let lowest = seen.lowest()?;
    let implied = implied_light(sheet, light, lowest.amps);
    let (low, high) = sheet.open_circuit_range(implied);
    let limit = format!("{:.1} V to {:.1} V", low.0, high.0);
    let found = Some(Figure::of(seen.open.0, "V"));
    let check = Check::passed("open-circuit voltage at this current's light", found, limit);
    let lit = implied.irradiance.unwrap_or(LEAST_JUDGED);
    if lit < LEAST_JUDGED {
        let says = format!("{:.0} W/m2 are too little to judge it by; {STEADY_LIGHT}", lit.0);
        return Some(check.not_in_this_light(says));
    }
    let moved = seen.light_moved();
    if sheet.open_circuit_move(lit, lit * (1.0 - moved)) > sheet.open_circuit_room(lit) {
        return Some(check.not_in_this_light(moved_words(moved)));
    }
    Some(if seen.open >= low && seen.open <= high {
        check
    } else {
        check.failed(Reason::Device, format!("voltage and current don't belong together: {WHICH}"))
    })
}
