//! The schema and the steps that lead to it.
//!
//! Model: `PRAGMA user_version` counts the steps a file has seen; each missing step runs in its
//! own transaction together with the new number, so a cut leaves the file before or after a step,
//! never within. The last step also writes the self-description (table `quantity`) anew. A
//! migration crate was rejected: the ones at hand hold rusqlite at older versions, and this is
//! forty lines.

use super::error::StoreError;
use super::quantity;
use crate::control::record::Activity;
use rusqlite::{Connection, TransactionBehavior};
use std::path::Path;

/// Marks a file as ours (`PRAGMA application_id`): the letters `Crst` in ASCII.
pub const APPLICATION_ID: i32 = 0x4372_7374;

/// The steps, oldest first. A step that was ever released is never changed: add another.
const STEPS: [&str; 7] = [
    include_str!("schema_1.sql"),
    include_str!("schema_2.sql"),
    include_str!("schema_3.sql"),
    include_str!("schema_4.sql"),
    include_str!("schema_5.sql"),
    include_str!("schema_6.sql"),
    include_str!("schema_7.sql"),
];

/// The newest schema version this program knows.
#[expect(clippy::cast_possible_truncation, clippy::cast_possible_wrap, reason = "a short list")]
pub const SCHEMA_VERSION: i32 = STEPS.len() as i32;

/// Schema version and owner of an open database.
pub(super) fn marks(conn: &Connection) -> rusqlite::Result<(i32, i32)> {
    let application_id = conn.pragma_query_value(None, "application_id", |row| row.get(0))?;
    let version = conn.pragma_query_value(None, "user_version", |row| row.get(0))?;
    Ok((application_id, version))
}

/// Whether the database holds nothing at all, as a new file does.
pub(super) fn is_blank(conn: &Connection) -> rusqlite::Result<bool> {
    conn.query_row("SELECT NOT EXISTS (SELECT 1 FROM sqlite_schema)", [], |row| row.get(0))
}

/// Brings the database up to [`SCHEMA_VERSION`].
///
/// # Errors
/// [`StoreError::Newer`] where the file is ahead of this program; else what SQLite reports.
pub(super) fn migrate(conn: &mut Connection, path: &Path) -> Result<(), StoreError> {
    migrate_through(conn, path, &STEPS)
}

fn migrate_through(conn: &mut Connection, path: &Path, steps: &[&str]) -> Result<(), StoreError> {
    let fail = |error| StoreError::from_sqlite(path, "bringing the schema up to date", error);
    let (_, found) = marks(conn).map_err(fail)?;
    let Some(missing) = usize::try_from(found).ok().and_then(|seen| steps.get(seen..)) else {
        return Err(StoreError::Newer { path: path.to_path_buf(), found, known: SCHEMA_VERSION });
    };
    for (version, step) in (found + 1..).zip(missing) {
        let last = usize::try_from(version).is_ok_and(|version| version == steps.len());
        apply(conn, step, version, last).map_err(fail)?;
    }
    Ok(())
}

fn apply(conn: &mut Connection, step: &str, version: i32, last: bool) -> rusqlite::Result<()> {
    let transaction = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    transaction.execute_batch(step)?;
    if last {
        describe(&transaction)?;
    }
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.pragma_update(None, "user_version", version)?;
    transaction.commit()
}

/// Writes the look-up and self-description tables.
fn describe(conn: &Connection) -> rusqlite::Result<()> {
    let mut insert = conn.prepare("INSERT INTO activity VALUES (?1, ?2) ON CONFLICT DO NOTHING")?;
    for (code, activity) in (0_i64..).zip(Activity::ALL) {
        insert.execute((code, activity.word()))?;
    }
    conn.execute("DELETE FROM quantity", [])?;
    let mut insert = conn.prepare("INSERT INTO quantity VALUES (?1, ?2, ?3, ?4, ?5)")?;
    for q in quantity::all() {
        insert.execute((
            q.table,
            q.column.as_ref(),
            q.symbol.as_ref(),
            q.unit,
            q.meaning.as_ref(),
        ))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A file of schema 1 with one row in it.
    fn first(conn: &mut Connection) {
        migrate_through(conn, Path::new("test"), &STEPS[..1]).unwrap();
        conn.execute("INSERT INTO channel VALUES (NULL, 'east', 'module', 'hold')", []).unwrap();
    }

    #[test]
    fn steps_run_once_and_in_order() {
        let mut conn = Connection::open_in_memory().unwrap();
        first(&mut conn);
        let steps = [STEPS[0], "CREATE TABLE two (x TEXT) STRICT", "DROP TABLE two"];
        migrate_through(&mut conn, Path::new("test"), &steps[..2]).unwrap();
        assert_eq!(marks(&conn).unwrap(), (APPLICATION_ID, 2));
        conn.execute("INSERT INTO two VALUES ('kept')", []).unwrap();
        migrate_through(&mut conn, Path::new("test"), &steps[..2]).unwrap();
        migrate_through(&mut conn, Path::new("test"), &steps).unwrap();
        assert_eq!(marks(&conn).unwrap(), (APPLICATION_ID, 3));
        let channels: i64 =
            conn.query_row("SELECT count(*) FROM channel", [], |row| row.get(0)).unwrap();
        assert_eq!(channels, 1);
    }

    #[test]
    fn an_older_file_is_brought_up_to_date_and_keeps_its_rows() {
        let mut conn = Connection::open_in_memory().unwrap();
        first(&mut conn);
        migrate(&mut conn, Path::new("test")).unwrap();
        assert_eq!(marks(&conn).unwrap(), (APPLICATION_ID, SCHEMA_VERSION));
        let count = |table: &str| -> i64 {
            let query = format!("SELECT count(*) FROM {table}");
            conn.query_row(&query, [], |row| row.get(0)).unwrap()
        };
        assert_eq!((count("channel"), count("sensor"), count("sensor_minute_view")), (1, 0, 0));
    }

    #[test]
    fn a_failing_step_leaves_no_trace() {
        let mut conn = Connection::open_in_memory().unwrap();
        first(&mut conn);
        let steps = [STEPS[0], "CREATE TABLE two (x TEXT) STRICT; DELETE FROM nowhere"];
        assert!(migrate_through(&mut conn, Path::new("test"), &steps).is_err());
        assert_eq!(marks(&conn).unwrap(), (APPLICATION_ID, 1));
        let there: bool = conn
            .query_row(
                "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = 'two')",
                [],
                |row| row.get(0),
            )
            .unwrap();
        assert!(!there);
    }

    #[test]
    fn a_version_ahead_of_the_steps_is_refused() {
        let mut conn = Connection::open_in_memory().unwrap();
        first(&mut conn);
        for version in [SCHEMA_VERSION + 1, -1] {
            conn.pragma_update(None, "user_version", version).unwrap();
            let refused = migrate(&mut conn, Path::new("test"));
            assert!(matches!(refused, Err(StoreError::Newer { .. })));
        }
    }
}
