//! What was committed and is not packed, for a reader that can't take it up.
//!
//! Model: rows in the tail are not in the tables. A reader that may write takes up what a run that broke off
//! left. Where it can't (a run under way holds the tail, no right to write, no room), it puts the rows into
//! tables like the file's, in memory, and each question is put to both. A minute that a run broke off in is made there,
//! too. The file's generation tells whether a run has packed in between: then the rows are read anew, and the
//! question is put once more.
//!
//! What can't be read is told, with why and what to do.
//!
//! Rejected: a copy of the file to take the rows up in (a log is large, a full disk has no room), a lock that
//! keeps a run from packing while somebody reads (a reader must hold up nothing).

use super::error::StoreError;
use super::op::Kind;
use super::pack::{MINUTE_BITS, Packer, STRETCH_BITS};
use super::reader::LAST_SEEN;
use super::rebuild;
use super::recovery;
use super::schema;
use super::tail::{self, Left, tail_path};
use crate::time::Utc;
use rusqlite::{Connection, Result, params_from_iter, types::Value};
use std::fs::{File, TryLockError};
use std::io;
use std::path::Path;

/// How often the tail is looked at while a run packs it; a packing takes far longer than a look.
const TRIES: u32 = 20;

/// Rows that are in no table of the file, in tables of their own.
#[derive(Debug)]
pub(super) struct Unpacked {
    pub(super) conn: Connection,
    /// The newest packing when they were read.
    packed: i64,
}

/// The newest packing of a file.
fn packed(main: &Connection) -> Result<i64> {
    main.prepare_cached("SELECT generation FROM file")?.query_row([], |row| row.get(0))
}

impl Unpacked {
    /// What lies in the tail of the log at `path`, whose tables are `main`; none where nothing does.
    ///
    /// # Errors
    /// What SQLite reports.
    pub(super) fn of(main: &Connection, path: &Path) -> Result<Option<Self>, StoreError> {
        let fail = |error| StoreError::from_sqlite(path, "reading the -tail file", error);
        let (packed, left) = match look(main, path).map_err(fail)? {
            Ok(Some(seen)) => seen,
            Ok(None) => return Ok(None),
            Err(error) => {
                tracing::warn!("{}", unread(main, path, &error).map_err(fail)?);
                return Ok(None);
            }
        };
        let broken = is_of_nobody(path);
        if !broken && left.as_ref().is_none_or(|left| left.ops.is_empty()) {
            return Ok(None);
        }
        let mut conn = Connection::open_in_memory().map_err(fail)?;
        // Keys of what is in the file are not here.
        conn.pragma_update(None, "foreign_keys", false).map_err(fail)?;
        schema::migrate(&mut conn, path)?;
        let rows = Self { conn, packed };
        rows.fill(main, (left.as_ref(), broken), path).map_err(fail)
    }

    /// Whether what is in the file is what it was when the rows were read.
    pub(super) fn is_true(&self, main: &Connection) -> Result<bool> {
        Ok(packed(main)? == self.packed)
    }

    /// Puts the rows into the tables; none where there are none after all.
    fn fill(
        self,
        main: &Connection,
        (left, broken): (Option<&Left>, bool),
        path: &Path,
    ) -> Result<Option<Self>> {
        let conn = &self.conn;
        conn.execute_batch("BEGIN")?;
        for table in ["boot", "channel", "sensor"] {
            copy(main, conn, table)?;
        }
        // Numbers go on where those of the file end, so that no two rows have the same.
        for (table, values) in
            [("stretch", "?1, 0, 0, 0, 0"), ("event", "?1, 0, 0, 0, NULL, '', '', '', NULL")]
        {
            let sql = format!("SELECT coalesce(max(id), 0) FROM {table}");
            let newest: i64 = main.query_row(&sql, [], |row| row.get(0))?;
            conn.execute(&format!("INSERT INTO {table} VALUES ({values})"), [newest])?;
        }
        let mut refused = 0;
        if let Some(left) = left {
            let mut packer = Packer::new(left.boot, Vec::new());
            for op in &left.ops {
                refused += u64::from(packer.write(conn, op).is_err());
            }
            tell(left, refused, path);
        }
        if broken {
            rebuild::mend_beside((main, conn), path)?;
        }
        conn.execute_batch(
            "DELETE FROM stretch WHERE boot = 0; DELETE FROM event WHERE boot = 0; COMMIT",
        )?;
        let sql = "SELECT EXISTS (SELECT 1 FROM stretch) OR EXISTS (SELECT 1 FROM event) \
                   OR EXISTS (SELECT 1 FROM day) OR EXISTS (SELECT 1 FROM curve_point) \
                   OR EXISTS (SELECT 1 FROM curve) OR EXISTS (SELECT 1 FROM sensor_minute)";
        let some: bool = conn.query_row(sql, [], |row| row.get(0))?;
        Ok(some.then_some(self))
    }
}

/// Newest packing, and what waits for the next; an empty tail may be of a run that broke off. The inner error is
/// that of the tail.
type Seen = (i64, Option<Left>);

fn look(main: &Connection, path: &Path) -> Result<io::Result<Option<Seen>>> {
    for _ in 0..TRIES {
        let before = packed(main)?;
        let bytes = match std::fs::read(tail_path(path)) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Ok(None)),
            Err(error) => return Ok(Err(error)),
        };
        // A run may have packed in between.
        if packed(main)? != before {
            continue;
        }
        let left = tail::parse(&bytes).filter(|left| left.generation == before + 1);
        let left = match left {
            Some(left) if recovery::is_of_another(main, path, &left)? => None,
            left => left,
        };
        return Ok(Ok(Some((before, left))));
    }
    Ok(Err(io::Error::other("a run packs it again and again")))
}

/// What to say of a tail that can't be read.
fn unread(main: &Connection, path: &Path, error: &io::Error) -> Result<String> {
    let mut statement = main.prepare(LAST_SEEN)?;
    let newest = statement.query_map((STRETCH_BITS, MINUTE_BITS), |row| row.get::<_, i64>(1))?;
    let newest = newest.collect::<Result<Vec<_>>>()?.into_iter().max();
    let since =
        newest.map_or_else(|| "its beginning".to_owned(), |at| Utc::from_micros(at).to_string());
    Ok(format!(
        "{}: can't be read ({error}): what was committed after {since} is not in this answer; give this user the right to read the file, or ask as the user of the run",
        tail_path(path).display()
    ))
}

/// Tells what of the rows can't be shown as they will be.
fn tell(left: &Left, refused: u64, path: &Path) {
    let tail = tail_path(path);
    if refused > 0 {
        tracing::warn!(
            "{}: {refused} of its rows are no rows and not in this answer",
            tail.display()
        );
    }
    if left.ops.iter().any(|op| op.kind == Kind::Correction) {
        tracing::warn!(
            "{}: the run's clock was put right in it; rows before that have the wrong clock's times in this \
             answer, until the run packs them or somebody who may write reads the log",
            tail.display()
        );
    }
}

/// Whether no run holds the tail: whoever left it broke off. The lock is let go at once.
fn is_of_nobody(path: &Path) -> bool {
    let Ok(tail) = File::open(tail_path(path)) else { return false };
    !matches!(tail.try_lock_shared(), Err(TryLockError::WouldBlock | TryLockError::Error(_)))
}

/// Copies a small table.
fn copy(main: &Connection, conn: &Connection, table: &str) -> Result<()> {
    let mut from = main.prepare(&format!("SELECT * FROM {table}"))?;
    let count = from.column_count();
    let places: Vec<String> = (1..=count).map(|place| format!("?{place}")).collect();
    let mut to = conn.prepare(&format!("INSERT INTO {table} VALUES ({})", places.join(",")))?;
    let mut rows = from.query([])?;
    while let Some(row) = rows.next()? {
        let values: Vec<Value> = (0..count).map(|index| row.get(index)).collect::<Result<_>>()?;
        to.execute(params_from_iter(values))?;
    }
    Ok(())
}
