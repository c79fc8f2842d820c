use rusqlite::{Connection, TransactionBehavior};

use crate::NotebookError;

/// Marks an SQLite file as a notebook: the letters "Setl" in ASCII.
pub(crate) const APPLICATION_ID: i32 = 0x5365_746c;

/// Every migration in order; the n-th leads to schema n. Released ones are never edited.
pub(crate) const MIGRATIONS: &[&str] = &[
    include_str!("../migrations/001_notebook.sql"),
    include_str!("../migrations/002_frames.sql"),
    include_str!("../migrations/003_recorders.sql"),
];

/// The schema that this version reads and writes.
pub const SCHEMA_VERSION: u32 = 3;

const _: () = assert!(
    MIGRATIONS.len() == SCHEMA_VERSION as usize,
    "one migration a schema"
);

pub(crate) fn application_id(connection: &Connection) -> rusqlite::Result<i32> {
    connection.query_row("PRAGMA application_id", [], |row| row.get(0))
}

pub(crate) fn version(connection: &Connection) -> rusqlite::Result<u32> {
    connection.query_row("PRAGMA user_version", [], |row| row.get(0))
}

/// Applies the migrations that the file lacks, all or none.
pub(crate) fn migrate(
    connection: &mut Connection,
    migrations: &[&str],
) -> Result<(), NotebookError> {
    let tx = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Asked within the transaction: another program may have upgraded it meanwhile.
    let have = version(&tx)? as usize;
    for sql in migrations.iter().skip(have) {
        tx.execute_batch(sql)?;
    }
    tx.pragma_update(None, "application_id", APPLICATION_ID)?;
    let now = u32::try_from(migrations.len().max(have)).unwrap_or(u32::MAX);
    tx.pragma_update(None, "user_version", now)?;
    tx.commit()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const TWO: &[&str] = &["CREATE TABLE a (x)", "ALTER TABLE a ADD COLUMN y"];

    #[test]
    fn only_missing_migrations_run() {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection, &TWO[..1]).unwrap();
        connection.execute("INSERT INTO a VALUES (1)", []).unwrap();
        migrate(&mut connection, TWO).unwrap();
        migrate(&mut connection, TWO).unwrap();
        assert_eq!(version(&connection).unwrap(), 2);
        let kept: (i64, Option<i64>) = connection
            .query_row("SELECT x, y FROM a", [], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .unwrap();
        assert_eq!(kept, (1, None));
    }

    #[test]
    fn a_failing_migration_leaves_the_old_schema() {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection, &TWO[..1]).unwrap();
        let broken = [TWO[0], "CREATE TABLE b (x); CREATE TABLE a (x)"];
        assert!(migrate(&mut connection, &broken).is_err());
        assert_eq!(version(&connection).unwrap(), 1);
        assert!(connection.prepare("SELECT * FROM b").is_err());
    }
}
