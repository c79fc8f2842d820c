//! From the first block of a file: how it is split, where its header stands, what its columns hold.

use std::collections::HashMap;

use crate::number::{self, Style};
use crate::source::to_text;
use crate::split::{Delimiter, split};
use crate::stamp::{self, DayOrder};
use crate::units::{self, SourceUnit};
use crate::words::{Concept, concepts};

/// What one cell looks like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Class {
    Missing,
    Number,
    /// A number with a unit behind it.
    Measured(SourceUnit),
    /// A date with a time.
    Stamp,
    Date,
    Clock,
    Switch,
    Text,
}

impl Class {
    fn is_reading(self) -> bool {
        !matches!(self, Self::Missing | Self::Text)
    }
}

/// What a column's cells are read as.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Kind {
    Number,
    /// Numbers with units in the cells.
    Measured,
    Stamp,
    Date,
    Clock,
    Switch,
    /// AM or PM, in a column beside the time.
    HalfDay,
    Label,
    Empty,
}

/// Lines that come before the readings, and the shape of the readings.
#[derive(Clone, Debug)]
pub(crate) struct Shape {
    pub(crate) delimiter: Delimiter,
    /// Cells in a full row.
    pub(crate) width: usize,
    /// Cells that a row must have at least.
    pub(crate) least: usize,
    pub(crate) names: Vec<String>,
    /// Whether the names come from the file.
    pub(crate) has_header: bool,
    /// Units of a row of their own.
    pub(crate) row_units: Vec<Option<String>>,
    /// Lines (from 1) before the first row, with why each is no row.
    pub(crate) before: Vec<(u64, &'static str)>,
    /// Trimmed text of the header and units lines, to know them when they come again.
    pub(crate) header_lines: Vec<Vec<u8>>,
    pub(crate) preamble: Vec<String>,
    /// Names in the header, where the rows have another number of cells.
    pub(crate) odd_names: Option<usize>,
    pub(crate) kinds: Vec<Kind>,
    pub(crate) styles: Vec<Style>,
    /// Columns whose decimal mark could not be told: name index, an example.
    pub(crate) unsure_marks: Vec<(usize, String)>,
    /// Sampled cells by column.
    pub(crate) sample: Vec<Vec<String>>,
    pub(crate) header_line: Option<u64>,
    /// Line of the first row, from 1.
    pub(crate) first_line: u64,
}

/// Number styles tried on single cells, when nothing is known yet.
const ANY: [Style; 3] = [
    Style {
        decimal_comma: false,
        comma_groups: true,
        dot_groups: false,
    },
    Style {
        decimal_comma: true,
        comma_groups: false,
        dot_groups: false,
    },
    Style {
        decimal_comma: false,
        comma_groups: false,
        dot_groups: true,
    },
];

/// Looks at one cell without knowing its column.
pub(crate) fn classify(cell: &[u8]) -> Class {
    let cell = number::trim(cell);
    if number::is_missing(cell) {
        return Class::Missing;
    }
    if let Some(class) = ANY.iter().find_map(|style| number_class(cell, *style)) {
        return class;
    }
    if number::parse_switch(cell).is_some() {
        return Class::Switch;
    }
    if cell.len() <= 80 && cell.iter().any(u8::is_ascii_digit) {
        let text = to_text(cell);
        let plain = stamp::plain_marks(&text);
        for order in [
            DayOrder::DayFirst,
            DayOrder::MonthFirst,
            DayOrder::YearFirst,
        ] {
            if let Some(stamp) = stamp::parse(&plain, order) {
                return match (stamp.days, stamp.time_ns) {
                    (Some(_), Some(_)) => Class::Stamp,
                    (Some(_), None) => Class::Date,
                    _ => Class::Clock,
                };
            }
        }
    }
    Class::Text
}

fn number_class(cell: &[u8], style: Style) -> Option<Class> {
    let written = number::parse(cell, style)?;
    if written.suffix.is_empty() {
        return Some(Class::Number);
    }
    units::lookup(&to_text(written.suffix)).map(Class::Measured)
}

/// A line of the sample with its number, from 1.
type Line<'a> = (u64, &'a [u8]);

/// Finds the shape of the file whose first block is `block`; `None` if no line holds readings.
pub(crate) fn find_shape(block: &[u8], line_end: u8) -> Option<Shape> {
    let lines = lines_of(block, line_end);
    let thin = thinned(&lines, 240);
    let delimiter = best_delimiter(&thin)?;
    let width = modal_width(&thin, delimiter)?;
    let body = thinned(&body_lines(&lines, delimiter, width), 2000);
    if body.is_empty() {
        return None;
    }
    let sample = columns_of(&body, delimiter, width);
    let mut kinds: Vec<Kind> = sample.iter().map(|cells| kind_of(cells)).collect();
    mark_half_days(&sample, &mut kinds);
    let first = lines
        .iter()
        .position(|(_, line)| is_row(line, delimiter, &kinds))?;
    let mut shape = Shape {
        delimiter,
        width,
        least: width,
        names: Vec::new(),
        has_header: false,
        row_units: vec![None; width],
        before: Vec::new(),
        header_lines: Vec::new(),
        preamble: Vec::new(),
        odd_names: None,
        styles: vec![Style::default(); width],
        unsure_marks: Vec::new(),
        kinds,
        sample: Vec::new(),
        header_line: None,
        first_line: lines[first].0,
    };
    read_header(&lines[..first], &mut shape);
    shape.sample = pad_columns(sample, shape.width);
    shape.kinds.resize(shape.width, Kind::Empty);
    mark_number_dates(&mut shape);
    decide_styles(&mut shape);
    debug_assert_eq!(shape.names.len(), shape.width);
    Some(shape)
}

fn pad_columns(mut sample: Vec<Vec<String>>, width: usize) -> Vec<Vec<String>> {
    sample.resize(width, Vec::new());
    sample
}

/// Lines without their ends; a run of NUL bytes ends a line as well.
fn lines_of(block: &[u8], line_end: u8) -> Vec<Line<'_>> {
    let mut lines: Vec<Line<'_>> = Vec::new();
    let mut number = 0;
    let (mut pos, mut open) = (0, None);
    while pos <= block.len() {
        let end = memchr::memchr(line_end, &block[pos..]).map_or(block.len(), |i| pos + i);
        let (start, first) = open.take().unwrap_or((pos, number + 1));
        number += 1;
        pos = end + 1;
        let line = &block[start..end];
        // A cell of a header may hold a line break between its quotes.
        if number < 60 && number < first + 8 && pos < block.len() && open_quote(line) {
            open = Some((start, first));
            continue;
        }
        let number = first;
        for piece in line.split(|b| *b == 0) {
            let piece = without_end(piece);
            if !piece.trim_ascii().is_empty() {
                lines.push((number, piece));
            }
        }
        if lines.len() > 200_000 {
            break;
        }
    }
    lines
}

/// Whether a double quote is opened and not closed.
fn open_quote(line: &[u8]) -> bool {
    memchr::memchr_iter(b'"', line).count() % 2 == 1
}

/// At most about `count` of the lines: the first half of that, then evenly.
fn thinned<'a>(lines: &[Line<'a>], count: usize) -> Vec<Line<'a>> {
    if lines.len() <= count {
        return lines.to_vec();
    }
    let (head, tail) = lines.split_at(count / 2);
    let step = tail.len() / (count / 2) + 1;
    head.iter()
        .chain(tail.iter().step_by(step))
        .copied()
        .collect()
}

/// Number of cells without empty ones at the end.
fn used_width(cells: &[&[u8]]) -> usize {
    cells
        .iter()
        .rposition(|c| !number::trim(c).is_empty())
        .map_or(0, |i| i + 1)
}

/// Scores each delimiter by how many lines share one width and how many of their cells are
/// readings; ties go to the wider split.
fn best_delimiter(lines: &[Line<'_>]) -> Option<Delimiter> {
    let mut best: Option<(f64, Delimiter)> = None;
    for delimiter in Delimiter::ALL.into_iter().chain(stamps_in_pieces(lines)) {
        let Some(width) = modal_width(lines, delimiter) else {
            continue;
        };
        let mut cells = Vec::new();
        let (mut alike, mut readings, mut all, mut empty) = (0_usize, 0_usize, 0_usize, 0_usize);
        for (_, line) in lines {
            split(line, delimiter, &mut cells);
            // Headers and remarks are no evidence for or against a split.
            let holds_readings = cells.iter().any(|c| classify(c).is_reading());
            if cells.len() != width || !holds_readings {
                continue;
            }
            alike += 1;
            for cell in &cells {
                match classify(cell) {
                    Class::Missing => empty += 1,
                    Class::Text => all += 1,
                    _ => {
                        all += 1;
                        readings += 1;
                    }
                }
            }
        }
        let share = alike as f64 / lines.len() as f64;
        // Cells without anything in them hint at a split in the wrong place.
        let clean = readings as f64 / (all as f64 + 0.3 * empty as f64).max(1.0);
        // Blanks also stand inside cells, so an explicit mark is preferred to them.
        let trust = if matches!(delimiter, Delimiter::Blanks | Delimiter::StampBlanks(_)) {
            0.6
        } else {
            1.0
        };
        let score = trust * share * clean * clean * (1.0 + 0.01 * (width.min(20) as f64));
        if score > 0.0 && best.is_none_or(|(top, _)| score > top) {
            best = Some((score, delimiter));
        }
    }
    best.map(|(_, delimiter)| delimiter)
        .or_else(|| single_column(lines).then_some(Delimiter::Byte(b',')))
}

/// Ways in which a line's first pieces make one stamp, judged by a line from the middle.
fn stamps_in_pieces(lines: &[Line<'_>]) -> Vec<Delimiter> {
    let Some((_, line)) = lines.get(lines.len() / 2) else {
        return Vec::new();
    };
    let mut cells = Vec::new();
    (3..=8)
        .map(Delimiter::StampBlanks)
        .filter(|delimiter| {
            split(line, *delimiter, &mut cells);
            cells.len() > 1 && classify(cells[0]) == Class::Stamp
        })
        .collect()
}

/// Whether most lines are one bare number.
fn single_column(lines: &[Line<'_>]) -> bool {
    let numbers = lines
        .iter()
        .filter(|(_, l)| classify(l).is_reading())
        .count();
    numbers * 2 > lines.len()
}

/// The most common number of cells among lines that hold readings (two cells or more; one where
/// nothing else is there).
fn modal_width(lines: &[Line<'_>], delimiter: Delimiter) -> Option<usize> {
    let mut counts: HashMap<usize, usize> = HashMap::new();
    let mut cells = Vec::new();
    for (_, line) in lines {
        split(line, delimiter, &mut cells);
        if cells.len() >= 2 && cells.iter().any(|c| classify(c).is_reading()) {
            *counts.entry(cells.len()).or_default() += 1;
        }
    }
    counts
        .into_iter()
        .max_by_key(|(width, count)| (*count, *width))
        .map(|(width, _)| width)
        .or_else(|| (delimiter == Delimiter::Byte(b',') && single_column(lines)).then_some(1))
}

fn body_lines<'a>(lines: &[Line<'a>], delimiter: Delimiter, width: usize) -> Vec<Line<'a>> {
    let mut cells = Vec::new();
    lines
        .iter()
        .filter(|(_, line)| {
            split(line, delimiter, &mut cells);
            cells.len() == width && cells.iter().any(|c| classify(c).is_reading())
        })
        .copied()
        .collect()
}

fn columns_of(lines: &[Line<'_>], delimiter: Delimiter, width: usize) -> Vec<Vec<String>> {
    let mut columns = vec![Vec::with_capacity(lines.len()); width];
    let mut cells = Vec::new();
    for (_, line) in lines {
        split(line, delimiter, &mut cells);
        for (column, cell) in columns.iter_mut().zip(&cells) {
            column.push(to_text(number::trim(cell)));
        }
    }
    columns
}

/// What most cells of a column are.
fn kind_of(cells: &[String]) -> Kind {
    let mut counts = [0_usize; 7];
    for cell in cells {
        let slot = match classify(cell.as_bytes()) {
            Class::Missing => continue,
            Class::Number => 0,
            Class::Measured(_) => 1,
            Class::Stamp => 2,
            Class::Date => 3,
            Class::Clock => 4,
            Class::Switch => 5,
            Class::Text => 6,
        };
        counts[slot] += 1;
    }
    let total: usize = counts.iter().sum();
    if total == 0 {
        return Kind::Empty;
    }
    let kinds = [
        Kind::Number,
        Kind::Measured,
        Kind::Stamp,
        Kind::Date,
        Kind::Clock,
        Kind::Switch,
    ];
    // Numbers with and without unit mix where only large values carry one.
    if counts[1] > 0 && (counts[0] + counts[1]) * 2 > total {
        return Kind::Measured;
    }
    kinds
        .into_iter()
        .zip(counts)
        .find(|(_, count)| count * 2 > total)
        .map_or(Kind::Label, |(kind, _)| kind)
}

/// A column of AM and PM behind one of times belongs to it.
fn mark_half_days(sample: &[Vec<String>], kinds: &mut [Kind]) {
    for at in 1..kinds.len() {
        let half_day = |cell: &String| half_day_of(cell).is_some();
        if kinds[at - 1] == Kind::Clock
            && kinds[at] == Kind::Label
            && sample[at].iter().all(half_day)
        {
            kinds[at] = Kind::HalfDay;
        }
    }
}

/// Whether a text says "after noon".
pub(crate) fn half_day_of(text: &str) -> Option<bool> {
    match text.trim().to_lowercase().as_str() {
        "am" | "a.m." | "上午" | "午前" => Some(false),
        "pm" | "p.m." | "下午" | "午後" => Some(true),
        _ => None,
    }
}

/// Dates and times of day written as bare numbers (20250603, 130415), where the names say so.
fn mark_number_dates(shape: &mut Shape) {
    let all = |at: usize, fits: &dyn Fn(&str) -> bool| {
        let cells = &shape.sample[at];
        !cells.is_empty() && cells.iter().all(|cell| fits(cell))
    };
    let says = |at: usize, concept| {
        concepts(&shape.names[at])
            .iter()
            .any(|(c, _)| *c == concept)
    };
    let date = |cell: &str| {
        cell.len() == 8 && stamp::parse(cell, DayOrder::DayFirst).is_some_and(|s| s.days.is_some())
    };
    let clock = |cell: &str| stamp::digits_to_ns(cell).is_some();
    let numbers = |at: &usize| shape.kinds[*at] == Kind::Number;
    let found = (0..shape.width)
        .filter(numbers)
        .find(|at| says(*at, Concept::Date) && all(*at, &date));
    let time = (0..shape.width)
        .filter(numbers)
        .find(|at| says(*at, Concept::Time) && all(*at, &clock));
    if let Some(at) = found {
        shape.kinds[at] = Kind::Date;
        if let Some(time) = time {
            shape.kinds[time] = Kind::Clock;
        }
    }
}

/// Whether a cell fits the kind of its column.
fn fits(cell: &[u8], kind: Kind) -> bool {
    matches!(
        (classify(cell), kind),
        (
            Class::Number | Class::Measured(_),
            Kind::Number | Kind::Measured
        ) | (Class::Stamp, Kind::Stamp)
            | (Class::Date, Kind::Date)
            | (Class::Clock, Kind::Clock)
            | (Class::Switch, Kind::Switch)
    )
}

/// Whether a line is a row: right width, and half of its cells that are not text fit.
fn is_row(line: &[u8], delimiter: Delimiter, kinds: &[Kind]) -> bool {
    let mut cells = Vec::new();
    split(line, delimiter, &mut cells);
    if cells.len() != kinds.len() {
        return false;
    }
    let (mut good, mut bad) = (0, 0);
    for (cell, kind) in cells.iter().zip(kinds) {
        if matches!(kind, Kind::Label | Kind::Empty) || number::is_missing(number::trim(cell)) {
            continue;
        }
        if fits(cell, *kind) {
            good += 1;
        } else {
            bad += 1;
        }
    }
    good > 0 && good >= bad
}

/// Names and units from the lines before the first row.
fn read_header(before: &[Line<'_>], shape: &mut Shape) {
    let mut end = before.len();
    let mut units_line = None;
    if let Some((number, line)) = before.last()
        && let Some(units) = units_row(line, shape)
        && end >= 2
    {
        units_line = Some((*number, *line));
        shape.row_units = units;
        end -= 1;
    }
    let found = before[..end]
        .iter()
        .enumerate()
        .rev()
        .take(8)
        .find_map(|(at, (_, line))| header_cells(line, shape).map(|cells| (at, cells)));
    let mut header_at = None;
    if let Some((at, cells)) = found {
        header_at = Some(at);
        take_names(cells, shape);
        group_names(&before[..at], shape);
        shape.header_line = Some(before[at].0);
        shape.header_lines.push(before[at].1.trim_ascii().to_vec());
        shape.has_header = true;
    } else {
        shape.names = (1..=shape.width).map(|i| format!("column {i}")).collect();
        shape.row_units = vec![None; shape.width];
        units_line = None;
    }
    if let Some((_, line)) = units_line {
        shape.header_lines.push(line.trim_ascii().to_vec());
    }
    for (at, (number, line)) in before.iter().enumerate() {
        let reason = if Some(at) == header_at {
            "header"
        } else if units_line.is_some_and(|(n, _)| n == *number) {
            "units_row"
        } else if is_comment(line) {
            "comment"
        } else {
            "preamble"
        };
        if reason == "comment" || reason == "preamble" {
            shape.preamble.push(to_text(line.trim_ascii()));
        }
        if shape.before.last().is_none_or(|(last, _)| last != number) {
            shape.before.push((*number, reason));
        }
    }
}

/// Whether a line opens as comments do.
pub(crate) fn is_comment(line: &[u8]) -> bool {
    let line = line.trim_ascii_start();
    line.starts_with(b"#") || line.starts_with(b"//") || line.starts_with(b"%")
}

/// A line without blanks and carriage returns at its end; tabs may be empty cells.
fn without_end(mut line: &[u8]) -> &[u8] {
    while let [rest @ .., b' ' | b'\r' | b'\n'] = line {
        line = rest;
    }
    line
}

/// A line without the mark that makes it a comment.
fn uncommented(line: &[u8]) -> &[u8] {
    let mut line = without_end(line);
    while let [b' ', rest @ ..] = line {
        line = rest;
    }
    let line = line.strip_prefix(b"//").unwrap_or(line);
    let skip = line.iter().take_while(|b| matches!(b, b'#' | b'%')).count();
    // A first column that is itself called "#" keeps its name.
    match line.get(skip) {
        Some(b',' | b'\t' | b'|') if skip == 1 => line,
        _ if skip == 0 => line,
        _ => line[skip..].trim_ascii_start(),
    }
}

/// The line's cells if it can be a header of the shape, split as the body or otherwise.
fn header_cells(line: &[u8], shape: &Shape) -> Option<Vec<String>> {
    let line = uncommented(line);
    let mut others = vec![shape.delimiter];
    others.extend(Delimiter::ALL.into_iter().filter(|d| *d != shape.delimiter));
    others.insert(others.len() - 1, Delimiter::WideBlanks);
    let mut near = None;
    for delimiter in others {
        let mut cells = Vec::new();
        split(line, delimiter, &mut cells);
        let used = used_width(&cells);
        let names: Vec<String> = cells
            .iter()
            .map(|c| to_text(number::trim(c)).replace(['\r', '\n'], " "))
            .collect();
        if !looks_like_names(&names, shape) {
            continue;
        }
        let date_joined = delimiter == shape.delimiter
            && (1..=2).contains(&shape.width.saturating_sub(names.len()))
            && shape.kinds.contains(&Kind::Clock)
            && shape.delimiter == Delimiter::Blanks;
        if used == shape.width || names.len() == shape.width || date_joined {
            return Some(names);
        }
        // One name too many or too few happens; the body decides on the width.
        let close = used >= 2 && used.abs_diff(shape.width) <= 2.max(shape.width / 8);
        if delimiter == shape.delimiter && close && near.is_none() {
            near = Some(names);
        }
    }
    near
}

/// Names are mostly text where the body has readings.
fn looks_like_names(names: &[String], shape: &Shape) -> bool {
    let filled = names.iter().filter(|n| !n.is_empty()).count();
    let texts = names
        .iter()
        .filter(|n| classify(n.as_bytes()) == Class::Text)
        .count();
    let short = names.iter().all(|n| n.chars().count() <= 120);
    let labels_only = shape
        .kinds
        .iter()
        .all(|k| matches!(k, Kind::Label | Kind::Empty));
    filled > 0 && texts * 2 >= filled && short && !labels_only && filled * 2 >= shape.width.min(4)
}

/// Sets the names; a header wider than the rows widens the shape, rows may then be shorter.
fn take_names(mut names: Vec<String>, shape: &mut Shape) {
    while names.len() > shape.width && names.last().is_some_and(String::is_empty) {
        names.pop();
    }
    if names.len() > shape.width {
        shape.odd_names = Some(names.len());
        shape.width = names.len();
        shape.kinds.resize(shape.width, Kind::Empty);
        shape.row_units.resize(shape.width, None);
        shape.styles.resize(shape.width, Style::default());
    }
    if names.len() < shape.width && shape.delimiter == Delimiter::Blanks {
        split_date_name(&mut names, shape);
    }
    if names.len() < shape.width {
        shape.odd_names = Some(names.len());
    }
    for at in names.len()..shape.width {
        names.push(format!("column {}", at + 1));
    }
    for (at, name) in names.iter_mut().enumerate() {
        if name.is_empty() && shape.kinds.get(at) != Some(&Kind::Empty) {
            *name = format!("column {}", at + 1);
        }
    }
    shape.names = names;
}

/// Blanks split date from time where one name stands for both: the name is given to each.
fn split_date_name(names: &mut Vec<String>, shape: &Shape) {
    let pair = shape
        .kinds
        .windows(2)
        .position(|k| k == [Kind::Date, Kind::Clock]);
    let Some(at) = pair.filter(|at| *at < names.len()) else {
        return;
    };
    let missing = shape.width - names.len();
    let half_day = shape.kinds.get(at + 2) == Some(&Kind::HalfDay);
    if half_day && missing == 1 {
        // Date and time have names of their own, the half of the day has none.
        names.insert(at + 2, names[at + 1].clone());
    } else if missing == 1 + usize::from(half_day) {
        for _ in 0..missing {
            names.insert(at + 1, names[at].clone());
        }
    }
}

/// A row above the names that groups them ("CPU, , GPU, ") is put before names that repeat.
fn group_names(before: &[Line<'_>], shape: &mut Shape) {
    let mut seen = std::collections::HashSet::new();
    let repeats = shape
        .names
        .iter()
        .any(|n| !n.is_empty() && !seen.insert(n.clone()));
    let Some((_, line)) = before.last().filter(|_| repeats) else {
        return;
    };
    let mut cells = Vec::new();
    split(uncommented(line), shape.delimiter, &mut cells);
    if cells.len() != shape.width {
        return;
    }
    let mut group = String::new();
    for (name, cell) in shape.names.iter_mut().zip(cells) {
        let cell_text = to_text(number::trim(cell));
        if !cell_text.is_empty() {
            group.clone_from(&cell_text);
        }
        if name.starts_with("column ") && !cell_text.is_empty() {
            name.clone_from(&group);
        } else if !group.is_empty() && *name != group {
            *name = format!("{group} {name}");
        }
    }
}

/// The cells of a row that holds nothing but units, if the line is one.
fn units_row(line: &[u8], shape: &Shape) -> Option<Vec<Option<String>>> {
    let mut cells = Vec::new();
    split(uncommented(line), shape.delimiter, &mut cells);
    if cells.len() != shape.width {
        return None;
    }
    let texts: Vec<String> = cells.iter().map(|c| to_text(number::trim(c))).collect();
    let known = texts.iter().filter(|t| units::lookup(t).is_some()).count();
    let filled = texts
        .iter()
        .filter(|t| !number::is_missing(t.as_bytes()))
        .count();
    let brief = texts.iter().all(|t| t.chars().count() <= 24);
    let bracketed = texts.iter().filter(|t| t.starts_with(['[', '('])).count();
    (brief && known > 0 && (known * 2 >= filled || bracketed == filled)).then(|| {
        texts
            .into_iter()
            .map(|t| (!number::is_missing(t.as_bytes())).then_some(t))
            .collect()
    })
}

/// Votes of one column on what its commas and full stops are.
#[derive(Clone, Copy, Debug, Default)]
struct Marks {
    decimal_dot: usize,
    decimal_comma: usize,
    /// `1,234`: either.
    either_comma: usize,
    /// `1.234`: either.
    either_dot: usize,
}

/// The cell without blanks and apostrophes that stand between digits.
fn without_blank_groups(cell: &str) -> std::borrow::Cow<'_, str> {
    const MARKS: [char; 6] = [' ', '\'', '\u{a0}', '\u{202f}', '\u{2009}', '\u{2019}'];
    if !cell.contains(MARKS) {
        return cell.into();
    }
    let chars: Vec<char> = cell.chars().collect();
    let inner = |at: usize| {
        at > 0
            && chars[at - 1].is_ascii_digit()
            && chars.get(at + 1).is_some_and(char::is_ascii_digit)
    };
    let kept = chars
        .iter()
        .enumerate()
        .filter(|(at, c)| !(MARKS.contains(c) && inner(*at)));
    kept.map(|(_, c)| *c).collect::<String>().into()
}

fn marks_of(cells: &[String]) -> Marks {
    let mut marks = Marks::default();
    for cell in cells {
        let cell = without_blank_groups(cell);
        let number: &str = cell
            .trim_start_matches(['-', '+'])
            .split(|c: char| !(c.is_ascii_digit() || c == '.' || c == ','))
            .next()
            .unwrap_or("");
        let (dots, commas) = (number.matches('.').count(), number.matches(',').count());
        let last_group = |mark| number.rsplit(mark).next().map_or(0, str::len);
        let head = |mark| number.split(mark).next().map_or(0, str::len);
        let ambiguous = |mark| {
            last_group(mark) == 3 && (1..=3).contains(&head(mark)) && !number.starts_with('0')
        };
        match (dots, commas) {
            (0, 0) => {}
            (1, 0) if ambiguous('.') => marks.either_dot += 1,
            (0, 1) if ambiguous(',') => marks.either_comma += 1,
            // One kind of mark that repeats stands between thousands.
            (1, 0) | (0, 2..) => marks.decimal_dot += 1,
            (0, 1) | (2.., 0) => marks.decimal_comma += 1,
            _ if number.rfind('.') > number.rfind(',') => marks.decimal_dot += 1,
            _ => marks.decimal_comma += 1,
        }
    }
    marks
}

/// Decides on decimal and thousands marks by column, in doubt as the rest of the file does.
fn decide_styles(shape: &mut Shape) {
    let votes: Vec<Marks> = shape
        .sample
        .iter()
        .zip(&shape.kinds)
        .map(|(cells, kind)| match kind {
            Kind::Number | Kind::Measured => marks_of(cells),
            _ => Marks::default(),
        })
        .collect();
    let sum = |f: fn(&Marks) -> usize| votes.iter().map(f).sum::<usize>();
    let (dots, commas) = (sum(|m| m.decimal_dot), sum(|m| m.decimal_comma));
    // The file's own habit; where it shows none, a comma that does not delimit is a decimal one.
    let file_comma = match (dots, commas) {
        (0, 0) => sum(|m| m.either_comma) > 0 && sum(|m| m.either_dot) == 0,
        _ => commas > dots,
    };
    for (at, marks) in votes.iter().enumerate() {
        let sure = marks.decimal_dot + marks.decimal_comma > 0;
        let comma = if sure {
            marks.decimal_comma > marks.decimal_dot
        } else {
            file_comma
        };
        let ambiguous = marks.either_comma + marks.either_dot > 0 && !sure && dots + commas == 0;
        if ambiguous && marks.either_comma > 0 {
            let example = shape.sample[at].iter().find(|c| c.contains(',')).cloned();
            shape.unsure_marks.push((at, example.unwrap_or_default()));
        }
        shape.styles[at] = Style {
            decimal_comma: comma,
            comma_groups: !comma && marks.either_comma + marks.decimal_dot > 0,
            dot_groups: false,
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(text: &str) -> Shape {
        find_shape(text.as_bytes(), b'\n').unwrap()
    }

    #[test]
    fn semicolons_with_decimal_commas() {
        let s = shape("Zeit;Temp;P\n10:00:00;45,5;12,25\n10:00:01;45,6;12,5\n");
        assert_eq!(s.delimiter, Delimiter::Byte(b';'));
        assert!(s.styles[1].decimal_comma && s.styles[2].decimal_comma);
        assert_eq!(s.names, ["Zeit", "Temp", "P"]);
    }

    #[test]
    fn header_by_tabs_and_body_by_blanks() {
        let s = shape("#Time stamp\tName\tPower (W)\n1 a 2.5  \n2 a  2.6 \n3 a 2.7 \n");
        assert_eq!(s.delimiter, Delimiter::Blanks);
        assert_eq!(s.names, ["Time stamp", "Name", "Power (W)"]);
    }

    #[test]
    fn units_in_a_second_header_row() {
        let s = shape("time,power,temp\ns,W,degC\n0,1,20\n1,2,21\n2,2,22\n");
        assert_eq!(s.row_units[1].as_deref(), Some("W"));
        assert_eq!(s.before, [(1, "header"), (2, "units_row")]);
    }

    #[test]
    fn no_header_at_all() {
        let s = shape("0,0,299.53\n1.01,0,299.5\n2.01,0,299.6\n");
        assert!(!s.has_header);
        assert_eq!(s.names[2], "column 3");
    }

    #[test]
    fn thousands_marks_are_no_decimal_marks_where_others_show_it() {
        let s = shape("time;rpm;temp\n1;1,234;45.5\n2;1,240;45.6\n3;980;45.7\n");
        assert!(s.styles[1].comma_groups && !s.styles[1].decimal_comma);
    }

    #[test]
    fn names_grouped_in_a_row_above() {
        let s = shape("time,CPU,,GPU,\n,temp,power,temp,power\n0,1,2,3,4\n1,1,2,3,4\n");
        assert_eq!(s.names[3], "GPU temp");
    }
}
