//! New inputs from old ones.

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Longest input (bytes): above the instruments' input buffer and the longest number.
const LONGEST: usize = 1200;
/// Most changes from the parent to the child.
const MOST_CHANGES: usize = 6;

/// Pieces of the language that random bytes would take long to find.
const WORDS: [&[u8]; 64] = [
    b"VOLT",
    b"CURR",
    b"MEAS:VOLT?",
    b"CURR?",
    b"SOUR:",
    b"PROT",
    b"INP",
    b"OUTP",
    b"FUNC:MODE",
    b"SYST:ERR?",
    b"SYST:ERR:COUN?",
    b"SYST:VERS?",
    b"*IDN?",
    b"*RST",
    b"*CLS",
    b"*ESE",
    b"*ESR?",
    b"*SRE",
    b"*STB?",
    b"*OPC",
    b"*OPC?",
    b"*WAI",
    b"*TST?",
    b":",
    b"::",
    b";",
    b";;",
    b",",
    b" ",
    b"?",
    b"*",
    b"\n",
    b"\r",
    b"\t",
    b"\"",
    b"\"\"",
    b"'",
    b"(@1,2)",
    b"(",
    b")",
    b"#",
    b"#0",
    b"#15",
    b"#213",
    b"#9999999999",
    b"#HFF",
    b"#Q17",
    b"#B101",
    b"1",
    b"-1.5",
    b"+.5",
    b"5.",
    b"1E",
    b"E-3",
    b"E32001",
    b"9.9E37",
    b"9.91E+37",
    b"INF",
    b"NAN",
    b"MAX",
    b"ON",
    b" V",
    b"MOHM",
    b"-113,\"Undefined header\"",
];

pub(crate) struct Mutator {
    random: Xoshiro256PlusPlus,
}

impl Mutator {
    pub(crate) fn new(seed: u64) -> Self {
        Self { random: Xoshiro256PlusPlus::seed_from_u64(seed) }
    }

    fn below(&mut self, limit: usize) -> usize {
        if limit == 0 { 0 } else { self.random.random_range(0..limit) }
    }

    /// A child of some input of the pool.
    pub(crate) fn next(&mut self, pool: &[Vec<u8>]) -> Vec<u8> {
        let parent = self.below(pool.len());
        let mut input = pool.get(parent).cloned().unwrap_or_default();
        for _ in 0..=self.below(MOST_CHANGES) {
            self.change(&mut input, pool);
        }
        input.truncate(LONGEST);
        input
    }

    fn change(&mut self, input: &mut Vec<u8>, pool: &[Vec<u8>]) {
        let at = self.below(input.len() + 1);
        let end = at + self.below(input.len() - at + 1);
        match self.below(8) {
            0 => input.insert(at, self.random.random()),
            1 if at < input.len() => input[at] ^= 1 << self.below(8),
            2 => drop(input.drain(at..end)),
            3 => {
                let piece = input[at..end].to_vec();
                input.splice(at..at, piece);
            }
            4 => {
                // A run of one byte finds the limits of lengths.
                let byte = input.get(at).copied().unwrap_or(b'0');
                let count = [3, 13, 30, 257][self.below(4)];
                input.splice(at..at, std::iter::repeat_n(byte, count));
            }
            5 => {
                let other = self.below(pool.len());
                let other = pool.get(other).cloned().unwrap_or_default();
                let from = self.below(other.len() + 1);
                input.splice(at..end, other[from..].iter().copied());
            }
            _ => {
                let word = WORDS[self.below(WORDS.len())];
                input.splice(at..at, word.iter().copied());
            }
        }
    }
}
