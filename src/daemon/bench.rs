//! A channel's real bench: its load and boost supply on their links, opened when needed.
//!
//! Model: each [`Command`] of the core becomes the instruments' operations. A failed exchange
//! leaves the link to be proven anew by the next [`Command::Prepare`]; a link that is gone is closed
//! before it is opened again, so that a replugged adapter gets its old number back.

use crate::control::Command;
use crate::instruments::link::{
    DataBits, FlowControl, Link, LinkSettings, Parity, SerialSettings, StopBits,
};
use crate::instruments::{
    InstrumentError, Load, LoadCommands, LoadSetup, Supply, SupplyCommands, SupplySetup,
};
use crate::quantities::{Amps, Volts};
use crate::station::{self, Address, ChannelSpec};

/// An instrument whose reading resolution the station doesn't state reads back within this (V, A).
const READ_BACK: f64 = 0.01;

/// What the bench answers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Answer {
    /// Carried out.
    Done,
    /// Load volts, loop amps, boost volts where measured.
    Measured(Volts, Amps, Option<Volts>),
}

/// One instrument: how to reach it, and itself while it is reached.
struct Place<S, I> {
    link: LinkSettings,
    setup: S,
    instrument: Option<I>,
}

/// The load and the boost supply of one channel.
pub(super) struct LiveBench {
    load: Place<LoadSetup, Load>,
    boost: Option<Place<SupplySetup, Supply>>,
    boost_measured: bool,
    /// Whether the instruments are known to be the right ones, in step and set up. Until they are,
    /// nothing is sent to them but what finds that out.
    prepared: bool,
}

impl LiveBench {
    /// The bench that a channel's station file describes; none where it is on the plant.
    pub(super) fn new(spec: &ChannelSpec) -> Option<Self> {
        let name = |what: &str| format!("{} {what}", spec.name);
        let load = Place {
            link: link(&spec.load.address)?,
            setup: LoadSetup {
                name: name("load"),
                identity: spec.load.identity.clone().unwrap_or_default(),
                protection: spec.load.current_protection,
                start: spec.control.envelope.load_volts_max,
                volts_resolution: spec.load.resolution_volts.max(Volts(READ_BACK)),
                amps_resolution: spec.load.resolution_amps.max(Amps(READ_BACK)),
                deadline: spec.load.deadline,
                commands: LoadCommands::default(),
            },
            instrument: None,
        };
        let boost = spec.boost.as_ref().and_then(|boost| {
            Some(Place {
                link: link(boost.address.as_ref()?)?,
                setup: SupplySetup {
                    name: name("boost supply"),
                    identity: boost.identity.clone().unwrap_or_default(),
                    volts: boost.volts,
                    limit: boost.amps,
                    volts_resolution: Volts(READ_BACK),
                    amps_resolution: Amps(READ_BACK),
                    deadline: spec.load.deadline,
                    commands: SupplyCommands::default(),
                },
                instrument: None,
            })
        });
        let boost_measured = spec.boost.as_ref().is_some_and(|boost| boost.measured);
        Some(Self { load, boost, boost_measured, prepared: false })
    }

    /// Carries out one command. Whatever is asked of instruments that are not prepared, they are
    /// prepared first, which leaves input and boost off.
    pub(super) async fn carry_out(&mut self, command: Command) -> Result<Answer, InstrumentError> {
        if !self.prepared || command == Command::Prepare {
            self.prepared = false;
            self.prepare().await?;
            self.prepared = true;
        }
        let answer = self.operate(command).await;
        if answer.is_err() {
            self.prepared = false;
        }
        answer
    }

    async fn operate(&mut self, command: Command) -> Result<Answer, InstrumentError> {
        match command {
            Command::Prepare => {}
            Command::Measure => return self.measure().await,
            Command::SetVoltage(setpoint) => self.load().await?.set_volts(setpoint.load()).await?,
            Command::InputOn => self.load().await?.input(true).await?,
            Command::InputOff => self.load().await?.input(false).await?,
            Command::BoostOn => self.switch_boost(true).await?,
            Command::BoostOff => self.switch_boost(false).await?,
        }
        Ok(Answer::Done)
    }

    /// Load first: its input goes off before the boost supply does. A link that fails here is
    /// closed, to be opened afresh: TCP can't tell a pulled cable from silence.
    async fn prepare(&mut self) -> Result<(), InstrumentError> {
        let prepared = self.load().await?.prepare().await;
        if prepared.as_ref().is_err_and(InstrumentError::is_link) {
            close_load(&mut self.load).await;
        }
        prepared?;
        let Some(boost) = &mut self.boost else {
            return Ok(());
        };
        let supply = match &mut boost.instrument {
            Some(supply) => supply,
            empty => {
                let link = open(&boost.link, &boost.setup.name).await?;
                empty.insert(Supply::new(link, boost.setup.clone()))
            }
        };
        let prepared = supply.prepare().await;
        if prepared.as_ref().is_err_and(InstrumentError::is_link)
            && let Some(supply) = boost.instrument.take()
        {
            supply.into_link().close().await;
        }
        prepared
    }

    /// The load, its link opened if it is not.
    async fn load(&mut self) -> Result<&mut Load, InstrumentError> {
        let load = &mut self.load;
        Ok(match &mut load.instrument {
            Some(instrument) => instrument,
            empty => {
                let link = open(&load.link, &load.setup.name).await?;
                empty.insert(Load::new(link, load.setup.clone()))
            }
        })
    }

    async fn measure(&mut self) -> Result<Answer, InstrumentError> {
        let (volts, amps) = self.load().await?.measure().await?;
        let supply = self.boost.as_mut().and_then(|boost| boost.instrument.as_mut());
        let boost = match supply {
            Some(supply) if self.boost_measured => Some(supply.measure().await?.0),
            _ => None,
        };
        Ok(Answer::Measured(volts, amps, boost))
    }

    /// The load's reading alone, for readings as fast as the line allows.
    pub(super) async fn measure_load(&mut self) -> Result<(Volts, Amps), InstrumentError> {
        let seen = self.load().await?.measure().await;
        self.prepared &= seen.is_ok();
        seen
    }

    /// What the boost supply measures at its terminals; none without one on a link.
    pub(super) async fn measure_boost(&mut self) -> Result<Option<Volts>, InstrumentError> {
        let Some(supply) = self.boost.as_mut().and_then(|boost| boost.instrument.as_mut()) else {
            return Ok(None);
        };
        let seen = supply.measure().await;
        self.prepared &= seen.is_ok();
        Ok(Some(seen?.0))
    }

    async fn switch_boost(&mut self, on: bool) -> Result<(), InstrumentError> {
        match self.boost.as_mut().and_then(|boost| boost.instrument.as_mut()) {
            Some(supply) => supply.output(on).await,
            None => Ok(()),
        }
    }

    /// Closes the links.
    pub(super) async fn close(mut self) {
        close_load(&mut self.load).await;
        if let Some(supply) = self.boost.and_then(|boost| boost.instrument) {
            supply.into_link().close().await;
        }
    }
}

async fn close_load(load: &mut Place<LoadSetup, Load>) {
    if let Some(instrument) = load.instrument.take() {
        instrument.into_link().close().await;
    }
}

async fn open(settings: &LinkSettings, instrument: &str) -> Result<Link, InstrumentError> {
    Link::open(settings).await.map_err(|source| InstrumentError::Link {
        instrument: instrument.into(),
        source: Box::new(source),
    })
}

/// A station's address as a link's settings; none for the plant.
fn link(address: &Address) -> Option<LinkSettings> {
    match address {
        Address::Plant => None,
        Address::Tcp { host, port } => Some(LinkSettings::Tcp { host: host.clone(), port: *port }),
        Address::Serial { path, baud, data_bits, parity, stop_bits, flow } => {
            Some(LinkSettings::Serial(SerialSettings {
                data_bits: if *data_bits == 7 { DataBits::Seven } else { DataBits::Eight },
                parity: match parity {
                    station::Parity::None => Parity::None,
                    station::Parity::Even => Parity::Even,
                    station::Parity::Odd => Parity::Odd,
                },
                stop_bits: if *stop_bits == 2 { StopBits::Two } else { StopBits::One },
                flow: match flow {
                    station::Flow::None => FlowControl::None,
                    station::Flow::Software => FlowControl::Software,
                    station::Flow::Hardware => FlowControl::Hardware,
                },
                ..SerialSettings::new(path, *baud)
            }))
        }
    }
}
