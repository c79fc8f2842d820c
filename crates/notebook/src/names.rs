use std::fmt;

use settlepoint_domain::Id;

use crate::codec::SqlId;
use crate::entities::changed_one;
use crate::{Notebook, NotebookError};

/// The kinds of things that have an id and a name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Kind {
    /// A machine.
    Machine,
    /// A part of a machine.
    Part,
    /// A cooling.
    Cooling,
    /// A tune.
    Tune,
    /// A setting.
    Setting,
    /// A workload.
    Workload,
    /// A run.
    Run,
    /// A recorder of sound.
    Recorder,
}

impl Kind {
    /// Every kind; what is referred to comes before what refers to it.
    pub const ALL: [Self; 8] = [
        Self::Machine,
        Self::Part,
        Self::Cooling,
        Self::Tune,
        Self::Setting,
        Self::Workload,
        Self::Run,
        Self::Recorder,
    ];

    /// The word for one of it.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Machine => "machine",
            Self::Part => "part",
            Self::Cooling => "cooling",
            Self::Tune => "tune",
            Self::Setting => "setting",
            Self::Workload => "workload",
            Self::Run => "run",
            Self::Recorder => "recorder",
        }
    }

    pub(crate) const fn table(self) -> &'static str {
        match self {
            Self::Machine => "machines",
            Self::Part => "parts",
            Self::Cooling => "coolings",
            Self::Tune => "tunes",
            Self::Setting => "settings",
            Self::Workload => "workloads",
            Self::Run => "runs",
            Self::Recorder => "recorders",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.token())
    }
}

impl Notebook {
    /// The id of the one thing of this kind with this name or, failing that, with this id spelled
    /// out.
    ///
    /// # Errors
    /// [`NotebookError::UnknownName`] with the names there are; [`NotebookError::AmbiguousName`].
    pub fn id_of(&self, kind: Kind, name_or_id: &str) -> Result<Id, NotebookError> {
        self.find(kind, name_or_id)?.map_or_else(
            || {
                Err(NotebookError::UnknownName {
                    kind: kind.token(),
                    name: name_or_id.to_owned(),
                    known: self.names(kind)?,
                })
            },
            Ok,
        )
    }

    /// As [`Notebook::id_of`], with `None` if there is no such thing.
    ///
    /// # Errors
    /// [`NotebookError::AmbiguousName`].
    pub fn find(&self, kind: Kind, name_or_id: &str) -> Result<Option<Id>, NotebookError> {
        let ids = self.ids_named(kind, name_or_id)?;
        match ids.as_slice() {
            [id] => Ok(Some(*id)),
            [] => match name_or_id.parse() {
                Ok(id) if self.holds(kind, id)? => Ok(Some(id)),
                _ => Ok(None),
            },
            _ => Err(NotebookError::AmbiguousName {
                kind: kind.token(),
                name: name_or_id.to_owned(),
                ids,
            }),
        }
    }

    /// Every id of this kind with exactly this name, in order of entry.
    ///
    /// # Errors
    /// The database's own.
    pub fn ids_named(&self, kind: Kind, name: &str) -> Result<Vec<Id>, NotebookError> {
        let sql = format!(
            "SELECT id FROM {} WHERE name = ?1 ORDER BY seq",
            kind.table()
        );
        let mut statement = self.connection.prepare_cached(&sql)?;
        let ids = statement.query_map([name], |row| row.get::<_, SqlId>(0).map(|id| id.0))?;
        Ok(ids.collect::<Result<_, _>>()?)
    }

    /// The names of all things of this kind, in order of entry.
    ///
    /// # Errors
    /// The database's own.
    pub fn names(&self, kind: Kind) -> Result<Vec<String>, NotebookError> {
        let sql = format!("SELECT name FROM {} ORDER BY seq", kind.table());
        let mut statement = self.connection.prepare_cached(&sql)?;
        let names = statement.query_map([], |row| row.get(0))?;
        Ok(names.collect::<Result<_, _>>()?)
    }

    /// Gives a thing another name; its id and everything that refers to it stay.
    ///
    /// # Errors
    /// [`NotebookError::UnknownId`].
    pub fn rename(&self, kind: Kind, id: Id, name: &str) -> Result<(), NotebookError> {
        let sql = format!("UPDATE {} SET name = ?2 WHERE id = ?1", kind.table());
        let changed = self.connection.execute(&sql, (SqlId(id), name))?;
        changed_one(kind, id, changed)
    }

    pub(crate) fn holds(&self, kind: Kind, id: Id) -> Result<bool, NotebookError> {
        let sql = format!("SELECT 1 FROM {} WHERE id = ?1", kind.table());
        Ok(self.connection.prepare_cached(&sql)?.exists([SqlId(id)])?)
    }

    /// Fails with a clear word where the foreign key would fail with a vague one.
    pub(crate) fn require(&self, kind: Kind, id: Id) -> Result<(), NotebookError> {
        if self.holds(kind, id)? {
            Ok(())
        } else {
            Err(unknown(kind, id))
        }
    }

    pub(crate) fn require_new(&self, kind: Kind, id: Id) -> Result<(), NotebookError> {
        if self.holds(kind, id)? {
            return Err(NotebookError::DuplicateId {
                kind: kind.token(),
                id: id.to_string(),
            });
        }
        Ok(())
    }
}

pub(crate) fn unknown(kind: Kind, id: Id) -> NotebookError {
    NotebookError::UnknownId {
        kind: kind.token(),
        id: id.to_string(),
    }
}
