//! A file layer under SQLite and under the tail: it keeps the files where they are, counts what is
//! written, can write down every act in order, and can be full, read-only, slow or sick.
//!
//! It is SQLite's default layer of the test binary that uses it. Folders that nobody registered go
//! straight through.
#![allow(clippy::unwrap_used, reason = "a test that can't set up has failed")]
#![allow(dead_code, reason = "each test binary uses its own part")]

use cresthold::store::{Locked, StoreError, TailFile, tail_path};
use sqlite_vfs::{DatabaseHandle, LockKind, OpenAccess, OpenOptions, Vfs, wip};
use std::fs::File;
use std::io::{Error, ErrorKind, Result};
use std::ops::Range;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, Once};
use std::time::Duration;

/// One act on a file, by the file's name.
#[derive(Clone, Debug)]
pub(crate) enum Act {
    Create(String),
    Write(String, u64, Vec<u8>),
    Truncate(String, u64),
    Sync(String),
    Unlink(String),
    /// Up to here the log has said that it is kept.
    Told(u32),
}

/// What is wrong with the disk.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) enum Trouble {
    #[default]
    None,
    /// Nothing more fits.
    Full,
    /// Mounted read-only again, as after an error of the file system.
    ReadOnly,
    /// Writes and flushes fail.
    Errors,
    /// Writes to the database itself fail; other files are well.
    Damaged,
    /// Each flush takes so long.
    Slow(Duration),
}

/// A folder's disk.
#[derive(Debug)]
pub(crate) struct Disk {
    folder: PathBuf,
    acts: Mutex<Option<Vec<Act>>>,
    trouble: Mutex<Trouble>,
    written: AtomicU64,
    /// The same in whole blocks of 4 KiB touched between two flushes of a file.
    blocks: AtomicU64,
    syncs: AtomicU64,
}

/// Size of a block of the file system (bytes).
pub(crate) const BLOCK: u64 = 4096;

static DISKS: Mutex<Vec<Arc<Disk>>> = Mutex::new(Vec::new());
static LAYER: Once = Once::new();

impl Disk {
    /// The layer for `folder`.
    pub(crate) fn under(folder: &Path) -> Arc<Self> {
        LAYER.call_once(|| sqlite_vfs::register("layer", Layer, true).unwrap());
        let disk = Arc::new(Self {
            folder: folder.to_path_buf(),
            acts: Mutex::new(None),
            trouble: Mutex::default(),
            written: AtomicU64::new(0),
            blocks: AtomicU64::new(0),
            syncs: AtomicU64::new(0),
        });
        DISKS.lock().unwrap().push(Arc::clone(&disk));
        disk
    }

    pub(crate) fn record(&self) {
        *self.acts.lock().unwrap() = Some(Vec::new());
    }

    pub(crate) fn recorded(&self) -> Vec<Act> {
        self.acts.lock().unwrap().take().unwrap_or_default()
    }

    pub(crate) fn told(&self, what: u32) {
        self.act(|| Act::Told(what));
    }

    pub(crate) fn fall_ill(&self, trouble: Trouble) {
        *self.trouble.lock().unwrap() = trouble;
    }

    /// Bytes written, whole blocks written, flushes.
    pub(crate) fn counted(&self) -> (u64, u64, u64) {
        let of = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
        (of(&self.written), of(&self.blocks), of(&self.syncs))
    }

    fn of(path: &Path) -> Option<Arc<Self>> {
        let disks = DISKS.lock().unwrap();
        disks.iter().find(|disk| path.parent() == Some(&disk.folder)).cloned()
    }

    fn act(&self, act: impl FnOnce() -> Act) {
        if let Some(acts) = self.acts.lock().unwrap().as_mut() {
            acts.push(act());
        }
    }

    /// Whether a change of this file goes through.
    fn allow(&self, name: &str) -> Result<()> {
        let trouble = *self.trouble.lock().unwrap();
        match trouble {
            // SQLite's layer takes "wrote nothing" for a full disk.
            Trouble::Full => Err(Error::from(ErrorKind::WriteZero)),
            Trouble::ReadOnly => Err(Error::from(ErrorKind::ReadOnlyFilesystem)),
            Trouble::Errors => Err(Error::other("input/output error")),
            Trouble::Damaged if !name.ends_with("-tail") && !name.contains("beside") => {
                Err(Error::other("input/output error"))
            }
            _ => Ok(()),
        }
    }

    fn sync(&self, name: &str) -> Result<()> {
        let trouble = *self.trouble.lock().unwrap();
        if let Trouble::Slow(time) = trouble {
            std::thread::sleep(time);
        }
        self.syncs.fetch_add(1, Ordering::Relaxed);
        self.allow(name)?;
        self.act(|| Act::Sync(name.to_owned()));
        Ok(())
    }

    fn wrote(&self, name: &str, offset: u64, bytes: &[u8]) {
        self.written.fetch_add(bytes.len() as u64, Ordering::Relaxed);
        self.act(|| Act::Write(name.to_owned(), offset, bytes.to_vec()));
    }
}

fn name_of(path: &Path) -> String {
    path.file_name().unwrap().to_string_lossy().into_owned()
}

/// The blocks of a file that were written since its last flush.
#[derive(Debug, Default)]
struct Dirty(std::collections::BTreeSet<u64>);

impl Dirty {
    fn wrote(&mut self, offset: u64, length: usize) {
        self.0.extend(offset / BLOCK..=(offset + (length as u64).max(1) - 1) / BLOCK);
    }

    fn flushed(&mut self, disk: &Disk) {
        disk.blocks.fetch_add(self.0.len() as u64, Ordering::Relaxed);
        self.0.clear();
    }
}

/// The layer itself.
struct Layer;

/// An open file.
pub(crate) struct Handle {
    file: File,
    name: String,
    disk: Option<Arc<Disk>>,
    lock: LockKind,
    dirty: Dirty,
}

impl Vfs for Layer {
    type Handle = Handle;

    fn open(&self, db: &str, opts: OpenOptions) -> Result<Handle> {
        let path = Path::new(db);
        let disk = Disk::of(path);
        let name = name_of(path);
        let there = path.exists();
        let create = matches!(opts.access, OpenAccess::Create | OpenAccess::CreateNew);
        if let Some(disk) = &disk
            && create
            && !there
        {
            disk.allow(&name)?;
            disk.act(|| Act::Create(name.clone()));
        }
        let write = opts.access != OpenAccess::Read;
        let file =
            File::options().read(true).write(write).create(create).truncate(false).open(path)?;
        Ok(Handle { file, name, disk, lock: LockKind::None, dirty: Dirty::default() })
    }

    fn delete(&self, db: &str) -> Result<()> {
        let path = Path::new(db);
        if let Some(disk) = Disk::of(path) {
            disk.allow(&name_of(path))?;
            std::fs::remove_file(path)?;
            disk.act(|| Act::Unlink(name_of(path)));
            return Ok(());
        }
        std::fs::remove_file(path)
    }

    fn exists(&self, db: &str) -> Result<bool> {
        Ok(Path::new(db).exists())
    }

    fn temporary_name(&self) -> String {
        static COUNT: AtomicU64 = AtomicU64::new(0);
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("cresthold-layer-{}-{count}", std::process::id());
        std::env::temp_dir().join(name).to_string_lossy().into_owned()
    }

    fn random(&self, buffer: &mut [i8]) {
        static SEED: AtomicU64 = AtomicU64::new(1);
        let mut dice = Dice(SEED.fetch_add(1, Ordering::Relaxed));
        buffer.fill_with(|| dice.roll() as i8);
    }

    fn sleep(&self, duration: Duration) -> Duration {
        std::thread::sleep(duration);
        duration
    }

    fn full_pathname<'a>(&self, db: &'a str) -> Result<std::borrow::Cow<'a, str>> {
        Ok(db.into())
    }
}

impl DatabaseHandle for Handle {
    type WalIndex = NoIndex;

    fn size(&self) -> Result<u64> {
        Ok(self.file.metadata()?.len())
    }

    fn read_exact_at(&mut self, buf: &mut [u8], offset: u64) -> Result<()> {
        let mut done = 0;
        while done < buf.len() {
            match self.file.read_at(&mut buf[done..], offset + done as u64)? {
                0 => {
                    // SQLite wants the rest zeroed.
                    buf[done..].fill(0);
                    return Err(Error::from(ErrorKind::UnexpectedEof));
                }
                count => done += count,
            }
        }
        Ok(())
    }

    fn write_all_at(&mut self, buf: &[u8], offset: u64) -> Result<()> {
        if let Some(disk) = &self.disk {
            disk.allow(&self.name)?;
            disk.wrote(&self.name, offset, buf);
            self.dirty.wrote(offset, buf.len());
        }
        self.file.write_all_at(buf, offset)
    }

    fn sync(&mut self, _data_only: bool) -> Result<()> {
        match &self.disk {
            Some(disk) => {
                self.dirty.flushed(disk);
                disk.sync(&self.name)
            }
            None => Ok(()),
        }
    }

    fn set_len(&mut self, size: u64) -> Result<()> {
        if let Some(disk) = &self.disk {
            disk.allow(&self.name)?;
            disk.act(|| Act::Truncate(self.name.clone(), size));
        }
        self.file.set_len(size)
    }

    // One connection at a time: nobody to keep out.
    fn lock(&mut self, lock: LockKind) -> Result<bool> {
        self.lock = lock;
        Ok(true)
    }

    fn reserved(&mut self) -> Result<bool> {
        Ok(false)
    }

    fn current_lock(&self) -> Result<LockKind> {
        Ok(self.lock)
    }

    fn wal_index(&self, _readonly: bool) -> Result<NoIndex> {
        Err(Error::from(ErrorKind::Unsupported))
    }
}

/// There is no write-ahead log here.
pub(crate) struct NoIndex;

impl wip::WalIndex for NoIndex {
    fn enabled() -> bool {
        false
    }

    fn map(&mut self, _region: u32) -> Result<[u8; 32768]> {
        Err(Error::from(ErrorKind::Unsupported))
    }

    fn lock(&mut self, _locks: Range<u8>, _lock: wip::WalIndexLock) -> Result<bool> {
        Err(Error::from(ErrorKind::Unsupported))
    }

    fn delete(self) -> Result<()> {
        Ok(())
    }
}

/// The tail on the same disk.
#[derive(Debug)]
struct Tail {
    file: Locked,
    name: String,
    disk: Option<Arc<Disk>>,
    dirty: Dirty,
}

/// Opens a tail on the disk of its folder.
pub(crate) fn tail(log: &Path) -> std::result::Result<Box<dyn TailFile>, StoreError> {
    let path = tail_path(log);
    let (disk, name) = (Disk::of(&path), name_of(&path));
    if let Some(disk) = &disk
        && !path.exists()
    {
        disk.act(|| Act::Create(name.clone()));
        disk.act(|| Act::Sync(name.clone()));
    }
    Ok(Box::new(Tail { file: Locked::open(log)?, name, disk, dirty: Dirty::default() }))
}

impl TailFile for Tail {
    fn read(&mut self) -> Result<Vec<u8>> {
        self.file.read()
    }

    fn write(&mut self, offset: u64, bytes: &[u8]) -> Result<()> {
        if let Some(disk) = &self.disk {
            disk.allow(&self.name).map_err(|error| match error.kind() {
                ErrorKind::WriteZero => Error::from(ErrorKind::StorageFull),
                _ => error,
            })?;
            disk.wrote(&self.name, offset, bytes);
            self.dirty.wrote(offset, bytes.len());
        }
        self.file.write(offset, bytes)
    }

    fn sync(&mut self) -> Result<()> {
        match &self.disk {
            Some(disk) => {
                self.dirty.flushed(disk);
                disk.sync(&self.name)
            }
            None => Ok(()),
        }
    }

    fn clear(&mut self) -> Result<()> {
        if let Some(disk) = &self.disk {
            disk.allow(&self.name)?;
            disk.act(|| Act::Truncate(self.name.clone(), 0));
        }
        self.file.clear()
    }

    fn remove(&mut self) -> Result<()> {
        if let Some(disk) = &self.disk {
            disk.allow(&self.name)?;
            disk.act(|| Act::Unlink(self.name.clone()));
        }
        self.file.remove()
    }
}

/// Dice with a seed (splitmix64: Steele, Lea, Flood 2014; from memory).
pub(crate) struct Dice(pub(crate) u64);

impl Dice {
    pub(crate) fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ z >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ z >> 31
    }

    pub(crate) fn below(&mut self, bound: usize) -> usize {
        if bound == 0 { 0 } else { (self.roll() % bound as u64) as usize }
    }
}
