//! A life: run after run of the daemon on one log, in virtual time, while all that its plan says
//! goes wrong; then everything is healed.

use crate::books;
use crate::bugs::{self, Bug};
use crate::disk::{self, Act, Disk, Trouble};
use crate::image::{Damage, Files};
use crate::judge::Judge;
use crate::plan::{End, Plan, Run, Span};
use crate::yard::{Yard, station};
use cresthold::daemon::field::{Field, Machine, Stay};
use cresthold::daemon::live::Screen;
use cresthold::daemon::stop::StopFlag;
use cresthold::instruments::link::LinkSettings;
use cresthold::recording::{Recording, replay};
use cresthold::station::{Address, RecordingSpec, Station};
use cresthold::store::{Book, ByHand, Opened, Writer, WriterHandle, others};
use cresthold::time::{Instant, Utc};
use cresthold_sim::bench::Truth;
use cresthold_sim::wire::fault::Player;
use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use std::io::BufReader;
use std::iter::Peekable;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;
use tempfile::TempDir;
use tokio::time::sleep;

/// How soon a service manager tries again.
const SOON: Duration = Duration::from_secs(10);

/// The log's file.
const NAME: &str = "roof.sqlite";

/// What came of a life.
#[derive(Clone, Debug, Default)]
pub(crate) struct Outcome {
    pub(crate) seed: u64,
    pub(crate) days: f64,
    /// How often each class of fault began.
    pub(crate) faults: BTreeMap<String, u64>,
    /// How often each event was told.
    pub(crate) events: BTreeMap<String, u64>,
    pub(crate) runs: u64,
    /// Samples compared with the plant's truth, and rows of the log with what was offered.
    pub(crate) compared: u64,
    pub(crate) rows: u64,
    /// Rows that are counted as left out, and that a kill or a cut took.
    pub(crate) counted: u64,
    pub(crate) untold: u64,
    /// What the tracker got of the crest's energy once all was healed.
    pub(crate) efficiency: f64,
    /// Inputs of controllers that were recorded and replayed.
    pub(crate) replayed: u64,
    /// Of all rows of the log.
    pub(crate) digest: u64,
    pub(crate) problems: Vec<String>,
}

/// The writer of the run under way.
type Hand = Rc<RefCell<Option<(ByHand, WriterHandle)>>>;

struct Life {
    plan: Rc<Plan>,
    bug: Option<Bug>,
    station: Station,
    yard: Yard,
    player: Player,
    folder: TempDir,
    /// Where recordings are.
    heard: TempDir,
    disk: Arc<Disk>,
    judge: Rc<RefCell<Judge>>,
    hand: Hand,
    began: tokio::time::Instant,
    /// What the wall clock is ahead (us).
    ahead: Rc<Cell<i64>>,
    faults: BTreeMap<String, u64>,
    ill: Trouble,
    runs: u64,
    /// What the plant had delivered and could have, when the last days began.
    truth: Option<Truth>,
    stalls: Peekable<std::vec::IntoIter<Span>>,
}

/// Lives through `plan`.
pub(crate) fn live(plan: &Plan, bug: Option<Bug>) -> Outcome {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    let runtime = builder.enable_time().start_paused(true).build().unwrap();
    runtime.block_on(async {
        let mut life = Life::new(plan.clone(), bug);
        for run in &plan.runs {
            life.wait_until(run.begins).await;
            life.run(run).await;
            if bug.is_some() && !life.judge.borrow().problems.is_empty() {
                break;
            }
        }
        life.judged()
    })
}

/// Where there is one, a disk in memory.
fn scratch() -> TempDir {
    let shm = Path::new("/dev/shm");
    if shm.is_dir() { tempfile::tempdir_in(shm) } else { tempfile::tempdir() }.unwrap()
}

thread_local! {
    /// When the life of this thread began, and how much slower its writer's clock goes.
    static WRITER: Cell<Option<(tokio::time::Instant, u32)>> = const { Cell::new(None) };
}

/// The writer's clock. A turn of its is ten seconds, however long turns are: packings and patience
/// come as often per row as on a roof.
fn writers_clock() -> std::time::Instant {
    let now = tokio::time::Instant::now();
    let (began, slower) = WRITER.get().unwrap_or((now, 1));
    (began + now.saturating_duration_since(began) / slower).into_std()
}

/// One life in so many is recorded and replayed, which takes as long as living it.
const RECORDED: u64 = 3;

impl Life {
    fn new(plan: Plan, bug: Option<Bug>) -> Self {
        let mut station = station(&plan);
        let yard = Yard::new(&plan, &station, bug);
        let heard = scratch();
        if let Some(bug) = bug {
            bug.spoil(&mut station);
        } else if plan.seed.is_multiple_of(RECORDED) {
            let (folder, keep_bytes) = (heard.path().to_path_buf(), u64::MAX);
            station.recording = Some(RecordingSpec { folder, keep_bytes });
        }
        let slower = u32::try_from(plan.period.as_secs() / 10).unwrap().max(1);
        WRITER.set(Some((tokio::time::Instant::now(), slower)));
        let mut player = Player::new();
        player.add(plan.faults.clone().into_iter());
        let folder = scratch();
        let disk = Disk::under(folder.path());
        let stalls = plan.stalls.clone().into_iter().peekable();
        let plan = Rc::new(plan);
        let judge = Judge::new(Rc::clone(&plan), yard.witness.clone());
        Self {
            plan,
            bug,
            station,
            yard,
            player,
            folder,
            heard,
            disk,
            judge: Rc::new(RefCell::new(judge)),
            hand: Rc::default(),
            began: tokio::time::Instant::now(),
            ahead: Rc::default(),
            faults: BTreeMap::new(),
            ill: Trouble::None,
            runs: 0,
            truth: None,
            stalls,
        }
    }

    fn log(&self) -> PathBuf {
        self.folder.path().join(NAME)
    }

    fn count(&mut self, what: &str) {
        *self.faults.entry(what.to_owned()).or_default() += 1;
    }

    /// Nobody runs meanwhile.
    async fn wait_until(&mut self, until: Duration) {
        while self.began.elapsed() < until {
            let wait = self.turn();
            let left = until.saturating_sub(self.began.elapsed());
            sleep(left.min(wait)).await;
        }
    }

    /// Does what is due; answers how long to wait.
    fn turn(&mut self) -> Duration {
        let past = self.began.elapsed();
        let now = Instant::ZERO + past;
        self.yard.witness.trace(|trace| trace.by_fault = true);
        let notices = self.player.advance(now, &mut self.yard.victims);
        self.yard.witness.trace(|trace| trace.by_fault = false);
        for notice in notices.iter().filter(|notice| notice.begins) {
            self.count(notice.fault.what.name());
        }
        self.fall_ill(past);
        if let Some((hand, handle)) = &*self.hand.borrow() {
            hand.turn();
            self.judge.borrow_mut().turned(&handle.status());
        }
        self.yard.witness.look();
        self.judge.borrow_mut().catch_up();
        self.count_weather(past);
        if past >= self.plan.last_days() && self.truth.is_none() {
            self.truth = Some(self.yard.witness.plant.truth());
        }
        let period = self.plan.period;
        let due = self.player.next(now).map_or(period, |next| next.saturating_since(now));
        due.clamp(Duration::from_secs(1), period)
    }

    /// Counts what the sky and its sensor go through.
    fn count_weather(&mut self, past: Duration) {
        let plan = Rc::clone(&self.plan);
        let begun =
            |spells: &[Span]| spells.iter().filter(|(from, _)| *from <= past).count() as u64;
        self.faults.insert("sensor covered".to_owned(), begun(&plan.covered));
        self.faults.insert("snow on the device".to_owned(), begun(&plan.snow));
    }

    fn fall_ill(&mut self, past: Duration) {
        let spell = self.plan.disk.iter().find(|(from, until, _)| past >= *from && past < *until);
        let trouble = spell.map_or(Trouble::None, |(_, _, trouble)| *trouble);
        if trouble != self.ill {
            self.ill = trouble;
            self.disk.fall_ill(trouble);
            if trouble != Trouble::None {
                self.count(&format!("disk {trouble:?}").to_lowercase());
            }
        }
    }

    /// One run, from its start to its end, with new tries where it can't begin.
    async fn run(&mut self, run: &Run) {
        self.ahead.set(run.ahead);
        if run.ahead != 0 {
            self.count("clock wrong at the start");
        }
        let mut wait = SOON.max(self.plan.period / 2);
        while self.began.elapsed() < run.ends {
            let over = self.begin(run).await;
            if over {
                break;
            }
            // A service manager tries every few seconds; for a disk that is ill for months that would
            // be too much, but a healed one is not kept waiting. Faults begin and end meanwhile.
            let (now, healed) = (self.began.elapsed(), self.plan.healed + SOON);
            let until = if now < healed { healed.min(now + wait) } else { now + SOON };
            self.wait_until(until).await;
            wait = (wait * 2).min(self.plan.period * 100);
        }
    }

    /// One start; answers whether the run is over.
    async fn begin(&mut self, run: &Run) -> bool {
        self.runs += 1;
        self.turn();
        let wall = self.wall();
        let began = self.began.elapsed().as_secs_f64();
        let right = run.ahead == 0 && run.steps.iter().all(|(_, by)| *by == 0);
        let key = wall().as_micros();
        self.judge.borrow_mut().begin(key, began, right);
        let machine = self.machine(wall);
        let (station, log, dial) = (self.station.clone(), self.log(), self.yard.dial());
        let stop = StopFlag::default();
        let mut screen = Screen::silent();
        self.disk.record();
        let before = files(self.folder.path());
        let ended = {
            let dial: &dyn Fn(&Address) -> Option<LinkSettings> = &dial;
            let stay = Stay { length: None, patient: true, sweep: None };
            let field = Field { station: &station, log: &log, stay, lines: dial, machine };
            tokio::select! {
                biased;
                ended = field.live(&stop, &mut screen) => Some(ended),
                () = self.direct(run, &stop) => None,
            }
        };
        let acts = self.disk.recorded();
        let status = self.hand.take().map(|(_, handle)| handle.status());
        let at = self.began.elapsed().as_secs_f64();
        let whole = matches!(&ended, Some(Ok(_)));
        self.judge.borrow_mut().end(at, whole, status.as_ref());
        match ended {
            None => self.broken_off(run, (&acts, &before)),
            Some(Ok(ended)) => {
                self.count("stops");
                let switches = self.yard.witness.plant.switches();
                if !stop.is_raised() {
                    self.judge.borrow_mut().problem(at, "the run ended by itself");
                }
                if ended.unconfirmed.is_empty() && switches != (false, false) {
                    let what = format!("told as stopped, but input and boost are {switches:?}");
                    self.judge.borrow_mut().problem(at, what);
                }
            }
            Some(Err(error)) => {
                self.count("runs without a log");
                if self.ill == Trouble::None {
                    self.judge.borrow_mut().problem(at, format!("on a sound disk: {error}"));
                }
                return stop.is_raised();
            }
        }
        true
    }

    /// What the wall clock shows.
    fn wall(&self) -> Rc<dyn Fn() -> Utc> {
        let (first, began, ahead) = (self.plan.began, self.began, Rc::clone(&self.ahead));
        let zone = self.bug.map_or(0, Bug::ahead);
        Rc::new(move || {
            let now = first + began.elapsed();
            Utc::from_micros(now.as_micros() + ahead.get() + zone)
        })
    }

    fn machine(&self, wall: Rc<dyn Fn() -> Utc>) -> Machine {
        let (hand, judge) = (Rc::clone(&self.hand), Rc::clone(&self.judge));
        let period = self.plan.period;
        let swallows = self.bug == Some(Bug::SwallowedWrite);
        let writer = move |opened: Opened, book: Book| {
            let (writer, by_hand) = Writer::by_hand(opened, book, writers_clock);
            *hand.borrow_mut() = Some((by_hand, writer.handle()));
            Ok(writer)
        };
        Machine {
            tick: period,
            judge: period.min(Duration::from_secs(300)),
            wall,
            tails: if swallows { bugs::leaky_tail } else { disk::tail },
            writer: Rc::new(writer),
            recorder_waits: true,
            heard: Rc::new(move |record| judge.borrow_mut().hear(record)),
            ..Machine::default()
        }
    }

    /// Lets things go wrong until the run is to end; returns where nobody asks it to.
    async fn direct(&mut self, run: &Run, stop: &StopFlag) {
        let mut steps = run.steps.iter().peekable();
        // When it was asked to stop.
        let mut asked: Option<Duration> = None;
        loop {
            let past = self.began.elapsed();
            while let Some((_, by)) = steps.next_if(|(at, _)| *at <= past) {
                self.ahead.set(self.ahead.get() + by);
                if *by != 0 {
                    self.count("clock set");
                }
            }
            let wait = self.turn();
            if let Some((_, until)) = self.stalls.next_if(|(from, _)| *from <= past) {
                let length = until.saturating_sub(past);
                if !length.is_zero() {
                    self.count("machine stalled");
                    tokio::time::advance(length).await;
                    // Whoever stands still hears nothing.
                    asked = asked.map(|since| since + length);
                }
            }
            if past >= run.ends {
                if run.end != End::Asked {
                    return;
                }
                stop.raise();
                let since = *asked.get_or_insert_with(|| self.began.elapsed());
                // It looks once a tick, and has half a minute for its last words.
                if past.saturating_sub(since) > self.plan.period * 2 + Duration::from_secs(60) {
                    let at = past.as_secs_f64();
                    self.judge.borrow_mut().problem(at, "asked to stop, and it does not");
                    return;
                }
            }
            let next = steps.peek().map_or(run.ends, |(at, _)| (*at).min(run.ends));
            let left = next.saturating_sub(self.began.elapsed());
            let left = if left.is_zero() { wait } else { left };
            sleep(wait.min(left).max(Duration::from_millis(1))).await;
        }
    }

    /// The run was killed, or its power failed.
    fn broken_off(&mut self, run: &Run, (acts, before): (&[Act], &[(String, Vec<u8>)])) {
        if matches!(run.end, End::Cut | End::Blackout) {
            self.cut(acts, before);
        }
        match run.end {
            End::Asked => {}
            End::Killed => self.count("kills"),
            End::Cut => self.count("power cuts"),
            End::Blackout => {
                self.count("blackouts");
                let witness = &self.yard.witness;
                witness.trace(|trace| trace.by_fault = true);
                for on in [false, true] {
                    self.yard.load.power(on);
                    self.yard.supply.power(on);
                }
                witness.trace(|trace| trace.by_fault = false);
            }
        }
    }

    /// Leaves on the disk what a power cut leaves, of files that were sound `before` the run.
    fn cut(&self, acts: &[Act], before: &[(String, Vec<u8>)]) {
        let mut image = Files::default();
        let mut sound = |name: &str, bytes: &[u8]| {
            for act in [
                Act::Create(name.to_owned()),
                Act::Write(name.to_owned(), 0, bytes.to_vec()),
                Act::Sync(name.to_owned()),
            ] {
                image.act(&act, Damage::Unflushed);
            }
        };
        before.iter().for_each(|(name, bytes)| sound(name, bytes));
        // A month that was over meanwhile was closed and given its name, which no act tells.
        let known: BTreeSet<&String> = before.iter().map(|(name, _)| name).collect();
        let name_of = |path: &PathBuf| path.file_name().unwrap().to_string_lossy().into_owned();
        for path in others(&self.log()) {
            let name = name_of(&path);
            let made = acts.iter().any(|act| matches!(act, Act::Create(made) if *made == name));
            if !known.contains(&name) && !made {
                sound(&name, &std::fs::read(&path).unwrap());
            }
        }
        let swallows = self.bug == Some(Bug::SwallowedFlush);
        let damage = if swallows { Damage::NeverFlushed } else { Damage::Unflushed };
        let mut there = known.contains(&NAME.to_owned());
        for act in acts {
            if let Act::Create(name) = act
                && name == NAME
                && std::mem::replace(&mut there, true)
            {
                // The old one was renamed.
                image.act(&Act::Unlink(NAME.to_owned()), Damage::Unflushed);
                image.act(&Act::Sync(NAME.to_owned()), Damage::Unflushed);
            }
            image.act(act, damage);
        }
        for (name, _) in files(self.folder.path()) {
            std::fs::remove_file(self.folder.path().join(name)).unwrap();
        }
        let seed = self.plan.seed ^ self.began.elapsed().as_millis() as u64;
        image.leave(self.folder.path(), damage, seed);
    }

    /// What the tracker got of the crest's energy in the last days, and whether the log knows.
    fn efficiency(&self, judge: &mut Judge) -> f64 {
        /// Least share of the crest: turns of minutes under moving clouds.
        const LEAST: f64 = 0.8;
        /// What the module makes at most (W).
        const MOST_WATTS: f64 = 350.0;
        let Some(before) = self.truth else { return f64::NAN };
        let now = self.yard.witness.plant.truth();
        let delivered = (now.delivered - before.delivered).0;
        let (share, logged) = (delivered / (now.available - before.available).0, judge.last_days);
        let at = self.plan.ends.as_secs_f64();
        // One that gets too warm is not at its crest.
        let cool = judge.let_go == 0;
        if cool && share < LEAST {
            judge.problem(at, format!("healed, and at {:.1} % of the crest", 100.0 * share));
        }
        // From the input's closing to the first reading a triangle is booked.
        let triangle = MOST_WATTS * self.plan.period.as_secs_f64() / 2.0 / 3600.0;
        if (logged - delivered).abs() > 0.03 * delivered + triangle * f64::from(judge.begun + 1) {
            judge.problem(at, format!("{logged:.1} Wh in the log, {delivered:.1} Wh delivered"));
        }
        if cool { share } else { f64::NAN }
    }

    /// The recordings of all runs, however they ended, replay to the same actions. Answers how many
    /// inputs.
    fn replayed(&self, judge: &mut Judge) -> u64 {
        let mut inputs = 0;
        for path in list(self.heard.path()) {
            let file = BufReader::new(std::fs::File::open(&path).unwrap());
            let replayed = Recording::new(file)
                .map_err(Into::into)
                .and_then(|mut recording| replay(&mut recording, Some(&self.station)));
            let wrong = match replayed {
                Ok(replayed) => {
                    inputs += replayed.inputs;
                    replayed.difference.map(|it| format!("{it:?}"))
                }
                Err(error) => Some(error.to_string()),
            };
            if let Some(wrong) = wrong {
                judge.problem(f64::NAN, format!("{}: {wrong}", path.display()));
            }
        }
        inputs
    }

    fn judged(self) -> Outcome {
        self.disk.fall_ill(Trouble::None);
        let mut judge = self.judge.borrow_mut();
        let replayed = self.replayed(&mut judge);
        let efficiency = self.efficiency(&mut judge);
        let found = books::check(&self.log(), &self.plan, &mut judge);
        Outcome {
            seed: self.plan.seed,
            days: self.plan.ends.as_secs_f64() / 86_400.0,
            faults: self.faults,
            events: std::mem::take(&mut judge.events),
            runs: self.runs,
            compared: judge.compared,
            rows: found.rows,
            counted: found.counted,
            untold: found.untold,
            efficiency,
            replayed,
            digest: found.digest,
            problems: std::mem::take(&mut judge.problems),
        }
    }
}

/// The files of a log, but for its lock.
fn files(folder: &Path) -> Vec<(String, Vec<u8>)> {
    list(folder)
        .into_iter()
        .filter(|path| path.extension().is_none_or(|it| it != "lock"))
        .map(|path| {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            (name, std::fs::read(&path).unwrap())
        })
        .collect()
}

/// What is in a folder, by name.
fn list(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut all: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    all.sort();
    all
}
