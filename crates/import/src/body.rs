//! The rows: bytes to columns on two threads, every line accounted for.

use std::collections::HashMap;

use crate::number::{self, Style};
use crate::split::{Delimiter, split};
use crate::stamp::{self, StampReader};
use crate::units::SourceUnit;

/// A missing entry in a column of whole numbers.
pub(crate) const NO_TICK: i64 = i64::MIN;

/// Distinct texts kept of one column; beyond, it is free text.
pub(crate) const MAX_LEVELS: usize = 4096;

/// How one column's cells are read.
#[derive(Clone, Debug)]
pub(crate) enum Read {
    Number(Style),
    /// Numbers with units, converted to the kept unit of the quantity.
    Measured(Style),
    /// Whole numbers, exact, less this base.
    Integer(i128),
    Stamp(StampReader),
    Date(StampReader),
    /// Times of day and elapsed times.
    Clock {
        minutes_first: bool,
    },
    Switch,
    /// AM or PM: 0 or 1.
    HalfDay,
    Label,
    Nothing,
}

/// What is needed to read a row.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) delimiter: Delimiter,
    pub(crate) width: usize,
    pub(crate) least: usize,
    pub(crate) reads: Vec<Read>,
    /// Columns without which a row has no time.
    pub(crate) time_columns: Vec<usize>,
    pub(crate) header_lines: Vec<Vec<u8>>,
    /// Name of the first column.
    pub(crate) first_name: String,
    pub(crate) line_end: u8,
}

/// One column as read.
#[derive(Clone, Debug)]
pub(crate) enum Column {
    Numbers(Vec<f64>),
    Ticks(Vec<i64>),
    Labels {
        codes: Vec<u32>,
        levels: Vec<String>,
        index: HashMap<Vec<u8>, u32>,
    },
    Nothing,
}

impl Column {
    fn new(read: &Read, rows: usize) -> Self {
        match read {
            Read::Number(_) | Read::Measured(_) | Read::Switch => {
                Self::Numbers(Vec::with_capacity(rows))
            }
            Read::Integer(_)
            | Read::Stamp(_)
            | Read::Date(_)
            | Read::Clock { .. }
            | Read::HalfDay => Self::Ticks(Vec::with_capacity(rows)),
            Read::Label => Self::Labels {
                codes: Vec::with_capacity(rows),
                levels: Vec::new(),
                index: HashMap::new(),
            },
            Read::Nothing => Self::Nothing,
        }
    }

    fn truncate(&mut self, rows: usize) {
        match self {
            Self::Numbers(v) => v.truncate(rows),
            Self::Ticks(v) => v.truncate(rows),
            Self::Labels { codes, .. } => codes.truncate(rows),
            Self::Nothing => {}
        }
    }

    fn append(&mut self, other: Self) {
        match (self, other) {
            (Self::Numbers(all), Self::Numbers(part)) => all.extend_from_slice(&part),
            (Self::Ticks(all), Self::Ticks(part)) => all.extend_from_slice(&part),
            (
                Self::Labels {
                    codes,
                    levels,
                    index,
                },
                Self::Labels {
                    codes: part,
                    levels: part_levels,
                    ..
                },
            ) => {
                let map: Vec<u32> = part_levels
                    .iter()
                    .map(|l| intern(l.as_bytes(), levels, index))
                    .collect();
                codes.extend(
                    part.iter()
                        .map(|c| map.get(*c as usize).copied().unwrap_or(0)),
                );
            }
            _ => {}
        }
    }
}

/// The number of a text among the levels; texts beyond the limit share the last number.
fn intern(text: &[u8], levels: &mut Vec<String>, index: &mut HashMap<Vec<u8>, u32>) -> u32 {
    if let Some(code) = index.get(text) {
        return *code;
    }
    let code = u32::try_from(levels.len().min(MAX_LEVELS)).unwrap_or(0);
    if levels.len() <= MAX_LEVELS {
        levels.push(crate::source::to_text(text));
        index.insert(text.to_vec(), code);
    }
    code
}

/// Why a line is no row. The order is that of the report.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum SkipReason {
    /// Nothing but blanks.
    Blank,
    /// The line that names the columns.
    Header,
    /// The line that gives their units.
    UnitsRow,
    /// Text before the header.
    Preamble,
    /// A line that opens as comments do.
    Comment,
    /// The header again.
    RepeatedHeader,
    /// Another header than the first.
    OtherHeader,
    /// Least, most, mean or sum of the rows.
    SummaryRow,
    /// Text between or behind the rows.
    TextLine,
    /// Fewer cells than the rows have.
    TooFewCells,
    /// More cells than the rows have.
    TooManyCells,
    /// The last line, not complete.
    CutShort,
    /// NUL bytes, as after a power loss.
    NulBytes,
    /// A row whose time cannot be read.
    TimeUnreadable,
    /// A row in which no number can be read.
    NoReadings,
    /// A row behind another header than the first.
    UnderOtherHeader,
    /// A row of a device that was not picked.
    OtherDevice,
}

impl SkipReason {
    /// The token in JSON.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Blank => "blank",
            Self::Header => "header",
            Self::UnitsRow => "units_row",
            Self::Preamble => "preamble",
            Self::Comment => "comment",
            Self::RepeatedHeader => "repeated_header",
            Self::OtherHeader => "other_header",
            Self::SummaryRow => "summary_row",
            Self::TextLine => "text_line",
            Self::TooFewCells => "too_few_cells",
            Self::TooManyCells => "too_many_cells",
            Self::CutShort => "cut_short",
            Self::NulBytes => "nul_bytes",
            Self::TimeUnreadable => "time_unreadable",
            Self::NoReadings => "no_readings",
            Self::UnderOtherHeader => "under_other_header",
            Self::OtherDevice => "other_device",
        }
    }

    pub(crate) fn from_token(token: &str) -> Self {
        match token {
            "header" => Self::Header,
            "units_row" => Self::UnitsRow,
            "comment" => Self::Comment,
            _ => Self::Preamble,
        }
    }
}

/// A run of lines that are no rows, for one reason.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Skip {
    pub(crate) line: u64,
    pub(crate) count: u64,
    pub(crate) reason: SkipReason,
}

/// Cells of one column that hold something, but nothing that fits.
#[derive(Clone, Debug, Default)]
pub(crate) struct Unreadable {
    pub(crate) count: u64,
    /// Line and text of the first few.
    pub(crate) first: Vec<(u64, String)>,
}

/// Rows read from a stretch of lines.
#[derive(Clone, Debug)]
pub(crate) struct Rows {
    pub(crate) columns: Vec<Column>,
    pub(crate) kept: usize,
    /// Lines, and pieces of lines that NUL bytes cut.
    pub(crate) read: u64,
    pub(crate) lines: u64,
    pub(crate) skips: Vec<Skip>,
    pub(crate) unreadable: Vec<Unreadable>,
    /// The first row whose time could not be read: line, column, text.
    pub(crate) bad_time: Option<(u64, usize, String)>,
    /// Distinct zones seen in the stamps, up to a few.
    pub(crate) zones: Vec<String>,
}

impl Rows {
    pub(crate) fn new(plan: &Plan, rows: usize) -> Self {
        Self {
            columns: plan
                .reads
                .iter()
                .map(|read| Column::new(read, rows))
                .collect(),
            kept: 0,
            read: 0,
            lines: 0,
            skips: Vec::new(),
            unreadable: vec![Unreadable::default(); plan.width],
            bad_time: None,
            zones: Vec::new(),
        }
    }

    /// Puts the rows of the lines that follow behind these.
    pub(crate) fn append(&mut self, next: Self) {
        let lines_before = self.lines;
        for (all, part) in self.columns.iter_mut().zip(next.columns) {
            all.append(part);
        }
        for skip in next.skips {
            push_skip(
                &mut self.skips,
                Skip {
                    line: skip.line + lines_before,
                    ..skip
                },
            );
        }
        for (all, part) in self.unreadable.iter_mut().zip(next.unreadable) {
            all.count += part.count;
            let room = FIRST_FEW.saturating_sub(all.first.len());
            all.first.extend(
                part.first
                    .into_iter()
                    .take(room)
                    .map(|(l, t)| (l + lines_before, t)),
            );
        }
        if self.bad_time.is_none() {
            self.bad_time = next.bad_time.map(|(l, c, t)| (l + lines_before, c, t));
        }
        for zone in next.zones {
            if !self.zones.contains(&zone) {
                self.zones.push(zone);
            }
        }
        self.kept += next.kept;
        self.read += next.read;
        self.lines += next.lines;
    }
}

/// Examples kept of anything that went wrong.
pub(crate) const FIRST_FEW: usize = 5;

fn push_skip(skips: &mut Vec<Skip>, skip: Skip) {
    match skips.last_mut() {
        Some(last) if last.reason == skip.reason && last.line + last.count == skip.line => {
            last.count += skip.count;
        }
        _ => skips.push(skip),
    }
}

/// Reads a block of whole lines on `threads` threads. `skip_lines` leading lines were dealt with
/// already (the header).
pub(crate) fn read_block(plan: &Plan, block: &[u8], last: bool, threads: usize) -> Vec<Rows> {
    let mut pieces = Vec::new();
    let mut rest = block;
    for left in (1..=threads).rev() {
        let aim = rest.len() / left;
        let cut = if left == 1 || rest.len() < 1 << 16 {
            rest.len()
        } else {
            memchr::memchr(plan.line_end, &rest[aim..]).map_or(rest.len(), |i| aim + i + 1)
        };
        let (piece, after) = rest.split_at(cut);
        if !piece.is_empty() {
            pieces.push(piece);
        }
        rest = after;
    }
    if pieces.len() < 2 {
        return pieces
            .into_iter()
            .map(|piece| read_lines(plan, piece, last))
            .collect();
    }
    std::thread::scope(|scope| {
        let end = pieces.len() - 1;
        let workers: Vec<_> = pieces
            .iter()
            .enumerate()
            .map(|(i, piece)| scope.spawn(move || read_lines(plan, piece, last && i == end)))
            .collect();
        workers
            .into_iter()
            .filter_map(|worker| worker.join().ok())
            .collect()
    })
}

/// Reads whole lines; line numbers count from 1 within them.
pub(crate) fn read_lines(plan: &Plan, text: &[u8], last: bool) -> Rows {
    let mut reader = LineReader {
        plan,
        reads: plan.reads.clone(),
        rows: Rows::new(plan, text.len() / 64),
        cells: Vec::new(),
        has_nul: memchr::memchr(0, text).is_some(),
    };
    let mut pos = 0;
    while pos < text.len() {
        let end = memchr::memchr(plan.line_end, &text[pos..]).map_or(text.len(), |i| pos + i);
        reader.rows.lines += 1;
        let unfinished = last && end == text.len();
        reader.line(&text[pos..end], unfinished);
        pos = end + 1;
    }
    reader.rows
}

struct LineReader<'p, 't> {
    plan: &'p Plan,
    reads: Vec<Read>,
    rows: Rows,
    cells: Vec<&'t [u8]>,
    has_nul: bool,
}

/// What became of a row.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Outcome {
    Kept,
    Width(usize),
    Time(usize),
    NoNumber,
}

impl<'t> LineReader<'_, 't> {
    fn line(&mut self, line: &'t [u8], unfinished: bool) {
        if self.has_nul && memchr::memchr(0, line).is_some() {
            self.line_with_nul(line);
            return;
        }
        self.rows.read += 1;
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        match self.row(line) {
            Outcome::Kept => {}
            other => {
                let reason = self.reason(line, other, unfinished);
                self.skip(reason);
            }
        }
    }

    /// A power loss leaves runs of NUL bytes; what stands between them is read as lines.
    fn line_with_nul(&mut self, line: &'t [u8]) {
        let mut any = false;
        for piece in line.split(|b| *b == 0) {
            let piece = piece.trim_ascii();
            if piece.is_empty() {
                continue;
            }
            any = true;
            self.rows.read += 1;
            if self.row(piece) != Outcome::Kept {
                self.skip(SkipReason::NulBytes);
            }
        }
        if !any {
            self.rows.read += 1;
            self.skip(SkipReason::NulBytes);
        }
    }

    fn skip(&mut self, reason: SkipReason) {
        let line = self.rows.lines;
        push_skip(
            &mut self.rows.skips,
            Skip {
                line,
                count: 1,
                reason,
            },
        );
    }

    fn row(&mut self, line: &'t [u8]) -> Outcome {
        let fast = match self.plan.delimiter {
            Delimiter::Byte(byte) => self.fast_row(line, byte),
            _ => None,
        };
        let outcome = fast.unwrap_or_else(|| self.slow_row(line));
        if outcome == Outcome::Kept {
            self.rows.kept += 1;
        } else {
            let kept = self.rows.kept;
            self.rows.columns.iter_mut().for_each(|c| c.truncate(kept));
        }
        outcome
    }

    /// Cells split by one byte, each read where it stands; `None` if the line holds quotes, has
    /// another width, or a cell that needs a closer look.
    fn fast_row(&mut self, line: &'t [u8], delimiter: u8) -> Option<Outcome> {
        let kept = self.rows.kept;
        let (mut pos, mut numbers) = (0, 0_usize);
        for at in 0..self.plan.width {
            let last = at + 1 == self.plan.width;
            let ends_cell = |end: usize| {
                if last {
                    end == line.len()
                } else {
                    line.get(end) == Some(&delimiter)
                }
            };
            let plain = match (&self.reads[at], &mut self.rows.columns[at]) {
                (Read::Number(style), Column::Numbers(values)) if !style.decimal_comma => {
                    number::plain_decimal(line, pos)
                        .filter(|(_, end)| ends_cell(*end))
                        .map(|(value, end)| {
                            values.push(value);
                            end
                        })
                }
                _ => None,
            };
            if let Some(end) = plain {
                numbers += 1;
                pos = end + 1;
                continue;
            }
            let end = line
                .get(pos..)
                .and_then(|rest| memchr::memchr(delimiter, rest))
                .map_or(line.len(), |offset| pos + offset);
            if pos > line.len() || !ends_cell(end) {
                return self.give_up(kept);
            }
            let cell = number::trim(&line[pos..end]);
            let quoted = line[pos..end].iter().find(|b| **b != b' ');
            if matches!(quoted, Some(b'"' | b'\'')) {
                return self.give_up(kept);
            }
            match self.cell(at, cell) {
                Found::Value => numbers += 1,
                Found::Missing if !self.plan.time_columns.contains(&at) => {}
                _ => return self.give_up(kept),
            }
            pos = end + 1;
        }
        if numbers == 0 {
            self.give_up(kept)
        } else {
            Some(Outcome::Kept)
        }
    }

    fn give_up(&mut self, kept: usize) -> Option<Outcome> {
        self.rows.columns.iter_mut().for_each(|c| c.truncate(kept));
        None
    }

    fn slow_row(&mut self, line: &'t [u8]) -> Outcome {
        let mut cells = std::mem::take(&mut self.cells);
        split(line, self.plan.delimiter, &mut cells);
        let outcome = self.cells_to_row(&cells);
        self.cells = cells;
        outcome
    }

    fn cells_to_row(&mut self, cells: &[&'t [u8]]) -> Outcome {
        let extra_is_empty = || {
            cells[self.plan.width..]
                .iter()
                .all(|c| number::trim(c).is_empty())
        };
        if cells.len() < self.plan.least || (cells.len() > self.plan.width && !extra_is_empty()) {
            return Outcome::Width(cells.len());
        }
        let mut numbers = 0;
        let mut unread = 0;
        for at in 0..self.plan.width {
            let cell = cells.get(at).map_or(&b""[..], |c| number::trim(c));
            match self.cell(at, cell) {
                Found::Value => numbers += 1,
                _ if self.plan.time_columns.contains(&at) => return Outcome::Time(at),
                Found::Missing => {}
                Found::Unreadable => unread += 1,
            }
        }
        if numbers == 0 && (unread > 0 || self.plan.time_columns.is_empty()) {
            return Outcome::NoNumber;
        }
        if unread > 0 && is_summary(cells) {
            return Outcome::NoNumber;
        }
        if unread > 0 {
            self.note_unreadable(cells);
        }
        Outcome::Kept
    }

    fn cell(&mut self, at: usize, cell: &[u8]) -> Found {
        match (&mut self.reads[at], &mut self.rows.columns[at]) {
            (Read::Nothing, _) => Found::Missing,
            (
                Read::Label,
                Column::Labels {
                    codes,
                    levels,
                    index,
                },
            ) => {
                // Texts come in long stretches of one.
                let code = codes
                    .last()
                    .copied()
                    .filter(|last| {
                        levels
                            .get(*last as usize)
                            .is_some_and(|l| l.as_bytes() == cell)
                    })
                    .unwrap_or_else(|| intern(cell, levels, index));
                codes.push(code);
                Found::Missing
            }
            (Read::Number(style), Column::Numbers(values)) => {
                let style = *style;
                push_number(values, cell, || {
                    number::parse(cell, style)
                        .filter(|w| w.suffix.is_empty())
                        .map(|w| w.value)
                })
            }
            (Read::Measured(style), Column::Numbers(values)) => {
                let style = *style;
                push_number(values, cell, || measured(cell, style))
            }
            (Read::Switch, Column::Numbers(values)) => push_number(values, cell, || {
                number::parse_switch(cell)
                    .map(|on| if on { 1.0 } else { 0.0 })
                    .or_else(|| {
                        number::parse(cell, Style::default())
                            .filter(|w| w.suffix.is_empty())
                            .map(|w| w.value)
                    })
            }),
            (read, Column::Ticks(ticks)) => {
                let tick = tick_of(read, cell, &mut self.rows.zones);
                ticks.push(tick.unwrap_or(NO_TICK));
                match tick {
                    Some(_) => Found::Value,
                    None if number::is_missing(cell) => Found::Missing,
                    None => Found::Unreadable,
                }
            }
            _ => Found::Missing,
        }
    }

    /// Whether cells of text are names: the first is a time's or that of the first column, and half
    /// of the others could name readings. A remark with commas in it is none.
    fn is_header(&self, cells: &[&[u8]]) -> bool {
        let names: Vec<String> = cells
            .iter()
            .map(|c| crate::source::to_text(number::trim(c)))
            .collect();
        if names.len() != self.plan.width || names.len() < 3 {
            return false;
        }
        let time = crate::words::concepts(&names[0])
            .iter()
            .any(|(concept, _)| {
                use crate::words::Concept::{Counter, Date, Time};
                matches!(concept, Time | Date | Counter)
            });
        let readings = names[1..]
            .iter()
            .filter(|n| crate::devices::names_reading(n))
            .count();
        (time || names[0] == self.plan.first_name)
            && readings * 2 >= names.len() - 1
            && names.iter().all(|n| n.chars().count() <= 60)
    }

    fn note_unreadable(&mut self, cells: &[&[u8]]) {
        let kept = self.rows.kept;
        for (at, cell) in cells.iter().enumerate().take(self.plan.width) {
            let absent = match &self.rows.columns[at] {
                Column::Numbers(values) => values[kept].is_nan(),
                Column::Ticks(ticks) => ticks[kept] == NO_TICK,
                _ => false,
            };
            let cell = number::trim(cell);
            if !absent || number::is_missing(cell) {
                continue;
            }
            let note = &mut self.rows.unreadable[at];
            note.count += 1;
            if note.first.len() < FIRST_FEW {
                note.first
                    .push((self.rows.lines, crate::source::to_text(cell)));
            }
        }
    }

    /// Why a line that is no row is none.
    fn reason(&mut self, line: &[u8], outcome: Outcome, unfinished: bool) -> SkipReason {
        let trimmed = line.trim_ascii();
        if number::trim(trimmed).is_empty() {
            return SkipReason::Blank;
        }
        if self.plan.header_lines.iter().any(|h| h == trimmed) {
            return SkipReason::RepeatedHeader;
        }
        if crate::detect::is_comment(trimmed) {
            return SkipReason::Comment;
        }
        let mut cells = Vec::new();
        split(line, self.plan.delimiter, &mut cells);
        if is_summary(&cells) {
            return SkipReason::SummaryRow;
        }
        let texts = cells
            .iter()
            .filter(|c| crate::detect::classify(c) == crate::detect::Class::Text)
            .count();
        let filled = cells.iter().filter(|c| !number::trim(c).is_empty()).count();
        if texts == filled && filled + 1 >= cells.len() && self.is_header(&cells) {
            return SkipReason::OtherHeader;
        }
        match outcome {
            Outcome::Width(n) if n < self.plan.least => {
                if unfinished && texts < filled.max(2) {
                    SkipReason::CutShort
                } else if texts > 0 && n <= 2 {
                    SkipReason::TextLine
                } else {
                    SkipReason::TooFewCells
                }
            }
            Outcome::Width(_) => SkipReason::TooManyCells,
            Outcome::Time(_) if texts > 0 && filled <= 2 => SkipReason::TextLine,
            Outcome::Time(_) if unfinished && filled < self.plan.width => SkipReason::CutShort,
            Outcome::Time(at) => {
                if self.rows.bad_time.is_none() {
                    let cell = cells.get(at).map_or(&b""[..], |c| number::trim(c));
                    self.rows.bad_time = Some((self.rows.lines, at, crate::source::to_text(cell)));
                }
                SkipReason::TimeUnreadable
            }
            Outcome::NoNumber if texts == filled => SkipReason::TextLine,
            Outcome::NoNumber | Outcome::Kept => SkipReason::NoReadings,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Found {
    Value,
    Missing,
    Unreadable,
}

fn push_number(values: &mut Vec<f64>, cell: &[u8], parse: impl FnOnce() -> Option<f64>) -> Found {
    match parse() {
        Some(value) if value.is_finite() => {
            values.push(value);
            Found::Value
        }
        Some(_) => {
            values.push(f64::NAN);
            Found::Unreadable
        }
        None => {
            values.push(f64::NAN);
            if number::is_missing(cell) {
                Found::Missing
            } else {
                Found::Unreadable
            }
        }
    }
}

fn measured(cell: &[u8], style: Style) -> Option<f64> {
    let written = number::parse(cell, style)?;
    if written.suffix.is_empty() {
        return Some(written.value);
    }
    let unit: SourceUnit = crate::units::lookup(&crate::source::to_text(written.suffix))?;
    Some(unit.convert(written.value))
}

fn tick_of(read: &mut Read, cell: &[u8], zones: &mut Vec<String>) -> Option<i64> {
    match read {
        Read::Integer(base) => i64::try_from(number::parse_integer(cell)? - *base)
            .ok()
            .filter(|t| *t != NO_TICK),
        Read::Stamp(reader) => {
            let ns = reader.unix_ns(cell)?;
            if zones.len() < FIRST_FEW && may_hold_new_zone(cell, zones) {
                note_zone(cell, reader, zones);
            }
            Some(ns)
        }
        Read::Date(reader) => {
            let text = crate::source::to_text(cell);
            let days = stamp::parse(&stamp::plain_marks(&text), reader.order())?.days?;
            days.checked_mul(stamp::DAY_NS)
        }
        Read::HalfDay => {
            let text = crate::source::to_text(cell);
            crate::detect::half_day_of(&text).map(i64::from)
        }
        Read::Clock { minutes_first } => {
            let text = crate::source::to_text(cell);
            if let Some(ns) = stamp::digits_to_ns(&text) {
                return Some(ns);
            }
            let plain = stamp::plain_marks(&text);
            let stamp = stamp::parse(&plain, stamp::DayOrder::DayFirst)?;
            if stamp.days.is_some() {
                return None;
            }
            let ns = stamp.time_ns?;
            Some(
                if *minutes_first && stamp.time_parts == 2 && !stamp.fraction {
                    ns / 60
                } else {
                    ns
                },
            )
        }
        _ => None,
    }
}

/// Whether a stamp holds letters or an offset behind its date that are not in a zone known already.
fn may_hold_new_zone(cell: &[u8], zones: &[String]) -> bool {
    let Some(rest) = cell.get(16..) else {
        return false;
    };
    rest.iter()
        .any(|b| b.is_ascii_alphabetic() || matches!(b, b'+' | b'-'))
        && !zones
            .iter()
            .any(|zone| memchr::memmem::find(cell, zone.as_bytes()).is_some())
}

fn note_zone(cell: &[u8], reader: &StampReader, zones: &mut Vec<String>) {
    let text = crate::source::to_text(cell);
    let plain = stamp::plain_marks(&text);
    let Some(stamp) = stamp::parse(&plain, reader.order()) else {
        return;
    };
    let zone = match (stamp.zone, stamp.offset_s) {
        (Some("offset"), Some(offset)) => {
            format!(
                "{}{:02}:{:02}",
                if offset < 0 { '-' } else { '+' },
                offset.abs() / 3600,
                offset.abs() / 60 % 60
            )
        }
        (Some(name), _) => name.to_owned(),
        (None, _) => return,
    };
    if !zones.contains(&zone) {
        zones.push(zone);
    }
}

/// Words that open a row of least, most, mean or sum.
const SUMMARY: [&str; 30] = [
    "min",
    "max",
    "avg",
    "average",
    "mean",
    "sum",
    "total",
    "minimum",
    "maximum",
    "median",
    "stdev",
    "std",
    "count",
    "minimum:",
    "mittelwert",
    "durchschnitt",
    "summe",
    "moyenne",
    "moyen",
    "promedio",
    "media",
    "médio",
    "média",
    "среднее",
    "макс",
    "мин",
    "最小",
    "最大",
    "平均",
    "合計",
];

fn is_summary(cells: &[&[u8]]) -> bool {
    let Some(first) = cells
        .iter()
        .map(|c| number::trim(c))
        .find(|c| !c.is_empty())
    else {
        return false;
    };
    if first.len() > 40 {
        return false;
    }
    let text = crate::source::to_text(first).to_lowercase();
    let text = text.trim_end_matches([':', '.']);
    cells.len() > 1 && SUMMARY.contains(&text)
}
