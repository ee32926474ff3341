//! Numbers in registers.

/// What the registers hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// One register, not negative.
    U16,
    /// One register, two's complement.
    I16,
    /// Two registers, not negative.
    U32,
    /// Two registers, two's complement.
    I32,
    /// Two registers, IEEE 754 single precision.
    F32,
    /// Four registers, IEEE 754 double precision.
    F64,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 6] = [Self::U16, Self::I16, Self::U32, Self::I32, Self::F32, Self::F64];
    /// Their names, in the same order.
    pub const NAMES: [&'static str; 6] = ["u16", "i16", "u32", "i32", "f32", "f64"];

    /// How many registers.
    #[must_use]
    pub const fn registers(self) -> u16 {
        match self {
            Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
            Self::F64 => 4,
        }
    }
}

/// Which register of a longer number comes first. The standard says nothing about it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum WordOrder {
    /// The high one, as most devices have it.
    #[default]
    HighFirst,
    /// The low one.
    LowFirst,
}

/// How a number lies in its registers.
///
/// ```
/// use cresthold_sim::modbus::{Format, Kind, WordOrder};
/// // 1.0 in single precision is 0x3F80_0000 (IEEE 754).
/// let swapped = Format { kind: Kind::F32, order: WordOrder::LowFirst };
/// assert_eq!(swapped.decode(|index| [0x0000, 0x3F80].get(index).copied()), Some(1.0));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Format {
    /// What they hold.
    pub kind: Kind,
    /// Which comes first.
    pub order: WordOrder,
}

impl Format {
    fn place(self, index: usize) -> usize {
        match self.order {
            WordOrder::HighFirst => index,
            WordOrder::LowFirst => usize::from(self.kind.registers()) - 1 - index,
        }
    }

    /// The number in the registers that `word` gives by place; none where one is missing. It may be
    /// no finite number: devices say "no reading" so.
    #[must_use]
    pub fn decode(self, word: impl Fn(usize) -> Option<u16>) -> Option<f64> {
        let mut bits = 0_u64;
        for index in 0..usize::from(self.kind.registers()) {
            bits = bits << 16 | u64::from(word(self.place(index))?);
        }
        let low = u32::try_from(bits & 0xFFFF_FFFF).ok()?;
        let half = u16::try_from(bits & 0xFFFF).ok()?;
        Some(match self.kind {
            Kind::U16 => f64::from(half),
            Kind::I16 => f64::from(half.cast_signed()),
            Kind::U32 => f64::from(low),
            Kind::I32 => f64::from(low.cast_signed()),
            Kind::F32 => f64::from(f32::from_bits(low)),
            Kind::F64 => f64::from_bits(bits),
        })
    }

    /// The registers that hold `value`, rounded and held within what they can hold.
    #[must_use]
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the casts saturate, as a device's registers do"
    )]
    pub fn encode(self, value: f64) -> Vec<u16> {
        let bits = match self.kind {
            Kind::U16 => u64::from(value.round() as u16),
            Kind::I16 => u64::from((value.round() as i16).cast_unsigned()),
            Kind::U32 => u64::from(value.round() as u32),
            Kind::I32 => u64::from((value.round() as i32).cast_unsigned()),
            Kind::F32 => u64::from((value as f32).to_bits()),
            Kind::F64 => value.to_bits(),
        };
        let count = usize::from(self.kind.registers());
        let mut words = vec![0; count];
        for index in 0..count {
            words[self.place(index)] = (bits >> (16 * (count - 1 - index))) as u16;
        }
        words
    }
}
