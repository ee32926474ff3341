//! A station on real instruments, in real time.
//!
//! Model: one task per channel on a single-threaded runtime; each sleeps until its channel wants to
//! wake and then has the channel's conversation with its bench, so one hanging instrument delays
//! its own channel only, and at most by the deadline of an exchange. Records go to the writer's
//! bounded queue, which never waits.

use super::bench::bench_setup;
use super::live::{ChannelStatus, RunStatus, Screen};
use super::rehearse::facts;
use super::sensing::{self, Sensing};
use super::stop::StopFlag;
use super::{Ended, RunError, wall};
use crate::control::record::{Event, Happening, Record, Sample, Severity};
use crate::control::{Channel, Command, Input, MAX_COMMANDS_PER_TURN, Outbox, Reading};
use crate::instruments::{Answer, Bench, InstrumentError};
use crate::report::summary::Summary;
use crate::station::{ChannelSpec, Station};
use crate::store::{Log, Note, Writer, WriterHandle};
use crate::time::{Instant, Stamp, Utc};
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;
use tokio::sync::watch;
use tokio::task::{JoinSet, LocalSet};

/// How often the shell looks for a request to stop and redraws.
const TICK: Duration = Duration::from_millis(100);
/// How long the channels have to let go at the end; longer than any conversation's deadlines.
const LAST_WORDS: Duration = Duration::from_secs(30);

/// The two clocks of a run. The first is the runtime's, which a test may pause.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clock {
    began: tokio::time::Instant,
    wall: fn() -> Utc,
}

impl Clock {
    pub(super) fn stamp(&self) -> Stamp {
        Stamp { mono: Instant::ZERO + self.began.elapsed(), utc: (self.wall)() }
    }

    /// The runtime's time for one of ours.
    pub(super) fn at(&self, mono: Instant) -> tokio::time::Instant {
        self.began + mono.saturating_since(Instant::ZERO)
    }
}

/// What the tasks share with the shell; one thread, so no lock.
struct Shared {
    writer: WriterHandle,
    summary: Summary,
    samples: Vec<Option<Sample>>,
    activities: Vec<crate::control::record::Activity>,
    unconfirmed: Vec<usize>,
    /// Whether each channel's instruments answered the first time they were called; none yet.
    reached: Vec<Option<bool>>,
    /// What is wrong with each channel's instruments now.
    faults: Vec<Option<String>>,
}

impl Shared {
    fn take(&mut self, record: Record) {
        match &record {
            Record::Sample(sample) => {
                self.samples[usize::from(sample.channel.0)] = Some(*sample);
            }
            Record::Day(total) => self.summary.take(total),
            Record::Event(Event {
                channel: Some(id), what: Happening::StopUnconfirmed, ..
            }) => {
                self.unconfirmed.push(usize::from(id.0));
            }
            _ => {}
        }
        self.writer.offer(record);
    }
}

/// How long to run, and what to do about instruments that don't answer at the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stay {
    /// End after this long; none for until stopped.
    pub length: Option<Duration>,
    /// Keep trying instruments that don't answer at the start, instead of ending.
    pub patient: bool,
}

/// Runs `station` on its instruments until the time is over or `stop` is raised.
///
/// # Errors
/// [`RunError`] where the log can't be opened or the system gives no runtime. Instruments that do
/// not answer are not an error here: see [`Stay::patient`] and [`Ended::unreached`].
pub fn run(
    station: &Station,
    log: &Path,
    stay: Stay,
    stop: &StopFlag,
    screen: &mut Screen,
) -> Result<Ended, RunError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let clock = Clock { began: tokio::time::Instant::now(), wall };
    let began = clock.stamp();
    let _lock = super::lock(log)?;
    let mut log = Log::open(log, &facts(station, began))?;
    log.enrol_sensors(began, &sensing::facts(station))?;
    let path = log.path().to_path_buf();
    let writer = Writer::start(log)?;
    let shared = Rc::new(RefCell::new(Shared {
        writer: writer.handle(),
        summary: Summary::default(),
        samples: vec![None; station.channels.len()],
        activities: vec![Default::default(); station.channels.len()],
        unconfirmed: Vec::new(),
        reached: vec![None; station.channels.len()],
        faults: vec![None; station.channels.len()],
    }));
    let event = |what, at| Record::Event(Event { channel: None, at, what });
    shared.borrow_mut().take(event(Happening::RunBegan, began));
    let sensing = Rc::new(Sensing::new(station, clock, writer.handle()));
    let local = LocalSet::new();
    local.block_on(&runtime, async {
        let (stopping, stopped) = watch::channel(false);
        let mut tasks = JoinSet::new();
        sensing.start(station, &mut tasks, &stopped);
        for (index, spec) in station.channels.iter().enumerate() {
            let Some(bench) = bench_setup(spec).map(Bench::new) else {
                continue;
            };
            let task = Task {
                index,
                name: spec.name.clone(),
                channel: Channel::new(spec.control.clone()),
                bench,
                clock,
                shared: Rc::clone(&shared),
                sensing: Rc::clone(&sensing),
                said: None,
                known: String::new(),
            };
            tasks.spawn_local(task.live(stopped.clone()));
        }
        let over = || stay.length.is_some_and(|length| clock.began.elapsed() >= length);
        let hopeless = || !stay.patient && shared.borrow().reached.contains(&Some(false));
        while !stop.is_raised() && !over() && !hopeless() {
            tokio::time::sleep(TICK).await;
            if screen.is_due() {
                screen.show(&status(station, &shared.borrow(), &sensing, clock.stamp().utc));
            }
        }
        // The receivers live in the tasks; with none left there is nobody to tell.
        let _ = stopping.send(true);
        let all = async { while tasks.join_next().await.is_some() {} };
        let _ = tokio::time::timeout(LAST_WORDS, all).await;
        screen.show(&status(station, &shared.borrow(), &sensing, clock.stamp().utc));
    });
    sensing.finish();
    shared.borrow_mut().take(event(Happening::RunEnded, clock.stamp()));
    writer.finish()?;
    Ok(ended(station, &shared.borrow(), stay, path))
}

/// What came of a run.
fn ended(station: &Station, shared: &Shared, stay: Stay, log: PathBuf) -> Ended {
    let names: Vec<String> = station.channels.iter().map(|spec| spec.name.clone()).collect();
    let unconfirmed = shared.unconfirmed.iter().map(|&index| names[index].clone()).collect();
    let troubles = shared.faults.iter().flatten().cloned().collect();
    let lost = |(_, reached): &(&String, &Option<bool>)| **reached == Some(false);
    let unreached = if stay.patient {
        Vec::new()
    } else {
        names.iter().zip(&shared.reached).filter(lost).map(|(name, _)| name.clone()).collect()
    };
    Ended { summary: shared.summary.clone(), names, log, unconfirmed, unreached, troubles }
}

fn status(station: &Station, shared: &Shared, sensing: &Sensing, utc: Utc) -> RunStatus {
    let of = |(index, spec): (usize, &ChannelSpec)| ChannelStatus {
        name: spec.name.clone(),
        activity: shared.activities[index],
        sample: shared.samples[index],
        energy: shared.summary.sums(spec.control.id).energy,
    };
    RunStatus {
        title: station.name.clone(),
        utc,
        done: None,
        troubles: shared.faults.iter().flatten().cloned().chain(sensing.troubles()).collect(),
        channels: station.channels.iter().enumerate().map(of).collect(),
    }
}

/// One channel and its bench.
struct Task {
    index: usize,
    name: String,
    channel: Channel,
    bench: Bench,
    clock: Clock,
    shared: Rc<RefCell<Shared>>,
    sensing: Rc<Sensing>,
    /// The last fault said, so that one cause is one line.
    said: Option<String>,
    /// The instruments' identities told last.
    known: String,
}

impl Task {
    /// Turn after turn until told to stop; then lets go.
    async fn live(mut self, mut stopped: watch::Receiver<bool>) {
        while !*stopped.borrow() {
            let wake = self.clock.at(self.channel.next_wake());
            tokio::select! {
                _ = stopped.changed() => break,
                () = tokio::time::sleep_until(wake) => self.converse(Input::Wake).await,
            }
        }
        self.converse(Input::Stop).await;
        self.bench.close().await;
    }

    async fn converse(&mut self, first: Input) {
        if let Some(seen) = self.sensing.surroundings(self.channel.config().id) {
            self.channel.note_surroundings(seen);
        }
        let mut input = first;
        let mut out = Outbox::new();
        for _ in 0..=MAX_COMMANDS_PER_TURN {
            let command = self.channel.handle(self.clock.stamp(), input, &mut out);
            {
                let mut shared = self.shared.borrow_mut();
                for record in out.drain(..) {
                    if let Record::Sample(sample) = &record {
                        self.sensing.look_at(sample);
                    }
                    shared.take(record);
                }
                shared.activities[self.index] = self.channel.activity();
            }
            let Some(command) = command else {
                return;
            };
            input = self.carry_out(command).await;
        }
    }

    async fn carry_out(&mut self, command: Command) -> Input {
        let asked = self.clock.stamp().mono;
        match self.bench.carry_out(command).await {
            Ok(Answer::Done) => Input::Done,
            Ok(Answer::Prepared(found)) => {
                self.said = None;
                let mut shared = self.shared.borrow_mut();
                shared.faults[self.index] = None;
                shared.reached[self.index].get_or_insert(true);
                drop(shared);
                self.say_identities();
                Input::Prepared(found)
            }
            Ok(Answer::Measured(load, amps, boost)) => {
                let took = self.clock.stamp().mono.saturating_since(asked);
                Input::Reading(Reading { at: asked + took / 2, load, amps, boost })
            }
            Err(error) => {
                if command == Command::Prepare {
                    self.shared.borrow_mut().reached[self.index].get_or_insert(false);
                }
                self.say(&error);
                Input::Failed
            }
        }
    }

    /// Tells the log which instruments answer, once and after every change.
    fn say_identities(&mut self) {
        let (load, boost) = self.bench.identities();
        let mut text = format!("load \"{load}\"");
        if let Some(boost) = boost {
            text.push_str(&format!(", boost supply \"{boost}\""));
        }
        if text == self.known {
            return;
        }
        tracing::info!(channel = self.name, "{text}");
        self.note(Severity::Note, "instruments", text.clone());
        self.known = text;
    }

    fn note(&self, severity: Severity, code: &'static str, text: String) {
        let (channel, at) = (Some(self.channel.config().id), self.clock.stamp());
        let note = Note { channel, at, severity, code, text, detail: None };
        self.shared.borrow().writer.note(note);
    }

    /// Tells log and operator what the instrument said, once per cause.
    fn say(&mut self, error: &InstrumentError) {
        let text = error.to_string();
        if self.said.as_ref() == Some(&text) {
            return;
        }
        tracing::warn!(channel = self.name, "{text}");
        self.shared.borrow_mut().faults[self.index] = Some(text.clone());
        self.note(Severity::Warning, "instrument", text.clone());
        self.said = Some(text);
    }
}
