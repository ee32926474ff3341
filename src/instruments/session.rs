//! What operations on any instrument share: ask, check, verify, each within the deadline.

use super::error::{Exchange, InstrumentError};
use super::link::{Excerpt, Link, LinkError};
use crate::quantities::{Amps, Volts};
use crate::scpi::{ErrorEntry, Field, Numeric, ResponseError, emit_nr2, numbers};
use std::time::Duration;

/// Most entries read from an error queue; the standard asks for two places, instruments have 10 to
/// 64.
const MAX_ERRORS: u32 = 128;
/// Digits after the point of a value that is set (0.1 mV, 0.1 mA: finer than such instruments).
const DECIMALS: usize = 4;
/// What rounding to those digits can change.
const ROUNDING: f64 = 0.5e-4 + 1e-9;

/// A link with a name, a deadline and buffers that are used again.
#[derive(Debug)]
pub(super) struct Session {
    name: Box<str>,
    pub(super) link: Link,
    deadline: Duration,
    out: Vec<u8>,
    reply: Vec<u8>,
}

/// A setting: the header that sets it, the query that reads it back, and how exact that is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Setting<'a> {
    pub(super) header: &'a str,
    pub(super) query: &'a str,
    pub(super) resolution: f64,
    pub(super) unit: &'static str,
}

impl Session {
    pub(super) fn new(name: &str, link: Link, deadline: Duration) -> Self {
        let name = name.into();
        Self { name, link, deadline, out: Vec::with_capacity(128), reply: Vec::with_capacity(256) }
    }

    fn link_error(&self, source: LinkError) -> InstrumentError {
        InstrumentError::Link { instrument: self.name.clone(), source: Box::new(source) }
    }

    fn exchange(&self) -> Box<Exchange> {
        Box::new(Exchange {
            instrument: self.name.clone(),
            address: self.link.address().into(),
            command: Excerpt::of(&self.out),
            reply: Excerpt::of(&self.reply),
        })
    }

    fn unverified(&self, wanted: String) -> InstrumentError {
        InstrumentError::Unverified { at: self.exchange(), wanted: wanted.into() }
    }

    /// A reply that is no answer may be the answer to something else.
    fn unreadable(&mut self, why: ResponseError) -> InstrumentError {
        self.link.distrust();
        InstrumentError::Unreadable { at: self.exchange(), why }
    }

    fn begin(&mut self, message: &str) {
        self.out.clear();
        self.out.extend_from_slice(message.as_bytes());
    }

    async fn ask(&mut self) -> Result<(), InstrumentError> {
        let asked = self.link.query(&self.out, &mut self.reply, self.deadline).await;
        asked.map_err(|source| self.link_error(source))
    }

    async fn send(&mut self) -> Result<(), InstrumentError> {
        let sent = self.link.send(&self.out).await;
        sent.map_err(|source| self.link_error(source))
    }

    async fn tell(&mut self, message: &str) -> Result<(), InstrumentError> {
        self.begin(message);
        self.send().await
    }

    /// Brings the link into step, makes sure of the identity, clears the status.
    pub(super) async fn greet(
        &mut self,
        identify: &str,
        expected: &str,
        clear: &str,
    ) -> Result<(), InstrumentError> {
        let aligned = self.link.resynchronise().await;
        aligned.map_err(|source| self.link_error(source))?;
        self.begin(identify);
        self.ask().await?;
        // No statement is no permission: an empty identity would fit every instrument.
        let expected_bytes = expected.trim().as_bytes();
        let known = !expected_bytes.is_empty()
            && self.reply.windows(expected_bytes.len()).any(|part| part == expected_bytes);
        if !known {
            let expected = expected.into();
            return Err(InstrumentError::WrongIdentity { at: self.exchange(), expected });
        }
        self.tell(clear).await
    }

    /// Sends `command`, asks `query` and makes sure that the answer is `on`.
    pub(super) async fn switch(
        &mut self,
        command: &str,
        query: &str,
        on: bool,
    ) -> Result<(), InstrumentError> {
        self.tell(command).await?;
        self.begin(query);
        self.ask().await?;
        match Field(&self.reply).boolean() {
            Ok(found) if found == on => Ok(()),
            Ok(_) => Err(self.unverified((if on { "on" } else { "off" }).to_owned())),
            Err(why) => Err(self.unreadable(why)),
        }
    }

    /// Sends `command`, asks `query` and makes sure of the word that answers.
    pub(super) async fn choose(
        &mut self,
        command: &str,
        query: &str,
        answer: &str,
    ) -> Result<(), InstrumentError> {
        self.tell(command).await?;
        self.begin(query);
        self.ask().await?;
        match Field(&self.reply).word() {
            Ok(word) if word.eq_ignore_ascii_case(answer.as_bytes()) => Ok(()),
            Ok(_) => Err(self.unverified(answer.to_owned())),
            Err(why) => Err(self.unreadable(why)),
        }
    }

    /// Sets a value and makes sure that it reads back.
    ///
    /// In two messages: an instrument that refuses a value drops the rest of the message, and the
    /// error would be a silence instead of the value it kept.
    pub(super) async fn set(
        &mut self,
        setting: Setting<'_>,
        value: f64,
    ) -> Result<(), InstrumentError> {
        self.begin(setting.header);
        self.out.push(b' ');
        emit_nr2(&mut self.out, value.into(), DECIMALS);
        self.send().await?;
        self.begin(setting.query);
        self.ask().await?;
        let [found] = numbers(&self.reply).map_err(|why| self.unreadable(why))?;
        let close = found
            .value()
            .is_some_and(|found| (found - value).abs() <= setting.resolution + ROUNDING);
        if close { Ok(()) } else { Err(self.unverified(format!("{value} {}", setting.unit))) }
    }

    /// Makes sure that everything was carried out and nothing was refused.
    pub(super) async fn settle(
        &mut self,
        complete: &str,
        next_error: &str,
    ) -> Result<(), InstrumentError> {
        self.begin(complete);
        self.ask().await?;
        match Field(&self.reply).boolean() {
            Ok(true) => {}
            Ok(false) => return Err(self.unverified("completion".to_owned())),
            Err(why) => return Err(self.unreadable(why)),
        }
        let mut first = None;
        for count in 0..MAX_ERRORS {
            self.begin(next_error);
            self.ask().await?;
            let none = match ErrorEntry::parse(&self.reply) {
                Ok(entry) => entry.is_none(),
                Err(why) => return Err(self.unreadable(why)),
            };
            if none {
                return first.map_or(Ok(()), |at| Err(InstrumentError::Refused { at, count }));
            }
            first = first.or_else(|| Some(self.exchange()));
        }
        Err(InstrumentError::EndlessErrors { at: self.exchange(), limit: MAX_ERRORS })
    }

    /// Voltage and current of one measurement.
    pub(super) async fn measure(&mut self, query: &str) -> Result<(Volts, Amps), InstrumentError> {
        self.begin(query);
        self.ask().await?;
        let [volts, amps] = numbers(&self.reply).map_err(|why| self.unreadable(why))?;
        Ok((Volts(self.reading("voltage", volts)?), Amps(self.reading("current", amps)?)))
    }

    /// One number.
    pub(super) async fn number(&mut self, query: &str) -> Result<f64, InstrumentError> {
        self.begin(query);
        self.ask().await?;
        let [value] = numbers(&self.reply).map_err(|why| self.unreadable(why))?;
        self.reading("value", value)
    }

    fn reading(&self, quantity: &'static str, value: Numeric) -> Result<f64, InstrumentError> {
        value.value().ok_or_else(|| InstrumentError::NoReading {
            at: self.exchange(),
            quantity,
            value,
        })
    }
}
