//! Which columns are the time, and in what unit they count.

use settlepoint_domain::Role;

use crate::detect::{Kind, Shape};
use crate::number;
use crate::stamp::{self, DayOrder};
use crate::units::{self, Quantity, SourceUnit};
use crate::words::{Concept, concepts};

/// What the rows' time is read from.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum TimeSource {
    /// Date and time in one column.
    Stamp { column: usize },
    /// Date and time in two columns.
    DateClock { date: usize, clock: usize },
    /// Time of day or elapsed time written with colons.
    Clock { column: usize },
    /// Whole numbers, exact.
    Integer {
        column: usize,
        base: i128,
        count: Count,
    },
    /// Decimal numbers.
    Number { column: usize, count: Count },
    /// No column: rows are counted.
    Rows,
}

/// What one count of a numeric time is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Count {
    pub(crate) unit: SourceUnit,
    /// Counts from 1970-01-01T00:00Z, less this many counts.
    pub(crate) epoch: Option<i128>,
    /// The unit was not written and not stated.
    pub(crate) assumed: bool,
    /// Seconds a count, where stated for a bare counter.
    pub(crate) interval_s: Option<f64>,
    /// The column only counts rows.
    pub(crate) counter: bool,
}

impl Count {
    pub(crate) fn of(unit: SourceUnit) -> Self {
        Self {
            unit,
            epoch: None,
            assumed: false,
            interval_s: None,
            counter: false,
        }
    }
}

/// The choice of time, with its reason.
#[derive(Clone, Debug)]
pub(crate) struct TimeChoice {
    pub(crate) source: TimeSource,
    pub(crate) reason: String,
    /// Column with the start of each row's interval, where `source` is its end.
    pub(crate) begin: Option<usize>,
    pub(crate) order: DayOrder,
    /// Column that says AM or PM.
    pub(crate) half_day: Option<usize>,
    /// Both orders of day and month keep time rising.
    pub(crate) order_open: bool,
    /// Two-part times are minutes and seconds.
    pub(crate) minutes_first: bool,
    /// Ways in which an unwritten unit could be read.
    pub(crate) unit_options: Vec<String>,
}

impl TimeChoice {
    /// Whether a column gives the time, more than by counting rows.
    pub(crate) fn has_time(&self) -> bool {
        match self.source {
            TimeSource::Rows => false,
            TimeSource::Integer { count, .. } | TimeSource::Number { count, .. } => !count.counter,
            _ => true,
        }
    }

    /// Columns that a row needs to have a time.
    pub(crate) fn columns(&self) -> Vec<usize> {
        let mut columns = match self.source {
            TimeSource::Stamp { column }
            | TimeSource::Clock { column }
            | TimeSource::Integer { column, .. }
            | TimeSource::Number { column, .. } => vec![column],
            TimeSource::DateClock { date, clock } => vec![date, clock],
            TimeSource::Rows => Vec::new(),
        };
        columns.extend(self.begin);
        columns.extend(self.half_day);
        columns
    }
}

/// The column of AM and PM behind the time of day.
fn half_day_beside(shape: &Shape, choice: &TimeChoice) -> Option<usize> {
    let (TimeSource::DateClock { clock: at, .. } | TimeSource::Clock { column: at }) =
        choice.source
    else {
        return None;
    };
    (shape.kinds.get(at + 1) == Some(&Kind::HalfDay)).then_some(at + 1)
}

/// What the user stated of the time.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Stated {
    pub(crate) column: Option<usize>,
    pub(crate) unit: Option<SourceUnit>,
    pub(crate) scale: f64,
    pub(crate) interval_s: Option<f64>,
    pub(crate) order: Option<DayOrder>,
}

/// A column that could be the time.
struct Candidate {
    score: f64,
    source: TimeSource,
    reason: String,
}

/// Chooses the time; `taken` holds the columns that the user gave another role.
pub(crate) fn choose(shape: &Shape, stated: Stated, taken: &[(usize, Role)]) -> TimeChoice {
    let mut choice = TimeChoice {
        source: TimeSource::Rows,
        reason: "no column holds a time".to_owned(),
        begin: None,
        half_day: None,
        order: stated.order.unwrap_or(DayOrder::DayFirst),
        order_open: false,
        minutes_first: false,
        unit_options: Vec::new(),
    };
    let best = match stated.column {
        Some(column) => Some(stated_candidate(shape, column)),
        None => (0..shape.width)
            .filter(|at| !taken.iter().any(|(column, _)| column == at))
            .filter_map(|at| candidate(shape, at))
            .max_by(|a, b| a.score.total_cmp(&b.score)),
    };
    if let Some(best) = best {
        choice.source = best.source;
        choice.reason = best.reason;
    }
    choice.begin = begin_of(shape, &mut choice, stated);
    choice.half_day = half_day_beside(shape, &choice);
    settle_count(shape, &mut choice, stated);
    settle_order(shape, &mut choice, stated);
    settle_minutes(shape, &mut choice);
    choice
}

fn stated_candidate(shape: &Shape, column: usize) -> Candidate {
    let source = candidate_of_kind(shape, column)
        .map(|found| found.source)
        .or_else(|| match shape.kinds[column] {
            Kind::Number | Kind::Measured => numeric_source(shape, column),
            _ => None,
        })
        // Text is tried as stamps, so that what cannot be read is told.
        .unwrap_or(TimeSource::Stamp { column });
    Candidate {
        score: 0.0,
        source,
        reason: "stated".to_owned(),
    }
}

fn candidate(shape: &Shape, at: usize) -> Option<Candidate> {
    let mut found = candidate_of_kind(shape, at)?;
    found.score -= 0.01 * at as f64;
    Some(found)
}

fn candidate_of_kind(shape: &Shape, at: usize) -> Option<Candidate> {
    let name = &shape.names[at];
    let named = time_word(shape, name);
    let bonus = if named.is_some() { 10.0 } else { 0.0 };
    match shape.kinds[at] {
        Kind::Stamp => Some(Candidate {
            score: 100.0 + bonus,
            source: TimeSource::Stamp { column: at },
            reason: "its cells are dates with times".to_owned(),
        }),
        Kind::Date => {
            let clock = (0..shape.width)
                .filter(|c| shape.kinds[*c] == Kind::Clock)
                .min_by_key(|c| c.abs_diff(at))?;
            Some(Candidate {
                score: 98.0 + bonus,
                source: TimeSource::DateClock { date: at, clock },
                reason: format!(
                    "its cells are dates, those of '{}' times",
                    shape.names[clock]
                ),
            })
        }
        Kind::Clock => Some(Candidate {
            score: 70.0 + bonus,
            source: TimeSource::Clock { column: at },
            reason: "its cells are times written with colons".to_owned(),
        }),
        Kind::Number => numeric_candidate(shape, at, named),
        _ => None,
    }
}

/// The word of a name that says that the column is a time.
fn time_word(shape: &Shape, name: &str) -> Option<String> {
    if !shape.has_header {
        return None;
    }
    let found = concepts(name);
    let says = |concept| {
        found
            .iter()
            .find(|(c, _)| *c == concept)
            .map(|(_, word)| word.clone())
    };
    let other = [
        Concept::Temperature,
        Concept::Power,
        Concept::Clock,
        Concept::Fan,
        Concept::Load,
    ]
    .into_iter()
    .any(|c| says(c).is_some());
    if other {
        return None;
    }
    // A small t is a time, a capital T a temperature.
    says(Concept::Time).or_else(|| (name.trim() == "t").then(|| "t".to_owned()))
}

fn numeric_candidate(shape: &Shape, at: usize, named: Option<String>) -> Option<Candidate> {
    let trend = Trend::of(&numbers(shape, at));
    let unit = header_unit(shape, at).is_some_and(|u| u.quantity == Quantity::Time);
    // A column that is called a time may start again now and then.
    if !trend.moves(if named.is_some() || unit { 3 } else { 10 }) {
        return None;
    }
    let source = numeric_source(shape, at)?;
    let count = match &source {
        TimeSource::Integer { count, .. } | TimeSource::Number { count, .. } => *count,
        _ => return None,
    };
    let found = concepts(&shape.names[at]);
    let says = |concept| found.iter().any(|(c, _)| *c == concept);
    // Totals of energy and work rise as well.
    let other = [
        Concept::Energy,
        Concept::Rapl,
        Concept::Work,
        Concept::Power,
        Concept::Clock,
    ];
    if shape.has_header && named.is_none() && !unit && other.iter().any(|c| says(*c)) {
        return None;
    }
    let (score, reason) = if count.epoch.is_some() {
        let name = match named {
            Some(_) => 10.0,
            None if shape.has_header => -20.0,
            None => 0.0,
        };
        (
            85.0 + name,
            "its numbers count from 1970 and rise".to_owned(),
        )
    } else if let Some(word) = named {
        let unit = if unit { 5.0 } else { 0.0 };
        (80.0 + unit, format!("'{word}' in its name, and it rises"))
    } else if unit && !says(Concept::Energy) {
        (75.0, "its unit is one of time, and it rises".to_owned())
    } else if shape.has_header && (says(Concept::Begin) || says(Concept::End)) {
        (
            72.0,
            "it gives the start or end of each row, and it rises".to_owned(),
        )
    } else if shape.has_header && says(Concept::Counter) && trend.even {
        (50.0, "it counts the rows".to_owned())
    } else if !shape.has_header && at == 0 {
        (
            60.0,
            "the first column of a file without header, and it rises".to_owned(),
        )
    } else {
        return None;
    };
    Some(Candidate {
        score,
        source,
        reason,
    })
}

/// Why a column of numbers that is called a time (or has its unit) is none: it falls too often, or
/// never moves.
pub(crate) fn unfit_time(shape: &Shape, at: usize) -> Option<String> {
    let named = time_word(shape, &shape.names[at]).is_some()
        || (shape.has_header
            && header_unit(shape, at).is_some_and(|u| u.quantity == Quantity::Time));
    if !named || shape.kinds[at] != Kind::Number {
        return None;
    }
    let trend = Trend::of(&numbers(shape, at));
    if trend.moves(3) {
        return None;
    }
    Some(if trend.up + trend.down == 0 {
        "it never changes".to_owned()
    } else {
        format!(
            "it falls in {} of {} steps looked at",
            trend.down,
            trend.up + trend.down
        )
    })
}

/// Which way a column goes.
struct Trend {
    up: usize,
    down: usize,
    /// All steps are one.
    even: bool,
}

impl Trend {
    fn of(values: &[f64]) -> Self {
        let steps: Vec<f64> = values
            .windows(2)
            .map(|w| w[1] - w[0])
            .filter(|d| *d != 0.0)
            .collect();
        let up = steps.iter().filter(|d| **d > 0.0).count();
        let first: Vec<f64> = steps.iter().take(8).map(|d| d.abs()).collect();
        let even = first.windows(2).all(|w| (w[0] - w[1]).abs() < 1e-9 * w[0]);
        Self {
            up,
            down: steps.len() - up,
            even,
        }
    }

    /// Whether it goes one way, but for one step in `few`.
    fn moves(&self, few: usize) -> bool {
        let (most, least) = (self.up.max(self.down), self.up.min(self.down));
        most >= 1 && least * few <= most
    }
}

fn numbers(shape: &Shape, at: usize) -> Vec<f64> {
    let style = shape.styles[at];
    shape.sample[at]
        .iter()
        .filter_map(|cell| number::parse(cell.as_bytes(), style).map(|w| w.value))
        .collect()
}

/// The unit written in a column's header or units row.
pub(crate) fn header_unit(shape: &Shape, at: usize) -> Option<SourceUnit> {
    shape.row_units[at]
        .as_deref()
        .and_then(units::lookup)
        .or_else(|| crate::roles::unit_in_name(&shape.names[at]).map(|(unit, _)| unit))
}

/// Seconds from 1970 to 2103.
const LATEST_EPOCH_S: f64 = 4.2e9;

/// Ranges of counts from the epoch: 1998 to 2103, for seconds and their parts; then 100 ns since
/// 1601 and since year 1, as some systems count.
fn epoch_of(value: f64) -> Option<(SourceUnit, i128)> {
    const HUNDRED_NS_1601_TO_1970: i128 = 116_444_736_000_000_000;
    const HUNDRED_NS_1_TO_1970: i128 = 621_355_968_000_000_000;
    let scales = [
        (1.0, units::SECOND),
        (1e3, units::MILLI_SECOND),
        (1e6, units::MICRO_SECOND),
        (1e9, units::NANO_SECOND),
        (1e12, units::PICO_SECOND),
    ];
    let known = scales
        .iter()
        .find(|(scale, _)| (9e8..LATEST_EPOCH_S).contains(&(value / scale)));
    if let Some((_, unit)) = known {
        return Some((*unit, 0));
    }
    if (1.2e17..1.6e17).contains(&value) {
        return Some((units::HUNDRED_NANO_SECONDS, HUNDRED_NS_1601_TO_1970));
    }
    (6.2e17..6.7e17)
        .contains(&value)
        .then_some((units::HUNDRED_NANO_SECONDS, HUNDRED_NS_1_TO_1970))
}

/// Spreadsheets count days from 1899-12-30; 1970-01-01 is day 25 569.
const SERIAL_OF_1970: i128 = 25_569;

/// Whether a column named as a date or time holds fractions of days as spreadsheets count them,
/// between 1998 and 2103.
fn is_day_serial(shape: &Shape, at: usize, values: &[f64]) -> bool {
    let named = concepts(&shape.names[at])
        .iter()
        .any(|(c, _)| matches!(c, Concept::Date | Concept::Time));
    let days = |v: &f64| (35_796.0..74_510.0).contains(v);
    let fraction = values.iter().any(|v| v.fract() != 0.0);
    shape.has_header && named && fraction && values.iter().all(days)
}

/// A numeric column as a time source.
fn numeric_source(shape: &Shape, at: usize) -> Option<TimeSource> {
    let values = numbers(shape, at);
    let first = *values.first()?;
    let epoch = values
        .iter()
        .all(|v| epoch_of(*v).is_some())
        .then(|| epoch_of(first))
        .flatten();
    let written = header_unit(shape, at).filter(|u| u.quantity == Quantity::Time);
    // A written unit holds, unless it would make the count older than the calendar.
    let holds = written.filter(|unit| unit.convert(first) < LATEST_EPOCH_S);
    let count = match (epoch, holds) {
        (Some((unit, base)), None) => Count {
            epoch: Some(base),
            ..Count::of(unit)
        },
        (Some((unit, base)), Some(written)) if unit == written => Count {
            epoch: Some(base),
            ..Count::of(unit)
        },
        (_, Some(unit)) => Count::of(unit),
        (None, None) if is_day_serial(shape, at, &values) => Count {
            epoch: Some(SERIAL_OF_1970),
            ..Count::of(units::DAY)
        },
        _ => Count {
            assumed: true,
            ..Count::of(units::SECOND)
        },
    };
    let integers: Option<Vec<i128>> = shape.sample[at]
        .iter()
        .map(|cell| number::parse_integer(cell.as_bytes()))
        .collect();
    Some(match integers {
        Some(list) if !list.is_empty() => TimeSource::Integer {
            column: at,
            base: list[0],
            count,
        },
        _ => TimeSource::Number { column: at, count },
    })
}

/// A column of interval starts beside one of interval ends: rows are stamped with their ends.
fn begin_of(shape: &Shape, choice: &mut TimeChoice, stated: Stated) -> Option<usize> {
    let TimeSource::Integer { column, count, .. } = choice.source.clone() else {
        return None;
    };
    let says = |at: usize, concept| {
        shape.has_header
            && concepts(&shape.names[at])
                .iter()
                .any(|(c, _)| *c == concept)
    };
    if !says(column, Concept::Begin) {
        return None;
    }
    let end = (0..shape.width)
        .find(|at| *at != column && says(*at, Concept::End) && shape.kinds[*at] == Kind::Number)?;
    let TimeSource::Integer { base, .. } = numeric_source(shape, end)? else {
        return None;
    };
    choice.source = TimeSource::Integer {
        column: end,
        base,
        count,
    };
    let why = if stated.column.is_some() {
        "stated"
    } else {
        "rows cover the time"
    };
    choice.reason = format!(
        "{why} from '{}' to '{}'",
        shape.names[column], shape.names[end]
    );
    Some(column)
}

/// Settles the unit of a numeric time: stated, written, or the most plausible one.
fn settle_count(shape: &Shape, choice: &mut TimeChoice, stated: Stated) {
    let (TimeSource::Integer { column, count, .. } | TimeSource::Number { column, count }) =
        &mut choice.source
    else {
        return;
    };
    let found = concepts(&shape.names[*column]);
    let says = |concept| found.iter().any(|(c, _)| *c == concept);
    count.counter =
        shape.has_header && says(Concept::Counter) && !says(Concept::Time) && count.assumed;
    if let Some(unit) = stated.unit.filter(|u| u.quantity == Quantity::Time) {
        if count.unit != unit {
            count.epoch = None;
        }
        count.unit = unit;
        count.assumed = false;
        count.counter = false;
        return;
    }
    if stated.scale > 0.0 && (stated.scale - 1.0).abs() > f64::EPSILON {
        count.interval_s = Some(stated.scale);
        count.assumed = false;
        return;
    }
    if !count.assumed {
        return;
    }
    if stated.interval_s.is_some() {
        count.interval_s = stated.interval_s;
        count.assumed = false;
        return;
    }
    if found.iter().any(|(_, w)| w == "sec" || w == "secs") {
        count.assumed = false;
        return;
    }
    if count.counter {
        return;
    }
    let values = numbers(shape, *column);
    let mut steps: Vec<f64> = values
        .windows(2)
        .map(|w| (w[1] - w[0]).abs())
        .filter(|d| *d > 0.0)
        .collect();
    steps.sort_by(f64::total_cmp);
    let Some(step) = steps.get(steps.len() / 2).copied() else {
        return;
    };
    let scales = [
        units::SECOND,
        units::MILLI_SECOND,
        units::MICRO_SECOND,
        units::NANO_SECOND,
        units::PICO_SECOND,
    ];
    let far = |unit: &SourceUnit| unit.convert(step).log10().abs();
    if let Some(best) = scales.iter().min_by(|a, b| far(a).total_cmp(&far(b))) {
        count.unit = *best;
    }
    choice.unit_options = scales
        .iter()
        .map(|unit| format!("{}: rows {} s apart", unit.code, brief(unit.convert(step))))
        .collect();
}

/// A number with three digits that count.
pub(crate) fn brief(value: f64) -> String {
    if value == 0.0 || (0.001..1e6).contains(&value.abs()) {
        let text = format!("{value:.3}");
        return text.trim_end_matches('0').trim_end_matches('.').to_owned();
    }
    format!("{value:.2e}")
}

/// Settles the order of day and month by what can be read and keeps time rising.
fn settle_order(shape: &Shape, choice: &mut TimeChoice, stated: Stated) {
    let column = match choice.source {
        TimeSource::Stamp { column } => column,
        TimeSource::DateClock { date, .. } => date,
        _ => return,
    };
    if stated.order.is_some() {
        return;
    }
    let cells = &shape.sample[column];
    let mut scored: Vec<(usize, usize, DayOrder)> = [
        DayOrder::DayFirst,
        DayOrder::MonthFirst,
        DayOrder::YearFirst,
    ]
    .into_iter()
    .map(|order| {
        let (unread, turns) = order_faults(cells, order);
        (unread, turns, order)
    })
    .collect();
    let matters = cells.iter().any(|cell| {
        [DayOrder::DayFirst, DayOrder::MonthFirst]
            .iter()
            .any(|o| stamp::parse(&stamp::plain_marks(cell), *o).is_some_and(|s| s.order_matters))
    });
    if !matters {
        return;
    }
    let half_day =
        choice.half_day.is_some() || cells.iter().any(|c| c.to_ascii_uppercase().ends_with('M'));
    if half_day && cells.iter().any(|c| c.contains('/')) {
        // A half-day clock with slashes is written month first far more often.
        scored.swap(0, 1);
    }
    scored.sort_by_key(|(unread, turns, _)| (*unread, *turns));
    choice.order = scored[0].2;
    choice.order_open = scored[0].0 == scored[1].0 && scored[0].1 == scored[1].1;
}

/// Cells that cannot be read in this order, and how often time turns.
fn order_faults(cells: &[String], order: DayOrder) -> (usize, usize) {
    let times: Vec<Option<i64>> = cells
        .iter()
        .filter(|c| !number::is_missing(c.as_bytes()))
        .map(|c| {
            let text = stamp::plain_marks(c);
            let stamp = stamp::parse(&text, order)?;
            stamp
                .days
                .map(|d| d * stamp::DAY_NS + stamp.time_ns.unwrap_or(0))
        })
        .collect();
    let unread = times.iter().filter(|t| t.is_none()).count();
    let read: Vec<i64> = times.into_iter().flatten().collect();
    let up = read.windows(2).filter(|w| w[1] > w[0]).count();
    let down = read.windows(2).filter(|w| w[1] < w[0]).count();
    // A date taken the wrong way round leaps over months, even where it rises.
    let leaps = read
        .windows(2)
        .filter(|w| w[0].abs_diff(w[1]) > 20 * stamp::DAY_NS.unsigned_abs())
        .count();
    (unread, up.min(down) + leaps)
}

/// Two-part times are minutes and seconds where hours would pass 24 or a fraction follows.
fn settle_minutes(shape: &Shape, choice: &mut TimeChoice) {
    let TimeSource::Clock { column } = choice.source else {
        return;
    };
    let cells: Vec<&String> = shape.sample[column].iter().collect();
    let parts = |cell: &str| stamp::parse(cell, DayOrder::DayFirst).map_or(0, |s| s.time_parts);
    let two = cells.iter().filter(|c| parts(c) == 2).count();
    if two * 2 < cells.len() {
        return;
    }
    let first: Vec<i64> = cells
        .iter()
        .filter_map(|c| c.split(':').next()?.trim().parse().ok())
        .collect();
    let past_a_day = first.iter().any(|h| *h > 23);
    let repeats = cells.windows(2).filter(|w| w[0] == w[1]).count() * 2 > cells.len();
    let starts_at_zero = first.first() == Some(&0);
    choice.minutes_first = past_a_day || (starts_at_zero && !repeats);
}
