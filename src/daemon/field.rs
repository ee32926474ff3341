//! A station on real instruments, in real time.
//!
//! Model: one task per channel on a single-threaded runtime; each sleeps until its channel wants to
//! wake and then has the channel's conversation with its bench, so one hanging instrument delays
//! its own channel only, and at most by the deadline of an exchange. Records go to the writer's
//! bounded queue, which never waits.
//!
//! [`Field`] is the same run on lines and dates of one's choice, in whatever runtime it is polled:
//! with lines within the program and the runtime's time paused, the very tasks that drive the roof
//! live through faults in virtual time (`tests/fault_matrix`). What else it takes from the machine
//! that it runs on is its [`Machine`].

mod absence;
mod herald;
mod machine;
mod ration;
mod seen;
mod task;

use super::bench::{Lines, bench_setup, link};
use super::claim::Claim;
use super::health::server;
use super::live::{ChannelStatus, RunStatus, Screen};
use super::pulse::Pulse;
use super::recorder::{Ear, News, Recorder, Seen};
use super::rehearse::facts;
use super::requests::Requests;
use super::sensing::{self, Sensing};
use super::stop::StopFlag;
use super::supervisor::Supervisor;
use super::{Ended, RunError};
use crate::control::record::{
    Activity, ChannelId, Curve, Event, Happening, Record, Sample, Severity,
};
use crate::control::{Punctuality, Timekeeper};
use crate::instruments::Bench;
use crate::quantities::WattHours;
use crate::report::curve_result::{appraiser, stated_rows};
use crate::report::summary::Summary;
use crate::station::{ChannelSpec, Station};
use crate::store::{Book, DayBefore, Keep, Log, Note, Opened, StoreError, WriterHandle};
use crate::time::{Instant, Stamp, Utc};
use absence::Absence;
use cresthold_sim::sky::sun::Site;
use herald::Herald;
pub use machine::{Machine, StartWriter};
use std::cell::RefCell;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;
use task::Task;
use tokio::sync::watch;
use tokio::task::{JoinSet, LocalSet};

/// How long the channels have to let go at the end: two tries each for load and boost supply on
/// lines that don't answer take half of it.
const LAST_WORDS: Duration = Duration::from_secs(30);
/// Over how much of their period the channels' turns are spread at most: a longer start would be
/// noticed, and in this time a thousand turns can begin.
const SPREAD: Duration = Duration::from_millis(200);

/// The two clocks of a run. The first is the runtime's, which a test may pause.
#[derive(Clone)]
pub(super) struct Clock {
    began: tokio::time::Instant,
    wall: Rc<dyn Fn() -> Utc>,
    kept: Rc<RefCell<Kept>>,
}

/// The run's time, and what happened to the wall clock since the shell last asked.
struct Kept {
    keeper: Timekeeper,
    news: Vec<Record>,
}

impl Clock {
    /// The clocks of a run that begins now.
    fn new(machine: &Machine) -> Self {
        let (began, wall) = (tokio::time::Instant::now(), Rc::clone(&machine.wall));
        let first = Stamp { mono: Instant::ZERO, utc: wall() };
        let kept = Kept { keeper: Timekeeper::new(first, machine.earliest), news: Vec::new() };
        Self { began, wall, kept: Rc::new(RefCell::new(kept)) }
    }

    /// Both clocks now, the wall clock as far as it can be believed.
    pub(super) fn stamp(&self) -> Stamp {
        let raw = Stamp { mono: self.mono(), utc: (self.wall)() };
        let mut kept = self.kept.borrow_mut();
        let (at, told) = kept.keeper.look(raw);
        kept.news.extend(told.map(|what| Record::Event(Event { channel: None, at, what })));
        at
    }

    /// What the wall clock shows, where that may be right.
    fn trusted(&self, now: Stamp) -> Option<Utc> {
        self.kept.borrow().keeper.is_trusted().then_some(now.utc)
    }

    /// Tells what happened to the wall clock.
    fn tell_news(&self, shared: &mut Shared) {
        let news = std::mem::take(&mut self.kept.borrow_mut().news);
        for record in news {
            shared.take(record);
        }
    }

    /// The monotonic one alone.
    pub(super) fn mono(&self) -> Instant {
        Instant::ZERO + self.began.elapsed()
    }

    /// Both clocks at one of the runtime's times, which is past.
    fn stamp_of(&self, past: tokio::time::Instant) -> Stamp {
        let now = self.stamp();
        let mono = Instant::ZERO + past.saturating_duration_since(self.began);
        Stamp { mono, utc: now.utc - now.mono.saturating_since(mono) }
    }

    /// The runtime's time for one of ours.
    pub(super) fn at(&self, mono: Instant) -> tokio::time::Instant {
        self.began + mono.saturating_since(Instant::ZERO)
    }
}

/// What the tasks share with the shell; one thread, so no lock.
struct Shared {
    writer: WriterHandle,
    herald: Herald,
    summary: Summary,
    samples: Vec<Option<Sample>>,
    running: Vec<Running>,
    activities: Vec<Activity>,
    unconfirmed: Vec<usize>,
    /// Whether each channel's turns begin in time.
    punctual: Vec<Punctuality>,
    /// Whether the channels have their turns.
    pulse: Pulse,
    /// Hears every record before the log does.
    heard: Rc<dyn Fn(&Record)>,
    /// Whether each channel's instruments answered the first time they were called; none yet.
    reached: Vec<Option<bool>>,
    /// What is wrong with each channel's instruments now.
    faults: Vec<Option<String>>,
    /// Which channels were asked for a curve and have not been told.
    asked: Vec<bool>,
    /// The last curve that ended.
    curve: Option<Curve>,
    /// Energy of the newest days, as earlier runs made it.
    before: Vec<DayBefore>,
    /// When the channels were seen last before this run, until it is told.
    absence: Option<Absence>,
    /// How the recordings are, where there are any.
    recordings: Option<Seen>,
}

impl Shared {
    fn new(station: &Station, writer: WriterHandle, heard: Rc<dyn Fn(&Record)>) -> Self {
        let channels = station.channels.len();
        Self {
            writer,
            herald: Herald::new(station),
            heard,
            summary: Summary::default(),
            samples: vec![None; channels],
            running: station.channels.iter().map(Running::new).collect(),
            activities: vec![Activity::default(); channels],
            unconfirmed: Vec::new(),
            punctual: vec![Punctuality::default(); channels],
            pulse: Pulse::new(channels),
            reached: vec![None; channels],
            faults: vec![None; channels],
            asked: vec![false; channels],
            curve: None,
            before: Vec::new(),
            absence: None,
            recordings: None,
        }
    }

    /// Energy of a channel on a day, by this run and those before it.
    fn energy_on(&self, channel: ChannelId, date: &str) -> WattHours {
        let before = self.before.iter().find(|day| day.channel == channel && day.date == date);
        before.map_or(WattHours::ZERO, |day| day.energy)
            + self.summary.energy_on(channel, date)
            + self.running[usize::from(channel.0)].energy
    }

    /// Energy of a channel since the run began.
    fn energy_of(&self, channel: ChannelId) -> WattHours {
        let told = WattHours(self.summary.sums(channel).energy);
        told + self.running[usize::from(channel.0)].energy
    }

    fn take(&mut self, record: Record) {
        (self.heard)(&record);
        if let Record::Event(event) = &record {
            self.herald.tell(event);
        }
        match &record {
            Record::Sample(sample) => {
                self.running[usize::from(sample.channel.0)].take(sample);
                self.samples[usize::from(sample.channel.0)] = Some(*sample);
            }
            Record::Day(total) => {
                self.running[usize::from(total.channel.0)].energy = WattHours::ZERO;
                self.summary.take(total);
            }
            Record::Curve(curve) => self.curve = Some(*curve),
            Record::Event(Event {
                channel: Some(id), what: Happening::StopUnconfirmed, ..
            }) => {
                self.unconfirmed.push(usize::from(id.0));
            }
            _ => {}
        }
        self.writer.offer(record);
    }

    /// Tells of the daylight before this run, as soon as the time is known.
    fn tell_absence(&mut self, clock: &Clock) {
        let now = clock.stamp();
        if self.absence.is_none() || clock.trusted(now).is_none() {
            return;
        }
        let told = self.absence.take().map(|absence| absence.tell(now)).unwrap_or_default();
        told.into_iter().for_each(|event| self.take(Record::Event(event)));
    }

    fn tell_left_out(&mut self, now: Instant, last: bool) {
        self.herald.tell_left_out(self.writer.left_out(), now, last);
    }
}

/// What a channel delivered since its day's total was last told, which has it exactly: by its samples, so that
/// the first minute of a run, and each after it, isn't shown as nothing.
#[derive(Clone, Copy, Debug)]
struct Running {
    energy: WattHours,
    last: Option<Instant>,
    /// Samples farther apart leave a gap.
    gap: Duration,
}

impl Running {
    fn new(channel: &ChannelSpec) -> Self {
        let gap = channel.control.sample_every + channel.control.max_gap;
        Self { energy: WattHours::ZERO, last: None, gap }
    }

    fn take(&mut self, sample: &Sample) {
        let span = self.last.map(|last| sample.at.mono.saturating_since(last));
        if let Some(span) = span.filter(|span| *span <= self.gap) {
            self.energy += WattHours(sample.watts.0 * span.as_secs_f64() / 3600.0);
        }
        self.last = Some(sample.at.mono);
    }
}

/// How long to run, and what to do about instruments that don't answer at the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stay {
    /// End after this long; none for until stopped.
    pub length: Option<Duration>,
    /// Keep trying instruments that don't answer at the start, instead of ending.
    pub patient: bool,
    /// Drive this channel alone, take one curve and end; none for a campaign of all.
    pub sweep: Option<ChannelId>,
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
    let field = Field { station, log, stay, lines: &link, machine: Machine::default() };
    runtime.block_on(field.live(stop, screen))
}

/// A run: what, where to, on which lines and at which date.
pub struct Field<'a> {
    /// What is run.
    pub station: &'a Station,
    /// Where the log is.
    pub log: &'a Path,
    /// How long.
    pub stay: Stay,
    /// How an address becomes a line.
    pub lines: &'a Lines,
    /// What else it takes from the machine that it runs on.
    pub machine: Machine,
}

impl Field<'_> {
    /// Runs until the time is over or `stop` is raised.
    ///
    /// # Errors
    /// As [`run`].
    pub async fn live(&self, stop: &StopFlag, screen: &mut Screen) -> Result<Ended, RunError> {
        let Self { station, stay, ref machine, .. } = *self;
        let clock = Clock::new(machine);
        let began = clock.stamp();
        let mut claim = Claim::stake(self.log)?;
        let book = self.book(began);
        let opened = self.open(&book).map_err(RunError::NoLog)?;
        let log = opened.log.as_ref();
        let path = log.map_or(self.log, Log::path).to_path_buf();
        let broke_off = log.and_then(Log::broke_off);
        let before = log.map_or_else(Vec::new, |log| log.days_before().to_vec());
        if let Some(newest) = log.and_then(Log::newest_before) {
            clock.kept.borrow_mut().keeper.note_newest(newest);
        }
        let absence = log.and_then(|log| {
            let read = Absence::of(station, self.log);
            let path = log.path().display();
            read.inspect_err(|error| {
                tracing::warn!("{path}: {error}; what was missed before this run is not counted")
            })
            .ok()
        });
        let writer = (machine.writer)(opened, book)?;
        let shared = Shared::new(station, writer.handle(), Rc::clone(&machine.heard));
        let shared = Rc::new(RefCell::new(Shared { before, absence, ..shared }));
        let event = |what, at| Record::Event(Event { channel: None, at, what });
        shared.borrow_mut().take(event(Happening::RunBegan, began));
        if let Some(last) = broke_off {
            shared.borrow_mut().take(event(Happening::LastRunBrokeOff { last }, began));
        }
        shared.borrow_mut().tell_absence(&clock);
        let sensing =
            Rc::new(Sensing::new(station, (clock.clone(), machine.judge), writer.handle()));
        let driven = |id| stay.sweep.is_none_or(|only| only == id);
        let recorder = Recorder::start(station, driven, machine.recorder_waits);
        shared.borrow_mut().recordings = recorder.as_ref().map(Recorder::seen);
        let all = All {
            shared: Rc::clone(&shared),
            sensing: Rc::clone(&sensing),
            clock: clock.clone(),
            site: station.site,
            recorder: recorder.as_ref(),
        };
        let tasks = LocalSet::new();
        let told = self.tell_health(&tasks, (&shared, &sensing, clock.clone())).await;
        claim.tend(told);
        tasks.run_until(self.attend(&all, stop, screen)).await;
        drop(tasks);
        if let Some(recorder) = recorder {
            tell_recordings(recorder.finish(), &shared.borrow(), clock.stamp());
        }
        sensing.finish();
        let end = clock.stamp();
        clock.tell_news(&mut shared.borrow_mut());
        shared.borrow_mut().take(event(Happening::RunEnded, end));
        shared.borrow_mut().tell_left_out(end.mono, true);
        writer.finish()?;
        Ok(ended(station, &shared.borrow(), stay, path))
    }

    /// Opens the log. A disk that lets nothing be written is no reason to leave loads alone that a
    /// power cut may have left on: a patient run goes on.
    fn open(&self, book: &Book) -> Result<Opened, StoreError> {
        book.open().or_else(|error| {
            if !(self.stay.patient && error.may_pass()) {
                return Err(error);
            }
            tracing::error!("{error}; the run goes on, and its records wait in memory");
            Ok(Opened::later(error))
        })
    }

    /// The log's files.
    fn book(&self, began: Stamp) -> Book {
        let mut book = Book::new(self.log, facts(self.station, began));
        let storage = self.station.storage;
        book.sensors = sensing::facts(self.station);
        book.stated = stated_rows(self.station);
        book.appraise = Some(appraiser(self.station));
        book.interval = self.station.commit_every;
        book.monthly = storage.monthly;
        book.tails = self.machine.tails;
        book.keep = Keep { samples: storage.keep_samples, size: storage.keep_bytes };
        book
    }

    /// Starts the tasks, waits for the end, and lets the tasks come to theirs.
    async fn attend(&self, all: &All<'_>, stop: &StopFlag, screen: &mut Screen) {
        let (All { shared, sensing, clock, .. }, stay) = (all, self.stay);
        let (stopping, stopped) = watch::channel(false);
        let mut tasks = JoinSet::new();
        sensing.start(self.station, self.lines, &mut tasks, &stopped);
        for (index, spec) in self.station.channels.iter().enumerate() {
            let id = spec.control.id;
            if stay.sweep.is_some_and(|only| only != id) {
                continue;
            }
            let Some(bench) = bench_setup(spec, self.lines).map(Bench::new) else {
                continue;
            };
            shared.borrow_mut().asked[index] = stay.sweep == Some(id);
            tasks.spawn_local(
                Task::new((index, spec), bench, (all, phase(self.station, index)))
                    .live(stopped.clone()),
            );
        }
        let show = |screen: &mut Screen| {
            screen.show(&status(self.station, &shared.borrow(), sensing, clock.stamp().utc));
        };
        let over = || stay.length.is_some_and(|length| clock.began.elapsed() >= length);
        let hopeless = || !stay.patient && shared.borrow().reached.contains(&Some(false));
        let swept = || stay.sweep.is_some() && shared.borrow().curve.is_some();
        let mut requests = Requests::new(self.log);
        let mut supervisor = Supervisor::new();
        while !stop.is_raised() && !over() && !hopeless() && !swept() {
            tokio::time::sleep(self.machine.tick).await;
            clock.tell_news(&mut shared.borrow_mut());
            shared.borrow_mut().tell_absence(clock);
            shared.borrow_mut().tell_left_out(clock.mono(), false);
            let news = all.recorder.map(Recorder::news).unwrap_or_default();
            tell_recordings(news, &shared.borrow(), clock.stamp());
            self.report_to(&mut supervisor, &shared.borrow(), clock.mono());
            let doing = self.doing(&shared.borrow());
            for index in requests.heard(&doing) {
                shared.borrow_mut().asked[index] = true;
            }
            if screen.is_due() {
                show(screen);
            }
        }
        Supervisor::stopping();
        // The receivers live in the tasks; with none left there is nobody to tell.
        let _ = stopping.send(true);
        let all = async { while tasks.join_next().await.is_some() {} };
        if tokio::time::timeout(LAST_WORDS, all).await.is_err() {
            self.give_up(&mut shared.borrow_mut(), clock.stamp());
        }
        show(screen);
    }

    /// Lets the service manager know.
    fn report_to(&self, supervisor: &mut Supervisor, shared: &Shared, now: Instant) {
        let driven = |index: usize| {
            let spec = &self.station.channels[index];
            self.stay.sweep.is_none_or(|only| only == spec.control.id)
        };
        let begun =
            (0..self.station.channels.len()).all(|i| !driven(i) || shared.pulse.has_begun(i));
        supervisor.tick(begun, shared.pulse.turns(now), || seen::words(shared));
    }

    /// Answers whoever asks how the run is, and where; without an address the run goes on.
    async fn tell_health(
        &self,
        tasks: &LocalSet,
        (shared, sensing, clock): (&Rc<RefCell<Shared>>, &Rc<Sensing>, Clock),
    ) -> Option<SocketAddr> {
        let address = self.station.health?;
        let listener = match tokio::net::TcpListener::bind(address).await {
            Ok(listener) => listener,
            Err(error) => {
                tracing::warn!(
                    "{address}: the run can't tell its health there ({error}); it goes on without. \
                     Free the address, or state another as [health] listen"
                );
                return None;
            }
        };
        let address = listener.local_addr().ok();
        let (shared, sensing) = (Rc::clone(shared), Rc::clone(sensing));
        let (station, log) = (self.station.clone(), self.log.to_path_buf());
        let tick = self.machine.tick;
        let health =
            move || seen::health(&station, &shared.borrow(), &sensing, (&clock, tick, &log));
        tasks.spawn_local(server::serve(listener, Rc::new(health)));
        address
    }

    /// What each channel is doing.
    fn doing(&self, shared: &Shared) -> Vec<(&str, Activity)> {
        let names = self.station.channels.iter().map(|channel| channel.name.as_str());
        names.zip(shared.activities.iter().copied()).collect()
    }

    /// Tells of the channels that have not come to their end in time.
    fn give_up(&self, shared: &mut Shared, at: Stamp) {
        let on_lines = |spec: &ChannelSpec| bench_setup(spec, self.lines).is_some();
        for (index, spec) in self.station.channels.iter().enumerate() {
            if !shared.pulse.is_over(index)
                && on_lines(spec)
                && !shared.unconfirmed.contains(&index)
            {
                let channel = Some(spec.control.id);
                shared.take(Record::Event(Event { channel, at, what: Happening::StopUnconfirmed }));
            }
        }
    }
}

/// What all tasks have.
struct All<'a> {
    shared: Rc<RefCell<Shared>>,
    sensing: Rc<Sensing>,
    clock: Clock,
    site: Site,
    recorder: Option<&'a Recorder>,
}

impl All<'_> {
    /// Whoever listens to a channel.
    fn ear(&self, index: usize) -> Option<Ear> {
        self.recorder?.ear(index)
    }
}

/// Tells log and operator what the recorder has to say.
fn tell_recordings(news: Vec<News>, shared: &Shared, at: Stamp) {
    for News { channel, ended, text } in news {
        let (severity, code) = if ended {
            tracing::warn!("{text}");
            (Severity::Warning, "recording-ended")
        } else {
            tracing::info!("{text}");
            (Severity::Note, "recording-began")
        };
        shared.writer.note(Note { channel: Some(channel), at, severity, code, text, detail: None });
    }
}

/// How long after the first a channel begins: all wake in turn and not at the same instant, so that
/// whatever holds up the thread for some milliseconds delays one channel and not all of them.
fn phase(station: &Station, index: usize) -> Duration {
    let count = u32::try_from(station.channels.len()).unwrap_or(u32::MAX).max(1);
    let period = station.channels[index].control.period.min(SPREAD);
    period / count * u32::try_from(index).unwrap_or_default()
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
    let mut summary = shared.summary.clone();
    for (spec, punctual) in station.channels.iter().zip(&shared.punctual) {
        summary.take_turns(spec.control.id, punctual.turns());
    }
    Ended { summary, names, log, unconfirmed, unreached, troubles, curve: shared.curve }
}

fn status(station: &Station, shared: &Shared, sensing: &Sensing, utc: Utc) -> RunStatus {
    let today = station.day.day_of(utc).date();
    let of = |(index, spec): (usize, &ChannelSpec)| ChannelStatus {
        name: spec.name.clone(),
        activity: shared.activities[index],
        sample: shared.samples[index],
        energy: shared.energy_on(spec.control.id, &today).0,
    };
    RunStatus {
        title: station.name.clone(),
        utc,
        done: None,
        troubles: shared.faults.iter().flatten().cloned().chain(sensing.troubles()).collect(),
        channels: station.channels.iter().enumerate().map(of).collect(),
    }
}
