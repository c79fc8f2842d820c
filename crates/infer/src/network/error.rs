use std::fmt;

/// Why no thermal network could be fitted. Each message says what to record instead.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum NetworkError {
    /// The columns differ in length.
    Length {
        /// Rows of the time column.
        expected: usize,
        /// Rows of the column that differs.
        rows: usize,
        /// What the column holds.
        column: &'static str,
    },
    /// A channel that the fit needs was not logged, or has no reading in the rows to fit.
    Missing {
        /// The channel's role.
        channel: &'static str,
    },
    /// Fewer rows with a temperature than the smallest model needs.
    TooShort {
        /// Rows with a temperature at times of their own.
        rows: usize,
        /// Rows needed.
        needed: usize,
    },
    /// The rows do not determine a thermal resistance.
    NotIdentified {
        /// What was seen.
        evidence: String,
        /// The run that would tell, as a noun phrase.
        needs: String,
    },
}

impl fmt::Display for NetworkError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Length {
                expected,
                rows,
                column,
            } => {
                write!(
                    f,
                    "{column} has {rows} rows where the time has {expected}; give one a row"
                )
            }
            Self::Missing { channel } => {
                write!(f, "no reading of {channel}; log it, or name its column")
            }
            Self::TooShort { rows, needed } => write!(
                f,
                "a fit needs {needed} rows with a temperature, each at a time of its own, and the \
                 log has {rows}; record longer or more often"
            ),
            Self::NotIdentified { evidence, needs } => {
                write!(
                    f,
                    "the K/W cannot be told from this log ({evidence}); it needs {needs}"
                )
            }
        }
    }
}

/// Up to three decimals, or three significant digits and a power of ten.
pub(super) fn brief(value: f64) -> String {
    if value == 0.0 || (0.001..1e6).contains(&value.abs()) {
        let text = format!("{value:.3}");
        return text.trim_end_matches('0').trim_end_matches('.').to_owned();
    }
    format!("{value:.2e}")
}

impl std::error::Error for NetworkError {}
