//! The station's sensors, each asked at its time.
//!
//! Model: one task per line (a bus, a meter) asks whatever is due on it, one after the other, and puts
//! raw numbers and failures on the [`Board`]; one more task lets the board judge, once a second, and
//! carries what it tells to the log. The channels' tasks only look at the board, so that no
//! sensor, however dead, ever delays a channel. A line that doesn't open is tried again with growing
//! waits, and so is a sensor that keeps failing, so that it costs its bus little.

mod once;
mod port;
mod words;

pub(super) use once::Once;
pub(super) use words::facts;

use super::bench::Lines;
use super::field::Clock;
use crate::control::Surroundings;
use crate::control::record::{Activity, ChannelId, Sample, Severity};
use crate::sensors::{Board, SensorId, Told};
use crate::station::{Address, SensorSource, Station};
use crate::store::{Note, WriterHandle};
use crate::time::{Instant, Stamp};
use port::{Ask, Port, PortError};
use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;
use tokio::sync::watch;
use tokio::task::JoinSet;

/// First and longest wait for a line that doesn't open, and longest for a sensor that fails.
const FIRST_WAIT: Duration = Duration::from_secs(1);
/// See [`FIRST_WAIT`].
const LONGEST_WAIT: Duration = Duration::from_secs(30);
/// Failures in succession that don't yet lengthen the wait.
const PATIENT: u32 = 3;

/// The board and its way into the log.
pub(super) struct Sensing {
    board: RefCell<Board>,
    /// The sensors that are read through a channel.
    cells: Vec<(SensorId, ChannelId)>,
    writer: WriterHandle,
    clock: Clock,
    /// How often the board judges.
    judge: Duration,
}

impl Sensing {
    pub(super) fn new(
        station: &Station,
        (clock, judge): (Clock, Duration),
        writer: WriterHandle,
    ) -> Self {
        let sensors = station.sensors.iter().map(|each| each.sensor.clone());
        let board = RefCell::new(Board::new(sensors, clock.mono()));
        let cell = |(id, source): (SensorId, &SensorSource)| match source {
            SensorSource::Channel(channel) => Some((id, *channel)),
            _ => None,
        };
        let cells = sources(station).filter_map(cell).collect();
        Self { board, cells, writer, clock, judge }
    }

    /// What the sensors say about a channel now; none where the station has no sensors.
    pub(super) fn surroundings(&self, channel: ChannelId) -> Option<Surroundings> {
        let board = self.board.borrow();
        (!board.is_empty()).then(|| board.surroundings(channel, self.clock.mono()))
    }

    /// What is wrong with sensors now, a sentence each.
    pub(super) fn troubles(&self) -> Vec<String> {
        self.board.borrow().troubles().map(str::to_owned).collect()
    }

    /// A channel's sample: where it holds a reference cell, its current is a sensor's raw number.
    pub(super) fn look_at(&self, sample: &Sample) {
        if sample.activity != Activity::Tracking {
            return;
        }
        for (id, _) in self.cells.iter().filter(|(_, channel)| *channel == sample.channel) {
            self.board.borrow_mut().take(*id, sample.at, sample.amps.0);
        }
    }

    /// Starts the tasks; they end when `stopped` says so.
    pub(super) fn start(
        self: &Rc<Self>,
        station: &Station,
        dial: &Lines,
        tasks: &mut JoinSet<()>,
        stopped: &watch::Receiver<bool>,
    ) {
        if station.sensors.is_empty() {
            return;
        }
        for mut line in lines(station, dial) {
            let (sensing, stopped) = (Rc::clone(self), stopped.clone());
            tasks.spawn_local(async move {
                line.live(&sensing, stopped).await;
                line.port.close().await;
            });
        }
        let (sensing, mut stopped) = (Rc::clone(self), stopped.clone());
        tasks.spawn_local(async move {
            while !*stopped.borrow() {
                tokio::select! {
                    biased;
                    _ = stopped.changed() => {}
                    () = tokio::time::sleep(sensing.judge) => {}
                }
                let now = sensing.clock.stamp();
                let told = sensing.board.borrow_mut().tick(now);
                sensing.tell(told, now);
            }
        });
    }

    /// Closes the books.
    pub(super) fn finish(&self) {
        let now = self.clock.stamp();
        let told = self.board.borrow_mut().close(now);
        self.tell(told, now);
    }

    fn tell(&self, told: Vec<Told>, at: Stamp) {
        for one in told {
            match one {
                Told::Minute(minute) => self.writer.sensor_minute(minute),
                Told::Event { severity, code, text } => {
                    if severity == Severity::Note {
                        tracing::info!("{text}");
                    } else {
                        tracing::warn!("{text}");
                    }
                    self.writer.note(Note {
                        channel: None,
                        at,
                        severity,
                        code,
                        text,
                        detail: None,
                    });
                }
            }
        }
    }
}

fn sources(station: &Station) -> impl Iterator<Item = (SensorId, &SensorSource)> {
    (0..).map(SensorId).zip(station.sensors.iter().map(|each| &each.source))
}

/// One sensor on its line.
struct Poll {
    id: SensorId,
    ask: Ask,
    period: Duration,
    due: Instant,
    failures: u32,
}

/// One line and the sensors on it.
struct Line {
    port: Port,
    polls: Vec<Poll>,
    /// How often in succession the line did not open.
    unopened: u32,
}

/// The lines of a station, each with all its sensors.
fn lines(station: &Station, dial: &Lines) -> Vec<Line> {
    let mut lines: Vec<(&Address, Line)> = Vec::new();
    for (id, source) in sources(station) {
        let Some((address, port, ask)) = port::of(source, dial) else { continue };
        let period = station.sensors[usize::from(id.0)].sensor.period;
        let poll = Poll { id, ask, period, due: Instant::ZERO, failures: 0 };
        match lines.iter_mut().find(|(other, _)| *other == address) {
            Some((_, line)) => line.polls.push(poll),
            None => lines.push((address, Line { port, polls: vec![poll], unopened: 0 })),
        }
    }
    lines.into_iter().map(|(_, line)| line).collect()
}

/// `first`, doubled with each failure, `longest` at most.
fn growing(first: Duration, failures: u32, longest: Duration) -> Duration {
    const DOUBLINGS: u32 = 16;
    first.saturating_mul(1 << failures.min(DOUBLINGS)).min(longest.max(first))
}

impl Line {
    async fn live(&mut self, sensing: &Sensing, mut stopped: watch::Receiver<bool>) {
        while !*stopped.borrow() {
            let Some(next) = (0..self.polls.len()).min_by_key(|&place| self.polls[place].due)
            else {
                return;
            };
            let due = sensing.clock.at(self.polls[next].due);
            tokio::select! {
                biased;
                _ = stopped.changed() => return,
                () = tokio::time::sleep_until(due) => {}
            }
            // A question that is dropped halfway counts as one that failed.
            tokio::select! {
                biased;
                _ = stopped.changed() => return,
                () = self.ask(next, sensing) => {}
            }
        }
    }

    async fn ask(&mut self, place: usize, sensing: &Sensing) {
        if let Err(why) = self.port.open().await {
            self.unopened = self.unopened.saturating_add(1);
            let wait = growing(FIRST_WAIT, self.unopened - 1, LONGEST_WAIT);
            let again = sensing.clock.mono() + wait;
            for poll in &mut self.polls {
                sensing.board.borrow_mut().fail(poll.id, &why);
                poll.due = again;
            }
            return;
        }
        self.unopened = 0;
        let poll = &mut self.polls[place];
        let asked = sensing.clock.stamp();
        let answer = self.port.ask(&poll.ask).await;
        let now = sensing.clock.stamp();
        match answer {
            Ok(raw) => {
                // What the machine itself stood still is no part of the time that an answer takes: a
                // value from before is not to be taken for a fresh one.
                let took = now.mono.saturating_since(asked.mono).min(poll.ask.deadline());
                let middle = asked.later(took / 2);
                sensing.board.borrow_mut().take(poll.id, middle, raw);
                poll.failures = 0;
                // What could not be asked in time is not asked twice.
                poll.due = (poll.due + poll.period).max(now.mono);
            }
            Err(PortError { text, broken }) => {
                sensing.board.borrow_mut().fail(poll.id, &text);
                poll.failures = poll.failures.saturating_add(1);
                // Sooner than a long period: a device may only have closed an idle connection.
                let first = poll.period.min(FIRST_WAIT);
                let extra = poll.failures.saturating_sub(PATIENT);
                poll.due = now.mono + growing(first, extra, LONGEST_WAIT);
                if broken {
                    self.port.close().await;
                }
            }
        }
    }
}
