//! The task of one channel: it wakes the channel when that wants to wake, and has the channel's
//! conversation with its bench.

use super::{All, Clock, Shared};
use crate::control::record::{Event, Record, Severity};
use crate::control::{
    Channel, Command, Input, MAX_COMMANDS_PER_TURN, Observed, Outbox, Reading, Surroundings,
};
use crate::daemon::recorder::Ear;
use crate::daemon::sensing::Sensing;
use crate::instruments::{Answer, Bench, InstrumentError, ListPoint};
use crate::quantities::Volts;
use crate::recording::Overheard;
use crate::station::ChannelSpec;
use crate::store::Note;
use crate::time::{Instant, Stamp, Utc};
use cresthold_sim::sky::sun::Site;
use std::cell::Cell;
use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;
use tokio::sync::watch;

/// The sun's height is computed so often (s): it moves by 0.04 degrees meanwhile.
const SUN_EVERY: Duration = Duration::from_secs(10);

/// How often the light is looked at while a load runs a list: no sensor is faster.
const LIGHT_EVERY: Duration = Duration::from_millis(50);

/// One channel and its bench.
pub(super) struct Task {
    index: usize,
    name: String,
    channel: Overheard<Ear>,
    bench: Bench,
    clock: Clock,
    shared: Rc<RefCell<Shared>>,
    sensing: Rc<Sensing>,
    /// Where it stands.
    site: Site,
    /// The sun's height as computed last, and when.
    sun: Cell<Option<Observed<f64>>>,
    /// How long after the others it begins.
    phase: Duration,
    /// By when the load answers.
    deadline: Duration,
    /// The last fault said, so that one cause is one line.
    said: Option<String>,
    /// The instruments' identities told last.
    known: String,
}

impl Task {
    pub(super) fn new(
        (index, spec): (usize, &ChannelSpec),
        bench: Bench,
        (all, phase): (&All<'_>, Duration),
    ) -> Self {
        Self {
            index,
            name: spec.name.clone(),
            channel: Overheard::new(Channel::new(spec.control.clone()), all.ear(index)),
            bench,
            clock: all.clock.clone(),
            shared: Rc::clone(&all.shared),
            sensing: Rc::clone(&all.sensing),
            site: all.site,
            sun: Cell::new(None),
            phase,
            deadline: spec.load.deadline,
            said: None,
            known: String::new(),
        }
    }

    /// Turn after turn until told to stop; then lets go.
    pub(super) async fn live(mut self, mut stopped: watch::Receiver<bool>) {
        tokio::time::sleep(self.phase).await;
        while !*stopped.borrow() {
            let wake = self.channel.next_wake();
            self.shared.borrow_mut().pulse.waits(self.index, wake);
            let wake = self.clock.at(wake);
            tokio::select! {
                biased;
                _ = stopped.changed() => break,
                () = tokio::time::sleep_until(wake) => {
                    self.note_begin();
                    self.converse(Input::Wake).await;
                }
            }
        }
        self.complain(true);
        self.converse(Input::Stop).await;
        self.shared.borrow_mut().pulse.ends(self.index);
        self.bench.close().await;
    }

    /// Takes note of when a turn begins.
    fn note_begin(&mut self) {
        let (due, now) = (self.channel.next_wake(), self.clock.mono());
        let pace = self.channel.pace();
        self.shared.borrow_mut().punctual[self.index].began(due, now, pace);
        self.complain(false);
    }

    /// Tells the log of late turns, where there is reason to.
    fn complain(&self, end: bool) {
        let at = self.clock.stamp();
        let mut shared = self.shared.borrow_mut();
        if let Some(what) = shared.punctual[self.index].complaint(at.mono, end) {
            let channel = Some(self.channel.config().id);
            shared.take(Record::Event(Event { channel, at, what }));
        }
    }

    async fn converse(&mut self, first: Input) {
        if let Some(seen) = self.surroundings(self.clock.stamp()) {
            self.channel.note_surroundings(seen);
        }
        if std::mem::take(&mut self.shared.borrow_mut().asked[self.index]) {
            self.channel.request_sweep();
        }
        let mut input = first;
        for _ in 0..=MAX_COMMANDS_PER_TURN {
            let mut command = self.tell(self.clock.stamp(), input);
            if command == Some(Command::RunList) {
                command = self.run_list().await;
            }
            let Some(command) = command else {
                return;
            };
            input = self.carry_out(command).await;
        }
    }

    /// What is around the channel now; none without sensors.
    fn surroundings(&self, now: Stamp) -> Option<Surroundings> {
        let seen = self.sensing.surroundings(self.channel.config().id);
        let sun = self.clock.trusted(now).map(|utc| self.height_of_sun(utc, now.mono));
        let sun = sun.map(|value| Observed { value, at: now.mono });
        (seen.is_some() || sun.is_some()).then(|| Surroundings { sun, ..seen.unwrap_or_default() })
    }

    /// How high the sun stands (degrees), computed anew now and then.
    fn height_of_sun(&self, utc: Utc, now: Instant) -> f64 {
        if let Some(known) = self.sun.get().and_then(|known| known.fresh(now, SUN_EVERY)) {
            return known;
        }
        let value = 90.0 - self.site.sun(utc).zenith_degrees();
        self.sun.set(Some(Observed { value, at: now }));
        value
    }

    /// Tells the channel something, and the shell what the channel made of it.
    fn tell(&mut self, at: Stamp, input: Input) -> Option<Command> {
        let mut out = Outbox::new();
        let command = self.channel.handle(at, input, &mut out);
        let mut shared = self.shared.borrow_mut();
        for record in out.drain(..) {
            if let Record::Sample(sample) = &record {
                self.sensing.look_at(sample);
            }
            shared.take(record);
        }
        shared.activities[self.index] = self.channel.activity();
        command
    }

    /// Lets the load run the channel's list, and tells what each point has brought, in the light that
    /// it was taken in.
    async fn run_list(&mut self) -> Option<Command> {
        let volts: Vec<Volts> = self.channel.list().map(|setpoint| setpoint.load()).collect();
        let settle = self.channel.config().sweep.settle;
        let mut around = Vec::new();
        let ran = {
            let (clock, sensing) = (&self.clock, Rc::clone(&self.sensing));
            let id = self.channel.config().id;
            let mut run = std::pin::pin!(self.bench.run_list(&volts, settle));
            loop {
                tokio::select! {
                    biased;
                    ran = &mut run => break ran,
                    () = tokio::time::sleep(LIGHT_EVERY) => {
                        around.extend(Some(clock.mono()).zip(sensing.surroundings(id)));
                    }
                }
            }
        };
        let points = match ran {
            Ok(points) => points,
            Err(error) => {
                self.say(&error);
                return self.tell(self.clock.stamp(), Input::Failed);
            }
        };
        let mut around = around.into_iter().peekable();
        for point in points {
            let at = self.clock.stamp_of(point.at);
            while let Some((_, seen)) = around.next_if(|(when, _)| *when <= at.mono) {
                self.channel.note_surroundings(seen);
            }
            let ListPoint { volts: load, amps, .. } = point;
            let reading = Reading { at: at.mono, load, amps, boost: None };
            let command = self.tell(at, Input::Listed(reading));
            if command.is_some() {
                return command;
            }
        }
        self.tell(self.clock.stamp(), Input::Done)
    }

    async fn carry_out(&mut self, command: Command) -> Input {
        let asked = self.clock.mono();
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
                // The machine may have stood still meanwhile; the load has not.
                let took = self.clock.mono().saturating_since(asked).min(self.deadline);
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
        tracing::info!("{}: {text}", self.name);
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
        let mut shared = self.shared.borrow_mut();
        shared.herald.tell_fault(self.channel.config().id, self.clock.mono(), &text);
        shared.faults[self.index] = Some(text.clone());
        drop(shared);
        self.note(Severity::Warning, "instrument", text.clone());
        self.said = Some(text);
    }
}
