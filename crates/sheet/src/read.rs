use std::collections::HashMap;

use crate::cells::{Cells, Places};
use crate::{COLUMNS, SheetError, SheetRow};

/// A sheet as read.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// The runs, sorted by their order; equal places as in the file.
    pub rows: Vec<SheetRow>,
    /// Columns that a run sheet does not have, as typed: nothing was read from them. Show them, for
    /// one may be a known column mistyped.
    pub unused_columns: Vec<String>,
}

/// Reads a sheet; `file` names it in messages.
///
/// Cells are parted by commas, semicolons or tabs; with the latter two, decimal commas may stand in
/// numbers. Columns come in any order; "PL1 W" and "pl1 (W)" mean `pl1_w`. A byte order mark, lines
/// that begin with `#`, a line that only names the separator, empty lines and lines of empty cells are
/// passed over.
///
/// # Errors
/// [`SheetError`] with file, line, column, value and what is expected.
pub fn read(text: &str, file: &str) -> Result<Sheet, SheetError> {
    let text = text.trim_start_matches('\u{feff}');
    let (text, lines_before) = without_separator_line(text);
    let delimiter = delimiter(text);
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .comment(Some(b'#'))
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let mut records = reader
        .records()
        .filter(|r| r.as_ref().map_or(true, |r| !r.iter().all(str::is_empty)));
    let table = |e: csv::Error| SheetError::Table {
        file: file.to_owned(),
        detail: e.to_string(),
    };
    let Some(header) = records.next().transpose().map_err(table)? else {
        return Err(SheetError::Empty {
            file: file.to_owned(),
        });
    };
    let columns = Columns::of(&header, file, lines_before + line_of(text, &header))?;
    let mut rows: Vec<SheetRow> = Vec::new();
    let mut lines = HashMap::new();
    for record in records {
        let record = record.map_err(table)?;
        let line = lines_before + line_of(text, &record);
        columns.refuse_extra(&record, line)?;
        let next = rows.last().map_or(0, |row| row.order).saturating_add(1);
        let cells = Cells {
            record: &record,
            places: &columns.places,
            decimal_comma: delimiter != b',',
            file,
            line,
        };
        let row = cells.row(next)?;
        if let Some(first) = lines.insert(row.run.clone(), line) {
            return Err(SheetError::TwiceRun {
                file: file.to_owned(),
                run: row.run,
                lines: (first, line),
            });
        }
        rows.push(row);
    }
    if rows.is_empty() {
        return Err(SheetError::Empty {
            file: file.to_owned(),
        });
    }
    rows.sort_by_key(|row| row.order);
    Ok(Sheet {
        rows,
        unused_columns: columns.unused,
    })
}

/// The line of a record, from 1. The library's own position is that of the lines it passed over.
fn line_of(text: &str, record: &csv::StringRecord) -> u64 {
    let byte = record.position().map_or(0, csv::Position::byte);
    let mut start = usize::try_from(byte).unwrap_or(0).min(text.len());
    for line in text[start..].split_inclusive('\n') {
        if !line.trim().is_empty() && !line.starts_with('#') {
            break;
        }
        start += line.len();
    }
    1 + text[..start].matches('\n').count() as u64
}

/// Some spreadsheets write a first line "sep=;" of their own.
fn without_separator_line(text: &str) -> (&str, u64) {
    match text.split_once('\n') {
        Some((first, rest))
            if first.trim().len() <= 6 && first.trim_start().starts_with("sep=") =>
        {
            (rest, 1)
        }
        _ => (text, 0),
    }
}

/// The most frequent of the three in the header.
fn delimiter(text: &str) -> u8 {
    let header = text
        .lines()
        .find(|line| !line.trim().is_empty() && !line.starts_with('#'))
        .unwrap_or("");
    let count = |c: char| header.matches(c).count();
    [('\t', b'\t'), (';', b';'), (',', b',')]
        .into_iter()
        .max_by_key(|(c, _)| count(*c))
        .map_or(b',', |(_, byte)| byte)
}

struct Columns<'a> {
    places: Places,
    unused: Vec<String>,
    count: usize,
    file: &'a str,
}

impl<'a> Columns<'a> {
    fn of(header: &csv::StringRecord, file: &'a str, line: u64) -> Result<Self, SheetError> {
        let names: Vec<String> = header.iter().map(plain).collect();
        let places = COLUMNS.map(|column| names.iter().position(|name| name == column));
        if places.iter().all(Option::is_none) {
            return Err(SheetError::NoHeader {
                file: file.to_owned(),
                line,
                found: header.iter().collect::<Vec<_>>().join(" "),
            });
        }
        for column in COLUMNS {
            let count = names.iter().filter(|name| *name == column).count();
            if count > 1 {
                return Err(SheetError::TwiceColumn {
                    file: file.to_owned(),
                    column,
                    count,
                });
            }
        }
        if !names.iter().any(|name| name == "run") {
            return Err(SheetError::MissingColumn {
                file: file.to_owned(),
                column: "run",
                found: header.iter().collect::<Vec<_>>().join(", "),
            });
        }
        let is_unused = |cell: &&str| !cell.is_empty() && !COLUMNS.contains(&plain(cell).as_str());
        Ok(Self {
            places,
            unused: header.iter().filter(is_unused).map(str::to_owned).collect(),
            count: header.len(),
            file,
        })
    }

    /// Filled cells beyond the header are a number or a text torn at its comma.
    fn refuse_extra(&self, record: &csv::StringRecord, line: u64) -> Result<(), SheetError> {
        if record.iter().skip(self.count).all(str::is_empty) {
            return Ok(());
        }
        Err(SheetError::ExtraCells {
            file: self.file.to_owned(),
            line,
            cells: record.len(),
            columns: self.count,
        })
    }
}

/// "PL1 (W)" as `pl1_w`, "room °C" as `room_c`.
fn plain(cell: &str) -> String {
    let words = cell
        .to_lowercase()
        .replace('°', "")
        .replace(|c: char| !c.is_alphanumeric(), " ");
    words.split_whitespace().collect::<Vec<_>>().join("_")
}
