//! One channel's instruments with the guard in force: every setting passes it, every reading is held
//! against it.

use super::super::bench::{bench_setup, link};
use super::super::stop::StopFlag;
use crate::commission::idle::Reading;
use crate::commission::{Check, Reason};
use crate::control::{Breach, Command, Evidence, Guard, SeriesPath, Setpoint};
use crate::instruments::{Answer, Bench, InstrumentError};
use crate::quantities::{Amps, Volts};
use crate::station::ChannelSpec;
use std::time::{Duration, Instant};

/// A load that was told to go down is given this many of its stated time constants before the guard
/// counts it as not following...
const IN_TRANSIT: u32 = 40;
/// ...and no less than this: nobody has measured the time constant yet.
const IN_TRANSIT_FLOOR: Duration = Duration::from_secs(2);

/// What ends a channel's work.
#[derive(Debug)]
pub(super) enum Trouble {
    /// An instrument failed.
    Instrument(InstrumentError),
    /// A limit was passed.
    Breach(Breach),
    /// Somebody wants it to end.
    Stopped,
}

impl From<InstrumentError> for Trouble {
    fn from(error: InstrumentError) -> Self {
        Self::Instrument(error)
    }
}

impl Trouble {
    /// The trouble as a check that did not pass.
    pub(super) fn check(&self, what: &'static str) -> Check {
        let check = Check::passed(what, None, String::new());
        match self {
            Self::Instrument(error) => check.failed(reason(error), error.to_string()),
            Self::Breach(breach) => {
                let (words, unit) = breach.limit.words();
                let says = format!(
                    "{words}: {:.3} {unit} against {:.3} {unit}; the channel was let go. Compare \
                     [channel.envelope] with device and instruments",
                    breach.value, breach.bound
                );
                check.failed(Reason::Guard, says)
            }
            Self::Stopped => Check::skipped(what, "broken off").doubtful(
                Reason::Declined,
                "broken off by request; the channel was let go. Commission again",
            ),
        }
    }
}

/// Which kind of mistake an instrument's error is.
pub(super) fn reason(error: &InstrumentError) -> Reason {
    match error {
        InstrumentError::WrongIdentity { .. } => Reason::Identity,
        InstrumentError::Unverified { .. } | InstrumentError::Refused { .. } => Reason::Setting,
        InstrumentError::Tripped { .. } | InstrumentError::IsOff { .. } => Reason::Tripped,
        _ => Reason::Line,
    }
}

/// A setting that was carried out.
#[derive(Clone, Copy, Debug)]
pub(super) struct Set {
    pub(super) setpoint: Setpoint,
    pub(super) sent: Instant,
    pub(super) took: Duration,
}

/// A reading and when it was asked for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub(super) asked: Instant,
    pub(super) reading: Reading,
}

/// One channel's instruments under the guard.
pub(super) struct Rig<'s> {
    pub(super) spec: &'s ChannelSpec,
    bench: Bench,
    guard: Guard,
    path: SeriesPath,
    stop: StopFlag,
    input: bool,
    /// The setpoint in force, and the higher one before it, which bounds readings until then.
    setpoint: Option<Setpoint>,
    before: Option<(Setpoint, Instant)>,
}

impl<'s> Rig<'s> {
    /// The rig of a channel; none where it is on the plant.
    pub(super) fn new(spec: &'s ChannelSpec, stop: &StopFlag) -> Option<Self> {
        let mut rig = Self {
            spec,
            bench: Bench::new(bench_setup(spec, &link)?),
            guard: Guard::new(spec.control.envelope.clone()),
            path: spec.control.path,
            stop: stop.clone(),
            input: false,
            setpoint: None,
            before: None,
        };
        rig.boost_is(false);
        Some(rig)
    }

    fn boost_is(&mut self, on: bool) {
        let always = !self.spec.control.boost_switched;
        self.path.boost = if on || always { self.spec.control.path.boost } else { Volts::ZERO };
    }

    /// Instruments identified, in step, set up, everything off.
    pub(super) async fn prepare(&mut self) -> Result<(), InstrumentError> {
        self.input = false;
        self.boost_is(false);
        self.bench.carry_out(Command::Prepare).await.map(|_| ())
    }

    /// What the load and the boost supply answered to who they are.
    pub(super) fn identities(&self) -> (&str, Option<&str>) {
        self.bench.identities()
    }

    /// Device volts from load volts, as the loop stands.
    pub(super) fn device(&self, load: Volts, amps: Amps) -> Volts {
        self.path.device_volts(load, amps)
    }

    /// One reading of the load, held against the envelope.
    pub(super) async fn read(&mut self) -> Result<Seen, Trouble> {
        if self.stop.is_raised() {
            return Err(Trouble::Stopped);
        }
        let asked = Instant::now();
        let (volts, amps) = self.bench.measure_load().await?;
        let took = asked.elapsed();
        let bound = match self.before {
            Some((before, until)) if asked < until => Some(before),
            _ => None,
        };
        // A setpoint that was raised again is the higher one.
        let higher = |one: &Setpoint| self.setpoint.is_none_or(|now| one.load() > now.load());
        let bound = bound.filter(higher).or(self.setpoint);
        let bound = bound.filter(|_| self.input);
        self.guard
            .judge(&Evidence { load: volts, amps, path: self.path, setpoint: bound, boost: None })
            .map_err(Trouble::Breach)?;
        Ok(Seen { asked, reading: Reading { volts, amps, took } })
    }

    /// The mean of so many readings.
    pub(super) async fn mean(&mut self, count: u32) -> Result<(Volts, Amps), Trouble> {
        let (mut volts, mut amps) = (Volts::ZERO, Amps::ZERO);
        for _ in 0..count {
            let seen = self.read().await?.reading;
            volts += seen.volts;
            amps += seen.amps;
        }
        Ok((volts / f64::from(count), amps / f64::from(count)))
    }

    /// What the boost supply measures at its terminals, where the station says that it can.
    pub(super) async fn boost_volts(&mut self) -> Result<Option<Volts>, Trouble> {
        if !self.spec.boost.as_ref().is_some_and(|boost| boost.measured) {
            return Ok(None);
        }
        Ok(self.bench.measure_boost().await?)
    }

    /// Sets the device voltage that the guard makes of a wish.
    pub(super) async fn set(&mut self, wish: Volts, amps: Amps) -> Result<Set, Trouble> {
        let setpoint = self.guard.admit(wish, amps, &self.path);
        self.set_admitted(setpoint).await
    }

    /// Sets open circuit.
    pub(super) async fn set_open(&mut self) -> Result<Set, Trouble> {
        let setpoint = self.guard.open(&self.path);
        self.set_admitted(setpoint).await
    }

    async fn set_admitted(&mut self, setpoint: Setpoint) -> Result<Set, Trouble> {
        if self.stop.is_raised() {
            return Err(Trouble::Stopped);
        }
        let sent = Instant::now();
        let done = self.bench.carry_out(Command::SetVoltage(setpoint)).await?;
        debug_assert_eq!(done, Answer::Done, "a setting has no other answer");
        let grace = (self.spec.load.settling * IN_TRANSIT).max(IN_TRANSIT_FLOOR);
        if let Some(before) = self.setpoint.filter(|before| before.load() > setpoint.load()) {
            self.before = Some((before, sent + grace));
        }
        self.setpoint = Some(setpoint);
        Ok(Set { setpoint, sent, took: sent.elapsed() })
    }

    pub(super) async fn boost_on(&mut self) -> Result<(), Trouble> {
        self.bench.carry_out(Command::BoostOn).await?;
        self.boost_is(true);
        Ok(())
    }

    pub(super) async fn boost_off(&mut self) -> Result<(), Trouble> {
        self.bench.carry_out(Command::BoostOff).await?;
        self.boost_is(false);
        Ok(())
    }

    /// Whether the boost supply is on.
    pub(super) fn is_boosted(&self) -> bool {
        self.path.boost > Volts::ZERO
    }

    /// From now on the boost supply's own reading goes into the sum, as in a campaign.
    pub(super) fn trust_boost(&mut self, measured: Volts) {
        self.path.boost = measured;
    }

    /// Input on; only from open circuit.
    pub(super) async fn input_on(&mut self) -> Result<(), Trouble> {
        self.set_open().await?;
        self.bench.carry_out(Command::InputOn).await?;
        self.input = true;
        Ok(())
    }

    /// Input off, then boost off. Where a link has failed, preparing it anew does the same.
    pub(super) async fn let_go(&mut self) -> Result<(), InstrumentError> {
        let mut done = self.off().await;
        if done.is_err() {
            done = self.off().await;
        }
        self.input = false;
        self.boost_is(false);
        (self.setpoint, self.before) = (None, None);
        done
    }

    async fn off(&mut self) -> Result<(), InstrumentError> {
        self.bench.carry_out(Command::InputOff).await?;
        self.bench.carry_out(Command::BoostOff).await.map(|_| ())
    }

    /// Closes the links.
    pub(super) async fn close(self) {
        self.bench.close().await;
    }
}
