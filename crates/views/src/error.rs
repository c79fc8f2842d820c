use std::fmt;

use settlepoint_infer::fit::InferError;
use settlepoint_notebook::NotebookError;

/// Why a view of a notebook cannot be had.
#[derive(Debug)]
#[non_exhaustive]
pub enum ViewError {
    /// There is nothing in the notebook yet.
    Empty,
    /// A name that is not there, or that several things bear; the message says what there is.
    Unknown(String),
    /// Something that the notebook holds cannot be used; the message says what.
    Data(String),
    /// Opening or reading the notebook failed.
    Notebook(NotebookError),
    /// Fitting or predicting failed.
    Infer(InferError),
}

impl fmt::Display for ViewError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => f.write_str(
                "the notebook is empty; add runs with 'settlepoint add readings' or 'settlepoint add \
                 log'",
            ),
            Self::Unknown(message) | Self::Data(message) => f.write_str(message),
            Self::Notebook(error) => error.fmt(f),
            Self::Infer(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for ViewError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Empty | Self::Unknown(_) | Self::Data(_) => None,
            Self::Notebook(error) => Some(error),
            Self::Infer(error) => Some(error),
        }
    }
}

impl From<NotebookError> for ViewError {
    fn from(error: NotebookError) -> Self {
        Self::Notebook(error)
    }
}

impl From<InferError> for ViewError {
    fn from(error: InferError) -> Self {
        Self::Infer(error)
    }
}
