//! A channel wired to its bench: the conversation of a turn, each command taking its time.
//!
//! Model: the channel asks, the bench does, and meanwhile a [`World`] lets time pass over the bench and
//! hears the records. What the world is differs (a sky over a yard, a scene of a study); how a turn is
//! talked through does not.

use crate::control::record::Record;
use crate::control::{Channel, Command, Found, Input, MAX_COMMANDS_PER_TURN, Outbox, Reading};
use crate::time::{Instant, Stamp};
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

    /// A measurement over `window` begins now; conditions must hold still in it.
    fn before_window(&mut self, _bench: &mut Bench, _window: Duration) {}

    /// Whether the line answers at `at`.
    fn answers(&self, _at: Instant) -> bool {
        true
    }

    /// A measurement has ended.
    fn measured(&mut self, _bench: &Bench, _seen: &Measurement) {}

    /// The channel told something.
    fn tell(&mut self, bench: &Bench, now: Stamp, record: Record);
}

/// A channel and the bench that it is wired to.
#[derive(Debug)]
pub struct Wired {
    /// The controller.
    pub channel: Channel,
    /// Device, load and boost supply.
    pub bench: Bench,
    /// Whether the boost supply reports its voltage.
    pub boost_measured: bool,
}

impl Wired {
    /// The conversation of one turn that begins with `first`; when it ended.
    pub fn converse(&mut self, mut now: Stamp, first: Input, world: &mut impl World) -> Stamp {
        let mut input = first;
        let mut out = Outbox::new();
        for _ in 0..=MAX_COMMANDS_PER_TURN {
            let command = self.channel.handle(now, input, &mut out);
            for record in out.drain(..) {
                world.tell(&self.bench, now, record);
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
                let window = bench.load().window;
                world.before_window(bench, window);
                let middle = bench.now() + window / 2;
                let seen = bench.measure();
                world.measured(bench, &seen);
                let boost = (self.boost_measured && bench.boost_is_on()).then_some(seen.boost);
                let reading = Reading { at: middle, load: seen.load, amps: seen.amps, boost };
                return (Input::Reading(reading), bench.now());
            }
            Command::SetVoltage(setpoint) => bench.set_volts(setpoint.load()),
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
