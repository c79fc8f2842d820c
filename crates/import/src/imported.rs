//! What an import gives back.

use settlepoint_domain::{Channel, Finding, SensorLog};

use crate::body::SkipReason;
use crate::recipe::Recipe;
use crate::source::{Encoding, LineEnd};
use crate::split::Delimiter;

/// A log, how it was read, and what should be known or asked about it.
#[derive(Clone, Debug)]
pub struct Imported {
    /// The channels over time. For each role the first channel is the chosen one.
    pub log: SensorLog,
    /// What became of every line.
    pub rows: RowAccount,
    /// Last less first time stamp in s, on the file's own clock: unlike the log's own span it
    /// contains steps back. `None` where the file has no time.
    pub span_s: Option<f64>,
    /// Why this time was chosen.
    pub time_reason: String,
    /// How the text is written.
    pub format: Format,
    /// Columns of text with few distinct values, in the log's row order.
    pub labels: Vec<Labels>,
    /// Distinct devices, where rows belong to several.
    pub devices: Vec<String>,
    /// What was seen that may matter.
    pub findings: Vec<Finding>,
    /// What could not be told from the file.
    pub questions: Vec<Question>,
    /// The mapping used, to be saved under a name.
    pub recipe: Recipe,
}

impl Imported {
    /// The channel read from a column, by its name or 1-based number.
    pub fn channel_by_column(&self, column: &str) -> Option<&Channel> {
        let channels = self.log.channels();
        channels.iter().find(|c| c.column == column).or_else(|| {
            let number: usize = column.trim_start_matches("col").trim().parse().ok()?;
            channels.iter().find(|c| c.column_number == number)
        })
    }

    /// The labels of a column, by its name.
    pub fn labels_of(&self, column: &str) -> Option<&Labels> {
        self.labels.iter().find(|l| l.column == column)
    }

    /// Stretches of rows with one value of a column, text or number, in order: first row, one
    /// past the last, and the value as text. `None` if there is no such column.
    pub fn levels(&self, column: &str) -> Option<Vec<(usize, usize, String)>> {
        if let Some(labels) = self.labels_of(column) {
            let same = |a: usize, b: usize| labels.codes[a] == labels.codes[b];
            return Some(stretches(labels.codes.len(), same, |row| {
                labels.text(row).to_owned()
            }));
        }
        let values = &self.channel_by_column(column)?.values;
        let same = |a: usize, b: usize| values[a].total_cmp(&values[b]).is_eq();
        Some(stretches(values.len(), same, |row| values[row].to_string()))
    }
}

fn stretches(
    rows: usize,
    same: impl Fn(usize, usize) -> bool,
    text: impl Fn(usize) -> String,
) -> Vec<(usize, usize, String)> {
    let mut out = Vec::new();
    let mut first = 0;
    for row in 1..=rows {
        if row == rows || !same(row - 1, row) {
            out.push((first, row, text(first)));
            first = row;
        }
    }
    out
}

/// How the text of a file is written.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub struct Format {
    /// Character set.
    pub encoding: Encoding,
    /// Line ends.
    pub line_end: LineEnd,
    /// Between the cells of the rows.
    pub delimiter: Delimiter,
    /// Whether numbers have a decimal comma.
    pub decimal_comma: bool,
    /// Line of the header, from 1, if there is one.
    pub header_line: Option<u64>,
    /// All column names.
    pub columns: Vec<String>,
    /// Text before the header, comment marks included.
    pub preamble: Vec<String>,
    /// Whether one row held one reading of one device.
    pub long_form: bool,
}

/// Lines read, kept and skipped: `read = kept + sum of skipped counts`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RowAccount {
    /// Lines of the file, blank ones and headers included. A line cut by NUL bytes counts once for
    /// each piece of text in it.
    pub read: u64,
    /// Lines whose readings are in the log.
    pub kept: u64,
    /// The rest, by reason.
    pub skipped: Vec<Skipped>,
}

/// Lines that are not in the log for one reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Skipped {
    /// Why.
    pub reason: SkipReason,
    /// How many.
    pub count: u64,
    /// Line numbers (from 1) of the first few.
    pub lines: Vec<u64>,
}

/// A column of text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Labels {
    /// Name.
    pub column: String,
    /// 1-based number.
    pub column_number: usize,
    /// Distinct texts.
    pub levels: Vec<String>,
    /// For each row of the log the index of its text in `levels`.
    pub codes: Vec<u32>,
}

impl Labels {
    /// The text of a row; empty if there is no such row.
    pub fn text(&self, row: usize) -> &str {
        let level = self
            .codes
            .get(row)
            .and_then(|code| self.levels.get(*code as usize));
        level.map_or("", String::as_str)
    }
}

/// Something that the file does not tell: what was chosen, why, and how to choose otherwise.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Question {
    /// What is asked.
    pub about: String,
    /// The answers that make sense.
    pub options: Vec<String>,
    /// The one taken meanwhile.
    pub chosen: String,
    /// Why that one.
    pub reason: String,
    /// How to state another.
    pub answer_with: String,
}
