//! What operations on any instrument share: ask, check, verify, each within the deadline.

use super::error::{Exchange, InstrumentError};
use super::link::{Excerpt, Link, LinkError};
use super::words::{MeasureQuery, NumberQuery, StatusQuery, SwitchQuery, Template, WordQuery};
use crate::quantities::{Amps, Volts};
use crate::scpi::{ErrorEntry, Numeric, ResponseError, numbers};
use std::time::Duration;

/// Most entries read from an error queue; the standard asks for two places, instruments have 10 to
/// 64.
const MAX_ERRORS: u32 = 128;
/// A link with a name, a deadline and buffers that are used again.
#[derive(Debug)]
pub(super) struct Session {
    name: Box<str>,
    pub(super) link: Link,
    deadline: Duration,
    out: Vec<u8>,
    reply: Vec<u8>,
    /// Its whole answer to who it is; empty until it gave the right one.
    identity: Excerpt,
}

/// A setting: the message that sets it, the query that reads it back, and how exact that is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Setting<'a> {
    pub(super) set: &'a Template,
    pub(super) ask: &'a NumberQuery,
    pub(super) resolution: f64,
    pub(super) unit: &'static str,
}

impl Session {
    pub(super) fn new(name: &str, link: Link, deadline: Duration) -> Self {
        let (out, reply) = (Vec::with_capacity(128), Vec::with_capacity(256));
        Self { name: name.into(), link, deadline, out, reply, identity: Excerpt::of(b"") }
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

    pub(super) async fn tell(&mut self, message: &str) -> Result<(), InstrumentError> {
        self.begin(message);
        self.send().await
    }

    /// Brings the link into step if it is not.
    pub(super) async fn align(&mut self) -> Result<(), InstrumentError> {
        if self.link.in_step() {
            return Ok(());
        }
        let aligned = self.link.resynchronise().await;
        aligned.map_err(|source| self.link_error(source))
    }

    /// Brings the link into step, makes sure of the identity, clears the status.
    pub(super) async fn greet(
        &mut self,
        identify: &str,
        expected: &str,
        clear: &str,
    ) -> Result<(), InstrumentError> {
        self.link.distrust();
        self.align().await?;
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
        self.identity = Excerpt::of(self.reply.trim_ascii_end());
        self.tell(clear).await
    }

    /// Its whole answer to who it is; empty until it gave the right one.
    pub(super) fn identity(&self) -> &str {
        self.identity.as_str()
    }

    /// Whether it is on.
    pub(super) async fn is_on(&mut self, query: &SwitchQuery) -> Result<bool, InstrumentError> {
        self.begin(&query.ask);
        self.ask().await?;
        query.read(&self.reply).map_err(|why| self.unreadable(why))
    }

    /// Makes sure that it is on or off, as it should be.
    pub(super) async fn expect(
        &mut self,
        query: &SwitchQuery,
        on: bool,
    ) -> Result<(), InstrumentError> {
        if self.is_on(query).await? == on {
            return Ok(());
        }
        if on {
            return Err(InstrumentError::IsOff { at: self.exchange() });
        }
        Err(self.unverified("off".to_owned()))
    }

    /// Sends `command` and makes sure that it is on or off.
    pub(super) async fn switch(
        &mut self,
        command: &str,
        query: &SwitchQuery,
        on: bool,
    ) -> Result<(), InstrumentError> {
        self.tell(command).await?;
        self.expect(query, on).await
    }

    /// Makes sure of the word that answers.
    pub(super) async fn confirm(&mut self, query: &WordQuery) -> Result<(), InstrumentError> {
        self.begin(&query.ask);
        self.ask().await?;
        match query.read(&self.reply) {
            Ok(true) => Ok(()),
            Ok(false) => Err(self.unverified(query.answer.clone().into_owned())),
            Err(why) => Err(self.unreadable(why)),
        }
    }

    /// Sets a value and makes sure that it reads back. A value that is no number is never sent.
    ///
    /// In two messages: an instrument that refuses a value drops the rest of the message, and the
    /// error would be a silence instead of the value it kept.
    pub(super) async fn set(
        &mut self,
        setting: Setting<'_>,
        value: f64,
    ) -> Result<(), InstrumentError> {
        self.tell_all(setting.set, &[value]).await?;
        self.reads(setting, value).await
    }

    /// Makes sure that a setting reads as it was set.
    pub(super) async fn reads(
        &mut self,
        setting: Setting<'_>,
        value: f64,
    ) -> Result<(), InstrumentError> {
        let found = self.number(setting.ask).await?;
        let close = found.value().is_some_and(|found| {
            (found - value).abs() <= setting.resolution + setting.set.rounding()
        });
        if close { Ok(()) } else { Err(self.unverified(format!("{value} {}", setting.unit))) }
    }

    /// Sets a value that the instrument may round up, and makes sure that it reaches that far.
    pub(super) async fn set_at_least(
        &mut self,
        setting: Setting<'_>,
        value: f64,
    ) -> Result<(), InstrumentError> {
        self.tell_all(setting.set, &[value]).await?;
        let found = self.number(setting.ask).await?;
        let least = value - setting.resolution - setting.set.rounding();
        if found.value().is_some_and(|found| found >= least) {
            return Ok(());
        }
        Err(self.unverified(format!("at least {value} {}", setting.unit)))
    }

    async fn number(&mut self, query: &NumberQuery) -> Result<Numeric, InstrumentError> {
        self.begin(&query.ask);
        self.ask().await?;
        query.read(&self.reply).map_err(|why| self.unreadable(why))
    }

    /// Sends a message with one or more values; none of them is sent if one is no number.
    pub(super) async fn tell_all(
        &mut self,
        template: &Template,
        values: &[f64],
    ) -> Result<(), InstrumentError> {
        if let Some(wrong) = values.iter().find(|value| !value.is_finite()) {
            let instrument = self.name.clone();
            return Err(InstrumentError::NoSetting { instrument, value: *wrong });
        }
        self.out.clear();
        template.fill_all(values, &mut self.out);
        self.send().await
    }

    /// Asks for an array of exactly `count` numbers.
    pub(super) async fn array(
        &mut self,
        query: &NumberQuery,
        quantity: &'static str,
        count: usize,
    ) -> Result<Vec<f64>, InstrumentError> {
        self.begin(&query.ask);
        self.ask().await?;
        let found = query.read_all(&self.reply).map_err(|why| self.unreadable(why))?;
        if found.len() != count {
            let short = found.len() < count;
            let why = if short { ResponseError::Missing } else { ResponseError::TooMany };
            return Err(self.unreadable(why));
        }
        found.into_iter().map(|number| self.reading(quantity, number)).collect()
    }

    /// An error where the status says that a protection has tripped.
    pub(super) async fn watch(&mut self, query: &StatusQuery) -> Result<(), InstrumentError> {
        self.begin(&query.ask);
        self.ask().await?;
        match query.read(&self.reply) {
            Ok(false) => Ok(()),
            Ok(true) => Err(InstrumentError::Tripped { at: self.exchange() }),
            Err(why) => Err(self.unreadable(why)),
        }
    }

    /// Makes sure that everything was carried out and nothing was refused.
    pub(super) async fn settle(
        &mut self,
        complete: &WordQuery,
        next_error: &str,
    ) -> Result<(), InstrumentError> {
        self.confirm(complete).await?;
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
    pub(super) async fn measure(
        &mut self,
        query: &MeasureQuery,
    ) -> Result<(Volts, Amps), InstrumentError> {
        self.begin(&query.ask);
        self.ask().await?;
        let (volts, amps) = query.read(&self.reply).map_err(|why| self.unreadable(why))?;
        Ok((Volts(self.reading("voltage", volts)?), Amps(self.reading("current", amps)?)))
    }

    /// One number.
    pub(super) async fn value(&mut self, query: &str) -> Result<f64, InstrumentError> {
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
