//! Error queue, status registers and the common commands that go with them.
//!
//! Model: the standard event status register and its mask, the status byte with the service request
//! mask (IEEE 488.2-1992, 11), and a bounded first-in-first-out error queue whose last place becomes
//! -350 when it overflows (SCPI-1999 volume 2, 21.8.1).

use super::find;
use crate::scpi::{
    EventBit, Numeric, Params, Pattern, Request, Resolved, ResponseWriter, StandardError,
};
use std::collections::VecDeque;

/// Places in the error queue; the standard asks for two at least.
const QUEUE_PLACES: usize = 16;
/// Status byte: the error queue is not empty (SCPI-1999 volume 1, 9).
const ERRORS_WAITING: u8 = 1 << 2;
/// Status byte: an answer is waiting (IEEE 488.2-1992, 11.2.1.2).
const MESSAGE_AVAILABLE: u8 = 1 << 4;
/// Status byte: an enabled event happened (IEEE 488.2-1992, 11.2.1.1).
const EVENT_SUMMARY: u8 = 1 << 5;
/// Status byte: summary of everything enabled (IEEE 488.2-1992, 11.2.2.1); can't be masked.
const MASTER_SUMMARY: u8 = 1 << 6;
/// The version of SCPI this instrument claims (`SYSTem:VERSion?`).
const SCPI_VERSION: &str = "1999.0";

#[derive(Clone, Copy)]
enum System {
    Error,
    Count,
    Version,
}

const SYSTEM: [(Pattern, System); 3] = [
    (Pattern("SYSTem:ERRor[:NEXT]"), System::Error),
    (Pattern("SYSTem:ERRor:COUNt"), System::Count),
    (Pattern("SYSTem:VERSion"), System::Version),
];

/// Whether the header belongs to this file rather than to the instrument's own commands.
pub(super) fn is_system(header: &Resolved<'_>) -> bool {
    header.nodes().first().is_some_and(|node| crate::scpi::mnemonic_matches("SYSTem", node))
}

#[derive(Debug)]
pub(super) struct Status {
    errors: VecDeque<StandardError>,
    event: u8,
    event_mask: u8,
    service_mask: u8,
}

impl Status {
    pub(super) fn power_on() -> Self {
        Self {
            errors: VecDeque::with_capacity(QUEUE_PLACES),
            event: EventBit::PowerOn as u8,
            event_mask: 0,
            service_mask: 0,
        }
    }

    pub(super) fn report(&mut self, error: StandardError) {
        self.event |= error.event_bit().map_or(0, |bit| bit as u8);
        if self.errors.len() < QUEUE_PLACES {
            self.errors.push_back(error);
        } else if let Some(last) = self.errors.back_mut() {
            *last = StandardError::QueueOverflow;
            self.event |= EventBit::Device as u8;
        }
    }

    fn byte(&self, answering: bool) -> u8 {
        let mut byte = 0;
        if !self.errors.is_empty() {
            byte |= ERRORS_WAITING;
        }
        if answering {
            byte |= MESSAGE_AVAILABLE;
        }
        if self.event & self.event_mask != 0 {
            byte |= EVENT_SUMMARY;
        }
        if byte & self.service_mask != 0 { byte | MASTER_SUMMARY } else { byte }
    }

    pub(super) fn execute(
        &mut self,
        header: &Resolved<'_>,
        params: Params<'_>,
        answer: &mut ResponseWriter<'_>,
    ) -> Result<(), StandardError> {
        if !header.common {
            return self.system(header, params, answer);
        }
        let mut word = [0_u8; 3];
        let node = header.nodes()[0];
        if node.len() != word.len() {
            return Err(StandardError::UndefinedHeader);
        }
        word.copy_from_slice(node);
        word.make_ascii_uppercase();
        if header.query {
            params.none()?;
            return self.common_query(&word, answer);
        }
        match &word {
            b"ESE" => self.event_mask = register(params)?,
            b"SRE" => self.service_mask = register(params)? & !MASTER_SUMMARY,
            other => {
                params.none()?;
                self.common_command(other)?;
            }
        }
        Ok(())
    }

    fn common_command(&mut self, word: &[u8; 3]) -> Result<(), StandardError> {
        match word {
            b"CLS" => {
                self.errors.clear();
                self.event = 0;
            }
            // Every operation here is complete when its unit has been carried out.
            b"OPC" => self.event |= EventBit::OperationComplete as u8,
            b"WAI" => {}
            _ => return Err(StandardError::UndefinedHeader),
        }
        Ok(())
    }

    fn common_query(
        &mut self,
        word: &[u8; 3],
        answer: &mut ResponseWriter<'_>,
    ) -> Result<(), StandardError> {
        let number = match word {
            b"ESE" => self.event_mask,
            b"ESR" => std::mem::take(&mut self.event),
            b"SRE" => self.service_mask,
            b"STB" => self.byte(answer.units() > 0),
            b"OPC" => 1,
            b"TST" => 0,
            _ => return Err(StandardError::UndefinedHeader),
        };
        answer.unit().integer(number.into());
        Ok(())
    }

    fn system(
        &mut self,
        header: &Resolved<'_>,
        params: Params<'_>,
        answer: &mut ResponseWriter<'_>,
    ) -> Result<(), StandardError> {
        let command = find(&SYSTEM, header)?;
        if !header.query {
            return Err(StandardError::UndefinedHeader);
        }
        params.none()?;
        match command {
            System::Error => {
                let error = self.errors.pop_front().unwrap_or(StandardError::NoError);
                answer.unit().integer(error.code().into()).text(error.text().as_bytes());
            }
            System::Count => {
                let count = i64::try_from(self.errors.len()).unwrap_or(i64::MAX);
                answer.unit().integer(count);
            }
            System::Version => {
                answer.unit().plain(SCPI_VERSION);
            }
        }
        Ok(())
    }
}

/// The value of an eight-bit register: a number that is rounded to 0..=255.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked on the way")]
fn register(params: Params<'_>) -> Result<u8, StandardError> {
    match params.only()?.numeric(None)? {
        Request::Number(Numeric::Value(value))
            if (0.0..=f64::from(u8::MAX)).contains(&value.round()) =>
        {
            Ok(value.round() as u8)
        }
        _ => Err(StandardError::DataOutOfRange),
    }
}
