//! A record as light and warmth, for what its device should have made.

use super::minute::{Minute, slept_before};
use super::quality::{Quantity, Rules, judge};
use super::walk::{LIGHT, Record};
use crate::quantities::Watts;
use crate::time::Utc;
use crate::yields::Seen;

/// The minutes of a record whose irradiance, module temperature and power all count; and how many others have
/// light or power in them, so that something is missing from the sums.
#[must_use]
pub fn seen(record: &Record<'_>, rated: Option<Watts>, rules: &Rules) -> (Vec<Seen>, usize) {
    let judged = judge(record.minutes, rated, rules);
    let (mut spans, mut left_out) = (Vec::new(), 0);
    for (index, minute) in record.minutes.iter().enumerate() {
        if minute.start < record.from || minute.start >= record.until {
            continue;
        }
        let all = [Quantity::Irradiance, Quantity::Module, Quantity::Power];
        let counts = all.into_iter().all(|quantity| judged.counts(index, quantity));
        let month = month(minute.start, record.ahead_micros);
        let booked = minute.booked(slept_before(record.minutes, index));
        match span(minute, month, booked).filter(|_| counts) {
            Some(span) => spans.push(span),
            None => left_out += usize::from(matters(minute)),
        }
    }
    (spans, left_out)
}

fn span(minute: &Minute, month: u8, share: f64) -> Option<Seen> {
    minute.watts?;
    let (plane, module) = minute.irradiance.zip(minute.module)?;
    Some(Seen { month, share, plane, module, energy: minute.energy? })
}

/// Whether a minute that does not count was one of light.
fn matters(minute: &Minute) -> bool {
    minute.irradiance.is_none_or(|light| light >= LIGHT)
}

/// Month by the time that days are counted by.
fn month(start: Utc, ahead_micros: i64) -> u8 {
    let local = Utc::from_micros(start.as_micros().saturating_add(ahead_micros));
    local.date().get(5..7).and_then(|month| month.parse().ok()).unwrap_or(1)
}
