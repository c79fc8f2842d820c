//! One import from first byte to log.

use std::io::{Cursor, Read, Seek, SeekFrom};

use settlepoint_domain::{Finding, Role, SensorLog, Severity};

use crate::body::{Column, Plan, Read as ReadAs, Rows, Skip, SkipReason, read_block};
use crate::clock::{self, Stated, TimeChoice, TimeSource};
use crate::detect::{Kind, Shape, find_shape};
use crate::devices::{self, Picked};
use crate::error::ImportError;
use crate::imported::{Format, Imported, Labels, Question, RowAccount, Skipped};
use crate::options::{ChannelOverride, ColumnRef, ImportOptions, resolve};
use crate::readings::{self, Source};
use crate::recipe::Recipe;
use crate::source::{Blocks, Encoding, LineEnd, to_text};
use crate::stamp::{self, DayOrder, StampReader};
use crate::timeline;

/// Called now and then with the bytes read and, where known, their total.
pub(crate) type Progress<'a> = &'a mut dyn FnMut(u64, u64);

/// Reads a delimited log from memory. See [`import_reader`].
///
/// # Errors
/// See [`import_reader`].
pub fn import(
    bytes: &[u8],
    options: &ImportOptions,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Imported, ImportError> {
    import_reader(Cursor::new(bytes), options, progress)
}

/// Reads a delimited log of any shape. `progress` is called with bytes read and bytes in all.
///
/// The source is read in blocks and may be far larger than memory allows for twice; what stays is
/// eight bytes for each cell of a numeric column.
///
/// # Errors
/// [`ImportError`] if the source cannot be read, holds no rows, has no time that can be read in a
/// column chosen for it, or an override does not fit; each says where and what to do.
pub fn import_reader<R: Read + Seek>(
    mut reader: R,
    options: &ImportOptions,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Imported, ImportError> {
    check_options(options)?;
    let fail = |e: std::io::Error| ImportError::Read {
        message: e.to_string(),
    };
    let total = reader.seek(SeekFrom::End(0)).map_err(fail)?;
    reader.rewind().map_err(fail)?;
    let mut pass = Pass::read(&mut reader, options, None, total, progress)?;
    // Rows far down the file may show that day and month stand the other way round.
    if let Some(order) = pass.other_order(options) {
        reader.rewind().map_err(fail)?;
        let again = Pass::read(&mut reader, options, Some(order), total, progress)?;
        if again.rows.kept > pass.rows.kept {
            pass = again;
            pass.choice.order_open = false;
        }
    }
    pass.finish(options)
}

fn check_options(options: &ImportOptions) -> Result<(), ImportError> {
    match options.interval_s {
        Some(interval) if !(interval.is_finite() && interval > 0.0) => {
            Err(ImportError::BadOption {
                option: "interval",
                value: interval.to_string(),
                expected: "seconds between rows, above 0".to_owned(),
            })
        }
        _ => Ok(()),
    }
}

/// An override that was found among the columns.
pub(crate) type Assigned = (usize, ChannelOverride);

/// Everything that one pass over the file gives.
struct Pass {
    encoding: Encoding,
    line_end: LineEnd,
    shape: Shape,
    choice: TimeChoice,
    assigned: Vec<Assigned>,
    /// Overrides whose columns may come out of long form.
    pending: Vec<ChannelOverride>,
    rows: Rows,
    findings: Vec<Finding>,
    questions: Vec<Question>,
}

impl Pass {
    fn read(
        reader: &mut dyn Read,
        options: &ImportOptions,
        order: Option<DayOrder>,
        total: u64,
        progress: Progress<'_>,
    ) -> Result<Self, ImportError> {
        let mut blocks = Blocks::open(reader)?;
        let end = blocks.line_end().byte();
        let shape =
            find_shape(blocks.first(), end).ok_or_else(|| nothing_found(blocks.first(), end))?;
        let (mut findings, mut questions) = (Vec::new(), Vec::new());
        let (assigned, pending) = assign(&shape, options, &mut findings, &mut questions)?;
        let choice = choose_time(&shape, &assigned, options, order);
        findings.extend(time_left_out(&shape, &choice, &assigned));
        let plan = plan_of(&shape, &choice, &assigned, end);
        let rows = read_rows(&mut blocks, &shape, &plan, total, progress)?;
        if rows.kept == 0 {
            return Err(no_rows(&rows, &shape, &choice));
        }
        let (encoding, line_end) = (blocks.encoding(), blocks.line_end());
        Ok(Self {
            encoding,
            line_end,
            shape,
            choice,
            assigned,
            pending,
            rows,
            findings,
            questions,
        })
    }

    /// The other order of day and month, if rows could be read in that one only.
    fn other_order(&self, options: &ImportOptions) -> Option<DayOrder> {
        let (_, _, text) = self.rows.bad_time.as_ref()?;
        if options.day_order.is_some() {
            return None;
        }
        [DayOrder::DayFirst, DayOrder::MonthFirst]
            .into_iter()
            .filter(|order| *order != self.choice.order)
            .find(|order| {
                stamp::parse(&stamp::plain_marks(text), *order).is_some_and(|s| s.order_matters)
            })
    }

    fn finish(mut self, options: &ImportOptions) -> Result<Imported, ImportError> {
        let others = other_tables(&self.rows);
        let picked = devices::pick(
            &mut self.rows,
            &mut self.shape,
            &self.choice,
            options,
            &self.assigned,
            &mut self.questions,
            &others,
        )?;
        self.assign_pending()?;
        let account = self.account(&picked);
        let skips = std::mem::take(&mut self.rows.skips);
        let line_of = |row: usize| line_of_row(&skips, picked.source_row(row));
        let line = timeline::build(&mut self.rows, &self.choice, options.interval_s, &line_of);
        self.findings.extend(line.findings.iter().cloned());
        self.note_unreadable();
        self.note_header(&skips);
        self.ask_about_time(options);
        let sources = self.sources(&picked);
        let columns = std::mem::take(&mut self.rows.columns);
        let mut labels = Vec::new();
        let mut values = Vec::new();
        for (source, column) in sources.into_iter().zip(columns) {
            match column {
                Column::Numbers(mut list) => {
                    line.order.apply(&mut list);
                    values.push((source, list));
                }
                Column::Labels {
                    mut codes, levels, ..
                } => {
                    line.order.apply(&mut codes);
                    labels.push(Labels {
                        column: source.name,
                        column_number: source.number,
                        levels,
                        codes,
                    });
                }
                Column::Ticks(_) | Column::Nothing => {}
            }
        }
        labels.retain(|l| !l.column.is_empty());
        self.note_labels(&mut labels);
        let built = readings::channels(values, &line.time_s, line.known, options);
        self.findings.extend(built.findings);
        self.questions.extend(built.questions);
        let recipe = self.recipe(&built.mapping, options, &picked);
        let format = self.format(&picked);
        let log =
            SensorLog::new(line.start, line.time_s, line.known, built.channels).map_err(|e| {
                ImportError::Read {
                    message: e.to_string(),
                }
            })?;
        Ok(Imported {
            log,
            rows: account,
            span_s: line.span_s,
            time_reason: self.time_reason(),
            format,
            labels,
            devices: picked.devices,
            findings: self.findings,
            questions: self.questions,
            recipe,
        })
    }

    /// Finds the columns that long form gave.
    fn assign_pending(&mut self) -> Result<(), ImportError> {
        for channel in std::mem::take(&mut self.pending) {
            let found = resolve(&channel.column, &self.shape.names);
            let (at, _) = found.ok_or_else(|| no_such_column(&self.shape, &channel))?;
            self.assigned.push((at, channel));
        }
        Ok(())
    }

    fn time_reason(&self) -> String {
        let names: Vec<String> = self
            .choice
            .columns()
            .iter()
            .filter_map(|at| self.shape.names.get(*at))
            .map(|name| format!("'{name}'"))
            .collect();
        if names.is_empty() {
            return self.choice.reason.clone();
        }
        format!("{}: {}", names.join(" and "), self.choice.reason)
    }

    fn account(&self, picked: &Picked) -> RowAccount {
        let mut skipped = grouped(&self.rows.skips);
        for (reason, rows) in [
            (SkipReason::UnderOtherHeader, &picked.under_other_header),
            (SkipReason::OtherDevice, &picked.dropped),
        ] {
            if rows.is_empty() {
                continue;
            }
            let lines = rows.iter().take(FIRST_LINES);
            skipped.push(Skipped {
                reason,
                count: rows.len() as u64,
                lines: lines
                    .map(|row| line_of_row(&self.rows.skips, *row as usize))
                    .collect(),
            });
        }
        skipped.sort_by_key(|s| s.reason);
        let dropped = picked.dropped.len() + picked.under_other_header.len();
        RowAccount {
            read: self.rows.read,
            kept: (picked.source_rows - dropped) as u64,
            skipped,
        }
    }

    fn note_unreadable(&mut self) {
        for (at, note) in self
            .rows
            .unreadable
            .iter()
            .enumerate()
            .filter(|(_, n)| n.count > 0)
        {
            let examples: Vec<String> = note
                .first
                .iter()
                .map(|(line, text)| format!("'{text}' at line {line}"))
                .collect();
            self.findings.push(Finding {
                rule: "unreadable_cells",
                severity: Severity::Warning,
                run: None,
                evidence: format!(
                    "column {} '{}': {} no reading and {} as missing: {}",
                    at + 1,
                    self.shape.names.get(at).map_or("", String::as_str),
                    if note.count == 1 {
                        "1 cell holds".to_owned()
                    } else {
                        format!("{} cells hold", note.count)
                    },
                    if note.count == 1 { "counts" } else { "count" },
                    examples.join(", ")
                ),
                remedy: "correct the cells, or leave them: missing is never taken as 0".to_owned(),
            });
        }
        if let Some((line, column, text)) = &self.rows.bad_time {
            self.findings.push(Finding {
                rule: "time_unreadable",
                severity: Severity::Warning,
                run: None,
                evidence: format!(
                    "line {line}, column {}: '{text}' is no time; such rows were skipped",
                    column + 1
                ),
                remedy: "correct the cells, or name another time column with --channel time=…"
                    .to_owned(),
            });
        }
    }

    fn note_header(&mut self, skips: &[Skip]) {
        if let Some(names) = self.shape.odd_names {
            self.findings.push(Finding {
                rule: "header_width_differs",
                severity: Severity::Warning,
                run: None,
                evidence: format!(
                    "the header has {names} names, most rows have {} cells; names were given from \
                     the left",
                    if names < self.shape.width {
                        self.shape.width
                    } else {
                        self.shape.least
                    }
                ),
                remedy: "check the roles; name columns by number with --channel ROLE=\"col N\""
                    .to_owned(),
            });
        }
        if let Some(skip) = skips.iter().find(|s| s.reason == SkipReason::OtherHeader) {
            self.findings.push(Finding {
                rule: "header_changes",
                severity: Severity::Error,
                run: None,
                evidence: format!(
                    "line {} is another header than the first; rows behind it were not read",
                    skip.line
                ),
                remedy: "split the file there and import the parts".to_owned(),
            });
        }
    }

    fn note_labels(&mut self, labels: &mut Vec<Labels>) {
        for column in labels
            .iter()
            .filter(|l| l.levels.len() > crate::body::MAX_LEVELS)
        {
            self.findings.push(Finding {
                rule: "text_column",
                severity: Severity::Note,
                run: None,
                evidence: format!(
                    "column {} '{}' is free text",
                    column.column_number, column.column
                ),
                remedy: "do nothing: it is not used".to_owned(),
            });
        }
        labels.retain(|l| l.levels.len() <= crate::body::MAX_LEVELS);
        for column in labels.iter() {
            let shown: Vec<&str> = column.levels.iter().take(6).map(String::as_str).collect();
            self.findings.push(Finding {
                rule: "text_column",
                severity: Severity::Note,
                run: None,
                evidence: format!(
                    "column {} '{}' holds text, {} distinct: {}",
                    column.column_number,
                    column.column,
                    column.levels.len(),
                    shown.join(", ")
                ),
                remedy: "do nothing, or split runs by it: no channel is made of it".to_owned(),
            });
        }
    }

    fn ask_about_time(&mut self, options: &ImportOptions) {
        if self.choice.order_open {
            self.questions.push(Question {
                about: "which of day and month stands first".to_owned(),
                options: vec!["day_first".into(), "month_first".into()],
                chosen: self.choice.order.token().to_owned(),
                reason: "time rises either way".to_owned(),
                answer_with: "--day-order day_first or month_first".to_owned(),
            });
        }
        let (column, count) = match self.choice.source {
            TimeSource::Integer { column, count, .. } | TimeSource::Number { column, count } => {
                (column, count)
            }
            TimeSource::Rows if options.interval_s.is_none() => {
                self.questions.push(Question {
                    about: "seconds between rows".to_owned(),
                    options: vec!["1".into()],
                    chosen: "unknown; rows are counted".to_owned(),
                    reason: self.choice.reason.clone(),
                    answer_with: "--interval SECONDS".to_owned(),
                });
                return;
            }
            _ => return,
        };
        if !count.assumed {
            return;
        }
        let name = &self.shape.names[column];
        let mut choices = self.choice.unit_options.clone();
        if choices.is_empty() {
            choices.push("s".to_owned());
        }
        self.questions.push(Question {
            about: format!("unit of the time column '{name}'"),
            options: choices,
            chosen: count.unit.code.to_owned(),
            reason: if count.counter {
                "it counts rows; 1 s a row is assumed until an interval is stated".to_owned()
            } else {
                "not written; the unit that puts rows nearest to 1 s apart".to_owned()
            },
            answer_with: format!("--channel time=\"{name}@ms\" or --interval SECONDS"),
        });
    }

    /// What is known of each column before its values are looked at.
    fn sources(&self, picked: &Picked) -> Vec<Source> {
        (0..self.rows.columns.len())
            .map(|at| Source {
                name: self.shape.names.get(at).cloned().unwrap_or_default(),
                number: picked.number_of(at) + 1,
                from_long_form: picked.number_of(at) != at,
                header_unit: clock::header_unit(&self.shape, at),
                row_unit: self.shape.row_units.get(at).cloned().flatten(),
                switch: self.shape.kinds.get(at) == Some(&Kind::Switch),
                measured: self.measured_unit(at),
                stated: self
                    .assigned
                    .iter()
                    .rev()
                    .find(|(column, o)| *column == at && o.role != Role::Time)
                    .map(|(_, o)| o.clone()),
                has_header: self.shape.has_header,
                mark_doubt: self
                    .shape
                    .unsure_marks
                    .iter()
                    .find(|(column, _)| *column == at)
                    .map(|(_, example)| example.clone()),
            })
            .collect()
    }

    fn measured_unit(&self, at: usize) -> Option<crate::units::SourceUnit> {
        if self.shape.kinds.get(at) != Some(&Kind::Measured) {
            return None;
        }
        self.shape.sample[at].iter().find_map(|cell| {
            match crate::detect::classify(cell.as_bytes()) {
                crate::detect::Class::Measured(unit) => Some(unit),
                _ => None,
            }
        })
    }

    fn recipe(
        &self,
        mapping: &[ChannelOverride],
        options: &ImportOptions,
        picked: &Picked,
    ) -> Recipe {
        let mut channels: Vec<ChannelOverride> = self
            .choice
            .columns()
            .into_iter()
            .map(|at| time_mapping(&self.shape.names[at], at, &self.choice))
            .collect();
        channels.extend_from_slice(mapping);
        Recipe {
            name: options
                .recipe
                .as_ref()
                .map(|r| r.name.clone())
                .unwrap_or_default(),
            channels,
            interval_s: options.interval_s,
            day_order: options.day_order.or_else(|| {
                (!self.choice.order_open && self.choice.order != DayOrder::YearFirst)
                    .then_some(self.choice.order)
            }),
            device: picked.device.clone().filter(|_| picked.devices.len() > 1),
            columns: self.shape.names.clone(),
        }
    }

    fn format(&self, picked: &Picked) -> Format {
        Format {
            encoding: self.encoding,
            line_end: self.line_end,
            delimiter: self.shape.delimiter,
            decimal_comma: self.shape.styles.iter().any(|s| s.decimal_comma),
            header_line: self.shape.header_line,
            columns: self.shape.names.clone(),
            preamble: self.shape.preamble.clone(),
            long_form: picked.long_form,
        }
    }
}

fn time_mapping(name: &str, at: usize, choice: &TimeChoice) -> ChannelOverride {
    let unit = match choice.source {
        TimeSource::Integer { count, .. } | TimeSource::Number { count, .. } => Some(count.unit),
        _ => None,
    };
    ChannelOverride {
        role: Role::Time,
        column: ColumnRef::Number(at + 1),
        text: name.to_owned(),
        scale: 1.0,
        unit,
    }
}

fn no_such_column(shape: &Shape, channel: &ChannelOverride) -> ImportError {
    ImportError::NoSuchColumn {
        asked: channel.text.clone(),
        names: shape.names.clone(),
        line: shape.header_line.unwrap_or(1),
    }
}

/// Finds the columns that the recipe and the overrides name; the overrides come last and win.
fn assign(
    shape: &Shape,
    options: &ImportOptions,
    findings: &mut Vec<Finding>,
    questions: &mut Vec<Question>,
) -> Result<(Vec<Assigned>, Vec<ChannelOverride>), ImportError> {
    let mut assigned = Vec::new();
    let mut pending = Vec::new();
    let may_be_long = shape.kinds.contains(&Kind::Label);
    if let Some(recipe) = &options.recipe {
        for channel in &recipe.channels {
            match resolve(&channel.column, &shape.names) {
                Some((at, _)) => assigned.push((at, channel.clone())),
                None => findings.push(Finding {
                    rule: "recipe_column_missing",
                    severity: Severity::Warning,
                    run: None,
                    evidence: format!("the recipe's column '{}' is not in the file", channel.text),
                    remedy: "import without the recipe, or correct the column's name".to_owned(),
                }),
            }
        }
    }
    for channel in &options.overrides {
        // A name that itself holds `*` or `@` is taken whole.
        let plain = matches!(&channel.column, ColumnRef::Name(name) if *name == channel.text);
        let whole = shape
            .names
            .iter()
            .position(|n| *n == channel.text)
            .filter(|_| !plain);
        if let Some(at) = whole {
            let whole = ChannelOverride {
                scale: 1.0,
                unit: None,
                ..channel.clone()
            };
            assigned.push((at, whole));
            continue;
        }
        let (at, others) = match resolve(&channel.column, &shape.names) {
            Some(found) => found,
            None if may_be_long => {
                pending.push(channel.clone());
                continue;
            }
            None => return Err(no_such_column(shape, channel)),
        };
        if others > 0 {
            questions.push(Question {
                about: format!("which column '{}' is meant", shape.names[at]),
                options: (0..shape.width)
                    .filter(|i| shape.names[*i] == shape.names[at])
                    .map(|i| format!("col {}", i + 1))
                    .collect(),
                chosen: format!("col {}", at + 1),
                reason: "the first of that name".to_owned(),
                answer_with: format!("--channel {}=\"col N\"", channel.role),
            });
        }
        assigned.push((at, channel.clone()));
    }
    Ok((assigned, pending))
}

fn choose_time(
    shape: &Shape,
    assigned: &[Assigned],
    options: &ImportOptions,
    order: Option<DayOrder>,
) -> TimeChoice {
    let time = assigned.iter().rev().find(|(_, o)| o.role == Role::Time);
    let stated = Stated {
        column: time.map(|(at, _)| *at),
        unit: time.and_then(|(_, o)| o.unit),
        scale: time.map_or(1.0, |(_, o)| o.scale),
        interval_s: options.interval_s,
        order: options
            .day_order
            .or(order)
            .or_else(|| options.recipe.as_ref().and_then(|r| r.day_order)),
    };
    let taken: Vec<(usize, Role)> = assigned
        .iter()
        .filter(|(_, o)| o.role != Role::Time)
        .map(|(at, o)| (*at, o.role))
        .collect();
    clock::choose(shape, stated, &taken)
}

/// Columns that are called times and were not taken for one, where no other time was found.
fn time_left_out(shape: &Shape, choice: &TimeChoice, assigned: &[Assigned]) -> Vec<Finding> {
    if choice.has_time() {
        return Vec::new();
    }
    (0..shape.width)
        .filter(|at| !assigned.iter().any(|(column, _)| column == at))
        .filter_map(|at| clock::unfit_time(shape, at).map(|why| (at, why)))
        .map(|(at, why)| Finding {
            rule: "time_not_used",
            severity: Severity::Warning,
            run: None,
            evidence: format!(
                "column {} '{}' is called a time, but {why}; it was not used, and the rows were \
                 counted instead",
                at + 1,
                shape.names[at]
            ),
            remedy: format!(
                "sort the rows by time, take that column all the same with \
                 --channel time=\"col {}\", or state --interval SECONDS",
                at + 1
            ),
        })
        .collect()
}

/// How each column is read, now that the time is known.
fn plan_of(shape: &Shape, choice: &TimeChoice, assigned: &[Assigned], line_end: u8) -> Plan {
    let mut reads: Vec<ReadAs> = (0..shape.width)
        .map(|at| match shape.kinds[at] {
            Kind::Number | Kind::Empty if shape.names[at].is_empty() => ReadAs::Nothing,
            Kind::Number | Kind::Empty => ReadAs::Number(shape.styles[at]),
            Kind::Measured => ReadAs::Measured(shape.styles[at]),
            Kind::Switch => ReadAs::Switch,
            Kind::Label => ReadAs::Label,
            Kind::HalfDay if choice.half_day == Some(at) => ReadAs::HalfDay,
            Kind::Stamp | Kind::Date | Kind::Clock | Kind::HalfDay => ReadAs::Nothing,
        })
        .collect();
    for (at, channel) in assigned {
        let text = matches!(channel.role, Role::Time | Role::Part);
        if !text && matches!(reads[*at], ReadAs::Label | ReadAs::Nothing) {
            reads[*at] = ReadAs::Number(shape.styles[*at]);
        }
        if channel.role == Role::Part {
            reads[*at] = ReadAs::Label;
        }
    }
    match choice.source {
        TimeSource::Stamp { column } => {
            reads[column] = ReadAs::Stamp(StampReader::new(choice.order));
        }
        TimeSource::DateClock { date, clock } => {
            reads[date] = ReadAs::Date(StampReader::new(choice.order));
            reads[clock] = ReadAs::Clock {
                minutes_first: false,
            };
        }
        TimeSource::Clock { column } => {
            reads[column] = ReadAs::Clock {
                minutes_first: choice.minutes_first,
            };
        }
        TimeSource::Integer { column, base, .. } => {
            reads[column] = ReadAs::Integer(base);
            if let Some(begin) = choice.begin {
                reads[begin] = ReadAs::Integer(base);
            }
        }
        TimeSource::Number { column, .. } => reads[column] = ReadAs::Number(shape.styles[column]),
        TimeSource::Rows => {}
    }
    Plan {
        delimiter: shape.delimiter,
        width: shape.width,
        least: shape.least,
        reads,
        time_columns: choice.columns(),
        header_lines: shape.header_lines.clone(),
        first_name: shape.names.first().cloned().unwrap_or_default(),
        line_end,
    }
}

/// Threads that read rows. Two give most of the gain; more would contend for memory.
const THREADS: usize = 2;

fn read_rows(
    blocks: &mut Blocks<&mut dyn Read>,
    shape: &Shape,
    plan: &Plan,
    total: u64,
    progress: Progress<'_>,
) -> Result<Rows, ImportError> {
    let mut rows = Rows::new(plan, expected_rows(blocks.first(), plan.line_end, total));
    let mut first = true;
    let mut unended = Vec::new();
    while let Some((block, last)) = blocks.next_block()? {
        let skip = if first {
            skip_header(block, plan.line_end, shape, &mut rows)
        } else {
            0
        };
        first = false;
        if last {
            let tail = memchr::memrchr(plan.line_end, block).map_or(block, |i| &block[i + 1..]);
            unended = tail.to_vec();
        }
        let parts = read_block(plan, &block[skip..], last, THREADS);
        for part in parts {
            rows.append(part);
        }
        progress(blocks.bytes_read.min(total), total);
    }
    doubt_last_cell(&unended, shape, plan, &mut rows);
    Ok(rows)
}

/// A last line without an end may be cut inside its last number. Where all others of the column have
/// the same number of decimals, one with fewer is cut and counts as missing.
fn doubt_last_cell(line: &[u8], shape: &Shape, plan: &Plan, rows: &mut Rows) {
    let skipped = rows
        .skips
        .last()
        .is_some_and(|s| s.line + s.count > rows.lines);
    if skipped || crate::number::trim(line).is_empty() {
        return;
    }
    let at = plan.width - 1;
    let mut cells = Vec::new();
    crate::split::split(line, plan.delimiter, &mut cells);
    let Some(cell) = cells.get(at).map(|c| to_text(crate::number::trim(c))) else {
        return;
    };
    let mark = if shape.styles[at].decimal_comma {
        ','
    } else {
        '.'
    };
    let decimals = |text: &str| {
        text.rsplit_once(mark)
            .map_or(0, |(_, fraction)| fraction.len())
    };
    // The cell itself is among the sample of a short file.
    let others: Vec<&String> = shape.sample[at].iter().filter(|c| **c != cell).collect();
    let usual = others.first().map_or(0, |c| decimals(c));
    let all_alike = others.len() >= 5 && others.iter().all(|c| decimals(c) == usual);
    let row = rows.kept.saturating_sub(1);
    if let Column::Numbers(values) = &mut rows.columns[at]
        && all_alike
        && decimals(&cell) < usual
        && values.get(row).is_some_and(|v| !v.is_nan())
    {
        values[row] = f64::NAN;
        let note = &mut rows.unreadable[at];
        note.count += 1;
        note.first.push((rows.lines, format!("{cell} (cut short)")));
    }
}

/// Rows to make room for, judged by the first block, so that columns need not be moved.
fn expected_rows(block: &[u8], line_end: u8, total: u64) -> usize {
    let lines = memchr::memchr_iter(line_end, block).count() + 1;
    let share = total as f64 / block.len().max(1) as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "an estimate; never negative, and memory ends long before usize"
    )]
    let rows = (lines as f64 * share * 1.02) as usize;
    rows
}

/// Accounts for the lines before the first row; returns where that row begins.
fn skip_header(block: &[u8], line_end: u8, shape: &Shape, rows: &mut Rows) -> usize {
    let lines = shape.first_line - 1;
    let mut pos = 0;
    for line in 1..=lines {
        let Some(end) = memchr::memchr(line_end, &block[pos..]) else {
            break;
        };
        pos += end + 1;
        let blank = crate::number::trim(&block[pos - end - 1..pos - 1]).is_empty();
        let known = shape.before.iter().rfind(|(number, _)| *number <= line);
        let reason = match known {
            Some((number, token)) if *number == line || !blank => SkipReason::from_token(token),
            _ => SkipReason::Blank,
        };
        rows.skips.push(Skip {
            line,
            count: 1,
            reason,
        });
    }
    rows.lines += lines;
    rows.read += lines;
    pos
}

/// Line numbers given for each reason.
const FIRST_LINES: usize = 5;

fn grouped(skips: &[Skip]) -> Vec<Skipped> {
    let mut groups: Vec<Skipped> = Vec::new();
    for skip in skips {
        let at = groups
            .iter()
            .position(|g| g.reason == skip.reason)
            .unwrap_or_else(|| {
                groups.push(Skipped {
                    reason: skip.reason,
                    count: 0,
                    lines: Vec::new(),
                });
                groups.len() - 1
            });
        let group = &mut groups[at];
        group.count += skip.count;
        let room = FIRST_LINES - group.lines.len();
        group
            .lines
            .extend((skip.line..skip.line + skip.count).take(room));
    }
    groups
}

/// The line (from 1) of a row (from 0), given the lines that are no rows.
fn line_of_row(skips: &[Skip], row: usize) -> u64 {
    let mut line = row as u64 + 1;
    for skip in skips {
        if skip.line > line {
            break;
        }
        line += skip.count;
    }
    line
}

/// Ranges of rows that stand behind another header, up to where the first header comes again.
fn other_tables(rows: &Rows) -> Vec<(usize, usize)> {
    let mut ranges = Vec::new();
    let mut open = None;
    let mut skipped = 0;
    for skip in &rows.skips {
        // Rows before this line: lines before it, less those that are no rows.
        let row = usize::try_from((skip.line - 1).saturating_sub(skipped)).unwrap_or(usize::MAX);
        skipped += skip.count;
        match skip.reason {
            SkipReason::OtherHeader if open.is_none() => open = Some(row),
            SkipReason::RepeatedHeader => ranges.extend(open.take().map(|from| (from, row))),
            _ => {}
        }
    }
    ranges.extend(open.map(|from| (from, rows.kept)));
    ranges.retain(|(from, to)| from < to);
    ranges
}

/// Why no line holds readings: an error that shows the first text.
fn nothing_found(block: &[u8], line_end: u8) -> ImportError {
    let lines = block.split(|b| *b == line_end);
    let first = lines.clone().enumerate().find_map(|(at, line)| {
        let text = crate::number::trim(line);
        (!text.is_empty()).then(|| (at as u64 + 1, to_text(text)))
    });
    match first {
        Some((line, text)) => ImportError::NoReadings {
            line,
            column: 1,
            value: text.chars().take(60).collect(),
        },
        None if block.is_empty() => ImportError::Empty {
            lines: 0,
            nul_bytes: false,
        },
        None => ImportError::Empty {
            // The piece behind the last line's end is no line.
            lines: (lines.count() - usize::from(block.ends_with(&[line_end]))) as u64,
            nul_bytes: block.contains(&0),
        },
    }
}

fn no_rows(rows: &Rows, shape: &Shape, choice: &TimeChoice) -> ImportError {
    if let Some((line, column, value)) = &rows.bad_time {
        return ImportError::NoTime {
            line: *line,
            column: column + 1,
            value: value.clone(),
        };
    }
    let time = choice.columns().first().copied();
    let column = time.unwrap_or(0);
    let line = shape.first_line;
    let value = shape
        .sample
        .get(column)
        .and_then(|c| c.first())
        .cloned()
        .unwrap_or_default();
    match time {
        Some(_) => ImportError::NoTime {
            line,
            column: column + 1,
            value,
        },
        None => ImportError::NoReadings {
            line,
            column: column + 1,
            value,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_of_rows_step_over_what_is_skipped() {
        let skip = |line, count| Skip {
            line,
            count,
            reason: SkipReason::Blank,
        };
        let skips = [skip(1, 2), skip(5, 1)];
        let lines: Vec<u64> = (0..4).map(|row| line_of_row(&skips, row)).collect();
        assert_eq!(lines, [3, 4, 6, 7]);
    }
}
