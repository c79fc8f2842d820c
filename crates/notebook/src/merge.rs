use rusqlite::types::Value;
use settlepoint_domain::Id;

use crate::codec::SqlId;
use crate::digest::{Table, tables};
use crate::names::Kind;
use crate::{Notebook, NotebookError, RawHash};

/// How many things of one kind were taken over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MergeCount {
    /// The kind.
    pub kind: Kind,
    /// Not there before.
    pub added: usize,
    /// There already, and the same.
    pub identical: usize,
}

/// A thing that both notebooks hold, but not alike. What stood in the receiving one stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Conflict {
    /// The kind.
    pub kind: Kind,
    /// The id that both have.
    pub id: Id,
    /// Its name in the receiving notebook.
    pub name: String,
    /// What differs: columns of the thing itself, or what belongs to it ("readings", "scores", …).
    pub differs: Vec<String>,
}

/// A name that means several things since the merge.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SameName {
    /// The kind.
    pub kind: Kind,
    /// The id of the thing that was added.
    pub id: Id,
    /// The name.
    pub name: String,
}

/// What a merge did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MergeReport {
    /// Counts by kind, in the order of [`Kind::ALL`].
    pub counts: Vec<MergeCount>,
    /// Raw files that were not there before.
    pub raw_files_added: usize,
    /// Raw files that both hold.
    pub raw_files_shared: usize,
    /// Things that differ.
    pub conflicts: Vec<Conflict>,
    /// Names to be told apart.
    pub same_names: Vec<SameName>,
}

impl MergeReport {
    /// The number of things added, of all kinds.
    pub fn added(&self) -> usize {
        self.counts.iter().map(|count| count.added).sum()
    }
}

impl Notebook {
    /// Takes over everything that `from` holds and this notebook does not, by id. Raw files that
    /// both hold are shared. All or nothing; merging again changes nothing.
    ///
    /// # Errors
    /// [`NotebookError::ReadOnly`], [`NotebookError::DiskFull`], [`NotebookError::Corrupt`] if a
    /// raw file of `from` is damaged.
    pub fn merge_from(&self, from: &Self) -> Result<MergeReport, NotebookError> {
        self.transaction(|into| {
            from.snapshot(|from| {
                let mut report = MergeReport::default();
                into.merge_raw_files(from, &mut report)?;
                for kind in Kind::ALL {
                    into.merge_kind(from, kind, &mut report)?;
                }
                into.merge_fits(from)?;
                Ok(report)
            })
        })
    }

    /// Ids of all things of a kind in the order of entry.
    pub(crate) fn ids(&self, kind: Kind) -> Result<Vec<Id>, NotebookError> {
        let sql = format!("SELECT id FROM {} ORDER BY seq", kind.table());
        self.list(&sql, [], |row| Ok(row.get::<_, SqlId>(0)?.0))
    }

    fn merge_raw_files(&self, from: &Self, report: &mut MergeReport) -> Result<(), NotebookError> {
        for file in from.raw_files()? {
            if self.raw_info(file.hash)?.is_some() {
                report.raw_files_shared += 1;
            } else {
                self.copy_raw_file(from, file.hash)?;
                report.raw_files_added += 1;
            }
        }
        Ok(())
    }

    /// Copies the packed chunks, after unpacking them once to see that they are sound.
    fn copy_raw_file(&self, from: &Self, hash: RawHash) -> Result<(), NotebookError> {
        from.write_raw_file(hash, &mut std::io::sink())?;
        self.connection.execute(
            "INSERT INTO raw_files (hash, size_bytes) VALUES (?1, ?2)",
            (hash, from.raw_info(hash)?.map(u64::cast_signed)),
        )?;
        let file = self.connection.last_insert_rowid();
        let mut chunks = from.connection.prepare_cached(
            "SELECT position, deflated FROM raw_chunks JOIN raw_files ON raw_files.seq = file \
             WHERE hash = ?1 ORDER BY position",
        )?;
        let mut insert = self.connection.prepare_cached(
            "INSERT INTO raw_chunks (file, position, deflated) VALUES (?1, ?2, ?3)",
        )?;
        let mut rows = chunks.query([hash])?;
        while let Some(row) = rows.next()? {
            insert.execute((file, row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?))?;
        }
        Ok(())
    }

    fn merge_kind(
        &self,
        from: &Self,
        kind: Kind,
        report: &mut MergeReport,
    ) -> Result<(), NotebookError> {
        let mut count = MergeCount {
            kind,
            added: 0,
            identical: 0,
        };
        for id in from.ids(kind)? {
            if !self.holds(kind, id)? {
                for table in tables(kind) {
                    self.copy_rows(from, table, id)?;
                }
                count.added += 1;
                report.same_names.extend(self.namesake(kind, id)?);
            } else if let Some(conflict) = self.conflict(from, kind, id)? {
                report.conflicts.push(conflict);
            } else {
                count.identical += 1;
            }
        }
        report.counts.push(count);
        Ok(())
    }

    pub(crate) fn copy_rows(
        &self,
        from: &Self,
        table: &Table,
        id: Id,
    ) -> Result<(), NotebookError> {
        let Table {
            name, key, order, ..
        } = table;
        let sql = format!("SELECT * FROM {name} WHERE {key} = ?1 ORDER BY {order}");
        let mut select = from.connection.prepare_cached(&sql)?;
        let columns: Vec<(usize, String)> = select
            .column_names()
            .map(str::to_owned)
            .enumerate()
            .filter(|(_, column)| column != "seq")
            .collect();
        let names: Vec<&str> = columns.iter().map(|(_, column)| column.as_str()).collect();
        let marks = vec!["?"; names.len()].join(", ");
        let sql = format!("INSERT INTO {name} ({}) VALUES ({marks})", names.join(", "));
        let mut insert = self.connection.prepare_cached(&sql)?;
        let mut rows = select.query([SqlId(id)])?;
        while let Some(row) = rows.next()? {
            let values: Result<Vec<Value>, _> =
                columns.iter().map(|(index, _)| row.get(*index)).collect();
            insert.execute(rusqlite::params_from_iter(values?))?;
        }
        Ok(())
    }

    fn conflict(&self, from: &Self, kind: Kind, id: Id) -> Result<Option<Conflict>, NotebookError> {
        let (ours, theirs) = (self.fingerprint(kind, id)?, from.fingerprint(kind, id)?);
        let changed = ours
            .iter()
            .filter(|(what, hash)| theirs.get(*what) != Some(*hash))
            .map(|(what, _)| what);
        let only_theirs = theirs.keys().filter(|what| !ours.contains_key(*what));
        let differs: Vec<String> = changed.chain(only_theirs).cloned().collect();
        if differs.is_empty() {
            return Ok(None);
        }
        let name = self.name_of(kind, id)?;
        Ok(Some(Conflict {
            kind,
            id,
            name,
            differs,
        }))
    }

    fn name_of(&self, kind: Kind, id: Id) -> Result<String, NotebookError> {
        let sql = format!("SELECT name FROM {} WHERE id = ?1", kind.table());
        Ok(self
            .connection
            .query_row(&sql, [SqlId(id)], |row| row.get(0))?)
    }

    /// The name of an added thing, if another one of its kind (and machine) has it too.
    fn namesake(&self, kind: Kind, id: Id) -> Result<Option<SameName>, NotebookError> {
        let table = kind.table();
        let scope = match kind {
            Kind::Machine | Kind::Setting | Kind::Workload | Kind::Recorder => "",
            Kind::Part | Kind::Cooling | Kind::Tune | Kind::Run => "AND a.machine = b.machine",
        };
        let sql = format!(
            "SELECT 1 FROM {table} a JOIN {table} b ON a.name = b.name AND a.id <> b.id {scope} \
             WHERE a.id = ?1"
        );
        if !self.connection.prepare_cached(&sql)?.exists([SqlId(id)])? {
            return Ok(None);
        }
        Ok(Some(SameName {
            kind,
            id,
            name: self.name_of(kind, id)?,
        }))
    }

    fn merge_fits(&self, from: &Self) -> Result<(), NotebookError> {
        let mut select = from
            .connection
            .prepare("SELECT inputs_hash, code_version, json FROM fits")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            let fit: (Vec<u8>, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
            self.connection.execute(
                "INSERT INTO fits VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
                fit,
            )?;
        }
        Ok(())
    }
}
