//! A copy in which nothing that the owner typed can be read.

use std::collections::BTreeMap;
use std::path::PathBuf;

use rusqlite::Connection;
use settlepoint_domain::LimitValue;

use crate::digest::tables;
use crate::entities::PACKAGE;
use crate::names::Kind;
use crate::schema::{self, MIGRATIONS};
use crate::{Notebook, NotebookError};

/// Units of scores that tell nothing of their owner; any other is called "units".
const PLAIN_UNITS: [&str; 16] = [
    "", "%", "db", "db(a)", "dba", "fps", "frames/s", "h", "j", "min", "ms", "points", "pt", "s",
    "wh", "1/s",
];

/// What is overwritten whatever it says, as assignments by table.
const PLAIN: [(&str, &str); 9] = [
    ("machines", "model = '', serial = '', notes = ''"),
    ("coolings", "notes = ''"),
    ("tunes", "notes = ''"),
    (
        "runs",
        "excluded = CASE WHEN excluded IS NULL THEN NULL ELSE 'left out by the owner' END",
    ),
    ("readings", "level_of = ''"),
    // A time zone tells where the machine stands.
    (
        "logs",
        "source_name = 'log', recipe = '', raw_hash = NULL, start_zone = NULL",
    ),
    (
        "frame_logs",
        "source_name = 'recording', reading = '', raw_hash = NULL",
    ),
    (
        "channels",
        "column_name = role || ' ' || column_number, reason = ''",
    ),
    (
        "findings",
        "evidence = 'noted when the run was taken; its words are left out', \
         remedy = 'see the notebook itself'",
    ),
];

impl Notebook {
    /// A copy in memory, to be read from, in which nothing that the owner typed is left: machines,
    /// coolings, tunes, settings, workloads and runs are called by letters and numbers, in the order
    /// of entry; models, serials, notes, reasons, names of files and of their columns, unusual units
    /// and time zones are gone. What was measured stays as it is. Raw files are not copied.
    ///
    /// Equal names get equal names, so that what belonged together still does.
    ///
    /// # Errors
    /// The database's own.
    pub fn anonymous(&self) -> Result<Self, NotebookError> {
        let copy = Self::in_memory()?;
        self.snapshot(|from| {
            for kind in Kind::ALL {
                for id in from.ids(kind)? {
                    for table in tables(kind) {
                        copy.copy_rows(from, table, id)?;
                    }
                }
            }
            Ok(())
        })?;
        for (table, assignments) in PLAIN {
            copy.connection
                .execute(&format!("UPDATE {table} SET {assignments}"), [])?;
        }
        for kind in Kind::ALL {
            copy.call_by_letters(kind)?;
        }
        copy.call_blocks_by_number()?;
        copy.keep_plain_units()?;
        Ok(copy)
    }

    fn in_memory() -> Result<Self, NotebookError> {
        let mut connection = Connection::open_in_memory()?;
        schema::migrate(&mut connection, MIGRATIONS)?;
        // Logs refer to raw files, which stay behind.
        connection.pragma_update(None, "foreign_keys", false)?;
        Ok(Self {
            connection,
            path: PathBuf::new(),
            identity: None,
        })
    }

    fn call_by_letters(&self, kind: Kind) -> Result<(), NotebookError> {
        let table = kind.table();
        let sql = format!("SELECT name FROM {table} GROUP BY name ORDER BY min(seq)");
        let names: Vec<String> = self.list(&sql, [], |row| Ok(row.get(0)?))?;
        let watts = self.watts_of_settings()?;
        let several = names.len() > 1;
        let mut update = self
            .connection
            .prepare(&format!("UPDATE {table} SET name = ?2 WHERE name = ?1"))?;
        // By way of names that nobody has: a machine may be called "machine B" already.
        let called: Vec<(String, String)> = names
            .iter()
            .filter(|name| kind != Kind::Part || name.as_str() != PACKAGE)
            .enumerate()
            .map(|(place, name)| (name.clone(), call(kind, place, several, watts.get(name))))
            .collect();
        for (name, _) in &called {
            update.execute((name, format!("\u{1}{name}")))?;
            self.rename_part_of_limits(kind, name, &format!("\u{1}{name}"))?;
        }
        for (name, new) in &called {
            update.execute((format!("\u{1}{name}"), new))?;
            self.rename_part_of_limits(kind, &format!("\u{1}{name}"), new)?;
        }
        Ok(())
    }

    /// Limits name their part.
    fn rename_part_of_limits(&self, kind: Kind, from: &str, to: &str) -> Result<(), NotebookError> {
        if kind == Kind::Part {
            for table in ["setting_limits", "setting_tiers"] {
                let sql = format!("UPDATE {table} SET part_name = ?2 WHERE part_name = ?1");
                self.connection.execute(&sql, (from, to))?;
            }
        }
        Ok(())
    }

    fn watts_of_settings(&self) -> Result<BTreeMap<String, f64>, NotebookError> {
        let settings = self.settings()?.into_iter();
        Ok(settings
            .filter_map(|s| match s.pl1_w {
                LimitValue::Value(watts) => Some((s.name, watts)),
                _ => None,
            })
            .collect())
    }

    fn call_blocks_by_number(&self) -> Result<(), NotebookError> {
        let sql = "SELECT block FROM scores WHERE block IS NOT NULL GROUP BY block ORDER BY block";
        let blocks: Vec<String> = self.list(sql, [], |row| Ok(row.get(0)?))?;
        let mut update = self
            .connection
            .prepare("UPDATE scores SET block = ?2 WHERE block = ?1")?;
        for block in &blocks {
            update.execute((block, format!("\u{1}{block}")))?;
        }
        for (place, block) in blocks.iter().enumerate() {
            update.execute((format!("\u{1}{block}"), format!("{}", place + 1)))?;
        }
        Ok(())
    }

    fn keep_plain_units(&self) -> Result<(), NotebookError> {
        let units: Vec<String> = self.list("SELECT DISTINCT unit FROM workloads", [], |row| {
            Ok(row.get(0)?)
        })?;
        for unit in units {
            if !PLAIN_UNITS.contains(&unit.to_lowercase().as_str()) {
                self.connection.execute(
                    "UPDATE workloads SET unit = 'units' WHERE unit = ?1",
                    [unit],
                )?;
            }
        }
        Ok(())
    }
}

/// "run 3", "the machine", "cooling B", "setting A, 125 W".
fn call(kind: Kind, place: usize, several: bool, watts: Option<&f64>) -> String {
    match (kind, watts) {
        (Kind::Run, _) => format!("run {}", place + 1),
        (Kind::Machine, _) if !several => "the machine".to_owned(),
        (Kind::Setting, Some(watts)) => format!("setting {}, {watts:.0} W", letters(place)),
        _ => format!("{} {}", kind.token(), letters(place)),
    }
}

/// A to Z, then AA, AB, … as the columns of a spreadsheet.
fn letters(place: usize) -> String {
    let (mut rest, mut text) = (place + 1, Vec::new());
    while rest > 0 {
        rest -= 1;
        text.push(b'A' + u8::try_from(rest % 26).unwrap_or(0));
        rest /= 26;
    }
    text.iter().rev().map(|b| char::from(*b)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_go_on_after_z() {
        let called = [0, 25, 26, 27, 51, 52, 701, 702].map(letters);
        assert_eq!(called, ["A", "Z", "AA", "AB", "AZ", "BA", "ZZ", "AAA"]);
    }
}
