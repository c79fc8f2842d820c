//! Why the server cannot run, and why a page cannot be had.

use std::fmt;
use std::net::SocketAddr;

use axum::http::StatusCode;
use settlepoint_infer::fit::InferError;
use settlepoint_notebook::NotebookError;
use settlepoint_views::ViewError;

/// Why the server cannot run.
#[derive(Debug)]
#[non_exhaustive]
pub enum WebError {
    /// The notebook cannot be opened.
    Notebook(ViewError),
    /// The address cannot be listened on.
    Listen {
        /// The address asked for.
        address: SocketAddr,
        /// The system's reason.
        source: std::io::Error,
    },
    /// The system gave no thread, random number or the like.
    System(String),
}

impl fmt::Display for WebError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Notebook(error) => error.fmt(f),
            Self::Listen { address, source } => write!(
                f,
                "cannot listen on {address}: {source}; give another --port, or leave it out for a free one"
            ),
            Self::System(what) => f.write_str(what),
        }
    }
}

impl std::error::Error for WebError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Notebook(error) => Some(error),
            Self::Listen { source, .. } => Some(source),
            Self::System(_) => None,
        }
    }
}

/// Why a page cannot be had, in words for its reader: never a path, an address or the inside of the
/// program.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct PageError {
    pub(crate) status: StatusCode,
    pub(crate) message: String,
}

impl PageError {
    pub(crate) fn new(status: StatusCode, message: impl Into<String>) -> Self {
        Self {
            status,
            message: message.into(),
        }
    }

    /// What was asked makes no sense.
    pub(crate) fn asked(message: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, message)
    }

    pub(crate) fn not_found(message: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, message)
    }

    /// Something broke inside; what is none of the reader's business.
    pub(crate) fn inside() -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "Something went wrong here. Nothing was changed. Try again; if it stays, start the server \
             anew.",
        )
    }
}

impl From<NotebookError> for PageError {
    fn from(error: NotebookError) -> Self {
        let (status, message) = match error {
            NotebookError::UnknownId { .. } | NotebookError::UnknownName { .. } => (
                StatusCode::NOT_FOUND,
                "The notebook has no such thing; it may have been removed. Go back to the runs.".into(),
            ),
            NotebookError::Invalid { .. } | NotebookError::AmbiguousName { .. } => {
                (StatusCode::UNPROCESSABLE_ENTITY, error.to_string())
            }
            NotebookError::ReadOnly => (
                StatusCode::CONFLICT,
                "The notebook may only be read; make it writable, or work on a copy.".into(),
            ),
            NotebookError::Locked => (
                StatusCode::CONFLICT,
                "Another program holds the notebook. Nothing was changed; try again when it is done."
                    .into(),
            ),
            NotebookError::DiskFull => (
                StatusCode::INSUFFICIENT_STORAGE,
                "There is no space left on the disk. Nothing was changed; free some and try again."
                    .into(),
            ),
            _ => return Self::inside(),
        };
        Self::new(status, message)
    }
}

impl From<InferError> for PageError {
    fn from(error: InferError) -> Self {
        let message = match error {
            InferError::NoRuns => "There are no runs to fit yet. Add some.".to_owned(),
            InferError::NoReadings => {
                "No run has a package temperature under load. Note at least the \
                 temperature and the watts of each run's settled part."
                    .to_owned()
            }
            InferError::Solver(_) => {
                "The models cannot follow these runs. Look among the runs for a \
                 limit, watts or a score far from the others, and leave that run out."
                    .to_owned()
            }
            other => other.to_string(),
        };
        Self::asked(message)
    }
}

impl From<ViewError> for PageError {
    fn from(error: ViewError) -> Self {
        match error {
            ViewError::Empty => Self::asked("The notebook is empty. Add runs first."),
            ViewError::Notebook(error) => error.into(),
            ViewError::Infer(error) => error.into(),
            other => Self::asked(other.to_string()),
        }
    }
}
