//! Commissioning a station's real instruments; [`crate::commission`] judges what is measured here.
//!
//! Model: all channels' instruments are identified and read with everything off; then one channel
//! after the other, with a person's consent to each, is energised, measured and let go. The others
//! are only read meanwhile: what they see of this one tells exchanged wires. Whatever goes wrong,
//! a channel is let go (input off, then boost off) before anything else happens.

mod powered;
mod rig;

use super::RunError;
use super::claim::Claim;
use super::rehearse::facts;
use super::sensing::Once;
use super::stop::StopFlag;
use crate::commission::clock::{self, Witnesses};
use crate::commission::idle::{self, Day, Idle, State};
use crate::commission::{
    ChannelPart, Check, Commissioning, Light, Outcome, Reason, Sheet, json, ratings, sensors,
};
use crate::control::record::{ChannelId, Severity};
use crate::quantities::{Amps, Irradiance};
use crate::station::{ChannelSpec, Station};
use crate::store::{Log, Note, Reader};
use crate::time::{Instant, Stamp, Utc};
use powered::Work;
use rig::{Rig, reason};
use std::path::Path;
use std::time::{Duration, Instant as WallInstant};

/// Readings with the input off, at least and at most: the noise is then known to 11 % or 5 %
/// (standard uncertainty).
const NOISE_READINGS: (u32, u32) = (60, 300);
/// Time spent on them, by what the station states of the load.
const NOISE_BUDGET: Duration = Duration::from_secs(4);

/// What a commissioning is told.
#[derive(Clone, Copy, Debug)]
pub struct Order<'o> {
    /// The log that gets the record.
    pub log: &'o Path,
    /// Irradiance and module temperature, where somebody read them off; else the station's sensors
    /// count.
    pub light: Light,
    /// What the wall clock is said to show now, for a bench whose sun is not the real one; none for
    /// the computer's clock.
    pub clock: Option<Utc>,
}

/// The person in front of the bench.
pub trait Person {
    /// Whether a channel may be energised: up to so many volts at the load and so many amps.
    fn agrees(&mut self, channel: &ChannelSpec, input: bool) -> bool;
    /// Says what is being done.
    fn hears(&mut self, text: &str);
}

#[derive(Clone, Copy)]
struct Clock {
    began: WallInstant,
    utc: Option<Utc>,
}

impl Clock {
    fn stamp(&self) -> Stamp {
        let elapsed = self.began.elapsed();
        let utc = self.utc.map_or_else(super::wall, |utc| utc + elapsed);
        Stamp { mono: Instant::ZERO + elapsed, utc }
    }
}

/// Commissions `station`; everything is off when it returns, or the report says that it is not
/// confirmed.
///
/// # Errors
/// [`RunError`] where the log can't be opened or written or the system gives no runtime; nothing
/// was energised then. What is wrong with the bench is no error but in the report.
pub fn run(
    station: &Station,
    order: &Order<'_>,
    person: &mut dyn Person,
    stop: &StopFlag,
) -> Result<Commissioning, RunError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let clock = Clock { began: WallInstant::now(), utc: order.clock };
    let began = clock.stamp();
    let _claim = Claim::stake(order.log)?;
    let last_row = if order.log.exists() { last_row(order.log, began.utc)? } else { None };
    let mut log = Log::open(order.log, &facts(station, began))?;
    let mut report = Commissioning {
        station: station.name.clone(),
        version: env!("CARGO_PKG_VERSION"),
        span: (began.utc, began.utc),
        checks: Vec::new(),
        channels: Vec::new(),
    };
    let clocked = (order, &clock);
    let metered = runtime.block_on(bench(station, clocked, (person, stop), &mut report));
    let lit = report.channels.iter().filter_map(lit).max().max(metered);
    let seen = Witnesses { now: began.utc, last_row, lit };
    report.checks.extend(clock::clock(&station.site, seen, order.clock.is_some()));
    let ended = clock.stamp();
    report.span.1 = ended.utc;
    for note in notes(station, &report, ended) {
        log.note(&note)?;
    }
    log.finish()?;
    Ok(report)
}

/// Whether a channel saw light; none where nobody could tell.
fn lit(part: &ChannelPart) -> Option<bool> {
    let reasons = || part.checks.iter().filter_map(|check| check.reason);
    part.amps_offset?;
    Some(!reasons().any(|reason| matches!(reason, Reason::Dark | Reason::NoDevice)))
}

/// The latest wall time in a log that concerns us: when it was last opened, or anything later than
/// `now`. Rows between the two say nothing new.
fn last_row(log: &Path, now: Utc) -> Result<Option<Utc>, RunError> {
    let reader = Reader::open(log)?;
    let mut last = reader.boots()?.iter().map(|boot| boot.began).max();
    let end = Utc::from_micros(i64::MAX);
    last = last.max(reader.events(now, end)?.iter().map(|event| event.at.utc).max());
    for channel in reader.channels()? {
        let minutes = reader.minutes(channel.id, now, end)?;
        last = last.max(minutes.iter().map(|minute| minute.start).max());
    }
    Ok(last)
}

/// The record for the log.
fn notes(station: &Station, report: &Commissioning, at: Stamp) -> Vec<Note> {
    let severity = match report.outcome() {
        Outcome::Passed => Severity::Note,
        Outcome::Failed | Outcome::Unfinished | Outcome::Declined => Severity::Warning,
        Outcome::NotOff => Severity::Alarm,
    };
    let mut notes = vec![Note {
        channel: None,
        at,
        severity,
        code: "commission",
        text: format!("commissioned: {}", report.sentence()),
        detail: Some(json::report(report).to_string()),
    }];
    for (spec, part) in station.channels.iter().zip(&report.channels) {
        let reasons: Vec<&str> = part.failures().map(Reason::word).collect();
        let (severity, text) = if reasons.is_empty() {
            (Severity::Note, "commissioned: nothing has to be put right".to_owned())
        } else {
            (Severity::Warning, format!("commissioned: to be put right: {}", reasons.join(", ")))
        };
        let channel = Some(spec.control.id);
        notes.push(Note { channel, at, severity, code: "commission", text, detail: None });
    }
    notes
}

/// All that happens on the bench; answers whether somebody or a sensor saw light, where one could.
async fn bench(
    station: &Station,
    (order, clock): (&Order<'_>, &Clock),
    (person, stop): (&mut dyn Person, &StopFlag),
    report: &mut Commissioning,
) -> Option<bool> {
    let sun = clock::daylight(&station.site, report.span.0);
    let mut once = Once::new(station, clock.stamp());
    if !station.sensors.is_empty() {
        person.hears("asking the sensors");
        once.ask(|| clock.stamp()).await;
        let checks = sensors::sensors(&station.sensors, &once.found(), sun == Some(false));
        report.checks.extend(checks);
    }
    let mut rigs: Vec<Option<Rig<'_>>> = Vec::new();
    for spec in &station.channels {
        person.hears(&format!("{}: identifying the instruments", spec.name));
        let mut part = ChannelPart { name: spec.name.clone(), ..ChannelPart::default() };
        rigs.push(identify(spec, stop, &mut part).await);
        report.channels.push(part);
    }
    let (mut states, mut metered) = (Vec::new(), None);
    for (index, spec) in station.channels.iter().enumerate() {
        person.hears(&format!("{}: offsets and noise, everything off", spec.name));
        let sheet = spec.rated.as_ref().map(Sheet::new);
        let mut eye = Eye { once: &mut once, stated: order.light, clock, channel: spec.control.id };
        let light = eye.light().await;
        metered = metered.max(light.irradiance.map(|irradiance| irradiance >= idle::LIT));
        let part = &mut report.channels[index];
        let day = Day { light, after: None, sun };
        states.push(idle(rigs[index].as_mut(), sheet.as_ref(), (day, &mut eye), part).await);
        part.checks.extend(ratings::ratings(spec, sheet.as_ref()));
    }
    for (index, spec) in station.channels.iter().enumerate() {
        let part = &mut report.channels[index];
        let Some((state, idle)) = states[index] else { continue };
        if !may_energise(spec, state, part, person, stop) {
            continue;
        }
        person.hears(&format!("{}: energised; boost supply, steps, way down", spec.name));
        let sheet = spec.rated.as_ref().map(Sheet::new);
        let mut eye = Eye { once: &mut once, stated: order.light, clock, channel: spec.control.id };
        let work = Work {
            index,
            sheet: sheet.as_ref(),
            light: eye.light().await,
            idle,
            noise_readings: noise_readings(spec),
        };
        energise(&mut rigs, (&work, &mut eye), state, part).await;
        person.hears(&format!("{}: off", spec.name));
    }
    for rig in rigs.into_iter().flatten() {
        rig.close().await;
    }
    once.close().await;
    metered
}

/// Who looks at the light on a channel's device: clouds move while one check after the other is made.
struct Eye<'e, 's> {
    once: &'e mut Once<'s>,
    stated: Light,
    clock: &'e Clock,
    channel: ChannelId,
}

impl Eye<'_, '_> {
    /// The light now; what a person stated goes first.
    async fn light(&mut self) -> Light {
        self.once.ask(|| self.clock.stamp()).await;
        self.once.light(self.stated, self.channel, self.clock.stamp())
    }

    /// The irradiance now, where a sensor tells it, whatever a person stated.
    async fn irradiance(&mut self) -> Option<Irradiance> {
        self.once.ask(|| self.clock.stamp()).await;
        self.once.light(Light::default(), self.channel, self.clock.stamp()).irradiance
    }
}

/// The rig of a channel whose instruments answered as stated.
async fn identify<'s>(
    spec: &'s ChannelSpec,
    stop: &StopFlag,
    part: &mut ChannelPart,
) -> Option<Rig<'s>> {
    let mut rig = Rig::new(spec, stop)?;
    let prepared = rig.prepare().await;
    let (load, boost) = rig.identities();
    let boost = boost.zip(spec.boost.as_ref().and_then(|boost| boost.address.as_ref()));
    let answered = [Some(("load", load, &spec.load.address))]
        .into_iter()
        .chain([boost.map(|(identity, address)| ("boost supply", identity, address))])
        .flatten()
        .filter(|(_, identity, _)| !identity.is_empty());
    part.instruments.extend(answered.map(|(what, identity, address)| {
        (format!("{} {what}", spec.name), format!("{address}, identity \"{identity}\""))
    }));
    let limit = "as stated, settings read back, no errors waiting";
    let check = Check::passed("instruments", None, limit);
    match prepared {
        Ok(()) => {
            part.checks.push(check);
            Some(rig)
        }
        Err(error) => {
            part.checks.push(check.failed(reason(&error), error.to_string()));
            rig.close().await;
            None
        }
    }
}

/// The number of readings with the input off: by what the station states, so that the same station
/// makes the same number.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held to 60..=300")]
fn noise_readings(spec: &ChannelSpec) -> u32 {
    let pace = (spec.load.window + spec.load.latency).max(Duration::from_millis(1));
    let fit = NOISE_BUDGET.as_secs_f64() / pace.as_secs_f64();
    (fit as u32).clamp(NOISE_READINGS.0, NOISE_READINGS.1)
}

/// The checks with everything off; none where the readings failed.
async fn idle(
    rig: Option<&mut Rig<'_>>,
    sheet: Option<&Sheet>,
    (day, eye): (Day, &mut Eye<'_, '_>),
    part: &mut ChannelPart,
) -> Option<(State, Idle)> {
    let rig = rig?;
    let mut readings = Vec::new();
    for _ in 0..noise_readings(rig.spec) {
        match rig.read().await {
            Ok(seen) => readings.push(seen.reading),
            Err(trouble) => {
                part.checks.push(trouble.check("readings with everything off"));
                return None;
            }
        }
    }
    let idle = Idle::of(&readings)?;
    part.amps_offset = Some((idle.amps.mean, idle.amps.mean_uncertainty));
    part.noise = Some((idle.volts.noise, idle.amps.noise));
    part.checks.extend(idle::instruments(rig.spec, sheet, &idle));
    let day = Day { after: eye.irradiance().await, ..day };
    let (state, checks) = idle::open_circuit(rig.spec, sheet, &idle, day);
    part.checks.extend(checks);
    // What flows with the input off may not be added to.
    let leaks = part.failures().any(|reason| reason == Reason::Offset);
    Some((if leaks { State::Wrong } else { state }, idle))
}

/// Whether to go on with a channel; asks.
fn may_energise(
    spec: &ChannelSpec,
    state: State,
    part: &mut ChannelPart,
    person: &mut dyn Person,
    stop: &StopFlag,
) -> bool {
    const WHAT: &str = "checks with boost supply and input on";
    if state == State::Wrong {
        part.checks.push(Check::skipped(WHAT, "not energised: put right first what failed above"));
        return false;
    }
    let switched = spec.control.boost_switched;
    if state == State::Dark && !switched {
        part.checks.push(Check::skipped(WHAT, "nothing to be done in the dark"));
        return false;
    }
    if !stop.is_raised() && person.agrees(spec, state == State::Lit) && !stop.is_raised() {
        return true;
    }
    let check = Check::skipped(WHAT, "nobody agreed to energise this channel");
    part.checks.push(Check { reason: Some(Reason::Declined), ..check });
    false
}

/// Energises, measures, lets go.
async fn energise(
    rigs: &mut [Option<Rig<'_>>],
    (work, eye): (&Work<'_>, &mut Eye<'_, '_>),
    state: State,
    part: &mut ChannelPart,
) {
    const WHAT: &str = "work with boost supply and input on";
    part.energised = true;
    let switched = rigs[work.index].as_ref().is_some_and(|rig| rig.spec.control.boost_switched);
    let before = eye.irradiance().await;
    let done = async {
        if switched && !powered::boost(rigs, work, part).await? {
            let says = "not switched on: the boost supply must be found right first";
            part.checks.push(Check::skipped("checks with the input on", says));
            return Ok(None);
        }
        if state == State::Lit { powered::load(rigs, work, part).await } else { Ok(None) }
    }
    .await;
    // The person hears of the trouble after the channel is off.
    let off = match rigs[work.index].as_mut() {
        Some(rig) => rig.let_go().await,
        None => Ok(()),
    };
    match (done, rigs[work.index].as_ref()) {
        (Ok(Some(mut seen)), Some(rig)) => {
            seen.sensed = before.zip(eye.irradiance().await);
            powered::judge(rig.spec, work, &seen, part);
        }
        (Err(trouble), _) => part.checks.push(trouble.check(WHAT)),
        (Ok(_), _) => {}
    }
    let check = Check::passed("off at the end", None, "input off, boost supply off, read back");
    part.checks.push(match off {
        Ok(()) => check,
        Err(error) => {
            let says = format!("check load and boost supply by hand: {error}");
            check.failed(Reason::NotOff, says)
        }
    });
    if let Some((zero, sure)) = part.amps_offset
        && let Some(last) = off_current(rigs, work).await
    {
        off_again(part, (zero, sure), last, work);
    }
}

/// The current shown after letting go.
async fn off_current(rigs: &mut [Option<Rig<'_>>], work: &Work<'_>) -> Option<Amps> {
    rigs[work.index].as_mut()?.mean(4).await.ok().map(|(_, amps)| amps)
}

/// A load that says "off" and still draws is the worst of liars.
fn off_again(part: &mut ChannelPart, (zero, sure): (Amps, Amps), last: Amps, work: &Work<'_>) {
    /// Share of the rated current that counts as still flowing.
    const FLOWING: f64 = 0.02;
    let full = work.sheet.map_or(Amps(1.0), |sheet| sheet.rated().short_circuit);
    let room = (full * FLOWING).max(sure + work.idle.amps.noise * 4.0);
    if (last - zero).abs() > room {
        let check = Check::passed("no current after letting go", None, "the zero of before");
        let says = format!("the input says off, but {last:.3} still flow; open the disconnect");
        part.checks.push(check.failed(Reason::NotOff, says));
    }
}
