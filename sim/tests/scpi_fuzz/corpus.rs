//! The inputs worth keeping, and the file they are kept in.
//!
//! One file per target, one input per line, escaped as `u8::escape_ascii` does: it can be read,
//! compared and mended by hand.

use crate::drive::Seen;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;

/// Inputs by what they show.
#[derive(Default)]
pub(crate) struct Corpus {
    /// As loaded: kept whatever they show, because a line may be there for a fault that was mended.
    loaded: Vec<Vec<u8>>,
    /// The smallest input that shows each single event: what the file is made of.
    smallest: BTreeMap<u64, Vec<u8>>,
    /// Every event after every other that was seen: they lead the search, but would fill the file.
    pairs: BTreeSet<u64>,
}

fn place(name: &str) -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), "tests/corpus/scpi", &format!("{name}.txt")].iter().collect()
}

impl Corpus {
    /// The committed inputs; without a file, a single empty one.
    pub(crate) fn load(name: &str) -> Self {
        let text = fs::read_to_string(place(name)).unwrap_or_else(|_| "\n".to_owned());
        Self { loaded: text.lines().map(unescape).collect(), ..Self::default() }
    }

    /// The inputs as loaded.
    pub(crate) fn take(&self) -> Vec<Vec<u8>> {
        self.loaded.clone()
    }

    /// Whether `input` shows something that nothing showed before; a smaller one that shows the
    /// same takes the place of the larger one.
    pub(crate) fn offer(&mut self, input: &[u8], seen: &Seen) -> bool {
        let known = self.pairs.len();
        self.pairs.extend(&seen.pairs);
        let mut new = self.pairs.len() > known;
        for feature in &seen.single {
            match self.smallest.get_mut(feature) {
                None => {
                    self.smallest.insert(*feature, input.to_vec());
                    new = true;
                }
                Some(old) if input.len() < old.len() => *old = input.to_vec(),
                Some(_) => {}
            }
        }
        new
    }

    pub(crate) fn features(&self) -> usize {
        self.smallest.len() + self.pairs.len()
    }

    pub(crate) fn len(&self) -> usize {
        self.smallest.values().collect::<BTreeSet<_>>().len()
    }

    /// Writes the file, the shortest inputs first; returns how many there are.
    pub(crate) fn store(self, name: &str) -> usize {
        let all: BTreeSet<Vec<u8>> =
            self.loaded.into_iter().chain(self.smallest.into_values()).collect();
        let mut all: Vec<_> = all.into_iter().collect();
        all.sort_by_key(Vec::len);
        let text: String = all.iter().map(|input| format!("{}\n", input.escape_ascii())).collect();
        fs::create_dir_all(place(name).parent().unwrap()).unwrap();
        fs::write(place(name), text).unwrap();
        all.len()
    }
}

/// Undoes `escape_ascii`.
fn unescape(line: &str) -> Vec<u8> {
    let mut bytes = line.bytes();
    let mut out = Vec::new();
    while let Some(byte) = bytes.next() {
        out.push(match (byte, byte == b'\\') {
            (plain, false) => plain,
            _ => match bytes.next().unwrap() {
                b'n' => b'\n',
                b'r' => b'\r',
                b't' => b'\t',
                b'x' => {
                    let digits = [bytes.next().unwrap(), bytes.next().unwrap()];
                    u8::from_str_radix(std::str::from_utf8(&digits).unwrap(), 16).unwrap()
                }
                itself => itself,
            },
        });
    }
    out
}

#[test]
fn lines_of_the_corpus_come_back() {
    let every: Vec<u8> = (0..=u8::MAX).collect();
    assert_eq!(unescape(&every.escape_ascii().to_string()), every);
}
