//! The checks with boost supply and input on, in the order that asks least of the wiring first.

use super::rig::{Rig, Seen, Trouble};
use crate::commission::idle::Idle;
use crate::commission::loaded::{Descent, Point};
use crate::commission::noise::{Steady, steady_amps, steady_volts};
use crate::commission::settling::{self, Settling, StepReading};
use crate::commission::{ChannelPart, Check, Figure, Light, Reason, Sheet, boost, loaded, propose};
use crate::quantities::{Amps, Volts};
use crate::station::{ChannelSpec, SETTLED_AFTER};
use std::time::{Duration, Instant};

/// Readings averaged where a mean is wanted.
const MEAN_OF: u32 = 8;
/// Readings averaged at a point of the way down.
const POINT_OF: u32 = 3;
/// How long a boost supply has to come up.
const BOOST_RISE: Duration = Duration::from_millis(1000);
/// And to go down.
const BOOST_FALL: Duration = Duration::from_millis(300);
/// How often its wiring is looked at before it counts as wrong.
const BOOST_TRIES: u32 = 2;
/// How often it is looked at meanwhile.
const BOOST_LOOK: Duration = Duration::from_millis(50);
/// The two levels of the step response, as shares of the open-circuit voltage: above and below the
/// crest of most devices, wide enough to be seen, where the current is a source's.
const LEVELS: (f64, f64) = (0.92, 0.80);
/// Readings that must agree before a level counts as reached.
const AGREEING: usize = 4;
/// They agree within so many times the noise.
const AGREE: f64 = 6.0;
/// The longest wait for a level (s): some loads take seconds in their slow range.
const LONGEST_WAIT: Duration = Duration::from_secs(3);
/// Time spent on the step response.
const STEPS_BUDGET: Duration = Duration::from_millis(2500);
/// Fewest and most steps of it.
const STEPS: (u32, u32) = (8, 24);
/// Readings after each step: so many time constants long, and this many at least and at most.
const TAIL: f64 = 6.0;
/// See [`TAIL`].
const TAIL_READINGS: (u32, u32) = (4, 60);
/// Shares of the open-circuit voltage on the way down.
const DOWN: [f64; 12] = [0.95, 0.9, 0.86, 0.82, 0.78, 0.74, 0.68, 0.55, 0.4, 0.25, 0.1, 0.0];
/// Those of them that are set once more on the way back up, to see whether the light moved.
const UP: [f64; 3] = [0.4, 0.68, 0.82];

/// A channel at work: its rigs' place, what is known before, and where results go.
pub(super) struct Work<'w> {
    pub(super) index: usize,
    pub(super) sheet: Option<&'w Sheet>,
    pub(super) light: Light,
    pub(super) idle: Idle,
    pub(super) noise_readings: u32,
}

/// The load's voltage of every other channel that answers; a channel that doesn't has its own check.
async fn others(rigs: &mut [Option<Rig<'_>>], index: usize) -> Vec<(String, Volts)> {
    let mut seen = Vec::new();
    for (at, rig) in rigs.iter_mut().enumerate() {
        if at != index
            && let Some(rig) = rig
            && let Ok((volts, _)) = rig.mean(2).await
        {
            seen.push((rig.spec.name.clone(), volts));
        }
    }
    seen
}

fn changes(before: &[(String, Volts)], after: &[(String, Volts)]) -> Vec<(String, Volts)> {
    let change = |(name, volts): &(String, Volts)| {
        let was = before.iter().find(|(other, _)| other == name)?.1;
        Some((name.clone(), *volts - was))
    };
    after.iter().filter_map(change).collect()
}

/// The boost supply's wiring; whether it is as it must be, and on.
pub(super) async fn boost(
    rigs: &mut [Option<Rig<'_>>],
    work: &Work<'_>,
    part: &mut ChannelPart,
) -> Result<bool, Trouble> {
    let mut tries = 1;
    let check = loop {
        let (check, seen) = rise(rigs, work).await?;
        if check.reason.is_none() {
            break check;
        }
        // A cloud's edge moves the open-circuit voltage, too; wrong wires are wrong again.
        let Some(rig) = rigs[work.index].as_mut() else { return Err(Trouble::Stopped) };
        rig.boost_off().await?;
        tokio::time::sleep(BOOST_FALL).await;
        let check = boost::wiring_between(&seen, rig.mean(MEAN_OF).await?.0);
        if tries == BOOST_TRIES {
            break check;
        }
        tries += 1;
    };
    let right = check.reason.is_none();
    part.checks.push(check);
    let rig = rigs[work.index].as_mut();
    if let Some(rig) = rig.filter(|rig| right && !rig.is_boosted()) {
        rig.boost_on().await?;
        tokio::time::sleep(BOOST_RISE).await;
    }
    Ok(right)
}

/// Switches the boost supply on and judges what the load's voltmeter makes of it.
async fn rise(
    rigs: &mut [Option<Rig<'_>>],
    work: &Work<'_>,
) -> Result<(Check, boost::Rise), Trouble> {
    let before = others(rigs, work.index).await;
    let Some(rig) = rigs[work.index].as_mut() else { return Err(Trouble::Stopped) };
    let stated = rig.spec.control.path.boost;
    let (load, _) = rig.mean(MEAN_OF).await?;
    rig.boost_on().await?;
    let until = Instant::now() + BOOST_RISE;
    while Instant::now() < until {
        tokio::time::sleep(BOOST_LOOK).await;
        if (rig.read().await?.reading.volts - load - stated).abs() < stated * 0.02 {
            break;
        }
    }
    let (after, _) = rig.mean(MEAN_OF).await?;
    let supply = rig.boost_volts().await?;
    let seen = boost::Rise {
        stated,
        load: (load, after),
        // Two means, each with its share of the noise; k = 2.
        uncertainty: work.idle.volts.noise * (8.0 / f64::from(MEAN_OF)).sqrt(),
        supply,
        others: changes(&before, &others(rigs, work.index).await),
    };
    let check = boost::wiring(&seen);
    if let (None, Some(volts), Some(rig)) = (check.reason, supply, rigs[work.index].as_mut()) {
        rig.trust_boost(volts);
    }
    Ok((check, seen))
}

/// Everything with the input on; the way down is judged by [`judge`], once the channel is let go.
pub(super) async fn load(
    rigs: &mut [Option<Rig<'_>>],
    work: &Work<'_>,
    part: &mut ChannelPart,
) -> Result<Option<Descent>, Trouble> {
    let before = others(rigs, work.index).await;
    let Some(rig) = rigs[work.index].as_mut() else { return Ok(None) };
    rig.input_on().await?;
    let (volts, amps) = rig.mean(MEAN_OF).await?;
    let open = rig.device(volts, amps);
    let mut seen =
        Descent { open, points: Vec::new(), back: Vec::new(), sensed: None, others: Vec::new() };
    let first = level(rig, open * LEVELS.0, amps, work).await?;
    if !first.follows() {
        seen.points.push(first);
    } else {
        let noise = noise(rig, work, part).await?;
        let steps = response(rig, open, first.amps, work).await?;
        conclude(rig, work, part, (&steps, noise));
        let tau = part.settling.map_or(rig.spec.load.settling, |settling| settling.tau);
        seen.points = pass(rig, (open, &DOWN), first.amps, tau).await?;
        if let Some(last) = seen.points.last().filter(|last| last.follows()) {
            seen.back = pass(rig, (open, &UP), last.amps, tau).await?;
        }
    }
    seen.others = changes(&before, &others(rigs, work.index).await);
    Ok(Some(seen))
}

/// What the way down says.
pub(super) fn judge(spec: &ChannelSpec, work: &Work<'_>, seen: &Descent, part: &mut ChannelPart) {
    part.checks.extend(loaded::descent(spec, work.sheet, work.light, seen));
    let again = work.sheet.and_then(|s| loaded::open_circuit_again(s, work.light, seen));
    part.checks.extend(again);
}

/// Goes to a level and waits until the readings agree.
async fn level(
    rig: &mut Rig<'_>,
    wish: Volts,
    amps: Amps,
    work: &Work<'_>,
) -> Result<Point, Trouble> {
    let set = rig.set(wish, amps).await?;
    let tail = wait(rig, set.sent, work.idle.volts.noise).await?;
    let last = tail[tail.len() - 1].reading;
    Ok(Point {
        setpoint: set.setpoint.load(),
        load: last.volts,
        amps: last.amps,
        device: rig.device(last.volts, last.amps),
    })
}

/// Readings until they agree; at least [`AGREEING`].
async fn wait(rig: &mut Rig<'_>, sent: Instant, noise: Volts) -> Result<Vec<Seen>, Trouble> {
    /// Below the resolution of any load in question (V).
    const FINEST: f64 = 1e-3;
    let least = rig.spec.load.settling * SETTLED_AFTER;
    let mut seen = Vec::new();
    loop {
        seen.push(rig.read().await?);
        let passed = sent.elapsed();
        if passed >= LONGEST_WAIT && seen.len() >= AGREEING {
            return Ok(seen);
        }
        if passed < least || seen.len() < AGREEING {
            continue;
        }
        let last = seen[seen.len() - AGREEING..].iter().map(|seen| seen.reading.volts.0);
        let (low, high) = last.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
        if high - low <= noise.0 * AGREE + FINEST {
            return Ok(seen);
        }
    }
}

/// Noise of volts and amps while current flows.
async fn noise(
    rig: &mut Rig<'_>,
    work: &Work<'_>,
    part: &mut ChannelPart,
) -> Result<(Volts, Amps), Trouble> {
    let (mut volts, mut amps) = (Vec::new(), Vec::new());
    for _ in 0..work.noise_readings / 2 {
        let seen = rig.read().await?.reading;
        volts.push(seen.volts);
        amps.push(seen.amps);
    }
    let (volts, amps) = (steady_volts(&volts), steady_amps(&amps));
    let says = |mean: String| format!("standard deviation of one reading, at {mean}");
    if let Some(Steady { mean, noise, noise_uncertainty, .. }) = volts {
        let found = Some(Figure::sure(noise.0, noise_uncertainty.0, "V"));
        part.checks.push(Check::told(
            "noise of the voltage under current",
            found,
            says(format!("{mean:.2}")),
        ));
    }
    if let Some(Steady { mean, noise, noise_uncertainty, .. }) = amps {
        let found = Some(Figure::sure(noise.0, noise_uncertainty.0, "A"));
        part.checks.push(Check::told(
            "noise of the current under current",
            found,
            says(format!("{mean:.3}")),
        ));
    }
    let or = (work.idle.volts.noise, work.idle.amps.noise);
    Ok((volts.map_or(or.0, |steady| steady.noise), amps.map_or(or.1, |steady| steady.noise)))
}

/// What the steps gave.
struct Steps {
    readings: Vec<StepReading>,
    /// Median time of setting and reading back.
    setting: Duration,
}

/// Steps down and up between two levels, read as fast as the line allows, the first reading of each
/// step a little later than that of the step before.
async fn response(
    rig: &mut Rig<'_>,
    open: Volts,
    amps: Amps,
    work: &Work<'_>,
) -> Result<Steps, Trouble> {
    let levels = [open * LEVELS.1, open * LEVELS.0];
    let trip = work.idle.trip.1.max(Duration::from_micros(100));
    let mut readings = Vec::new();
    let mut settings = Vec::new();
    for (at, wish) in levels.into_iter().enumerate() {
        let set = rig.set(wish, amps).await?;
        let tail = wait(rig, set.sent, work.idle.volts.noise).await?;
        readings.extend(tail.iter().map(|seen| step_reading(at == 0, &set, seen)));
    }
    let rough = settling::settling(&readings, work.idle.volts.noise).ok();
    let tau = rough.map_or(rig.spec.load.settling, |settling| settling.tau);
    let tail = count(tau.mul_f64(TAIL), trip).clamp(TAIL_READINGS.0, TAIL_READINGS.1);
    let steps = count(STEPS_BUDGET, trip * (tail + 1)).clamp(STEPS.0, STEPS.1) / 2 * 2;
    for step in 0..steps {
        let down = step % 2 == 0;
        let set = rig.set(levels[usize::from(!down)], amps).await?;
        settings.push(set.took);
        let stagger = trip * (step / 2) / (steps / 2);
        tokio::time::sleep_until((set.sent + stagger).into()).await;
        for _ in 0..tail {
            readings.push(step_reading(down, &set, &rig.read().await?));
        }
    }
    settings.sort_unstable();
    let setting = settings.get(settings.len() / 2).copied().unwrap_or_default();
    Ok(Steps { readings, setting })
}

/// How often `part` fits into `whole`.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "saturates")]
fn count(whole: Duration, part: Duration) -> u32 {
    (whole.as_secs_f64() / part.as_secs_f64().max(1e-6)).ceil() as u32
}

fn step_reading(down: bool, set: &super::rig::Set, seen: &Seen) -> StepReading {
    StepReading {
        down,
        since: seen.asked.saturating_duration_since(set.sent),
        took: seen.reading.took + set.took,
        volts: seen.reading.volts,
    }
}

/// Settling, its lag, and the proposal.
fn conclude(
    rig: &Rig<'_>,
    work: &Work<'_>,
    part: &mut ChannelPart,
    (steps, noise): (&Steps, (Volts, Amps)),
) {
    let settling = match settling::settling(&steps.readings, noise.0) {
        Ok(settling) => settling,
        Err(error) => {
            part.checks.push(Check::skipped("settling, time constant", error.to_string()));
            return;
        }
    };
    part.settling = Some(settling);
    part.checks.push(settling_check(rig, &settling));
    let trip = work.idle.trip.1;
    if settling.uncertainty.is_some() {
        let window = rig.spec.load.window.as_secs_f64();
        let lag = settling.lag + trip.as_secs_f64() - 0.5 * window;
        part.checks.push(Check::told(
            "from setting to effect",
            Some(Figure::sure(lag, 0.5 * window, "s")),
            "where the step begins, extrapolated; the stated window is taken for true",
        ));
    }
    let measured = propose::Measured { settling, trip, setting: steps.setting, noise };
    let proposal = propose::propose(rig.spec, work.sheet, &measured);
    part.lines = proposal.lines(rig.spec);
    part.proposal = Some(proposal);
}

fn settling_check(rig: &Rig<'_>, settling: &Settling) -> Check {
    /// A misfit beyond this is no single time constant.
    const OTHER_KIND: f64 = 4.0;
    let stated = rig.spec.load.settling.as_secs_f64();
    let tau = settling.tau.as_secs_f64();
    let limit = format!("settling_s states {}", Figure::of(stated, "s"));
    let Some(sure) = settling.uncertainty else {
        let says = "faster than the line can see: this is an upper bound";
        let check = Check::passed("settling, time constant", Some(Figure::of(tau, "s")), limit);
        return Check { says: says.to_owned(), ..check };
    };
    let sure = sure.as_secs_f64();
    let found = Some(Figure::sure(tau, sure, "s"));
    let check = Check::passed("settling, time constant", found, limit);
    if tau - sure > stated {
        let says = "slower than the station states: the tracker would read before the load has \
                    settled, and walk the wrong way; state what is proposed below";
        return check.doubtful(Reason::Slow, says);
    }
    if settling.misfit > OTHER_KIND {
        let says = format!(
            "the response is not that of one time constant (misfit {:.1}); look at it with an \
             oscilloscope, and give the period room",
            settling.misfit
        );
        return check.doubtful(Reason::Slow, says);
    }
    check
}

/// From setpoint to setpoint, shares of `open`, as far as the guard admits and the load follows.
async fn pass(
    rig: &mut Rig<'_>,
    (open, shares): (Volts, &[f64]),
    amps: Amps,
    tau: Duration,
) -> Result<Vec<Point>, Trouble> {
    let mut points: Vec<Point> = Vec::with_capacity(shares.len());
    let mut amps = amps;
    let pause = (tau * SETTLED_AFTER).min(LONGEST_WAIT);
    for share in shares {
        let set = rig.set(open * *share, amps).await?;
        tokio::time::sleep(pause).await;
        let (load, now) = rig.mean(POINT_OF).await?;
        amps = now;
        let device = rig.device(load, now);
        let point = Point { setpoint: set.setpoint.load(), load, amps: now, device };
        points.push(point);
        if !point.follows() || set.setpoint.held() {
            break;
        }
    }
    Ok(points)
}
