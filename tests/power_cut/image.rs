//! What a power cut leaves on the disk.
//!
//! Model: a file has what was flushed, and acts since then. A flush makes a file's acts, its making
//! and earlier unlinks of the folder durable. Of acts that are not, each write may be there, not at
//! all, in part (torn at any byte) or as garbage; a truncation, making or unlinking there or not.
//! Garbage stays within the bytes that were being written: like SQLite, the log takes it that a
//! device harms no neighbours ("powersafe overwrite").

use crate::disk::{Act, Dice};
use std::collections::BTreeMap;
use std::path::Path;

/// What the device does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Damage {
    /// What it should: only what was not flushed is at stake.
    Unflushed,
    /// As if nobody asked for a flush; writes reach the disk in their order.
    NeverFlushed,
    /// It says that it flushed and did not; writes reach the disk in any order.
    FlushIgnored,
}

#[derive(Clone, Debug)]
enum Pending {
    Write(u64, Vec<u8>),
    Truncate(u64),
    Unlink,
}

#[derive(Clone, Debug, Default)]
struct Contents {
    /// What is on the disk for certain; none for no file.
    durable: Option<Vec<u8>>,
    pending: Vec<Pending>,
}

/// All files at one moment.
#[derive(Debug, Default)]
pub(crate) struct Files(BTreeMap<String, Contents>);

impl Files {
    pub(crate) fn act(&mut self, act: &Act, damage: Damage) {
        match act {
            Act::Create(name) => {
                self.0.entry(name.clone()).or_default();
            }
            Act::Write(name, at, bytes) => self.add(name, Pending::Write(*at, bytes.clone())),
            Act::Truncate(name, size) => self.add(name, Pending::Truncate(*size)),
            Act::Unlink(name) => self.add(name, Pending::Unlink),
            Act::Sync(name) if damage == Damage::Unflushed => self.flush(name),
            Act::Sync(_) | Act::Told(_) => {}
        }
    }

    fn add(&mut self, name: &str, pending: Pending) {
        self.0.entry(name.to_owned()).or_default().pending.push(pending);
    }

    fn flush(&mut self, name: &str) {
        for (other, contents) in &mut self.0 {
            let unlinked = contents.pending.iter().any(|p| matches!(p, Pending::Unlink));
            if other == name || unlinked {
                let mut now = contents.durable.take().or(Some(Vec::new()));
                for pending in contents.pending.drain(..) {
                    apply(&mut now, &pending);
                }
                contents.durable = now;
            }
        }
    }

    /// Writes what a cut leaves into `folder`.
    pub(crate) fn leave(&self, folder: &Path, damage: Damage, seed: u64) {
        let mut dice = Dice(seed);
        for (name, contents) in &self.0 {
            let mut left = contents.durable.clone();
            let pending = &contents.pending;
            match (damage, dice.below(4)) {
                (Damage::Unflushed, 0) => {}
                (Damage::Unflushed, 1) | (Damage::NeverFlushed, _) => {
                    let count = dice.below(pending.len() + 1);
                    for pending in &pending[..count] {
                        apply(&mut left, pending);
                    }
                    if let Some(next) = pending.get(count) {
                        tear(&mut left, next, &mut dice);
                    }
                }
                (_, policy) => {
                    for pending in pending {
                        scatter(&mut left, pending, policy == 3, &mut dice);
                    }
                }
            }
            if let Some(bytes) = left {
                std::fs::write(folder.join(name), bytes).unwrap();
            }
        }
    }
}

fn apply(file: &mut Option<Vec<u8>>, pending: &Pending) {
    match pending {
        Pending::Write(at, bytes) => put(file, *at, bytes),
        Pending::Truncate(size) => {
            file.get_or_insert_default().resize(usize::try_from(*size).unwrap(), 0);
        }
        Pending::Unlink => *file = None,
    }
}

fn put(file: &mut Option<Vec<u8>>, at: u64, bytes: &[u8]) {
    let file = file.get_or_insert_default();
    let at = usize::try_from(at).unwrap();
    if file.len() < at + bytes.len() {
        file.resize(at + bytes.len(), 0);
    }
    file[at..at + bytes.len()].copy_from_slice(bytes);
}

/// The first part of a write.
fn tear(file: &mut Option<Vec<u8>>, pending: &Pending, dice: &mut Dice) {
    if let Pending::Write(at, bytes) = pending {
        put(file, *at, &bytes[..dice.below(bytes.len() + 1)]);
    }
}

/// There, or not, or in part, or as garbage.
fn scatter(file: &mut Option<Vec<u8>>, pending: &Pending, garble: bool, dice: &mut Dice) {
    match (pending, dice.below(4)) {
        (_, 0 | 1) => apply(file, pending),
        (Pending::Write(at, bytes), 2) if garble => {
            let garbage: Vec<u8> = bytes.iter().map(|_| dice.roll() as u8).collect();
            put(file, *at, &garbage);
        }
        (pending, 2) => tear(file, pending, dice),
        _ => {}
    }
}
