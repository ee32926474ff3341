//! The tail: what was committed and is not in the tables yet, in a small file beside the log.
//!
//! Model: each commit appends one frame (length, checksum, rows) and syncs it, so that a commit
//! costs the flash card some tens of bytes instead of whole pages. Every few minutes the rows are
//! packed into the tables in one transaction, together with the tail's generation number, and the
//! tail begins anew with the next one. A cut between the two is harmless: a tail whose generation
//! has been packed is passed over. Frames after a damaged one are not read; only what was being
//! written when the power failed can be damaged, and that was not told as committed.
//!
//! The lock on the file says that a writer lives; it goes with the process, however it ends.
//!
//! Rejected: SQLite's write-ahead log for each commit (at two rows a commit it writes thirty times
//! what it keeps, and again at the checkpoint), a longer commit interval (a power cut would cost it).

use super::error::StoreError;
use super::op::{self, Memory, Op};
use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// First bytes of the file: ours, and which format.
const MARK: [u8; 8] = *b"CrstTl\x00\x01";
/// Mark, generation, boot, when the boot began, checksum (bytes).
const HEADER: usize = 8 + 8 + 8 + 8 + 4;
/// Length and checksum before each frame (bytes).
const FRAME: usize = 4 + 4;

/// How often, and after which pause (s), a lock is tried for again: a second in all, as with locks
/// of the database.
const LOCK_TRIES: u32 = 20;
const LOCK_PAUSE: Duration = Duration::from_millis(50);

/// The file below the tail; a test may put a layer of its own between.
pub trait TailFile: Send + std::fmt::Debug {
    /// All of it.
    ///
    /// # Errors
    /// What the system reports.
    fn read(&mut self) -> io::Result<Vec<u8>>;
    /// Writes `bytes` at `offset`.
    ///
    /// # Errors
    /// What the system reports.
    fn write(&mut self, offset: u64, bytes: &[u8]) -> io::Result<()>;
    /// Returns when everything written is on the device.
    ///
    /// # Errors
    /// What the system reports.
    fn sync(&mut self) -> io::Result<()>;
    /// Makes it empty.
    ///
    /// # Errors
    /// What the system reports.
    fn clear(&mut self) -> io::Result<()>;
    /// Removes it.
    ///
    /// # Errors
    /// What the system reports.
    fn remove(&mut self) -> io::Result<()>;
}

/// How long the system lets this process make a file (bytes); none where it states no limit.
pub(super) fn longest_file() -> Option<u64> {
    rustix::process::getrlimit(rustix::process::Resource::Fsize).current
}

/// Where the tail of a log lies.
#[must_use]
pub fn tail_path(log: &Path) -> PathBuf {
    let mut name = log.as_os_str().to_owned();
    name.push("-tail");
    PathBuf::from(name)
}

/// The file itself, locked.
#[derive(Debug)]
pub struct Locked {
    file: File,
    path: PathBuf,
}

impl Locked {
    /// Opens or makes the tail of `log` and locks it; a reader that takes it up is waited for.
    ///
    /// # Errors
    /// [`StoreError::Busy`] where another writer lives; else what the system reports.
    pub fn open(log: &Path) -> Result<Self, StoreError> {
        Self::within(log, LOCK_TRIES)
    }

    /// The same without waiting.
    pub(super) fn open_now(log: &Path) -> Result<Self, StoreError> {
        Self::within(log, 0)
    }

    fn within(log: &Path, patience: u32) -> Result<Self, StoreError> {
        const DOING: &str = "opening the -tail file";
        let path = tail_path(log);
        let fail = |error| StoreError::from_io(log, DOING, &error);
        let mut tries = 0;
        loop {
            let mut options = OpenOptions::new();
            let file = options.read(true).write(true).create(true).truncate(false).open(&path);
            let file = file.map_err(fail)?;
            match file.try_lock() {
                Ok(()) => {}
                Err(TryLockError::WouldBlock) if tries < patience => {
                    tries += 1;
                    std::thread::sleep(LOCK_PAUSE);
                    continue;
                }
                Err(TryLockError::WouldBlock) => {
                    return Err(StoreError::Busy { path: log.to_path_buf(), doing: DOING });
                }
                Err(TryLockError::Error(error)) => return Err(fail(error)),
            }
            // Whoever had it before may have removed it while we waited.
            if file.metadata().map_err(fail)?.nlink() > 0 {
                // So that a power cut can't take the name away again.
                let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
                let folder = File::open(folder.unwrap_or_else(|| Path::new(".")));
                let _ = folder.and_then(|folder| folder.sync_all()); // not every system can
                return Ok(Self { file, path });
            }
        }
    }
}

impl TailFile for Locked {
    fn read(&mut self) -> io::Result<Vec<u8>> {
        let length = usize::try_from(self.file.metadata()?.len()).unwrap_or(usize::MAX);
        let mut bytes = vec![0; length];
        self.file.read_exact_at(&mut bytes, 0)?;
        Ok(bytes)
    }

    fn write(&mut self, offset: u64, bytes: &[u8]) -> io::Result<()> {
        self.file.write_all_at(bytes, offset)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn clear(&mut self) -> io::Result<()> {
        self.file.set_len(0)
    }

    fn remove(&mut self) -> io::Result<()> {
        std::fs::remove_file(&self.path)
    }
}

/// What an earlier writer left.
#[derive(Debug, PartialEq)]
pub(super) struct Left {
    pub(super) generation: i64,
    pub(super) boot: i64,
    pub(super) began_utc_us: i64,
    pub(super) ops: Vec<Op>,
}

/// The tail, open for its one writer.
#[derive(Debug)]
pub(super) struct Tail {
    file: Box<dyn TailFile>,
    /// Which packing the rows wait for.
    generation: i64,
    boot: i64,
    began_utc_us: i64,
    /// How much of the file holds; none before the first frame.
    length: u64,
    memory: Memory,
}

impl Tail {
    pub(super) fn new(file: Box<dyn TailFile>) -> Self {
        let memory = Memory::new();
        Self { file, generation: 0, boot: 0, began_utc_us: 0, length: 0, memory }
    }

    /// What an earlier writer left, damaged ends cut off.
    pub(super) fn left(&mut self) -> io::Result<Option<Left>> {
        Ok(parse(&self.file.read()?))
    }

    /// From here on rows belong to this boot and wait for packing `generation`.
    pub(super) fn begin(&mut self, generation: i64, boot: i64, began_utc_us: i64) {
        (self.generation, self.boot, self.began_utc_us) = (generation, boot, began_utc_us);
        self.length = 0;
        self.memory.clear();
    }

    pub(super) const fn generation(&self) -> i64 {
        self.generation
    }

    pub(super) const fn began_utc_us(&self) -> i64 {
        self.began_utc_us
    }

    /// Appends one frame and syncs; after an error the same rows may be tried again.
    pub(super) fn append(&mut self, ops: &[Op]) -> io::Result<()> {
        let mut memory = self.memory.clone();
        let mut bytes = if self.length == 0 { self.header() } else { Vec::new() };
        let mut rows = Vec::with_capacity(ops.len() * 32);
        for op in ops {
            op::encode(op, &mut memory, &mut rows);
        }
        let length = u32::try_from(rows.len()).map_err(|_| {
            io::Error::other("more rows in a commit than a frame of the tail holds")
        })?;
        bytes.extend(length.to_le_bytes());
        bytes.extend(checksum(self.generation, &rows).to_le_bytes());
        bytes.append(&mut rows);
        self.file.write(self.length, &bytes)?;
        self.file.sync()?;
        self.length += bytes.len() as u64;
        self.memory = memory;
        Ok(())
    }

    /// Forgets the rows, which are packed now; the next ones wait for the next packing.
    pub(super) fn packed(&mut self) {
        let (boot, began) = (self.boot, self.began_utc_us);
        self.begin(self.generation + 1, boot, began);
        // What a failure leaves is known by its generation and written over.
        let _ = self.file.clear();
    }

    /// Removes the file, which must hold nothing any more.
    pub(super) fn remove(&mut self) {
        let _ = self.file.remove(); // one that stays is passed over
    }

    fn header(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(HEADER);
        bytes.extend(MARK);
        for number in [self.generation, self.boot, self.began_utc_us] {
            bytes.extend(number.to_le_bytes());
        }
        let sum = checksum(0, &bytes);
        bytes.extend(sum.to_le_bytes());
        bytes
    }
}

pub(super) fn parse(bytes: &[u8]) -> Option<Left> {
    let (head, mut rest) = bytes.split_at_checked(HEADER)?;
    let (told, sum) = head.split_at(HEADER - 4);
    let number = |at: usize| Some(i64::from_le_bytes(told.get(at..at + 8)?.try_into().ok()?));
    if !told.starts_with(&MARK) || checksum(0, told).to_le_bytes() != sum {
        return None;
    }
    let mut left = Left {
        generation: number(8)?,
        boot: number(16)?,
        began_utc_us: number(24)?,
        ops: Vec::new(),
    };
    let mut memory = Memory::new();
    while let Some((rows, after)) = frame(left.generation, rest) {
        let mut rows = rows;
        while !rows.is_empty() {
            // What bears a right checksum and makes no sense is of no version known here.
            let Some(op) = op::decode(&mut rows, &mut memory) else { return Some(left) };
            left.ops.push(op);
        }
        rest = after;
    }
    Some(left)
}

/// The first frame's rows and what follows it; none where it is not whole.
fn frame(generation: i64, bytes: &[u8]) -> Option<(&[u8], &[u8])> {
    let (head, rest) = bytes.split_at_checked(FRAME)?;
    let (length, sum) = head.split_at(4);
    let length = u32::from_le_bytes(length.try_into().ok()?);
    let (rows, after) = rest.split_at_checked(usize::try_from(length).ok()?)?;
    (checksum(generation, rows).to_le_bytes() == sum).then_some((rows, after))
}

/// CRC-32 (ISO-HDLC: reflected, 0xEDB88320) over the generation and the bytes, so that a frame of
/// another generation is none of this one.
fn checksum(generation: i64, bytes: &[u8]) -> u32 {
    const TABLE: [u32; 256] = table();
    let all = generation.to_le_bytes();
    let sum = all
        .iter()
        .chain(bytes)
        .fold(u32::MAX, |sum, &byte| sum >> 8 ^ TABLE[usize::from(sum.to_le_bytes()[0] ^ byte)]);
    !sum
}

const fn table() -> [u32; 256] {
    let mut table = [0; 256];
    let mut index = 0;
    while index < table.len() {
        let mut value = index as u32;
        let mut bit = 0;
        while bit < 8 {
            value = value >> 1 ^ if value & 1 == 1 { 0xEDB8_8320 } else { 0 };
            bit += 1;
        }
        table[index] = value;
        index += 1;
    }
    table
}
