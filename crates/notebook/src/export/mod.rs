//! Writing a notebook out as plain files.

mod csv;
mod json;

use std::fs;
use std::path::Path;

use settlepoint_domain::{Cooling, Id, Machine, Run, RunData, Setting, Tune, Workload};

use crate::file::neighbour;
use crate::{Notebook, NotebookError};

/// Everything but the samples, read once.
struct Content {
    machines: Vec<Machine>,
    coolings: Vec<Cooling>,
    tunes: Vec<Tune>,
    settings: Vec<Setting>,
    workloads: Vec<Workload>,
    runs: Vec<Run>,
}

impl Content {
    fn read(notebook: &Notebook) -> Result<Self, NotebookError> {
        Ok(Self {
            machines: notebook.machines()?,
            coolings: notebook.coolings()?,
            tunes: notebook.tunes()?,
            settings: notebook.settings()?,
            workloads: notebook.workloads()?,
            runs: notebook.runs()?,
        })
    }

    fn machine(&self, id: Id) -> &str {
        name_in(&self.machines, |m| m.id == id, |m| &m.name)
    }

    fn cooling(&self, id: Id) -> &str {
        name_in(&self.coolings, |c| c.id == id, |c| &c.name)
    }

    fn tune(&self, id: Option<Id>) -> &str {
        name_in(&self.tunes, |t| Some(t.id) == id, |t| &t.name)
    }

    fn setting(&self, id: Id) -> Option<&Setting> {
        self.settings.iter().find(|s| s.id == id)
    }

    fn workload(&self, id: Id) -> Option<&Workload> {
        self.workloads.iter().find(|w| w.id == id)
    }
}

fn name_in<T>(all: &[T], is: impl Fn(&T) -> bool, name: impl Fn(&T) -> &String) -> &str {
    all.iter()
        .find(|thing| is(thing))
        .map_or("", |thing| name(thing))
}

fn data_token(run: &Run) -> &'static str {
    match run.data {
        RunData::Readings(_) => "readings",
        RunData::Log => "log",
        RunData::ScoresOnly => "scores_only",
    }
}

/// Lets `write` fill a folder beside `target`, which gets its name only when complete.
fn staged(
    target: &Path,
    write: impl FnOnce(&Path) -> Result<(), NotebookError>,
) -> Result<(), NotebookError> {
    require_free(target)?;
    let draft = neighbour(target)?;
    fs::create_dir(&draft).map_err(|error| NotebookError::io(&draft, error))?;
    let done = write(&draft).and_then(|()| {
        // An empty folder there is fine, but not every system renames over it.
        if target.is_dir() {
            fs::remove_dir(target).map_err(|error| NotebookError::io(target, error))?;
        }
        fs::rename(&draft, target).map_err(|error| NotebookError::io(target, error))
    });
    if done.is_err() {
        // The failure that matters is the first.
        drop(fs::remove_dir_all(&draft));
    }
    done
}

fn require_free(target: &Path) -> Result<(), NotebookError> {
    let taken = match fs::read_dir(target) {
        Ok(mut entries) => entries.next().is_some(),
        Err(_) => target.symlink_metadata().is_ok(),
    };
    if taken {
        Err(NotebookError::Exists {
            path: target.to_path_buf(),
        })
    } else {
        Ok(())
    }
}

/// The shortest decimal number that reads back as the same binary64; nothing for "missing".
fn number(value: f64) -> String {
    // Plain notation where people expect it, an exponent where zeros would fill the line.
    match value.abs() {
        size if size.is_nan() => String::new(),
        size if size == 0.0 || (1e-5..1e16).contains(&size) => value.to_string(),
        _ => format!("{value:e}"),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn numbers_read_back_the_same(value in any::<f64>().prop_filter("finite", |v| v.is_finite())) {
            prop_assert_eq!(number(value).parse::<f64>().unwrap().to_bits(), value.to_bits());
        }
    }

    #[test]
    fn numbers_are_short_and_missing_ones_are_nothing() {
        assert_eq!(number(65.0), "65");
        assert_eq!(number(0.1 + 0.2), "0.30000000000000004");
        assert_eq!(number(1e300), "1e300");
        assert_eq!(number(f64::NAN), "");
    }

    #[test]
    fn a_failed_export_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("out");
        let result = staged(&target, |draft| {
            fs::write(draft.join("a.csv"), "a").map_err(|error| NotebookError::io(draft, error))?;
            Err(NotebookError::DiskFull)
        });
        assert!(matches!(result, Err(NotebookError::DiskFull)));
        assert!(fs::read_dir(folder.path()).unwrap().next().is_none());
    }

    #[test]
    fn an_export_never_overwrites() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("out");
        fs::create_dir(&target).unwrap();
        staged(&target, |draft| {
            fs::write(draft.join("a.csv"), "a").map_err(|error| NotebookError::io(draft, error))
        })
        .unwrap();
        assert_eq!(fs::read(target.join("a.csv")).unwrap(), b"a");
        let again = staged(&target, |_| Ok(()));
        assert!(matches!(again, Err(NotebookError::Exists { .. })));
        assert_eq!(fs::read(target.join("a.csv")).unwrap(), b"a");
    }
}
