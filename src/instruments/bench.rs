//! A channel's bench: its load and boost supply on their links, opened when needed.
//!
//! Model: each [`Command`] of the core becomes the instruments' operations. A failed exchange
//! leaves the instrument to be prepared anew before anything else is asked of it. A line that is
//! gone, or fails while preparing, is closed, so that a replugged adapter gets its old number back,
//! and opened afresh by its stable name, not sooner than [`REOPEN_WAIT`] later.
//!
//! The boost supply goes off even where the load can't be reached: the load keeps its setpoint by
//! itself, and without boost the device rises toward open circuit, which is its safe side.

use super::error::InstrumentError;
use super::link::{Link, LinkSettings, REOPEN_WAIT};
use super::{ListPoint, Load, LoadSetup, Supply, SupplySetup};
use crate::control::{Command, Found};
use crate::quantities::{Amps, Volts};
use std::time::Duration;
use tokio::time::{Instant, sleep_until};

/// What a bench answers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Answer {
    /// Carried out.
    Done,
    /// Prepared; the load was found like this.
    Prepared(Found),
    /// Load volts, loop amps, boost volts where measured.
    Measured(Volts, Amps, Option<Volts>),
}

/// What a bench is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct BenchSetup {
    /// Where the load is, and what it is to be.
    pub load: (LinkSettings, LoadSetup),
    /// Where the boost supply is, and what it is to be; none where it is fixed or there is none.
    pub boost: Option<(LinkSettings, SupplySetup)>,
    /// Whether the boost supply's voltage is measured with each reading.
    pub boost_measured: bool,
}

/// What opening and closing have in common.
trait Placed: Sized {
    type Setup: Clone;
    fn name(setup: &Self::Setup) -> &str;
    fn on(link: Link, setup: Self::Setup) -> Self;
    fn take_link(self) -> Link;
}

impl Placed for Load {
    type Setup = LoadSetup;

    fn name(setup: &LoadSetup) -> &str {
        &setup.name
    }

    fn on(link: Link, setup: LoadSetup) -> Self {
        Self::new(link, setup)
    }

    fn take_link(self) -> Link {
        self.into_link()
    }
}

impl Placed for Supply {
    type Setup = SupplySetup;

    fn name(setup: &SupplySetup) -> &str {
        &setup.name
    }

    fn on(link: Link, setup: SupplySetup) -> Self {
        Self::new(link, setup)
    }

    fn take_link(self) -> Link {
        self.into_link()
    }
}

/// One instrument: how to reach it, and itself while it is reached.
#[derive(Debug)]
struct Place<I: Placed> {
    link: LinkSettings,
    setup: I::Setup,
    instrument: Option<I>,
    /// Whether it is known to be the right one, in step and set up. Until it is, nothing is sent to
    /// it but what finds that out.
    ready: bool,
    /// When its line was closed last.
    closed: Option<Instant>,
}

impl<I: Placed> Place<I> {
    fn new((link, setup): (LinkSettings, I::Setup)) -> Self {
        Self { link, setup, instrument: None, ready: false, closed: None }
    }

    /// The instrument, its line opened if it is not.
    async fn reach(&mut self) -> Result<&mut I, InstrumentError> {
        if self.instrument.is_none() {
            if let Some(closed) = self.closed {
                sleep_until(closed + REOPEN_WAIT).await;
            }
            let opened = Link::open(&self.link).await;
            // One that didn't open is not tried again at once either.
            self.closed = Some(Instant::now());
            let link = opened.map_err(|source| InstrumentError::Link {
                instrument: I::name(&self.setup).into(),
                source: Box::new(source),
            })?;
            self.instrument = Some(I::on(link, self.setup.clone()));
        }
        Ok(self.instrument.as_mut().expect("it was put there right above"))
    }

    /// Takes note of how an operation went. A line that is gone is closed.
    async fn operated<T>(&mut self, how: Result<T, InstrumentError>) -> Result<T, InstrumentError> {
        self.ready = how.is_ok();
        if how.as_ref().is_err_and(InstrumentError::is_closed) {
            self.close().await;
        }
        how
    }

    /// The same of preparing. Any line that fails there is closed, to be opened afresh: TCP can't
    /// tell a pulled cable from silence.
    async fn prepared<T>(&mut self, how: Result<T, InstrumentError>) -> Result<T, InstrumentError> {
        self.ready = how.is_ok();
        if how.as_ref().is_err_and(InstrumentError::is_link) {
            self.close().await;
        }
        how
    }

    async fn close(&mut self) {
        self.ready = false;
        if let Some(instrument) = self.instrument.take() {
            instrument.take_link().close().await;
            self.closed = Some(Instant::now());
        }
    }
}

/// The load and the boost supply of one channel.
#[derive(Debug)]
pub struct Bench {
    load: Place<Load>,
    boost: Option<Place<Supply>>,
    boost_measured: bool,
}

impl Bench {
    /// A bench whose lines are still closed.
    #[must_use]
    pub fn new(setup: BenchSetup) -> Self {
        Self {
            load: Place::new(setup.load),
            boost: setup.boost.map(Place::new),
            boost_measured: setup.boost_measured,
        }
    }

    /// Carries out one command. Instruments that are not prepared are prepared first, whatever is
    /// asked, which leaves input and boost off.
    ///
    /// # Errors
    /// [`InstrumentError`]; the instrument that failed is prepared again before it is used.
    pub async fn carry_out(&mut self, command: Command) -> Result<Answer, InstrumentError> {
        match command {
            Command::Prepare => return self.prepare().await.map(Answer::Prepared),
            Command::BoostOff => self.switch_boost(false).await?,
            _ if !self.is_ready() => {
                self.prepare().await?;
                return self.operate(command).await;
            }
            _ => return self.operate(command).await,
        }
        Ok(Answer::Done)
    }

    async fn operate(&mut self, command: Command) -> Result<Answer, InstrumentError> {
        match command {
            Command::Measure => return self.measure().await,
            Command::BoostOn => self.switch_boost(true).await?,
            _ => {
                let done = operate_load(self.load.reach().await?, command).await;
                self.load.operated(done).await?;
            }
        }
        Ok(Answer::Done)
    }

    fn is_ready(&self) -> bool {
        self.load.ready && self.boost.as_ref().is_none_or(|boost| boost.ready)
    }

    /// Load first: its input goes off before the boost supply does.
    async fn prepare(&mut self) -> Result<Found, InstrumentError> {
        self.load.ready = false;
        let prepared = self.load.reach().await?.prepare().await;
        let found = self.load.prepared(prepared).await?;
        if let Some(boost) = &mut self.boost {
            prepare_boost(boost).await?;
        }
        Ok(found)
    }

    /// Both at the same time, each on its own line: a reading takes as long as the slower one, and
    /// the boost supply's voltage belongs to the load's moment.
    async fn measure(&mut self) -> Result<Answer, InstrumentError> {
        let measured = self.boost_measured;
        let (load, boost) =
            tokio::join!(measure(&mut self.load), ask_boost(self.boost.as_mut(), measured));
        let (volts, amps) = load?;
        Ok(Answer::Measured(volts, amps, boost?))
    }

    /// The load's reading alone, for readings as fast as the line allows.
    ///
    /// # Errors
    /// As [`Bench::carry_out`].
    pub async fn measure_load(&mut self) -> Result<(Volts, Amps), InstrumentError> {
        measure(&mut self.load).await
    }

    /// Lets the load step through `volts` (at its terminals) by itself, with `dwell` at each and a
    /// measurement behind it: [`Command::RunList`], which a bench doesn't know the setpoints of.
    ///
    /// # Errors
    /// As [`Bench::carry_out`].
    pub async fn run_list(
        &mut self,
        volts: &[Volts],
        dwell: Duration,
    ) -> Result<Vec<ListPoint>, InstrumentError> {
        let run = self.load.reach().await?.run_list(volts, dwell).await;
        self.load.operated(run).await
    }

    /// What the boost supply measures at its terminals (V); none without one on a link.
    ///
    /// # Errors
    /// As [`Bench::carry_out`].
    pub async fn measure_boost(&mut self) -> Result<Option<Volts>, InstrumentError> {
        let Some(boost) = &mut self.boost else { return Ok(None) };
        let measured = boost.reach().await?.measure().await;
        Ok(Some(boost.operated(measured).await?.0))
    }

    async fn switch_boost(&mut self, on: bool) -> Result<(), InstrumentError> {
        let Some(boost) = &mut self.boost else { return Ok(()) };
        if !boost.ready {
            prepare_boost(boost).await?;
        }
        let done = boost.reach().await?.output(on).await;
        boost.operated(done).await
    }

    /// What the load and the boost supply answered to who they are, as far as they did.
    #[must_use]
    pub fn identities(&self) -> (&str, Option<&str>) {
        let load = self.load.instrument.as_ref().map_or("", Load::identity);
        let boost = self.boost.as_ref().and_then(|boost| boost.instrument.as_ref());
        (load, boost.map(Supply::identity))
    }

    /// Closes the lines.
    pub async fn close(mut self) {
        self.load.close().await;
        if let Some(boost) = &mut self.boost {
            boost.close().await;
        }
    }
}

async fn measure(load: &mut Place<Load>) -> Result<(Volts, Amps), InstrumentError> {
    let measured = load.reach().await?.measure().await;
    load.operated(measured).await
}

/// The boost supply's voltage, where it is measured; otherwise only whether it is well.
async fn ask_boost(
    boost: Option<&mut Place<Supply>>,
    measured: bool,
) -> Result<Option<Volts>, InstrumentError> {
    let Some(boost) = boost else { return Ok(None) };
    let supply = boost.reach().await?;
    let answer = if measured {
        supply.measure().await.map(|(volts, _)| Some(volts))
    } else {
        supply.status().await.map(|()| None)
    };
    boost.operated(answer).await
}

async fn operate_load(load: &mut Load, command: Command) -> Result<(), InstrumentError> {
    match command {
        Command::SetVoltage(setpoint) => load.set_volts(setpoint.load()).await,
        Command::InputOn => load.input(true).await,
        Command::InputOff => load.input(false).await,
        // The bench has taken these.
        Command::Prepare | Command::Measure | Command::BoostOn | Command::BoostOff => Ok(()),
        // Its setpoints come with Bench::run_list.
        Command::RunList => Ok(()),
    }
}

async fn prepare_boost(boost: &mut Place<Supply>) -> Result<(), InstrumentError> {
    boost.ready = false;
    let prepared = boost.reach().await?.prepare().await;
    boost.prepared(prepared).await
}
