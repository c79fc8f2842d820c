use std::fmt;

/// Why a file cannot be imported, where, and what to do.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum ImportError {
    /// The source could not be read at all.
    Read {
        /// What the system said.
        message: String,
    },
    /// There are no bytes, or only blanks and NUL bytes.
    Empty {
        /// Lines seen.
        lines: u64,
        /// Whether NUL bytes stand where text was, as after a power loss.
        nul_bytes: bool,
    },
    /// The bytes are not text.
    NotText {
        /// What the bytes seem to be.
        what: &'static str,
    },
    /// No line looks like readings.
    NoReadings {
        /// The first line (from 1) that is not blank.
        line: u64,
        /// The column (from 1) looked at.
        column: usize,
        /// What stands there.
        value: String,
    },
    /// Rows were found, but none has a time that can be read.
    NoTime {
        /// Line (from 1) of the first such row.
        line: u64,
        /// Column (from 1).
        column: usize,
        /// What stands there.
        value: String,
    },
    /// An override names a column that is not there.
    NoSuchColumn {
        /// The column as asked for.
        asked: String,
        /// The names that exist.
        names: Vec<String>,
        /// Line (from 1) of the header, or of the first row.
        line: u64,
    },
    /// The device asked for is not in the file.
    NoSuchDevice {
        /// As asked for.
        asked: String,
        /// Those that exist.
        names: Vec<String>,
    },
    /// An override that cannot be understood.
    BadOverride {
        /// The text.
        text: String,
        /// What is expected.
        expected: String,
    },
    /// A recipe that cannot be understood.
    BadRecipe {
        /// Where and what.
        message: String,
    },
    /// A value asked for in an option cannot be used.
    BadOption {
        /// The option.
        option: &'static str,
        /// The value.
        value: String,
        /// What is expected.
        expected: String,
    },
}

impl fmt::Display for ImportError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Read { message } => {
                write!(
                    f,
                    "cannot be read: {message}; check the path, the rights and the disk"
                )
            }
            Self::Empty { lines, nul_bytes } => write!(f, "{}", nothing_in(*lines, *nul_bytes)),
            Self::NotText { what } => write!(
                f,
                "line 1, column 1: {what}, not text; expected a log with one row a sample, split \
                 by comma, semicolon, tab, pipe or blanks. Export the log as delimited text"
            ),
            Self::NoReadings {
                line,
                column,
                value,
            } => write!(
                f,
                "line {line}, column {column}: '{value}' is not a reading, and no line holds two \
                 or more readings; expected rows of numbers split by comma, semicolon, tab, pipe \
                 or blanks. Export the log as delimited text"
            ),
            Self::NoTime {
                line,
                column,
                value,
            } => write!(
                f,
                "line {line}, column {column}: '{value}' is not a time, nor is any other in this \
                 column; name the time column with --channel time=COLUMN, its unit with \
                 --channel time=\"COLUMN@ms\""
            ),
            Self::NoSuchColumn { asked, names, line } => write!(
                f,
                "line {line}: no column '{asked}'; there are {}: use a name or \"col N\"",
                listed(names)
            ),
            Self::NoSuchDevice { asked, names } if names.is_empty() => {
                write!(
                    f,
                    "no device '{asked}': the file does not tell devices apart; leave it out"
                )
            }
            Self::NoSuchDevice { asked, names } => {
                write!(
                    f,
                    "no device '{asked}' in the file; there are {}",
                    listed(names)
                )
            }
            Self::BadOverride { text, expected } => {
                write!(f, "--channel {text}: expected {expected}")
            }
            Self::BadRecipe { message } => write!(
                f,
                "recipe: {message}; expected a Table Schema (JSON) as saved by an import"
            ),
            Self::BadOption {
                option,
                value,
                expected,
            } => {
                write!(f, "{option} {value}: expected {expected}")
            }
        }
    }
}

impl std::error::Error for ImportError {}

/// Why a file without any text is one, as far as its bytes tell.
fn nothing_in(lines: u64, nul_bytes: bool) -> String {
    const EXPECTED: &str = "expected a log with one row a sample";
    if nul_bytes {
        return format!(
            "line 1, column 1: nothing but NUL bytes, as a power loss leaves them; {EXPECTED}. \
             Take an earlier copy, or record again"
        );
    }
    let seen = match lines {
        0 => "the file is empty".to_owned(),
        1 => "the file's only line is blank".to_owned(),
        n => format!("all {n} lines are blank"),
    };
    format!(
        "line 1, column 1: {seen}, there is no text; {EXPECTED}. Check that it is the right file \
         and that its export or recording had ended"
    )
}

/// Up to twenty names, quoted, and how many more there are.
fn listed(names: &[String]) -> String {
    let shown: Vec<_> = names
        .iter()
        .take(20)
        .enumerate()
        .map(|(i, n)| format!("{} '{n}'", i + 1))
        .collect();
    match names.len() {
        0..=20 => shown.join(", "),
        n => format!("{} and {} more", shown.join(", "), n - 20),
    }
}
