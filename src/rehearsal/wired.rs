//! A channel wired to its bench: the conversation of a turn, each command taking its time.
//!
//! Model: the channel asks, the bench does, and meanwhile a [`World`] lets time pass over the bench and
//! hears the records. What the world is differs (a sky over a yard, a scene of a study); how a turn is
//! talked through does not.

use crate::control::record::{Event, Record};
use crate::control::{
    Channel, Command, Found, Input, MAX_COMMANDS_PER_TURN, Outbox, Reading, Setpoint, Surroundings,
    SweepBy, Timekeeper,
};
use crate::quantities::Watts;
use crate::time::{Instant, Stamp, Utc};
use cresthold_sim::bench::{Bench, Measurement};
use std::time::Duration;

/// What a failed exchange costs on the simulated line.
const DEADLINE: Duration = Duration::from_millis(500);

/// What is around a channel and its bench while they talk.
pub trait World {
    /// Lets the bench live until `to`.
    fn pass(&mut self, bench: &mut Bench, to: Instant) {
        bench.advance(to);
    }

    /// The same while the load steps through its list by itself, which takes long enough for the sky to
    /// move on.
    fn pass_in_list(&mut self, bench: &mut Bench, to: Stamp) {
        self.pass(bench, to.mono);
    }

    /// What the sensors say at `now`; none without sensors.
    fn sense(&mut self, _now: Instant) -> Option<Surroundings> {
        None
    }

    /// A measurement over `window` begins now; conditions must hold still in it.
    fn before_window(&mut self, _bench: &mut Bench, _window: Duration) {}

    /// Whether the line answers at `at`.
    fn answers(&self, _at: Instant) -> bool {
        true
    }

    /// A measurement has ended.
    fn measured(&mut self, _bench: &Bench, _seen: &Measurement) {}

    /// The channel is about to hear a reading that goes into its samples, at whose end the crest had so
    /// much power.
    fn counted(&mut self, _crest: Watts) {}

    /// The channel told something.
    fn tell(&mut self, bench: &Bench, now: Stamp, record: Record);
}

/// How the wall clock that a channel sees goes wrong: it drifts and steps, while the plant lives on in
/// true time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WallClock {
    /// How much too fast it runs (ppm, of the order of 100 for a crystal).
    pub drift: f64,
    /// When it is set, and by how much (us, forward or back), in the order of time.
    pub steps: Vec<(Instant, i64)>,
}

impl WallClock {
    /// What it shows at the true time `at`.
    ///
    /// ```
    /// use cresthold::rehearsal::WallClock;
    /// use cresthold::time::{Instant, Stamp};
    /// use std::time::Duration;
    /// let hour = Duration::from_secs(3600);
    /// let clock = WallClock { drift: 100.0, steps: vec![(Instant::ZERO + hour, -5_000_000)] };
    /// let seen = |at: Duration| clock.seen(Stamp::default().later(at)).utc.as_micros();
    /// // 100 ppm of an hour are 0.36 s; then it is set back by 5 s.
    /// assert_eq!(seen(hour - Duration::from_secs(1)), 3_599_359_900);
    /// assert_eq!(seen(hour), 3_595_360_000);
    /// ```
    #[must_use]
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the cast saturates; it is a clock's error"
    )]
    pub fn seen(&self, at: Stamp) -> Stamp {
        let drifted = (at.mono.as_secs_f64() * self.drift).round() as i64;
        let past = self.steps.iter().take_while(|(when, _)| *when <= at.mono);
        let off = past.fold(drifted, |sum, (_, by)| sum.saturating_add(*by));
        Stamp { utc: Utc::from_micros(at.utc.as_micros().saturating_add(off)), ..at }
    }
}

/// A point that the load's own list has brought.
#[derive(Clone, Copy, Debug)]
struct Listed {
    reading: Reading,
    /// When it was over.
    at: Stamp,
    around: Option<Surroundings>,
    crest: Watts,
}

/// A channel and the bench that it is wired to.
#[derive(Debug)]
pub struct Wired {
    /// The controller.
    pub channel: Channel,
    /// Device, load and boost supply.
    pub bench: Bench,
    /// Whether the boost supply reports its voltage.
    boost_measured: bool,
    /// The wall clock that the channel sees, and what makes the run's time of it; none for one that is
    /// right.
    wall: Option<(WallClock, Timekeeper)>,
    /// Setpoints and points of the list under way; their room is taken once.
    list: (Vec<Setpoint>, Vec<Listed>),
}

impl Wired {
    /// A channel on its bench, whose boost supply may report its voltage.
    #[must_use]
    pub fn new(channel: Channel, bench: Bench, boost_measured: bool) -> Self {
        let room = match channel.config().sweep.by {
            SweepBy::Steps => 0,
            SweepBy::List(most) => usize::from(most),
        };
        let list = (Vec::with_capacity(room), Vec::with_capacity(room));
        Self { channel, bench, boost_measured, wall: None, list }
    }

    /// The conversation of one turn that begins with `first`; when it ended.
    pub fn converse(&mut self, mut now: Stamp, first: Input, world: &mut impl World) -> Stamp {
        let mut input = first;
        for _ in 0..=MAX_COMMANDS_PER_TURN {
            let mut command = self.say(now, input, world);
            if command == Some(Command::RunList) && world.answers(now.mono) {
                now = self.run_list(now, world);
                command = self.tell_list(now, world);
            }
            let Some(command) = command else {
                break;
            };
            let began = now.mono;
            let (outcome, ended) = self.carry_out(command, began, world);
            input = outcome;
            now = now.later(ended.saturating_since(began));
        }
        now
    }

    /// Gives the channel a wall clock that goes wrong; no time before `earliest` is believed.
    pub fn set_wall_clock(&mut self, wall: WallClock, earliest: Utc, now: Stamp) {
        let keeper = Timekeeper::new(wall.seen(now), earliest);
        self.wall = Some((wall, keeper));
    }

    /// The run's time at the true time `now`.
    fn time(&mut self, now: Stamp, world: &mut impl World) -> Stamp {
        let Some((wall, keeper)) = &mut self.wall else { return now };
        let (seen, told) = keeper.look(wall.seen(now));
        if let Some(what) = told {
            world.tell(&self.bench, seen, Record::Event(Event { channel: None, at: seen, what }));
        }
        seen
    }

    /// One thing said to the channel, and its answer.
    fn say(&mut self, now: Stamp, input: Input, world: &mut impl World) -> Option<Command> {
        let seen = self.time(now, world);
        let mut out = Outbox::new();
        let command = self.channel.handle(seen, input, &mut out);
        for record in out.drain(..) {
            world.tell(&self.bench, now, record);
        }
        command
    }

    /// The load steps through its list by itself; when that is over.
    fn run_list(&mut self, began: Stamp, world: &mut impl World) -> Stamp {
        let settle = self.channel.config().sweep.settle;
        let (setpoints, listed) = &mut self.list;
        setpoints.clear();
        listed.clear();
        setpoints.extend(self.channel.list());
        let bench = &mut self.bench;
        let mut now = began.later(bench.latency());
        world.pass_in_list(bench, now);
        for setpoint in setpoints {
            bench.set_volts(setpoint.load());
            world.pass_in_list(bench, now.later(settle));
            let reading = Reading { boost: None, ..measure(bench, false, world) };
            now = now.later(bench.now().saturating_since(now.mono));
            let (around, crest) = (world.sense(now.mono), bench.crest().watts);
            listed.push(Listed { reading, at: now, around, crest });
        }
        now
    }

    /// Tells what a list has brought, until there is something to do.
    fn tell_list(&mut self, now: Stamp, world: &mut impl World) -> Option<Command> {
        for place in 0..self.list.1.len() {
            let Listed { reading, at, around, crest } = self.list.1[place];
            if let Some(around) = around {
                self.channel.note_surroundings(around);
            }
            world.counted(crest);
            let command = self.say(at, Input::Listed(reading), world);
            if command.is_some() {
                return command;
            }
        }
        self.say(now, Input::Done, world)
    }

    /// Carries a command out on the bench; its outcome and when it ended.
    fn carry_out(
        &mut self,
        command: Command,
        began: Instant,
        world: &mut impl World,
    ) -> (Input, Instant) {
        if !world.answers(began) {
            return (Input::Failed, began + DEADLINE);
        }
        let bench = &mut self.bench;
        world.pass(bench, began + bench.latency());
        match command {
            Command::Measure => {
                let reading = measure(bench, self.boost_measured, world);
                if !self.channel.glances() {
                    world.counted(bench.crest().watts);
                }
                return (Input::Reading(reading), bench.now());
            }
            Command::SetVoltage(setpoint) => bench.set_volts(setpoint.load()),
            // Run where its points can be told one by one.
            Command::RunList => {}
            Command::InputOn => bench.set_input(true),
            Command::InputOff => bench.set_input(false),
            Command::BoostOn => bench.set_boost(true),
            Command::BoostOff => bench.set_boost(false),
            Command::Prepare => {
                let seen = bench.operating();
                let found = Found {
                    input_on: Some(bench.input()),
                    load: Some(seen.load),
                    amps: Some(seen.amps),
                };
                bench.set_input(false);
                bench.set_boost(false);
                return (Input::Prepared(found), bench.now());
            }
        }
        (Input::Done, bench.now())
    }
}

/// One measurement that begins now.
fn measure(bench: &mut Bench, boost_measured: bool, world: &mut impl World) -> Reading {
    let window = bench.load().window;
    world.before_window(bench, window);
    let middle = bench.now() + window / 2;
    let seen = bench.measure();
    world.measured(bench, &seen);
    let boost = (boost_measured && bench.boost_is_on()).then_some(seen.boost);
    Reading { at: middle, load: seen.load, amps: seen.amps, boost }
}
