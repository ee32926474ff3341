//! A line to sensors, opened when needed.

use crate::daemon::bench::Lines;
use crate::instruments::link::{Bus, BusSettings, Link, LinkSettings, REOPEN_WAIT};
use crate::instruments::{InstrumentError, Meter, MeterSetup};
use crate::modbus::{Format, Request};
use crate::station::{Address, SensorSource};
use std::time::Duration;
use tokio::time::Instant;

/// What a sensor's line is asked.
pub(super) enum Ask {
    /// Registers.
    Registers(Request, Option<Format>, Duration),
    /// Words.
    Query(String, Duration),
}

impl Ask {
    /// By when it is answered.
    pub(super) const fn deadline(&self) -> Duration {
        match self {
            Self::Registers(_, _, deadline) | Self::Query(_, deadline) => *deadline,
        }
    }
}

/// Why there is no number.
pub(super) struct PortError {
    pub(super) text: String,
    /// Whether the line has to be closed.
    pub(super) broken: bool,
}

enum Kind {
    Modbus(BusSettings, Option<Bus>),
    Meter(LinkSettings, MeterSetup, Option<Meter>),
}

/// A line.
pub(super) struct Port {
    kind: Kind,
    /// Not to be opened earlier: devices keep dead sockets.
    closed: Option<Instant>,
}

/// The line of a sensor and what it is asked there; none where it is read through a channel.
pub(super) fn of<'a>(source: &'a SensorSource, lines: &Lines) -> Option<(&'a Address, Port, Ask)> {
    let (address, kind, ask) = match source {
        SensorSource::Modbus { address, request, format, deadline } => {
            let settings = bus(lines(address)?, address)?;
            let ask = Ask::Registers(*request, *format, *deadline);
            (address, Kind::Modbus(settings, None), ask)
        }
        SensorSource::Meter { address, identity, query, deadline } => {
            let name = format!("meter {address}");
            let setup = MeterSetup { name, identity: identity.clone(), deadline: *deadline };
            (
                address,
                Kind::Meter(lines(address)?, setup, None),
                Ask::Query(query.clone(), *deadline),
            )
        }
        SensorSource::Channel(_) => return None,
    };
    Some((address, Port { kind, closed: None }, ask))
}

fn bus(settings: LinkSettings, address: &Address) -> Option<BusSettings> {
    match settings {
        LinkSettings::Serial(serial) => Some(BusSettings::Rtu(serial)),
        LinkSettings::Tcp { host, port } => Some(BusSettings::Tcp { host, port }),
        // What speaks Modbus on a serial line speaks RTU there.
        LinkSettings::Within(within) if matches!(address, Address::Serial { .. }) => {
            Some(BusSettings::WithinRtu(within))
        }
        LinkSettings::Within(within) => Some(BusSettings::WithinTcp(within)),
        // The station refuses it.
        LinkSettings::UsbTmc(_) => None,
    }
}

impl Port {
    /// Makes sure that the line is open.
    pub(super) async fn open(&mut self) -> Result<(), String> {
        let is_open = match &self.kind {
            Kind::Modbus(_, bus) => bus.is_some(),
            Kind::Meter(_, _, meter) => meter.is_some(),
        };
        if is_open {
            return Ok(());
        }
        if let Some(closed) = self.closed {
            tokio::time::sleep_until(closed + REOPEN_WAIT).await;
        }
        let opened = match &mut self.kind {
            Kind::Modbus(settings, bus) => match Bus::open(settings).await {
                Ok(opened) => {
                    *bus = Some(opened);
                    Ok(())
                }
                Err(error) => Err(error.to_string()),
            },
            Kind::Meter(settings, setup, meter) => match Link::open(settings).await {
                Err(error) => Err(error.to_string()),
                Ok(opened) => {
                    let found = meter.insert(Meter::new(opened, setup.clone()));
                    found.prepare().await.map_err(|error| error.to_string())
                }
            },
        };
        if opened.is_err() {
            self.close().await;
        }
        opened
    }

    /// Asks; the line must be open.
    pub(super) async fn ask(&mut self, ask: &Ask) -> Result<f64, PortError> {
        match (&mut self.kind, ask) {
            (Kind::Modbus(_, Some(bus)), Ask::Registers(request, format, deadline)) => {
                let answer = bus.read(request, *deadline).await.map(|answer| match format {
                    Some(format) => format.decode(|place| answer.get(place)),
                    None => answer.get(0).map(f64::from),
                });
                match answer {
                    // The answer's length was checked: there are as many registers as it takes.
                    Ok(value) => Ok(value.unwrap_or(f64::NAN)),
                    Err(error) => {
                        Err(PortError { text: error.to_string(), broken: bus.is_broken() })
                    }
                }
            }
            (Kind::Meter(_, _, Some(meter)), Ask::Query(query, _)) => {
                match meter.read(query).await {
                    Ok(value) => Ok(value),
                    // It answered, and the answer is that there is no value.
                    Err(InstrumentError::NoReading { .. }) => Ok(f64::NAN),
                    Err(error) => Err(PortError { text: error.to_string(), broken: true }),
                }
            }
            _ => Err(PortError { text: "the line is not open".to_owned(), broken: true }),
        }
    }

    /// Closes the line in order.
    pub(super) async fn close(&mut self) {
        match &mut self.kind {
            Kind::Modbus(_, bus) => {
                if let Some(bus) = bus.take() {
                    bus.close().await;
                }
            }
            Kind::Meter(_, _, meter) => {
                if let Some(meter) = meter.take() {
                    meter.into_link().close().await;
                }
            }
        }
        self.closed = Some(Instant::now());
    }
}
