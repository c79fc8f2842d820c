use std::io;
use std::path::{Path, PathBuf};

/// Why something at the bench could not be done, and what to do about it.
#[derive(Debug)]
#[non_exhaustive]
pub enum BenchError {
    /// This system has no files of the Linux kernel.
    NoKernelFiles,
    /// A file or folder could not be read or written.
    File {
        /// Which.
        path: PathBuf,
        /// What was to be done with it: "read", "write", "make".
        doing: &'static str,
        /// The system's reason.
        source: io::Error,
    },
    /// No sensor was found.
    NothingFound {
        /// Where it was looked for.
        root: PathBuf,
    },
    /// An argument, a sheet or a file of ours cannot be understood.
    Invalid {
        /// What: a name, or file and line.
        what: String,
        /// What is wrong and what is expected.
        detail: String,
    },
    /// A limit may not be written.
    Refused {
        /// Which limit.
        limit: String,
        /// Why, and what to do.
        detail: String,
    },
    /// Limits do not hold what was written.
    NotHeld {
        /// Which limit.
        limit: String,
        /// What was written and read back, and what to do.
        detail: String,
    },
    /// A command could not be run.
    Command {
        /// The command as typed.
        command: String,
        /// What happened.
        detail: String,
    },
    /// The sink took no more rows.
    Sink(SinkError),
}

impl BenchError {
    pub(crate) fn file(path: &Path, doing: &'static str, source: io::Error) -> Self {
        Self::File {
            path: path.to_path_buf(),
            doing,
            source,
        }
    }

    pub(crate) fn invalid(what: impl Into<String>, detail: impl Into<String>) -> Self {
        Self::Invalid {
            what: what.into(),
            detail: detail.into(),
        }
    }
}

impl std::fmt::Display for BenchError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoKernelFiles => f.write_str(
                "this system has no sensor files of the Linux kernel; record on Linux, or record with the \
                 machine's own tool and add its log with 'settlepoint add log'",
            ),
            Self::File {
                path,
                doing,
                source,
            } => write!(f, "cannot {doing} {}: {source}{}", path.display(), hint(source)),
            Self::NothingFound { root } => write!(
                f,
                "no sensor under {}; load the drivers of the board's sensor chips, or give the \
                 folder of a rehearsal with --root",
                root.display()
            ),
            Self::Invalid { what, detail } => write!(f, "{what}: {detail}"),
            Self::Refused { limit, detail } | Self::NotHeld { limit, detail } => {
                write!(f, "{limit}: {detail}")
            }
            Self::Command { command, detail } => write!(f, "'{command}': {detail}"),
            Self::Sink(error) => write!(f, "{error}"),
        }
    }
}

fn hint(source: &io::Error) -> &'static str {
    match source.kind() {
        io::ErrorKind::PermissionDenied => "; run as root or change its permissions",
        io::ErrorKind::NotFound => "; check the path",
        io::ErrorKind::StorageFull => "; free some space",
        _ => "",
    }
}

impl std::error::Error for BenchError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::File { source, .. } => Some(source),
            Self::Sink(error) => Some(error),
            _ => None,
        }
    }
}

impl From<SinkError> for BenchError {
    fn from(error: SinkError) -> Self {
        Self::Sink(error)
    }
}

/// Why a sink did not take rows.
#[derive(Debug)]
#[non_exhaustive]
pub enum SinkError {
    /// It may take them later: the disk is full, or another program holds the notebook.
    Later {
        /// What is in the way and what to do.
        why: String,
    },
    /// It never will: the reader is gone, the file is damaged or read-only.
    Ended {
        /// What happened and what to do.
        why: String,
    },
}

impl std::fmt::Display for SinkError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Later { why } | Self::Ended { why } => f.write_str(why),
        }
    }
}

impl std::error::Error for SinkError {}
