//! One row to be, as plain values: what the tail keeps and what packing writes.
//!
//! Model: a record becomes a kind and a list of values once, when it is taken; the same list goes
//! into the tail's frame and, later, into the tables. Whole numbers are written as the difference
//! from the one at the same place of the last row of the same kind and channel, in as many bytes as
//! it needs: a sample takes some 30 bytes.
//!
//! Rejected: a general serialisation crate (field names or fixed widths: two to four times as long).

use rusqlite::types::Value;
use std::collections::HashMap;

/// What a row is. The numbers are those of the tail's format and never change their meaning.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Kind {
    Sample = 0,
    Minute = 1,
    Day = 2,
    Event = 3,
    CurvePoint = 4,
    Curve = 5,
    SensorMinute = 6,
    Clock = 7,
    Correction = 8,
}

impl Kind {
    const ALL: [Self; 9] = [
        Self::Sample,
        Self::Minute,
        Self::Day,
        Self::Event,
        Self::CurvePoint,
        Self::Curve,
        Self::SensorMinute,
        Self::Clock,
        Self::Correction,
    ];
}

/// A row to be. The first value is the channel's (or sensor's) number in the log, or NULL.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Op {
    pub(super) kind: Kind,
    pub(super) values: Vec<Value>,
}

impl Op {
    pub(super) fn new(kind: Kind, values: Vec<Value>) -> Self {
        Self { kind, values }
    }

    /// Whether the first value is a sensor's number.
    pub(super) fn is_of_sensor(&self) -> bool {
        self.kind == Kind::SensorMinute
    }

    fn key(&self) -> (Kind, i64) {
        let Some(Value::Integer(channel)) = self.values.first() else { return (self.kind, -1) };
        (self.kind, *channel)
    }
}

/// What the differences are taken from: the last row of each kind and channel, and how far apart
/// the last two were.
pub(super) type Memory = HashMap<(Kind, i64), Last>;

/// Values of the last row, and the step of the value at [`CLOCK`], which is taken to go on.
#[derive(Clone, Debug, Default)]
pub(super) struct Last {
    values: Vec<i64>,
    step: i64,
}

/// Where a row has its monotonic clock.
const CLOCK: usize = 1;

impl Last {
    fn begin(&mut self, count: usize) {
        self.values.resize(count, 0);
        if let Some(clock) = self.values.get_mut(CLOCK) {
            *clock = clock.wrapping_add(self.step);
        }
    }

    /// The clock has gone on: by how much more than thought.
    fn end(&mut self, clock_was_thought: i64) {
        let Some(&clock) = self.values.get(CLOCK) else { return };
        self.step = self.step.wrapping_add(clock.wrapping_sub(clock_was_thought));
    }

    fn clock(&self) -> i64 {
        self.values.get(CLOCK).copied().unwrap_or_default()
    }
}

/// Tags of a value, in the two lowest bits of its first number.
const NULL: u128 = 0;
const WHOLE: u128 = 1;
const REAL: u128 = 2;
const TEXT: u128 = 3;
const TAG_BITS: u32 = 2;

/// Appends `op` to `out`.
pub(super) fn encode(op: &Op, memory: &mut Memory, out: &mut Vec<u8>) {
    out.push(op.kind as u8);
    put(op.values.len() as u128, out);
    // The key comes first and is not a difference: without it there is nothing to differ from.
    let (_, channel) = op.key();
    put(u128::from(zigzag(channel)), out);
    let last = memory.entry(op.key()).or_default();
    last.begin(op.values.len());
    let thought = last.clock();
    for (value, last) in op.values.iter().zip(&mut last.values) {
        match value {
            Value::Null => put(NULL, out),
            Value::Integer(whole) => {
                put(u128::from(zigzag(whole.wrapping_sub(*last))) << TAG_BITS | WHOLE, out);
                *last = *whole;
            }
            Value::Real(real) => {
                put(REAL, out);
                out.extend(real.to_le_bytes());
            }
            Value::Text(text) => {
                put((text.len() as u128) << TAG_BITS | TEXT, out);
                out.extend(text.as_bytes());
            }
            // No row of ours holds one.
            Value::Blob(_) => put(NULL, out),
        }
    }
    last.end(thought);
}

/// Takes one row off the front of `bytes`; none where they make no sense.
pub(super) fn decode(bytes: &mut &[u8], memory: &mut Memory) -> Option<Op> {
    let kind = *Kind::ALL.get(usize::from(*take(bytes, 1)?.first()?))?;
    let count = usize::try_from(get(bytes)?).ok().filter(|count| *count <= bytes.len())?;
    let channel = unzigzag(u64::try_from(get(bytes)?).ok()?);
    let last = memory.entry((kind, channel)).or_default();
    last.begin(count);
    let thought = last.clock();
    let mut values = Vec::with_capacity(count);
    for last in &mut last.values {
        let first = get(bytes)?;
        values.push(match first & ((1 << TAG_BITS) - 1) {
            NULL => Value::Null,
            WHOLE => {
                *last = last.wrapping_add(unzigzag(u64::try_from(first >> TAG_BITS).ok()?));
                Value::Integer(*last)
            }
            REAL => Value::Real(f64::from_le_bytes(take(bytes, 8)?.try_into().ok()?)),
            _ => {
                let text = take(bytes, usize::try_from(first >> TAG_BITS).ok()?)?;
                Value::Text(String::from_utf8(text.to_vec()).ok()?)
            }
        });
    }
    last.end(thought);
    Some(Op { kind, values })
}

fn take<'a>(bytes: &mut &'a [u8], count: usize) -> Option<&'a [u8]> {
    let (front, rest) = bytes.split_at_checked(count)?;
    *bytes = rest;
    Some(front)
}

/// Small numbers of either sign become small numbers without one.
const fn zigzag(value: i64) -> u64 {
    (value << 1 ^ value >> 63).cast_unsigned()
}

const fn unzigzag(value: u64) -> i64 {
    (value >> 1).cast_signed() ^ -(value & 1).cast_signed()
}

/// Seven bits a byte, the lowest first; the top bit says that more follow.
fn put(mut value: u128, out: &mut Vec<u8>) {
    while value >= 0x80 {
        out.push((value & 0x7F) as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

fn get(bytes: &mut &[u8]) -> Option<u128> {
    /// 66 bits of a tagged whole number are ten groups of seven.
    const GROUPS: u32 = 10;
    let mut value = 0_u128;
    for group in 0..GROUPS {
        let byte = *take(bytes, 1)?.first()?;
        value |= u128::from(byte & 0x7F) << (7 * group);
        if byte & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn value() -> impl Strategy<Value = Value> {
        prop_oneof![
            Just(Value::Null),
            any::<i64>().prop_map(Value::Integer),
            (-1e12..1e12).prop_map(Value::Real),
            ".{0,20}".prop_map(Value::Text),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn rows_come_back(rows in prop::collection::vec((0..9_usize, prop::collection::vec(value(), 0..14)), 0..20)) {
            let ops: Vec<_> = rows.into_iter().map(|(kind, values)| Op::new(Kind::ALL[kind], values)).collect();
            let (mut out, mut memory) = (Vec::new(), Memory::new());
            for op in &ops {
                encode(op, &mut memory, &mut out);
            }
            let (mut bytes, mut memory) = (out.as_slice(), Memory::new());
            for op in &ops {
                let back = decode(&mut bytes, &mut memory);
                prop_assert_eq!(back.as_ref(), Some(op));
            }
            prop_assert!(bytes.is_empty());
        }

        #[test]
        fn garbage_is_no_row(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let mut memory = Memory::new();
            let mut rest = bytes.as_slice();
            while !rest.is_empty() && decode(&mut rest, &mut memory).is_some() {}
        }
    }
}
