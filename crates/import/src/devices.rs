//! Files whose rows belong to several devices, and long form with one reading a row.

use std::collections::HashMap;

use settlepoint_domain::Role;

use crate::body::{Column, MAX_LEVELS, NO_TICK, Rows};
use crate::clock::TimeChoice;
use crate::detect::{Kind, Shape};
use crate::error::ImportError;
use crate::imported::Question;
use crate::number::Style;
use crate::options::ImportOptions;
use crate::pipeline::Assigned;
use crate::roles::{self, Look};
use crate::units;
use crate::words::{Concept, concepts};

/// What was picked from the rows as read.
#[derive(Clone, Debug, Default)]
pub(crate) struct Picked {
    /// Devices seen, if rows belong to several.
    pub(crate) devices: Vec<String>,
    pub(crate) device: Option<String>,
    /// Rows (as read) behind another header.
    pub(crate) under_other_header: Vec<u32>,
    /// Rows (as read) of other devices.
    pub(crate) dropped: Vec<u32>,
    pub(crate) source_rows: usize,
    pub(crate) long_form: bool,
    /// For each row left, the row as read it begins with; empty if all are as read.
    first_rows: Vec<u32>,
    /// For columns made from long form, the column that their values stood in.
    numbers: HashMap<usize, usize>,
}

impl Picked {
    pub(crate) fn source_row(&self, row: usize) -> usize {
        self.first_rows.get(row).map_or(row, |r| *r as usize)
    }

    pub(crate) fn number_of(&self, column: usize) -> usize {
        self.numbers.get(&column).copied().unwrap_or(column)
    }
}

/// Most devices or readings told apart in one file.
const MAX_DEVICES: usize = 256;

/// Picks one device's rows and turns long form to one row a time.
pub(crate) fn pick(
    rows: &mut Rows,
    shape: &mut Shape,
    choice: &TimeChoice,
    options: &ImportOptions,
    assigned: &[Assigned],
    questions: &mut Vec<Question>,
    other_headers: &[(usize, usize)],
) -> Result<Picked, ImportError> {
    let mut picked = Picked {
        source_rows: rows.kept,
        ..Picked::default()
    };
    leave_out(rows, other_headers, &mut picked);
    let long = long_form(rows, shape, choice);
    let metric = long.as_ref().map(|l| l.metric);
    if let Some(column) = device_column(rows, shape, choice, options, assigned, metric) {
        pick_device(rows, shape, column, options, questions, &mut picked)?;
    } else if let Some(asked) = &options.device {
        return Err(ImportError::NoSuchDevice {
            asked: asked.clone(),
            names: Vec::new(),
        });
    }
    if let Some(long) = long {
        pivot(rows, shape, choice, &long, &mut picked);
    }
    Ok(picked)
}

fn says(shape: &Shape, at: usize, concept: Concept) -> bool {
    shape.has_header
        && concepts(&shape.names[at])
            .iter()
            .any(|(c, _)| *c == concept)
}

/// The number of each row's device and the devices' names, for a column that may tell devices.
fn groups_of(column: &Column) -> Option<(Vec<u32>, Vec<String>)> {
    match column {
        Column::Labels { codes, levels, .. } => {
            (levels.len() <= MAX_DEVICES).then(|| (codes.clone(), levels.clone()))
        }
        Column::Numbers(values) => {
            let mut levels: Vec<f64> = Vec::new();
            let mut codes = Vec::with_capacity(values.len());
            for value in values {
                let at = levels.iter().position(|l| l.total_cmp(value).is_eq());
                let at = at.unwrap_or_else(|| {
                    levels.push(*value);
                    levels.len() - 1
                });
                if levels.len() > 64 || value.fract() != 0.0 {
                    return None;
                }
                codes.push(u32::try_from(at).ok()?);
            }
            Some((codes, levels.iter().map(f64::to_string).collect()))
        }
        _ => None,
    }
}

fn device_column(
    rows: &Rows,
    shape: &Shape,
    choice: &TimeChoice,
    options: &ImportOptions,
    assigned: &[Assigned],
    metric: Option<usize>,
) -> Option<usize> {
    if let Some((at, _)) = assigned.iter().find(|(_, o)| o.role == Role::Part) {
        return Some(*at);
    }
    let time = choice.columns();
    let free = |at: &usize| !time.contains(at) && Some(*at) != metric;
    let columns = 0..shape.width.min(rows.columns.len());
    if let Some(asked) = &options.device
        && let Some(at) = columns.clone().filter(free).find(|at| {
            groups_of(&rows.columns[*at]).is_some_and(|(_, levels)| levels.contains(asked))
        })
    {
        return Some(at);
    }
    columns
        .filter(free)
        .filter(|at| says(shape, *at, Concept::Device) || is_index(shape, *at))
        .find(|at| {
            let number = matches!(rows.columns[*at], Column::Numbers(_));
            groups_of(&rows.columns[*at]).is_some_and(|(codes, levels)| {
                (2..=MAX_DEVICES).contains(&levels.len())
                    && levels.len() * 2 <= codes.len()
                    && (!number || (takes_turns(&codes, levels.len()) && count_up(&levels)))
            })
        })
}

/// `gpu`, `gpu_index`, `core id`: numbers that may stand for devices.
fn is_index(shape: &Shape, at: usize) -> bool {
    let parts = [
        Concept::Counter,
        Concept::Graphics,
        Concept::Core,
        Concept::Cpu,
        Concept::Drive,
    ];
    let measured = [
        Concept::Temperature,
        Concept::Power,
        Concept::Clock,
        Concept::Load,
        Concept::Fan,
    ];
    parts.iter().any(|c| says(shape, at, *c))
        && !measured.iter().any(|c| says(shape, at, *c))
        && crate::clock::header_unit(shape, at).is_none()
}

/// Whether codes go round (0 1 0 1 …), in nearly all rows: each row differs from the one before
/// and is like the one a period before. Blocks (1 1 1 … 2 2 2 …) are steps of one device.
fn takes_turns(codes: &[u32], period: usize) -> bool {
    let alike = |apart: usize| {
        let pairs = codes.iter().zip(&codes[apart..]);
        let count = pairs.filter(|(a, b)| a == b).count();
        count as f64 / (codes.len() - apart).max(1) as f64
    };
    alike(1) <= 0.1 && alike(period) >= 0.9
}

/// Whether the numbers are 0, 1, 2 … or 1, 2, 3 …, as devices are numbered.
fn count_up(levels: &[String]) -> bool {
    let mut numbers: Vec<u32> = levels.iter().filter_map(|l| l.parse().ok()).collect();
    numbers.sort_unstable();
    numbers.len() == levels.len() && numbers[0] <= 1 && numbers.windows(2).all(|w| w[1] == w[0] + 1)
}

fn pick_device(
    rows: &mut Rows,
    shape: &Shape,
    column: usize,
    options: &ImportOptions,
    questions: &mut Vec<Question>,
    picked: &mut Picked,
) -> Result<(), ImportError> {
    let Some((codes, levels)) = groups_of(&rows.columns[column]) else {
        return Ok(());
    };
    let mut counts = vec![0_usize; levels.len()];
    for code in &codes {
        counts[*code as usize] += 1;
    }
    let chosen = match &options.device {
        Some(asked) => {
            levels
                .iter()
                .position(|l| l == asked)
                .ok_or_else(|| ImportError::NoSuchDevice {
                    asked: asked.clone(),
                    names: levels.clone(),
                })?
        }
        // The first of those with the most rows.
        None => (0..counts.len())
            .rev()
            .max_by_key(|i| counts[*i])
            .unwrap_or(0),
    };
    picked.device = Some(levels[chosen].clone());
    picked.devices.clone_from(&levels);
    if levels.len() < 2 {
        return Ok(());
    }
    if options.device.is_none() {
        questions.push(Question {
            about: format!("which device of column '{}'", shape.names[column]),
            options: levels
                .iter()
                .zip(&counts)
                .map(|(l, n)| format!("{l} ({n} rows)"))
                .collect(),
            chosen: levels[chosen].clone(),
            reason: "the first of those with the most rows".to_owned(),
            answer_with: "--device NAME".to_owned(),
        });
    }
    let (mut keep, mut drop) = (Vec::new(), Vec::new());
    for (row, code) in (0_u32..).zip(&codes) {
        if *code as usize == chosen {
            keep.push(row);
        } else {
            drop.push(row);
        }
    }
    select(rows, &keep);
    let as_read = |row: &u32| u32::try_from(picked.source_row(*row as usize)).unwrap_or(u32::MAX);
    let (dropped, first_rows) = (
        drop.iter().map(as_read).collect(),
        keep.iter().map(as_read).collect(),
    );
    picked.dropped = dropped;
    picked.first_rows = first_rows;
    Ok(())
}

/// Leaves out ranges of rows whose columns mean something else.
fn leave_out(rows: &mut Rows, ranges: &[(usize, usize)], picked: &mut Picked) {
    if ranges.is_empty() {
        return;
    }
    let out = |row: usize| ranges.iter().any(|(from, to)| (*from..*to).contains(&row));
    let all = u32::try_from(rows.kept).unwrap_or(u32::MAX);
    let (left_out, keep): (Vec<u32>, Vec<u32>) = (0..all).partition(|row| out(*row as usize));
    // A file that is nothing but other tables is left as it is.
    if keep.is_empty() {
        return;
    }
    select(rows, &keep);
    picked.under_other_header = left_out;
    picked.first_rows = keep;
}

/// Keeps these rows only, in this order.
fn select(rows: &mut Rows, keep: &[u32]) {
    fn take<T: Copy>(values: &mut Vec<T>, keep: &[u32]) {
        if !values.is_empty() {
            *values = keep
                .iter()
                .filter_map(|r| values.get(*r as usize).copied())
                .collect();
        }
    }
    for column in &mut rows.columns {
        match column {
            Column::Numbers(values) => take(values, keep),
            Column::Ticks(values) => take(values, keep),
            Column::Labels { codes, .. } => take(codes, keep),
            Column::Nothing => {}
        }
    }
    rows.kept = keep.len();
}

/// A file with one reading a row.
struct Long {
    metric: usize,
    value: usize,
    unit: Option<usize>,
}

/// Recognises long form: one column of numbers besides the time, and a column of text whose
/// entries are mostly names of readings.
fn long_form(rows: &Rows, shape: &Shape, choice: &TimeChoice) -> Option<Long> {
    let time = choice.columns();
    let free = |at: &usize| !time.contains(at);
    let numbers: Vec<usize> = (0..shape.width)
        .filter(free)
        .filter(|at| matches!(shape.kinds[*at], Kind::Number | Kind::Measured))
        .filter(|at| !is_index(shape, *at))
        .collect();
    let value = match numbers.as_slice() {
        [only] => *only,
        _ => return None,
    };
    // A column that is called what it holds is no column of all kinds of readings.
    if shape.has_header && names_reading(&shape.names[value]) {
        return None;
    }
    let level_list = |at: usize| match &rows.columns[at] {
        Column::Labels { levels, .. } if levels.len() <= MAX_LEVELS => Some(levels),
        _ => None,
    };
    let text: Vec<usize> = (0..shape.width)
        .filter(free)
        .filter(|at| level_list(*at).is_some())
        .collect();
    let named = |at: usize| {
        level_list(at).map_or(0.0, |levels| {
            let known = levels.iter().filter(|l| names_reading(l)).count();
            known as f64 / levels.len().max(1) as f64
        })
    };
    let metric = text
        .iter()
        .copied()
        .filter(|at| level_list(*at).is_some_and(|l| (1..=MAX_DEVICES).contains(&l.len())))
        .filter(|at| {
            level_list(*at).is_some_and(|l| l.len() > 1) || says(shape, *at, Concept::Metric)
        })
        .filter(|at| named(*at) >= 0.5)
        .max_by(|a, b| named(*a).total_cmp(&named(*b)).then(b.cmp(a)))?;
    let unit = text.iter().copied().find(|at| {
        *at != metric
            && level_list(*at).is_some_and(|levels| {
                levels.iter().filter(|l| units::lookup(l).is_some()).count() * 2 > levels.len()
            })
    });
    Some(Long {
        metric,
        value,
        unit,
    })
}

/// Whether a text could be the header of a reading.
pub(crate) fn names_reading(text: &str) -> bool {
    let look = Look {
        min: 20.0,
        max: 80.0,
        median: 50.0,
        present: 10,
        whole: false,
        rising: false,
        switch: false,
    };
    let unit = roles::unit_in_name(text);
    roles::recognise(text, unit.map(|u| u.0), "", &look).role != Role::Other
}

/// Time of a row as one number to compare; missing parts count as 0.
fn moment(rows: &Rows, time: &[usize], row: usize) -> f64 {
    time.iter()
        .map(|at| match &rows.columns[*at] {
            Column::Ticks(ticks) => ticks
                .get(row)
                .filter(|t| **t != NO_TICK)
                .map_or(0.0, |t| *t as f64),
            Column::Numbers(values) => values.get(row).copied().unwrap_or(0.0),
            _ => 0.0,
        })
        .sum()
}

/// One row a time, one column a reading.
fn pivot(
    rows: &mut Rows,
    shape: &mut Shape,
    choice: &TimeChoice,
    long: &Long,
    picked: &mut Picked,
) {
    let Column::Labels { codes, levels, .. } = rows.columns[long.metric].clone() else {
        return;
    };
    let Column::Numbers(values) = std::mem::replace(&mut rows.columns[long.value], Column::Nothing)
    else {
        return;
    };
    let time = choice.columns();
    let moments: Vec<f64> = (0..rows.kept).map(|row| moment(rows, &time, row)).collect();
    let order = by_time(&moments, &codes);
    let mut table: Vec<Vec<f64>> = vec![Vec::new(); levels.len()];
    let mut firsts: Vec<u32> = Vec::new();
    for row in order {
        let index = row as usize;
        let code = codes[index] as usize;
        let full = |firsts: &[u32]| {
            firsts.last().is_none_or(|first| {
                let taken = table[code].len() == firsts.len()
                    && table[code].last().is_some_and(|v| !v.is_nan());
                let apart = moments[*first as usize].total_cmp(&moments[index]).is_ne();
                taken || (apart && !time.is_empty())
            })
        };
        if full(&firsts) {
            firsts.push(row);
        }
        let column = &mut table[code];
        column.resize(firsts.len(), f64::NAN);
        column[firsts.len() - 1] = values[index];
    }
    let units_of = units_by_metric(rows, long, &codes, levels.len());
    // Rows of a device that were dropped count from the file, so go through what was kept then.
    let sources: Vec<u32> = firsts
        .iter()
        .map(|r| u32::try_from(picked.source_row(*r as usize)).unwrap_or(u32::MAX))
        .collect();
    select(rows, &firsts);
    picked.first_rows = sources;
    picked.long_form = true;
    rows.columns[long.metric] = Column::Nothing;
    if let Some(unit) = long.unit {
        rows.columns[unit] = Column::Nothing;
    }
    for ((level, mut column), unit) in levels.into_iter().zip(table).zip(units_of) {
        column.resize(firsts.len(), f64::NAN);
        if column.iter().all(|v| v.is_nan()) {
            continue;
        }
        let at = rows.columns.len();
        picked.numbers.insert(at, long.value);
        rows.columns.push(Column::Numbers(column));
        shape.names.push(level);
        shape.row_units.push(unit);
        shape.kinds.push(shape.kinds[long.value]);
        shape.styles.push(Style::default());
        shape.sample.push(Vec::new());
    }
}

/// Rows by time where readings stand one after the other (all of the first, then all of the
/// second); as read where they take turns.
fn by_time(moments: &[f64], codes: &[u32]) -> Vec<u32> {
    let mut order: Vec<u32> = (0..u32::try_from(codes.len()).unwrap_or(u32::MAX)).collect();
    let turns = codes.windows(2).filter(|w| w[0] != w[1]).count();
    if turns * 4 < codes.len() {
        order.sort_by(|a, b| moments[*a as usize].total_cmp(&moments[*b as usize]));
    }
    order
}

fn units_by_metric(rows: &Rows, long: &Long, codes: &[u32], metrics: usize) -> Vec<Option<String>> {
    let mut out = vec![None; metrics];
    if let Some(Column::Labels {
        codes: unit_codes,
        levels,
        ..
    }) = long.unit.map(|at| &rows.columns[at])
    {
        for (metric, unit) in codes.iter().zip(unit_codes) {
            if let Some(slot) = out.get_mut(*metric as usize).filter(|s| s.is_none()) {
                *slot = levels
                    .get(*unit as usize)
                    .filter(|l| !l.is_empty())
                    .cloned();
            }
        }
    }
    out
}
