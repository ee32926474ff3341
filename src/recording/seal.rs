//! The seal before each line.
//!
//! Model: FNV-1a (Fowler, Noll, Vo; 64 bits, constants from memory) over all bytes of the recording's
//! text so far, folded to 32 bits. It is there against worn disks and slips of an editor, not
//! against anybody who wants to deceive.

const BASIS: u64 = 0xcbf2_9ce4_8422_2325;
const PRIME: u64 = 0x0000_0100_0000_01b3;

/// Bytes of a seal and the space behind it.
pub(super) const WIDTH: usize = 9;

/// See the module.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Seal(u64);

impl Default for Seal {
    fn default() -> Self {
        Self(BASIS)
    }
}

impl Seal {
    /// Takes a line without its end; answers what is to stand before it.
    pub(super) fn take(&mut self, line: &str) -> u32 {
        for byte in line.bytes().chain([b'\n']) {
            self.0 = (self.0 ^ u64::from(byte)).wrapping_mul(PRIME);
        }
        let [a, b, c, d, e, f, g, h] = self.0.to_le_bytes();
        u32::from_le_bytes([a, b, c, d]) ^ u32::from_le_bytes([e, f, g, h])
    }
}
