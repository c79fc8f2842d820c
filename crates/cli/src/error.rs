//! What ends a command early, and with which exit code.

use std::fmt;

use settlepoint_bench::BenchError;
use settlepoint_infer::fit::InferError;
use settlepoint_notebook::NotebookError;
use settlepoint_views::ViewError;

/// Exit codes, as documented in `settlepoint --help`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Code {
    /// Findings that `--deny` forbids.
    Denied = 1,
    /// Wrong use: an argument, a name that does not exist, limits that make no sense.
    Usage = 2,
    /// Data that cannot be read.
    Data = 3,
    /// Not identified: the data do not tell what was asked.
    NotIdentified = 4,
    /// Notebook or disk trouble.
    Notebook = 5,
    /// Interrupted.
    Interrupted = 6,
}

/// A failure with its message and code.
#[derive(Debug)]
pub(crate) struct Failure {
    pub(crate) code: Code,
    pub(crate) message: String,
}

impl Failure {
    pub(crate) fn new(code: Code, message: impl Into<String>) -> Self {
        Self {
            code,
            message: message.into(),
        }
    }

    pub(crate) fn usage(message: impl Into<String>) -> Self {
        Self::new(Code::Usage, message)
    }

    pub(crate) fn data(message: impl Into<String>) -> Self {
        Self::new(Code::Data, message)
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Failure {}

impl From<NotebookError> for Failure {
    fn from(error: NotebookError) -> Self {
        let code = match error {
            NotebookError::UnknownName { .. }
            | NotebookError::AmbiguousName { .. }
            | NotebookError::NotFound { .. }
            | NotebookError::Exists { .. } => Code::Usage,
            NotebookError::NotANotebook { .. } => Code::Data,
            _ => Code::Notebook,
        };
        Self::new(code, error.to_string())
    }
}

impl From<InferError> for Failure {
    fn from(error: InferError) -> Self {
        if let InferError::Solver(_) = error {
            // The solver's own words are about its parameters, which no user can change.
            return Self::new(
                Code::NotIdentified,
                "the models cannot follow these runs; look in 'settlepoint runs' for a limit, watts or \
                 a score far from the others, and leave that run out with 'settlepoint exclude' (or \
                 try 'settlepoint fit --use' with the runs you trust)",
            );
        }
        let code = match error {
            InferError::Unknown(_) => Code::Usage,
            InferError::Prior(_) => Code::Data,
            _ => Code::NotIdentified,
        };
        Self::new(code, error.to_string())
    }
}

impl From<BenchError> for Failure {
    fn from(error: BenchError) -> Self {
        let code = match &error {
            BenchError::File { doing: "read", .. } | BenchError::NothingFound { .. } => Code::Data,
            BenchError::File { .. } | BenchError::Sink(_) => Code::Notebook,
            _ => Code::Usage,
        };
        Self::new(code, error.to_string())
    }
}

impl From<ViewError> for Failure {
    fn from(error: ViewError) -> Self {
        match error {
            ViewError::Notebook(error) => error.into(),
            ViewError::Infer(error) => error.into(),
            ViewError::Unknown(message) => Self::usage(message),
            ViewError::Data(message) => Self::data(message),
            other => Self::new(Code::NotIdentified, other.to_string()),
        }
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::new(Code::Notebook, error.to_string())
    }
}

/// Names the file in an error of reading or writing it.
pub(crate) fn with_path(path: &std::path::Path, what: &str, error: &std::io::Error) -> Failure {
    let code = if what == "read" {
        Code::Data
    } else {
        Code::Notebook
    };
    let hint = match error.kind() {
        std::io::ErrorKind::NotFound => "; check the path",
        std::io::ErrorKind::PermissionDenied => "; check its permissions",
        std::io::ErrorKind::StorageFull => "; free some space",
        _ => "",
    };
    Failure::new(
        code,
        format!("cannot {what} {}: {error}{hint}", path.display()),
    )
}
