use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;
use settlepoint_domain::{Id, LogError, SettingError};

/// What went wrong with a notebook, and what to do about it.
#[derive(Debug)]
#[non_exhaustive]
pub enum NotebookError {
    /// There is no such file.
    NotFound {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// Something stands where the new file or folder should go.
    Exists {
        /// The path.
        path: PathBuf,
    },
    /// The file is something else.
    NotANotebook {
        /// The file.
        path: PathBuf,
        /// What it seems to be.
        found: String,
    },
    /// A later settlepoint wrote it.
    NewerSchema {
        /// The file.
        path: PathBuf,
        /// Its schema.
        found: u32,
        /// The newest schema this version can read.
        known: u32,
    },
    /// An earlier settlepoint wrote it and it may not be written to, so it cannot be upgraded.
    OlderSchemaReadOnly {
        /// The file.
        path: PathBuf,
        /// Its schema.
        found: u32,
        /// The schema that this version needs.
        known: u32,
    },
    /// Another program holds it.
    Locked,
    /// It may not be written to.
    ReadOnly,
    /// There is no room left on the disk, or the notebook's page limit is reached.
    DiskFull,
    /// It is damaged.
    Corrupt {
        /// What does not fit.
        detail: String,
    },
    /// Something refers to a thing that the notebook does not hold.
    UnknownId {
        /// The kind of thing: "machine", "run", …
        kind: &'static str,
        /// Its id.
        id: String,
    },
    /// The id is taken.
    DuplicateId {
        /// The kind of thing.
        kind: &'static str,
        /// Its id.
        id: String,
    },
    /// No thing has this name.
    UnknownName {
        /// The kind of thing.
        kind: &'static str,
        /// The name asked for.
        name: String,
        /// The names there are.
        known: Vec<String>,
    },
    /// Several things have this name.
    AmbiguousName {
        /// The kind of thing.
        kind: &'static str,
        /// The name asked for.
        name: String,
        /// Their ids.
        ids: Vec<Id>,
    },
    /// The run has a log already, or was entered as one without.
    LogMismatch {
        /// The run.
        run: Id,
        /// What is at odds.
        detail: &'static str,
    },
    /// A value cannot be kept.
    Invalid {
        /// The field.
        field: String,
        /// What is wrong and what is expected.
        detail: String,
    },
    /// A limit makes no sense.
    Setting(SettingError),
    /// Samples do not make a log.
    Log(LogError),
    /// Reading the source or writing an export failed.
    Io {
        /// The file, where it is known.
        path: Option<PathBuf>,
        /// The cause.
        source: io::Error,
    },
    /// The system gave no random numbers for an id.
    Random {
        /// The system's words.
        detail: String,
    },
    /// Any other refusal of the database.
    Database {
        /// The cause.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

impl NotebookError {
    pub(crate) fn io(path: &Path, source: io::Error) -> Self {
        match source.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::DiskFull,
            _ => Self::Io {
                path: Some(path.to_path_buf()),
                source,
            },
        }
    }

    pub(crate) fn corrupt(detail: impl Into<String>) -> Self {
        Self::Corrupt {
            detail: detail.into(),
        }
    }

    pub(crate) fn invalid(field: impl Into<String>, detail: impl Into<String>) -> Self {
        Self::Invalid {
            field: field.into(),
            detail: detail.into(),
        }
    }
}

impl fmt::Display for NotebookError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotFound { .. }
            | Self::Exists { .. }
            | Self::NotANotebook { .. }
            | Self::NewerSchema { .. }
            | Self::OlderSchemaReadOnly { .. } => self.fmt_file(f),
            Self::UnknownId { .. }
            | Self::DuplicateId { .. }
            | Self::UnknownName { .. }
            | Self::AmbiguousName { .. }
            | Self::LogMismatch { .. } => self.fmt_content(f),
            _ => self.fmt_system(f),
        }
    }
}

impl NotebookError {
    fn fmt_file(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotFound { path } => {
                write!(
                    f,
                    "{}: no such notebook; make one with 'new'",
                    path.display()
                )
            }
            Self::Exists { path } => write!(
                f,
                "{} exists already and is left as it is; choose another name or move it away",
                path.display()
            ),
            Self::NotANotebook { path, found } => {
                write!(
                    f,
                    "{} is not a notebook but {found}; check the path",
                    path.display()
                )
            }
            Self::NewerSchema { path, found, known } => write!(
                f,
                "{} has schema {found}, this settlepoint reads up to {known}; update settlepoint",
                path.display()
            ),
            Self::OlderSchemaReadOnly { path, found, known } => write!(
                f,
                "{} has schema {found} and must be upgraded to {known} but may not be written to; \
                 copy it to a place that can be written and open the copy",
                path.display()
            ),
            _ => Ok(()),
        }
    }

    fn fmt_content(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnknownId { kind, id } => {
                write!(f, "the notebook holds no {kind} with id {id}; add it first")
            }
            Self::DuplicateId { kind, id } => {
                write!(
                    f,
                    "the notebook holds a {kind} with id {id} already; use a new id"
                )
            }
            Self::UnknownName { kind, name, known } if known.is_empty() => {
                write!(
                    f,
                    "no {kind} is called '{name}'; there is none yet, add one"
                )
            }
            Self::UnknownName { kind, name, known } => {
                write!(
                    f,
                    "no {kind} is called '{name}'; there is {}",
                    known.join(", ")
                )
            }
            Self::AmbiguousName { kind, name, ids } => {
                let ids: Vec<_> = ids.iter().map(ToString::to_string).collect();
                write!(
                    f,
                    "more than one {kind} is called '{name}'; use an id: {}",
                    ids.join(", ")
                )
            }
            Self::LogMismatch { run, detail } => {
                write!(f, "run {run}: {detail}; enter a new run for another log")
            }
            _ => Ok(()),
        }
    }

    fn fmt_system(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Locked => write!(
                f,
                "the notebook is in use by another program; close that or try again when it is done"
            ),
            Self::ReadOnly => write!(
                f,
                "the notebook may not be written to; check its permissions or work on a copy"
            ),
            Self::DiskFull => write!(
                f,
                "no space left for the notebook; nothing of this step was kept, free some space \
                 and repeat it"
            ),
            Self::Corrupt { detail } => write!(
                f,
                "the notebook is damaged ({detail}); go back to a copy, or export what can be read"
            ),
            Self::Invalid { field, detail } => write!(f, "{field}: {detail}"),
            Self::Setting(error) => write!(f, "{error}"),
            Self::Log(error) => write!(f, "{error}"),
            Self::Io {
                path: Some(path),
                source,
            } => write!(f, "{}: {source}", path.display()),
            Self::Io { path: None, source } => write!(f, "reading the source: {source}"),
            Self::Random { detail } => {
                write!(
                    f,
                    "the system gives no random numbers for a new id: {detail}"
                )
            }
            Self::Database { source } => write!(f, "database: {source}"),
            _ => Ok(()),
        }
    }
}

impl std::error::Error for NotebookError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Setting(error) => Some(error),
            Self::Log(error) => Some(error),
            Self::Io { source, .. } => Some(source),
            Self::Database { source } => Some(source.as_ref()),
            _ => None,
        }
    }
}

impl From<rusqlite::Error> for NotebookError {
    fn from(error: rusqlite::Error) -> Self {
        match error.sqlite_error_code() {
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Locked,
            Some(ErrorCode::ReadOnly) => Self::ReadOnly,
            Some(ErrorCode::DiskFull) => Self::DiskFull,
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
                Self::corrupt(error.to_string())
            }
            _ => Self::Database {
                source: Box::new(error),
            },
        }
    }
}

impl From<SettingError> for NotebookError {
    fn from(error: SettingError) -> Self {
        Self::Setting(error)
    }
}

impl From<LogError> for NotebookError {
    fn from(error: LogError) -> Self {
        Self::Log(error)
    }
}
