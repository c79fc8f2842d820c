use crate::COLUMNS;

/// Why a run sheet cannot be read, and what to do about it. `file` is the name it was given.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum SheetError {
    /// No rows below the header, or nothing at all.
    Empty {
        /// The sheet.
        file: String,
    },
    /// The first line names no column of a run sheet.
    NoHeader {
        /// The sheet.
        file: String,
        /// Its line.
        line: u64,
        /// What stands there instead.
        found: String,
    },
    /// A column that must be there is not.
    MissingColumn {
        /// The sheet.
        file: String,
        /// The column.
        column: &'static str,
        /// What is there.
        found: String,
    },
    /// A column stands there more than once.
    TwiceColumn {
        /// The sheet.
        file: String,
        /// The column.
        column: &'static str,
        /// How often.
        count: usize,
    },
    /// A cell does not hold what its column holds.
    Cell {
        /// The sheet.
        file: String,
        /// Its line, from 1.
        line: u64,
        /// The column.
        column: &'static str,
        /// What stands there.
        value: String,
        /// What is expected.
        expected: String,
    },
    /// A row has cells beyond the last column.
    ExtraCells {
        /// The sheet.
        file: String,
        /// Its line, from 1.
        line: u64,
        /// Cells in the row.
        cells: usize,
        /// Columns in the header.
        columns: usize,
    },
    /// Two rows have one name.
    TwiceRun {
        /// The sheet.
        file: String,
        /// The name.
        run: String,
        /// Their lines, from 1.
        lines: (u64, u64),
    },
    /// The table cannot be split into cells.
    Table {
        /// The sheet.
        file: String,
        /// What is wrong.
        detail: String,
    },
}

impl std::fmt::Display for SheetError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Empty { file } => write!(
                f,
                "{file}: the sheet has no rows; write a header line and below it one line a run"
            ),
            Self::NoHeader { file, line, found } => write!(
                f,
                "{file}, line {line}: '{found}' names no column of a run sheet; write a header line \
                 with some of {}",
                COLUMNS.join(", ")
            ),
            Self::MissingColumn {
                file,
                column,
                found,
            } => write!(
                f,
                "{file}: there is no column '{column}', only {found}; add it: a campaign that goes on \
                 after a crash knows runs by their names"
            ),
            Self::TwiceColumn {
                file,
                column,
                count,
            } => write!(
                f,
                "{file}: the column '{column}' stands there {count} times; leave one"
            ),
            Self::Cell {
                file,
                line,
                column,
                value,
                expected,
            } => write!(
                f,
                "{file}, line {line}, column {column}: '{value}' where {expected} is expected"
            ),
            Self::ExtraCells {
                file,
                line,
                cells,
                columns,
            } => write!(
                f,
                "{file}, line {line}: {cells} cells below {columns} columns; write numbers with a \
                 decimal point where cells are parted by commas, and put text with commas in quotes"
            ),
            Self::TwiceRun { file, run, lines } => write!(
                f,
                "{file}, lines {} and {}: two rows are called '{run}'; a campaign that goes on after a \
                 crash knows runs by their names, so give each its own",
                lines.0, lines.1
            ),
            Self::Table { file, detail } => write!(
                f,
                "{file}: {detail}; save the sheet as text with commas, semicolons or tabs"
            ),
        }
    }
}

impl std::error::Error for SheetError {}
