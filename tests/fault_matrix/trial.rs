//! One run: the logger's own tasks against the yard, in virtual time, with one fault.

use crate::cell::{Cell, Link};
use crate::log::Seen;
use crate::oracle::wire::{Manner, VirtualLine};
use crate::oracle::witness::{LOOK_EVERY, Trace, Witness};
use crate::yard::{PLACES, Yard, morning, station};
use cresthold::daemon::field::{Field, Machine, Stay};
use cresthold::daemon::live::Screen;
use cresthold::daemon::stop::StopFlag;
use cresthold::instruments::link::LinkSettings;
use cresthold::station::Address;
use cresthold::time::{Instant, Utc};
use cresthold_sim::wire::fault::{Fault, Lasting, Line, Player, Victim};
use std::rc::Rc;
use std::time::Duration;

/// What is tried.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) links: [Link; 6],
    /// Whether the guard may take the second thermometer for the first.
    pub(crate) spare: bool,
    /// Of the plant's noise; the same in every trial of a matrix.
    pub(crate) seed: u64,
    pub(crate) fault: Option<Fault>,
    /// When the run is asked to stop: at that time, or so long after the fault is over.
    pub(crate) stop: Stop,
    /// What a busy machine may add to any span (s); in virtual time nothing.
    pub(crate) slack: f64,
    /// When the wall clock is set (s), and by how much (us).
    pub(crate) clock: &'static [(u64, i64)],
}

/// See [`Plan::stop`].
#[derive(Clone, Copy, Debug)]
pub(crate) enum Stop {
    At(Duration),
    After(Duration),
}

impl Plan {
    /// When the fault begins and ends (s).
    pub(crate) fn fault_span(&self) -> Option<(f64, f64)> {
        let fault = self.fault?;
        let length = if let Lasting::For(span) = fault.lasting { span } else { Duration::ZERO };
        Some((fault.at.as_secs_f64(), (fault.at + length).as_secs_f64()))
    }
}

/// What came of it.
pub(crate) struct Ran {
    pub(crate) plan: Plan,
    pub(crate) log: Seen,
    pub(crate) trace: Trace,
    /// When the fault was over, its late answers included, and when the run was asked to stop (s).
    pub(crate) over: f64,
    pub(crate) stop: f64,
    /// When the run was over (s).
    pub(crate) ended: f64,
    /// Whether the run told that it could not make sure.
    pub(crate) unconfirmed: bool,
    /// Input and boost supply at the end.
    pub(crate) switches: (bool, bool),
    /// Energy that the device delivered (Wh).
    pub(crate) delivered: f64,
}

/// What the two shells of a trial have in common: the fault and the look at the plant.
pub(crate) struct Stage {
    player: Player,
    victims: Vec<Victim>,
    pub(crate) witness: Witness,
    plan: Stop,
    flag: StopFlag,
    /// See [`Ran::over`].
    over: Option<Duration>,
    stop: Option<Duration>,
}

impl Stage {
    pub(crate) fn new(plan: &Plan, victims: Vec<Victim>, witness: Witness, flag: StopFlag) -> Self {
        let mut player = Player::new();
        player.add(plan.fault.into_iter());
        let stop = if let Stop::At(stop) = plan.stop { Some(stop) } else { None };
        Self { player, victims, witness, plan: plan.stop, flag, over: None, stop }
    }

    /// Does what is due at `past`; answers how long to wait. `busy` says until when an instrument
    /// works off what it was asked during the fault.
    pub(crate) fn turn(&mut self, past: Duration, busy: impl Fn(usize) -> Duration) -> Duration {
        let now = Instant::ZERO + past;
        self.witness.trace(|trace| trace.by_fault = true);
        let notices = self.player.advance(now, &mut self.victims);
        self.witness.trace(|trace| {
            trace.by_fault = false;
            trace.violations.extend(notices.iter().filter_map(|notice| notice.trouble.clone()));
        });
        for notice in notices {
            if (!notice.begins && notice.trouble.is_none()) || notice.fault.lasting == Lasting::Once
            {
                let over = busy(notice.fault.place).max(past);
                self.over = Some(over);
                if let Stop::After(wait) = self.plan {
                    self.stop = Some(over + wait);
                }
            }
        }
        self.witness.look();
        if self.stop.is_some_and(|stop| past >= stop) {
            self.flag.raise();
        }
        let due = self.player.next(now).map_or(LOOK_EVERY, |next| next.saturating_since(now));
        let left = self.stop.map_or(LOOK_EVERY, |stop| stop.saturating_sub(past));
        let left = if left.is_zero() { LOOK_EVERY } else { left };
        due.min(left).min(LOOK_EVERY).max(Duration::from_millis(1))
    }
}

/// The name in an address of a line within the program.
fn name_of(address: &Address) -> Option<String> {
    match address {
        Address::Plant => None,
        Address::Tcp { host, .. } => Some(host.clone()),
        Address::Serial { path, .. } | Address::UsbTmc { path } => {
            Some(path.file_name()?.to_string_lossy().into_owned())
        }
    }
}

fn manner(link: Link) -> Manner {
    match link {
        Link::Serial | Link::ModbusRtu => Manner::Serial,
        Link::Usb => Manner::Usb,
        Link::Tcp | Link::ModbusTcp | Link::Meter => Manner::Tcp,
    }
}

/// Runs in virtual time.
pub(crate) fn run(plan: &Plan) -> Ran {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    let runtime = builder.enable_all().start_paused(true).build().unwrap();
    runtime.block_on(live(plan))
}

async fn live(plan: &Plan) -> Ran {
    let names = PLACES.map(str::to_lowercase);
    let at = std::array::from_fn(|place| match manner(plan.links[place]) {
        Manner::Tcp => format!("{}:1", names[place]),
        Manner::Serial | Manner::Usb => format!("/yard/{}", names[place]),
    });
    let station = station(plan.links, &at, plan.spare);
    let began = tokio::time::Instant::now();
    let yard = Yard::new(&station, plan.seed, move || began.elapsed());
    let lines: Vec<VirtualLine> = (0..PLACES.len())
        .map(|place| {
            let link = plan.links[place];
            VirtualLine::new(yard.instrument(place, link), manner(link))
        })
        .collect();
    let settings: Vec<LinkSettings> =
        names.iter().zip(&lines).map(|(name, line)| line.settings(name)).collect();
    let known = names.clone();
    let dial = move |address: &Address| {
        let name = name_of(address)?;
        Some(settings[known.iter().position(|known| *known == name)?].clone())
    };
    let victims = lines
        .iter()
        .enumerate()
        .map(|(place, line)| {
            yard.victim(place, plan.links[place], Box::new(line.clone()) as Box<dyn Line>)
        })
        .collect();
    let scratch = tempfile::tempdir().unwrap();
    let log = scratch.path().join("matrix.db");
    let stop = StopFlag::default();
    let mut stage = Stage::new(plan, victims, yard.witness.clone(), stop.clone());
    let field = Field {
        station: &station,
        log: &log,
        stay: Stay { length: None, patient: true, sweep: None },
        lines: &dial,
        machine: machine(plan.clock),
    };
    let mut screen = Screen::silent();
    let harness = async {
        loop {
            let wait = stage.turn(began.elapsed(), |place| lines[place].busy_until() - began);
            tokio::time::sleep(wait).await;
        }
    };
    let ended = tokio::select! {
        biased;
        ended = field.live(&stop, &mut screen) => ended.unwrap(),
        () = harness => unreachable!("it goes on until the run is over"),
    };
    let ended = (began.elapsed().as_secs_f64(), !ended.unconfirmed.is_empty());
    whole(plan, &stage, Seen::read(&log), ended)
}

/// A machine whose wall clock is set now and then, and which knows that it is not 1976.
fn machine(clock: &'static [(u64, i64)]) -> Machine {
    let (dated, began) = (Machine::default().dated(morning()), tokio::time::Instant::now());
    let right = Rc::clone(&dated.wall);
    let wall = move || {
        let past = clock.iter().take_while(|(s, _)| began.elapsed() >= Duration::from_secs(*s));
        let off: i64 = past.map(|(_, by)| by).sum();
        Utc::from_micros(right().as_micros() + off)
    };
    let earliest = "2016-01-01T00:00:00Z".parse().unwrap();
    Machine { wall: Rc::new(wall), earliest, ..dated }
}

pub(crate) fn whole(plan: &Plan, stage: &Stage, log: Seen, ended: (f64, bool)) -> Ran {
    let witness = &stage.witness;
    let seconds = |past: Option<Duration>| past.map_or(f64::INFINITY, |past| past.as_secs_f64());
    Ran {
        over: seconds(stage.over),
        stop: seconds(stage.stop),
        plan: plan.clone(),
        log,
        switches: witness.plant.switches(),
        delivered: witness.plant.truth().delivered.0,
        trace: witness.trace(std::mem::take),
        ended: ended.0,
        unconfirmed: ended.1,
    }
}

/// What the guard and the board may take for the first sensor: a limit's grace can only be seen
/// where there is no other.
pub(crate) fn has_spare(cell: &Cell) -> bool {
    matches!(cell.kind, "stuck" | "drifting")
}
