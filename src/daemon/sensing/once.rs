//! The station's sensors asked at somebody's wish: commissioning wants their word now, not a record.
//!
//! Model: line after line, each within a bound; a line that failed once is not asked again, so that
//! one dead gateway costs its bound once. Values and failures go to a board like in a campaign.

use super::{Line, lines, sources};
use crate::commission::{Light, SensorFound};
use crate::control::record::ChannelId;
use crate::daemon::bench::link;
use crate::quantities::{Celsius, Irradiance};
use crate::sensors::{Board, SensorId};
use crate::station::{SensorSource, Station};
use crate::time::Stamp;
use std::time::Duration;
use tokio::time::timeout;

/// Longest for one line and all its sensors: a bus of thirty units at 9600 baud takes a second.
const LINE_WAIT: Duration = Duration::from_secs(5);

/// The sensors and their lines.
pub(in crate::daemon) struct Once<'s> {
    station: &'s Station,
    board: Board,
    lines: Vec<Line>,
    failed: Vec<Option<String>>,
}

impl<'s> Once<'s> {
    pub(in crate::daemon) fn new(station: &'s Station, now: Stamp) -> Self {
        let sensors = station.sensors.iter().map(|each| each.sensor.clone());
        let board = Board::new(sensors, now.mono);
        Self {
            station,
            board,
            lines: lines(station, &link),
            failed: vec![None; station.sensors.len()],
        }
    }

    /// Asks every sensor whose line works.
    pub(in crate::daemon) async fn ask(&mut self, now: impl Fn() -> Stamp) {
        let mut answers: Vec<(SensorId, Stamp, Result<f64, String>)> = Vec::new();
        let mut working = Vec::new();
        for mut line in std::mem::take(&mut self.lines) {
            let before = answers.len();
            let asked = timeout(LINE_WAIT, ask(&mut line, &now, &mut answers)).await;
            let answered = answers.len() - before;
            let why = match asked {
                Ok(Ok(())) => None,
                Ok(Err(why)) => Some(why),
                Err(_) => Some(format!("no answer within {} s", LINE_WAIT.as_secs())),
            };
            match why {
                None => working.push(line),
                Some(why) => {
                    let rest = line.polls.iter().skip(answered);
                    answers.extend(rest.map(|poll| (poll.id, now(), Err(why.clone()))));
                    line.port.close().await;
                }
            }
        }
        self.lines = working;
        // Temperatures that others are corrected by go first.
        let needs = |id: SensorId| {
            self.station.sensors[usize::from(id.0)].sensor.meaning.needs().next().is_some()
        };
        answers.sort_by_key(|(id, ..)| needs(*id));
        for (id, at, answer) in answers {
            let failed = &mut self.failed[usize::from(id.0)];
            match answer {
                Ok(raw) => {
                    self.board.take(id, at, raw);
                    *failed = None;
                }
                Err(why) => *failed = Some(why),
            }
        }
    }

    /// What each sensor said, in the station's order.
    pub(in crate::daemon) fn found(&self) -> Vec<SensorFound> {
        let of = |(id, source): (SensorId, &SensorSource)| {
            if matches!(source, SensorSource::Channel(_)) {
                return SensorFound::Held;
            }
            match (&self.failed[usize::from(id.0)], self.board.latest(id)) {
                (Some(why), _) => SensorFound::Silent(why.clone()),
                (None, Some(Ok(value))) => SensorFound::Value(value),
                (None, Some(Err(why))) => SensorFound::Unusable(why.to_string()),
                (None, None) => SensorFound::Silent("it was not asked".to_owned()),
            }
        };
        sources(self.station).map(of).collect()
    }

    /// The light on a channel's device: what a person stated, else what its sensors say.
    pub(in crate::daemon) fn light(&self, stated: Light, channel: ChannelId, now: Stamp) -> Light {
        let seen = self.board.surroundings(channel, now.mono);
        let positive = |value: Irradiance| value.max(Irradiance::ZERO);
        let irradiance = seen.irradiance.map(|seen| positive(seen.value));
        let module: Option<Celsius> = seen.module_temperature.map(|seen| seen.value);
        Light { irradiance: stated.irradiance.or(irradiance), module: stated.module.or(module) }
    }

    pub(in crate::daemon) async fn close(self) {
        for mut line in self.lines {
            line.port.close().await;
        }
    }
}

/// Asks each sensor of a line once; a sensor that doesn't answer breaks the line only where its port
/// says so.
async fn ask(
    line: &mut Line,
    now: &impl Fn() -> Stamp,
    answers: &mut Vec<(SensorId, Stamp, Result<f64, String>)>,
) -> Result<(), String> {
    for poll in &line.polls {
        line.port.open().await?;
        let asked = line.port.ask(&poll.ask).await;
        let answer = match asked {
            Ok(raw) => Ok(raw),
            Err(error) => {
                if error.broken {
                    line.port.close().await;
                }
                Err(error.text)
            }
        };
        answers.push((poll.id, now(), answer));
    }
    Ok(())
}
