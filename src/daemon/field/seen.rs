//! What a run shows from afar, out of what its tasks share.

use super::{Clock, Shared, status};
use crate::control::record::{Activity, ChannelId, Sample};
use crate::daemon::health::{ChannelHealth, Cost, EventHealth, Health, LogHealth, RecordingHealth};
use crate::daemon::live::ChannelStatus;
use crate::daemon::recorder::{Seen, State};
use crate::daemon::sensing::Sensing;
use crate::station::{ChannelSpec, Station};
use crate::store::Note;
use crate::time::Instant;
use std::path::Path;
use std::time::Duration;

/// The channels in a few words.
pub(super) fn words(shared: &Shared) -> String {
    let mut counts: Vec<(Activity, usize)> = Vec::new();
    for &activity in &shared.activities {
        match counts.iter_mut().find(|(known, _)| *known == activity) {
            Some((_, count)) => *count += 1,
            None => counts.push((activity, 1)),
        }
    }
    let parts: Vec<String> = counts.iter().map(|(what, count)| format!("{count} {what}")).collect();
    format!("channels: {}", parts.join(", "))
}

/// For how long a sample says how a channel is: until the next is overdue by as much as makes a gap. An old
/// value shown for ever would hide a dead line.
fn fresh_for(channel: &ChannelSpec, doing: Activity) -> Duration {
    let control = &channel.control;
    let every = match doing {
        Activity::Asleep | Activity::Resting | Activity::LockedOff => control.daylight.look_every,
        _ => Duration::ZERO,
    };
    control.sample_every.max(every) + control.max_gap
}

fn recordings(station: &Station, shared: &Shared) -> Vec<RecordingHealth> {
    let states = shared.recordings.as_ref().map(Seen::states).unwrap_or_default();
    let of = |(channel, state): (&ChannelSpec, Option<State>)| {
        let State { file, bytes, ended } = state?;
        let file = file.map(|file| file.display().to_string());
        Some(RecordingHealth { channel: channel.name.clone(), file, bytes, ended })
    };
    station.channels.iter().zip(states).filter_map(of).collect()
}

fn events(station: &Station, shared: &Shared) -> Vec<EventHealth> {
    let name = |id: ChannelId| Some(station.channels.get(usize::from(id.0))?.name.clone());
    let of = |note: Note| EventHealth {
        time: note.at.utc.to_string(),
        channel: note.channel.and_then(name),
        severity: note.severity.word().to_owned(),
        code: note.code.to_owned(),
        text: note.text,
    };
    shared.writer.latest().into_iter().map(of).collect()
}

/// How the run is now.
pub(super) fn health(
    station: &Station,
    shared: &Shared,
    sensing: &Sensing,
    (clock, tick, log): (&Clock, Duration, &Path),
) -> Health {
    let now = clock.stamp();
    let status = status(station, shared, sensing, now.utc);
    let of = |(index, channel): (usize, &ChannelStatus)| {
        let sample = channel.sample.as_ref();
        let old = |sample: &&Sample| now.mono.saturating_since(sample.at.mono);
        let fresh = sample
            .filter(|sample| old(sample) <= fresh_for(&station.channels[index], channel.activity));
        let turns = shared.punctual[index].turns();
        ChannelHealth {
            name: channel.name.clone(),
            doing: channel.activity.to_string(),
            sample_time: sample.map(|sample| sample.at.utc.to_string()),
            voltage_v: fresh.map(|sample| sample.volts.0),
            current_a: fresh.map(|sample| sample.amps.0),
            power_w: fresh.map(|sample| sample.watts.0),
            irradiance_w_m2: fresh.and_then(|sample| sample.irradiance).map(|seen| seen.0),
            module_temperature_degc: fresh.and_then(|s| s.module_temperature).map(|seen| seen.0),
            energy_wh: shared.energy_of(station.channels[index].control.id).0,
            today_wh: channel.energy,
            turns: turns.due,
            turns_late: turns.late,
            overdue_s: match shared.pulse.overdue(index, now.mono) {
                little if little < tick => 0.0,
                overdue => overdue.as_secs_f64(),
            },
        }
    };
    Health {
        station: station.name.clone(),
        time: now.utc.to_string(),
        up_s: now.mono.saturating_since(Instant::ZERO).as_secs_f64(),
        turning: shared.pulse.turns(now.mono),
        channels: status.channels.iter().enumerate().map(of).collect(),
        troubles: status.troubles,
        log: LogHealth::of(log, &shared.writer.status()),
        recordings: recordings(station, shared),
        events: events(station, shared),
        cost: Cost::now(),
    }
}
