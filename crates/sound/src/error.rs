use std::fmt;

/// What keeps a recording, a table or a set of readings from being used.
#[derive(Debug)]
#[non_exhaustive]
pub enum SoundError {
    /// The operating system could not read it.
    Io(std::io::Error),
    /// The file is not a recording of a kind that is read here.
    Format {
        /// What was found.
        found: String,
        /// What to do.
        remedy: String,
    },
    /// The file's own description of itself cannot be right.
    Header {
        /// The field, its value and what was expected.
        what: String,
        /// What to do.
        remedy: String,
    },
    /// A sample is no number.
    NotANumber {
        /// Frame, counted from 0.
        frame: u64,
        /// The same in seconds.
        time_s: f64,
        /// Channel, counted from 1.
        channel: usize,
    },
    /// There is too little sound for what was asked.
    TooShort {
        /// Length, s.
        have_s: f64,
        /// Length needed, s.
        need_s: f64,
        /// What it is needed for.
        purpose: &'static str,
    },
    /// A text table cannot be read.
    Table {
        /// Line, counted from 1.
        line: usize,
        /// What stands there.
        value: String,
        /// What was expected.
        expected: &'static str,
    },
    /// The readings do not tell what was asked.
    NotIdentified {
        /// What is missing, and what would tell.
        needs: String,
    },
    /// A value is outside of what can be.
    Range {
        /// Name of the quantity.
        what: &'static str,
        /// The value.
        value: f64,
        /// What was expected.
        expected: &'static str,
    },
}

impl SoundError {
    pub(crate) fn header(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::Header {
            what: what.into(),
            remedy: remedy.into(),
        }
    }

    pub(crate) fn format(found: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::Format {
            found: found.into(),
            remedy: remedy.into(),
        }
    }

    pub(crate) fn needs(needs: impl Into<String>) -> Self {
        Self::NotIdentified {
            needs: needs.into(),
        }
    }
}

impl fmt::Display for SoundError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(error) => write!(f, "{error}"),
            Self::Format { found, remedy }
            | Self::Header {
                what: found,
                remedy,
            } => {
                write!(f, "{found}; {remedy}")
            }
            Self::NotANumber {
                frame,
                time_s,
                channel,
            } => write!(
                f,
                "frame {frame} ({time_s:.3} s) of channel {channel} is not a number; export the \
                 recording again, or cut it before that time"
            ),
            Self::TooShort {
                have_s,
                need_s,
                purpose,
            } => write!(
                f,
                "{have_s:.2} s of sound is too little for {purpose}; record at least {need_s:.0} s"
            ),
            Self::Table {
                line,
                value,
                expected,
            } => write!(f, "line {line}: '{value}': expected {expected}"),
            Self::NotIdentified { needs } => write!(f, "not to be told from this: needs {needs}"),
            Self::Range {
                what,
                value,
                expected,
            } => write!(f, "{what} {value}: expected {expected}"),
        }
    }
}

impl std::error::Error for SoundError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io(error) => Some(error),
            _ => None,
        }
    }
}

impl From<std::io::Error> for SoundError {
    fn from(error: std::io::Error) -> Self {
        Self::Io(error)
    }
}
