use std::collections::BTreeMap;

use rusqlite::Row;
use rusqlite::types::ValueRef;
use settlepoint_domain::Id;
use sha2::{Digest, Sha256};

use crate::codec::SqlId;
use crate::names::Kind;
use crate::{Notebook, NotebookError, RawHash};

/// A table that holds a thing or what belongs to it.
pub(crate) struct Table {
    /// Its name.
    pub(crate) name: &'static str,
    /// The column with the thing's id.
    pub(crate) key: &'static str,
    /// The columns that order the rows of one thing.
    pub(crate) order: &'static str,
    /// Whether its rows are content: packed samples are told by their hash, findings are derived.
    content: bool,
}

const fn content(name: &'static str, key: &'static str, order: &'static str) -> Table {
    Table {
        name,
        key,
        order,
        content: true,
    }
}

const fn copied(name: &'static str, key: &'static str, order: &'static str) -> Table {
    Table {
        name,
        key,
        order,
        content: false,
    }
}

/// The tables of one kind of thing; its own comes first.
pub(crate) const fn tables(kind: Kind) -> &'static [Table] {
    match kind {
        Kind::Machine => const { &[content("machines", "id", "id")] },
        Kind::Part => const { &[content("parts", "id", "id")] },
        Kind::Cooling => const { &[content("coolings", "id", "id")] },
        Kind::Tune => const { &[content("tunes", "id", "id")] },
        Kind::Workload => const { &[content("workloads", "id", "id")] },
        Kind::Setting => {
            const {
                &[
                    content("settings", "id", "id"),
                    content("setting_limits", "setting", "part_name"),
                    content("setting_tiers", "setting", "part_name, position"),
                    content("setting_fan_points", "setting", "position"),
                ]
            }
        }
        Kind::Recorder => {
            const {
                &[
                    content("recorders", "id", "id"),
                    content("recorder_points", "recorder", "position"),
                ]
            }
        }
        Kind::Run => {
            const {
                &[
                    content("runs", "id", "id"),
                    content("readings", "run", "position"),
                    content("scores", "run", "position"),
                    content("logs", "run", "run"),
                    content("channels", "run", "position"),
                    copied("sample_blocks", "run", "position, first_row"),
                    content("recording_rows", "run", "row_index"),
                    copied("findings", "run", "position"),
                    content("frame_logs", "run", "position"),
                    copied("frame_blocks", "run", "position, first_row"),
                ]
            }
        }
    }
}

/// Content tables that came after the first schema.
const LATER: [&str; 1] = ["frame_logs"];

/// Kinds that came after the first schema.
const LATER_KINDS: [Kind; 1] = [Kind::Recorder];

/// The hash of each column of a thing's own row and of each table of what belongs to it.
pub(crate) type Fingerprint = BTreeMap<String, [u8; 32]>;

impl Notebook {
    /// SHA-256 of what was entered and measured, to name the state that a report rests on.
    ///
    /// It does not depend on the order of entry, on how the file is laid out or packed, or on
    /// findings and fits, which are derived.
    ///
    /// # Errors
    /// The database's own.
    pub fn content_hash(&self) -> Result<[u8; 32], NotebookError> {
        self.snapshot(|book| {
            let mut hasher = Sha256::new_with_prefix(b"settlepoint notebook content 1");
            for kind in Kind::ALL {
                let sql = format!("SELECT id FROM {} ORDER BY id", kind.table());
                let ids = book.list(&sql, [], |row| Ok(row.get::<_, SqlId>(0)?.0))?;
                // As with tables, a kind that a later schema adds changes nothing until used.
                if ids.is_empty() && LATER_KINDS.contains(&kind) {
                    continue;
                }
                feed(&mut hasher, kind.token().as_bytes());
                hasher.update((ids.len() as u64).to_le_bytes());
                for id in ids {
                    feed_fingerprint(&mut hasher, &book.fingerprint(kind, id)?);
                }
            }
            let sql = "SELECT hash FROM raw_files ORDER BY hash";
            for hash in book.list(sql, [], |row| Ok(row.get::<_, RawHash>(0)?))? {
                hasher.update(hash.as_bytes());
            }
            Ok(hasher.finalize().into())
        })
    }

    pub(crate) fn fingerprint(&self, kind: Kind, id: Id) -> Result<Fingerprint, NotebookError> {
        let mut print = Fingerprint::new();
        for (index, table) in tables(kind)
            .iter()
            .filter(|table| table.content)
            .enumerate()
        {
            let Table {
                name, key, order, ..
            } = table;
            let sql = format!("SELECT * FROM {name} WHERE {key} = ?1 ORDER BY {order}");
            let mut statement = self.connection.prepare_cached(&sql)?;
            let columns: Vec<String> = statement.column_names().map(str::to_owned).collect();
            let mut rows = statement.query([SqlId(id)])?;
            let mut hasher = Sha256::new();
            let mut empty = true;
            while let Some(row) = rows.next()? {
                empty = false;
                if index == 0 {
                    print_columns(&mut print, row, &columns)?;
                } else {
                    feed_row(&mut hasher, row, &columns)?;
                }
            }
            // As with columns, a table that a later schema adds changes nothing until used.
            if index > 0 && !(empty && LATER.contains(name)) {
                print.insert((*name).to_owned(), hasher.finalize().into());
            }
        }
        Ok(print)
    }
}

fn print_columns(
    print: &mut Fingerprint,
    row: &Row<'_>,
    columns: &[String],
) -> Result<(), NotebookError> {
    for (index, column) in columns
        .iter()
        .enumerate()
        .filter(|(_, column)| *column != "seq")
    {
        let mut hasher = Sha256::new();
        feed_value(&mut hasher, row.get_ref(index)?);
        print.insert(column.clone(), hasher.finalize().into());
    }
    Ok(())
}

/// NULLs are passed over, so that a column which a later schema adds changes nothing until used.
fn feed_row(hasher: &mut Sha256, row: &Row<'_>, columns: &[String]) -> Result<(), NotebookError> {
    for (index, column) in columns.iter().enumerate() {
        let value = row.get_ref(index)?;
        if value != ValueRef::Null {
            feed(hasher, column.as_bytes());
            feed_value(hasher, value);
        }
    }
    hasher.update(b"row");
    Ok(())
}

fn feed_value(hasher: &mut Sha256, value: ValueRef<'_>) {
    match value {
        ValueRef::Null => hasher.update(b"n"),
        ValueRef::Integer(value) => hasher.update([b"i".as_slice(), &value.to_le_bytes()].concat()),
        ValueRef::Real(value) => {
            hasher.update([b"r".as_slice(), &value.to_bits().to_le_bytes()].concat());
        }
        ValueRef::Text(bytes) => {
            hasher.update(b"t");
            feed(hasher, bytes);
        }
        ValueRef::Blob(bytes) => {
            hasher.update(b"b");
            feed(hasher, bytes);
        }
    }
}

/// Bytes with their length before them: "ab" then "c" is not "a" then "bc".
fn feed(hasher: &mut Sha256, bytes: &[u8]) {
    hasher.update((bytes.len() as u64).to_le_bytes());
    hasher.update(bytes);
}

fn feed_fingerprint(hasher: &mut Sha256, print: &Fingerprint) {
    for (name, hash) in print {
        feed(hasher, name.as_bytes());
        hasher.update(hash);
    }
}
