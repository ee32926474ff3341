//! The electronic load.

use super::commands::{ListCommands, LoadCommands, SetAndAsk};
use super::error::InstrumentError;
use super::link::Link;
use super::session::{Session, Setting};
use crate::control::Found;
use crate::quantities::{Amps, Volts};
use std::time::Duration;
use tokio::time::{Instant, sleep};

/// An averaging time reads back within this part of itself: instruments round to mains cycles.
const AVERAGING_PART: f64 = 0.1;
/// And within this (s).
const AVERAGING_STEP: f64 = 0.001;

/// What a load is to be and how it is to be prepared.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadSetup {
    /// Its name in the station, for messages.
    pub name: String,
    /// What its identity must contain; take maker, model and serial number. Never empty.
    pub identity: String,
    /// Current protection (A, more than 0).
    pub protection: Amps,
    /// The current range it works in (A); none where it has but one.
    pub range: Option<Amps>,
    /// The measurement window it is to have (s); 0 leaves it as it is. Only a load whose commands
    /// describe an averaging time can be told.
    pub window: Duration,
    /// The setpoint it is prepared with (V): high, where the device delivers nothing.
    pub start: Volts,
    /// How exactly a voltage reads back (V, more than 0).
    pub volts_resolution: Volts,
    /// How exactly a current reads back (A, more than 0).
    pub amps_resolution: Amps,
    /// How long one exchange may take.
    pub deadline: Duration,
    /// Its words.
    pub commands: LoadCommands,
}

/// A point of a list.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ListPoint {
    /// The middle of its measurement, as the runtime's clock has it.
    pub at: Instant,
    /// Volts at the load's terminals.
    pub volts: Volts,
    /// Amps through the loop.
    pub amps: Amps,
}

/// A load on its link.
///
/// Calling contract: [`Load::prepare`] first, and again after any error; each operation is one or
/// a few exchanges, each within the setup's deadline.
#[derive(Debug)]
pub struct Load {
    session: Session,
    setup: LoadSetup,
    /// The setpoint it was told last.
    setpoint: Volts,
    /// Whether the input should be on.
    on: bool,
    /// The averaging time asked for, if any was.
    averaging: Option<Duration>,
}

impl Load {
    /// A load on a link that was just opened.
    #[must_use]
    pub fn new(link: Link, setup: LoadSetup) -> Self {
        let session = Session::new(&setup.name, link, setup.deadline);
        Self { session, setpoint: setup.start, on: false, averaging: None, setup }
    }

    /// Its link.
    #[must_use]
    pub const fn link(&self) -> &Link {
        &self.session.link
    }

    /// Its whole answer to who it is, once it was prepared; 80 characters at most.
    #[must_use]
    pub fn identity(&self) -> &str {
        self.session.identity()
    }

    /// Takes the link back, to close it.
    #[must_use]
    pub fn into_link(self) -> Link {
        self.session.link
    }

    /// Brings the load into a known, safe state: link in step, identity as stated, input off,
    /// constant voltage, protection and start setpoint set and read back, no errors. Tells what it
    /// was doing before: after a run that was killed, or an outage, its input may still be on.
    ///
    /// Nothing is set before the identity is known.
    ///
    /// # Errors
    /// [`InstrumentError`]; the input is off, or was not reached.
    pub async fn prepare(&mut self) -> Result<Found, InstrumentError> {
        let Self { session, setup, .. } = self;
        let words = &setup.commands;
        session.greet(&words.identify, &setup.identity, &words.clear).await?;
        let found = self.look().await;
        let Self { session, setup, .. } = self;
        let words = &setup.commands;
        // A look that failed must not keep the input from going off.
        session.align().await?;
        session.switch(&words.input_off, &words.input, false).await?;
        self.on = false;
        // A list that was broken off must not go on.
        if let Some(stop) = words.list.as_ref().and_then(|list| list.stop.as_ref()) {
            session.tell(stop).await?;
        }
        if let Some(clear) = &words.clear_trip {
            session.tell(clear).await?;
        }
        session.tell(&words.constant_voltage).await?;
        session.confirm(&words.mode).await?;
        if words.range.is_some() {
            self.set_range(self.setup.range.unwrap_or(self.setup.protection)).await?;
        }
        self.session.set(protection(&self.setup), self.setup.protection.0).await?;
        let window = self.averaging.unwrap_or(self.setup.window);
        if self.setup.commands.averaging.is_some() && !window.is_zero() {
            self.set_averaging(window).await?;
        }
        self.set_volts(self.setup.start).await?;
        let words = &self.setup.commands;
        self.session.settle(&words.complete, &words.next_error).await?;
        Ok(found)
    }

    /// What it is doing, as far as it tells.
    async fn look(&mut self) -> Found {
        let words = &self.setup.commands;
        let input_on = self.session.is_on(&words.input).await.ok();
        let seen = match input_on {
            Some(true) => self.session.measure(&words.measure).await.ok(),
            _ => None,
        };
        Found { input_on, load: seen.map(|(volts, _)| volts), amps: seen.map(|(_, amps)| amps) }
    }

    /// Sets the voltage at the load's terminals and makes sure that it reads back.
    ///
    /// # Errors
    /// [`InstrumentError`]; the load keeps its former setpoint, or the new one unconfirmed. A value
    /// that is no number is refused and not sent.
    pub async fn set_volts(&mut self, volts: Volts) -> Result<(), InstrumentError> {
        self.session.set(volts_setting(&self.setup), volts.0).await?;
        self.setpoint = volts;
        Ok(())
    }

    /// Closes or opens the input and makes sure of it. Before it is closed, mode, setpoint and
    /// protection are read once more: an instrument that was restarted, or set by hand, has others.
    ///
    /// # Errors
    /// [`InstrumentError`]; the input's state is not known.
    pub async fn input(&mut self, on: bool) -> Result<(), InstrumentError> {
        let Self { session, setup, .. } = self;
        let words = &setup.commands;
        if on {
            session.confirm(&words.mode).await?;
            session.reads(volts_setting(setup), self.setpoint.0).await?;
            session.reads(protection(setup), setup.protection.0).await?;
        }
        let command = if on { &words.input_on } else { &words.input_off };
        // Off is what counts when it is not known.
        self.on = false;
        session.switch(command, &words.input, on).await?;
        self.on = on;
        Ok(())
    }

    /// Measures voltage and current at the load's terminals, in one message so that they belong
    /// together. A load that should be drawing and shows no current is asked whether its input is
    /// still on; one whose commands describe a status is asked for it.
    ///
    /// # Errors
    /// [`InstrumentError`]; infinity and "not a number" are errors, never numbers.
    pub async fn measure(&mut self) -> Result<(Volts, Amps), InstrumentError> {
        let first = self.measure_once().await?;
        let emulated = self.averaging.filter(|_| self.setup.commands.averaging.is_none());
        let Some(time) = emulated else { return Ok(first) };
        let until = Instant::now() + time;
        let (mut sum, mut count) = (first, 1.0);
        while Instant::now() < until {
            let (volts, amps) = self.measure_once().await?;
            sum = (sum.0 + volts, sum.1 + amps);
            count += 1.0;
        }
        Ok((sum.0 / count, sum.1 / count))
    }

    async fn measure_once(&mut self) -> Result<(Volts, Amps), InstrumentError> {
        let Self { session, setup, .. } = self;
        let words = &setup.commands;
        let (volts, amps) = session.measure(&words.measure).await?;
        if self.on && amps.0.abs() <= setup.amps_resolution.0 {
            session.expect(&words.input, true).await?;
        }
        self.status().await?;
        Ok((volts, amps))
    }

    /// Makes sure that no protection has tripped, where the commands describe how to ask.
    ///
    /// # Errors
    /// [`InstrumentError::Tripped`] and those of an exchange.
    pub async fn status(&mut self) -> Result<(), InstrumentError> {
        match &self.setup.commands.status {
            Some(query) => self.session.watch(query).await,
            None => Ok(()),
        }
    }

    /// Sets the averaging time of measurements and makes sure that it reads back. A load that can't
    /// is measured again and again for that time after the first answer, and the means are taken.
    ///
    /// # Errors
    /// [`InstrumentError`]; it may read back within 10 % and 1 ms.
    pub async fn set_averaging(&mut self, time: Duration) -> Result<(), InstrumentError> {
        if let Some(SetAndAsk { set, ask }) = &self.setup.commands.averaging {
            let seconds = time.as_secs_f64();
            let resolution = AVERAGING_STEP + AVERAGING_PART * seconds;
            self.session.set(Setting { set, ask, resolution, unit: "s" }, seconds).await?;
        }
        self.averaging = Some(time);
        Ok(())
    }

    /// Chooses a current range that reaches `amps` and makes sure that it does. A load that can't is
    /// checked against the range that its setup states.
    ///
    /// # Errors
    /// [`InstrumentError::BeyondRange`] and those of an exchange.
    pub async fn set_range(&mut self, amps: Amps) -> Result<(), InstrumentError> {
        let Self { session, setup, .. } = self;
        match (&setup.commands.range, setup.range) {
            (Some(SetAndAsk { set, ask }), _) => {
                let resolution = setup.amps_resolution.0;
                let setting = Setting { set, ask, resolution, unit: Amps::UNIT };
                session.set_at_least(setting, amps.0).await
            }
            (None, Some(range)) if !amps.is_finite() || amps > range => {
                let instrument = setup.name.as_str().into();
                Err(InstrumentError::BeyondRange { instrument, wanted: amps.0, range: range.0 })
            }
            (None, _) => Ok(()),
        }
    }

    /// Steps through `volts` with `dwell` at each, and answers with what was measured at the end of
    /// each dwell. A load that runs lists by itself does; another is set and measured step by step.
    /// Afterwards the setpoint is the last of the list, read back.
    ///
    /// # Errors
    /// [`InstrumentError`]; the setpoint is then one of the list, or the former one.
    pub async fn run_list(
        &mut self,
        volts: &[Volts],
        dwell: Duration,
    ) -> Result<Vec<ListPoint>, InstrumentError> {
        let mut points = Vec::with_capacity(volts.len());
        let Some(list) = self.setup.commands.list.clone() else {
            for step in volts {
                self.set_volts(*step).await?;
                sleep(dwell).await;
                let asked = Instant::now();
                let (volts, amps) = self.measure_once().await?;
                points.push(ListPoint { at: asked + asked.elapsed() / 2, volts, amps });
            }
            return Ok(points);
        };
        for piece in volts.chunks(list.longest.max(1)) {
            self.run_piece(&list, piece, dwell, &mut points).await?;
        }
        match volts.last() {
            Some(last) => self.set_volts(*last).await.map(|()| points),
            None => Ok(points),
        }
    }

    async fn run_piece(
        &mut self,
        list: &ListCommands,
        volts: &[Volts],
        dwell: Duration,
        points: &mut Vec<ListPoint>,
    ) -> Result<(), InstrumentError> {
        let Self { session, setup, .. } = self;
        let bare: Vec<f64> = volts.iter().map(|volts| volts.0).collect();
        session.tell_all(&list.set_volts, &bare).await?;
        session.tell_all(&list.set_dwell, &[dwell.as_secs_f64()]).await?;
        // A list that was refused must not be taken for one that ran.
        session.settle(&setup.commands.complete, &setup.commands.next_error).await?;
        session.tell(&list.start).await?;
        // It measures at the end of each dwell, and answers nothing meanwhile.
        let began = Instant::now();
        let window = self.averaging.unwrap_or(setup.window);
        let each = dwell + window;
        sleep(each.saturating_mul(u32::try_from(volts.len()).unwrap_or(u32::MAX))).await;
        let measured = session.array(&list.volts, "voltage", volts.len()).await?;
        let amps = session.array(&list.amps, "current", volts.len()).await?;
        let middle = |place: u32| began + each.saturating_mul(place) + dwell + window / 2;
        let places = (0..).map(middle).zip(measured.into_iter().zip(amps));
        points.extend(places.map(|(at, (volts, amps))| ListPoint {
            at,
            volts: Volts(volts),
            amps: Amps(amps),
        }));
        if let Some(stop) = &list.stop {
            session.tell(stop).await?;
        }
        session.settle(&setup.commands.complete, &setup.commands.next_error).await
    }
}

fn volts_setting(setup: &LoadSetup) -> Setting<'_> {
    Setting {
        set: &setup.commands.set_volts,
        ask: &setup.commands.volts,
        resolution: setup.volts_resolution.0,
        unit: Volts::UNIT,
    }
}

fn protection(setup: &LoadSetup) -> Setting<'_> {
    Setting {
        set: &setup.commands.set_protection,
        ask: &setup.commands.protection,
        resolution: setup.amps_resolution.0,
        unit: Amps::UNIT,
    }
}
