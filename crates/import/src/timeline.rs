//! From the time columns as read to seconds that never fall, with what had to be done told.

use settlepoint_domain::{Finding, LogStart, Severity, Zone};

use crate::body::{Column, NO_TICK, Rows};
use crate::clock::{Count, TimeChoice, TimeSource, brief};
use crate::say::{counted as count_of, seconds as seconds_of, times, verb};
use crate::stamp::{DAY_NS, NS};

/// The rows' times and the order in which the rows stand.
#[derive(Clone, Debug)]
pub(crate) struct Timeline {
    pub(crate) time_s: Vec<f64>,
    pub(crate) start: Option<LogStart>,
    pub(crate) known: bool,
    /// Last less first stamp on the file's own clock, s.
    pub(crate) span_s: Option<f64>,
    pub(crate) order: Order,
    pub(crate) findings: Vec<Finding>,
}

/// How rows are put in order.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Order {
    AsRead,
    Reversed,
    Sorted(Vec<u32>),
}

impl Order {
    /// Puts a column's values in this order.
    pub(crate) fn apply<T: Copy>(&self, values: &mut Vec<T>) {
        match self {
            Self::AsRead => {}
            Self::Reversed => values.reverse(),
            Self::Sorted(rows) => {
                *values = rows
                    .iter()
                    .filter_map(|r| values.get(*r as usize).copied())
                    .collect();
            }
        }
    }

    /// The row in the file of row `index` of the log.
    fn source_row(&self, index: usize, rows: usize) -> usize {
        match self {
            Self::AsRead => index,
            Self::Reversed => rows - 1 - index,
            Self::Sorted(list) => list.get(index).map_or(index, |r| *r as usize),
        }
    }
}

/// Time as read: whole ticks from some base, or decimal counts.
enum Raw {
    Ticks { ticks: Vec<i64>, per_s: i64 },
    Counts { values: Vec<f64>, count: Count },
}

impl Raw {
    fn seconds(&self) -> Vec<f64> {
        match self {
            Self::Ticks { ticks, per_s } => {
                let first = ticks.first().copied().unwrap_or(0);
                ticks
                    .iter()
                    .map(|t| ticks_to_s(t - first, *per_s))
                    .collect()
            }
            Self::Counts { values, count } => {
                let first = values.first().copied().unwrap_or(0.0);
                values
                    .iter()
                    .map(|v| count_to_s(v - first, count))
                    .collect()
            }
        }
    }
}

/// Whole seconds and the rest apart, so that one rounding happens at the end.
fn ticks_to_s(ticks: i64, per_s: i64) -> f64 {
    (ticks / per_s) as f64 + (ticks % per_s) as f64 / per_s as f64
}

fn count_to_s(counts: f64, count: &Count) -> f64 {
    count
        .interval_s
        .map_or_else(|| count.unit.convert(counts), |interval| counts * interval)
}

/// Builds the timeline of the rows; `line_of` gives the file's line of a row.
pub(crate) fn build(
    rows: &mut Rows,
    choice: &TimeChoice,
    interval_s: Option<f64>,
    line_of: &dyn Fn(usize) -> u64,
) -> Timeline {
    let mut findings = Vec::new();
    let Some(raw) = take_raw(rows, choice) else {
        return counted(rows.kept, interval_s);
    };
    let mut seconds = raw.seconds();
    let wraps = matches!(choice.source, TimeSource::Clock { .. });
    let mut order = Order::AsRead;
    if falls(&seconds, wraps) {
        order = Order::Reversed;
        seconds.reverse();
        findings.push(note(
            "newest_first",
            format!("the first row (line {}) is the newest", line_of(0)),
            "do nothing: the rows were turned round",
        ));
    }
    if wraps {
        unwrap_midnight(&mut seconds, &raw, &mut findings);
    }
    if let Some(sorted) = local_disorder(&seconds) {
        findings.push(warning(
            "rows_out_of_order",
            "some rows stand a few steps later than their time".to_owned(),
            "check whether several writers shared the file; the rows were sorted by time",
        ));
        seconds = sorted.iter().map(|r| seconds[*r as usize]).collect();
        order = match order {
            Order::Reversed => {
                let n = u32::try_from(rows.kept).unwrap_or(u32::MAX);
                Order::Sorted(sorted.iter().map(|r| n - 1 - r).collect())
            }
            _ => Order::Sorted(sorted),
        };
    }
    let span_s = span(&raw, &seconds, choice, rows, wraps, &order);
    let start = start_of(&raw, choice, rows, order.source_row(0, rows.kept));
    let base = seconds.first().copied().unwrap_or(0.0);
    for time in &mut seconds {
        *time -= base;
    }
    let line = |row: usize| line_of(order.source_row(row, seconds.len()));
    let jumps = rebase(&seconds, &line, &mut findings);
    let time_s = jumps.unwrap_or(seconds);
    let line_now = |row: usize| line_of(order.source_row(row, time_s.len()));
    gaps(&time_s, &line_now, &mut findings);
    summer_time_begins(&time_s, start.as_ref(), &line_now, &mut findings);
    let counter = match choice.source {
        TimeSource::Integer { count, .. } | TimeSource::Number { count, .. } => {
            count.counter && count.interval_s.is_none()
        }
        _ => false,
    };
    Timeline {
        time_s,
        start,
        known: !counter,
        span_s: (!counter).then_some(span_s),
        order,
        findings,
    }
}

fn counted(rows: usize, interval_s: Option<f64>) -> Timeline {
    let step = interval_s.unwrap_or(1.0);
    let time_s: Vec<f64> = (0..rows).map(|row| row as f64 * step).collect();
    let span_s = interval_s.and(time_s.last().copied());
    Timeline {
        time_s,
        start: None,
        known: interval_s.is_some(),
        span_s,
        order: Order::AsRead,
        findings: Vec::new(),
    }
}

/// Moves the time columns out of the rows.
fn take_raw(rows: &mut Rows, choice: &TimeChoice) -> Option<Raw> {
    let mut ticks_at =
        |column: usize| match std::mem::replace(&mut rows.columns[column], Column::Nothing) {
            Column::Ticks(ticks) => ticks,
            _ => Vec::new(),
        };
    let halves = choice.half_day.map(&mut ticks_at).unwrap_or_default();
    match &choice.source {
        TimeSource::Stamp { column } | TimeSource::Clock { column } => {
            let mut ticks = ticks_at(*column);
            to_whole_days(&mut ticks, &halves);
            Some(Raw::Ticks { ticks, per_s: NS })
        }
        TimeSource::DateClock { date, clock } => {
            let mut ticks = ticks_at(*date);
            let mut clocks = ticks_at(*clock);
            to_whole_days(&mut clocks, &halves);
            for (day, time) in ticks.iter_mut().zip(clocks) {
                *day = day.saturating_add(time);
            }
            Some(Raw::Ticks { ticks, per_s: NS })
        }
        TimeSource::Integer { column, count, .. } => {
            let ticks = ticks_at(*column);
            match count
                .unit
                .per_second()
                .filter(|_| count.interval_s.is_none())
            {
                Some(per_s) => Some(Raw::Ticks { ticks, per_s }),
                None => Some(Raw::Counts {
                    values: ticks.iter().map(|t| *t as f64).collect(),
                    count: *count,
                }),
            }
        }
        TimeSource::Number { column, count } => {
            match std::mem::replace(&mut rows.columns[*column], Column::Nothing) {
                Column::Numbers(values) => Some(Raw::Counts {
                    values,
                    count: *count,
                }),
                _ => None,
            }
        }
        TimeSource::Rows => None,
    }
}

/// Times of the half-day clock with a 1 for "after noon" to the 24-hour clock.
fn to_whole_days(clocks: &mut [i64], halves: &[i64]) {
    for (time, afternoon) in clocks.iter_mut().zip(halves) {
        let twelve = *time / (3600 * NS) == 12;
        let shift = 12 * (afternoon - i64::from(twelve));
        *time += shift * 3600 * NS;
    }
}

/// Whether time runs backwards in most steps. Steps over half a day are left out where times of
/// day wrap.
fn falls(seconds: &[f64], wraps: bool) -> bool {
    let (mut up, mut down) = (0_usize, 0_usize);
    for pair in seconds.windows(2) {
        let step = pair[1] - pair[0];
        if wraps && step.abs() > 39_600.0 {
            continue;
        }
        up += usize::from(step > 0.0);
        down += usize::from(step < 0.0);
    }
    down > up
}

/// Times of day go on over midnight: a fall of more than half a day is a new day. A half-day clock
/// without its marks wraps at noon as well.
fn unwrap_midnight(seconds: &mut [f64], raw: &Raw, findings: &mut Vec<Finding>) {
    let Raw::Ticks { ticks, .. } = raw else {
        return;
    };
    let highest = ticks.iter().max().copied().unwrap_or(0);
    if highest >= DAY_NS {
        return;
    }
    let half_day = highest < 13 * 3600 * NS;
    let period = if half_day { 43_200.0 } else { 86_400.0 };
    let (mut shift, mut wraps) = (0.0, 0_usize);
    let mut last = seconds.first().copied().unwrap_or(0.0);
    for time in seconds.iter_mut() {
        if *time - last < -0.9 * period || (!half_day && *time - last < -43_200.0) {
            shift += period;
            wraps += 1;
        }
        last = *time;
        *time += shift;
    }
    if wraps > 0 {
        findings.push(note(
            "midnight_passed",
            format!("the time of day starts again {}", times(wraps)),
            "do nothing: days were counted on",
        ));
    }
}

/// The order by time, if rows are only a little out of order (writers racing), and often.
fn local_disorder(seconds: &[f64]) -> Option<Vec<u32>> {
    let back: Vec<f64> = seconds
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|step| *step < 0.0)
        .collect();
    if back.is_empty() {
        return None;
    }
    let step = typical_step(seconds)?;
    let worst = back.iter().fold(0.0_f64, |w, s| w.max(-s));
    if worst > 5.0 * step || back.len() * 2 >= seconds.len() {
        return None;
    }
    let count = u32::try_from(seconds.len()).ok()?;
    let mut order: Vec<u32> = (0..count).collect();
    order.sort_by(|a, b| seconds[*a as usize].total_cmp(&seconds[*b as usize]));
    Some(order)
}

/// Median of the forward steps of up to 20 000 rows.
fn typical_step(seconds: &[f64]) -> Option<f64> {
    let stride = seconds.len() / 20_000 + 1;
    let mut steps: Vec<f64> = (0..seconds.len().saturating_sub(1))
        .step_by(stride)
        .map(|i| seconds[i + 1] - seconds[i])
        .filter(|s| *s > 0.0)
        .collect();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied()
}

fn span(
    raw: &Raw,
    seconds: &[f64],
    choice: &TimeChoice,
    rows: &mut Rows,
    wraps: bool,
    order: &Order,
) -> f64 {
    let plain = seconds.last().unwrap_or(&0.0) - seconds.first().unwrap_or(&0.0);
    if wraps {
        return plain;
    }
    match raw {
        Raw::Ticks { ticks, per_s } => {
            let last = ticks[order.source_row(ticks.len() - 1, ticks.len())];
            let first_row = order.source_row(0, ticks.len());
            let first = begin_tick(choice, rows, first_row).unwrap_or(ticks[first_row]);
            ticks_to_s(last - first, *per_s)
        }
        Raw::Counts { values, count } => {
            let n = values.len();
            count_to_s(
                values[order.source_row(n - 1, n)] - values[order.source_row(0, n)],
                count,
            )
        }
    }
}

/// The start of the first row's interval, on the base of the ends.
fn begin_tick(choice: &TimeChoice, rows: &Rows, row: usize) -> Option<i64> {
    match &rows.columns[choice.begin?] {
        Column::Ticks(ticks) => ticks.get(row).copied().filter(|t| *t != NO_TICK),
        _ => None,
    }
}

/// When the log began, where the times are more than elapsed ones.
fn start_of(raw: &Raw, choice: &TimeChoice, rows: &Rows, row: usize) -> Option<LogStart> {
    let zone = match rows.zones.as_slice() {
        [] => Zone::Unknown,
        zones => Zone::Known(zones.join(", ")),
    };
    let utc = Zone::Known("UTC".to_owned());
    match (&choice.source, raw) {
        (TimeSource::Stamp { .. } | TimeSource::DateClock { .. }, Raw::Ticks { ticks, .. }) => {
            Some(LogStart {
                unix_ns: i128::from(ticks[row]),
                zone,
            })
        }
        (TimeSource::Integer { base, count, .. }, Raw::Ticks { ticks, per_s }) => {
            let counts = base + i128::from(ticks[row]) - count.epoch?;
            let ns = counts * 1_000_000_000 / i128::from(*per_s);
            Some(LogStart {
                unix_ns: ns,
                zone: utc,
            })
        }
        (TimeSource::Number { count, .. }, Raw::Counts { values, .. }) => {
            let epoch = count.epoch?;
            let seconds = count.unit.convert(values[row] - epoch as f64);
            // Spreadsheets count days of local time.
            let zone = if count.unit == crate::units::DAY {
                Zone::Unknown
            } else {
                utc
            };
            // A double holds today's seconds to a quarter of a microsecond.
            #[expect(
                clippy::cast_possible_truncation,
                reason = "1998 to 2103 in microseconds"
            )]
            let us = (seconds * 1e6).round() as i128;
            Some(LogStart {
                unix_ns: us * 1000,
                zone,
            })
        }
        _ => None,
    }
}

/// Carries time on across steps back (a clock that was set, summer time that ended, a log that
/// starts again): the step becomes the usual one. `None` if time never falls.
fn rebase(
    seconds: &[f64],
    line: &dyn Fn(usize) -> u64,
    findings: &mut Vec<Finding>,
) -> Option<Vec<f64>> {
    let jumps: Vec<usize> = (1..seconds.len())
        .filter(|i| seconds[*i] < seconds[*i - 1])
        .collect();
    if jumps.is_empty() {
        return None;
    }
    let step = typical_step(seconds).unwrap_or(0.0);
    let mut shift = 0.0;
    let mut time_s = Vec::with_capacity(seconds.len());
    for (row, time) in seconds.iter().enumerate() {
        if row > 0 && *time < seconds[row - 1] {
            shift += seconds[row - 1] - time + step;
        }
        time_s.push(time + shift);
    }
    let list: Vec<String> = jumps
        .iter()
        .take(5)
        .map(|row| {
            let back = seconds[*row - 1] - seconds[*row];
            format!("{} s at line {}", seconds_of(back), line(*row))
        })
        .collect();
    let hour = jumps.iter().all(|row| {
        let back = seconds[*row - 1] - seconds[*row];
        (back + step - 3600.0).abs() <= 2.0 * step + 1.0
    });
    let rule = if hour {
        "clock_one_hour_back"
    } else {
        "time_steps_back"
    };
    let cause = if hour {
        " (the end of summer time?)"
    } else {
        ""
    };
    findings.push(warning(
        rule,
        format!(
            "time steps back {}{cause}: {}; it was carried on with the usual step of {} s, \
             so that the log covers {} s where the stamps cover {} s",
            times(jumps.len()),
            list.join(", "),
            brief(step),
            seconds_of(*time_s.last().unwrap_or(&0.0)),
            seconds_of(seconds.last().unwrap_or(&0.0) - seconds.first().unwrap_or(&0.0)),
        ),
        "log in UTC, sort rows that are out of order, or split the file where a new log begins",
    ));
    Some(time_s)
}

/// Local time that leaps an hour in a Sunday's small hours: summer time begins there in most places
/// that have it.
fn summer_time_begins(
    time_s: &[f64],
    start: Option<&LogStart>,
    line: &dyn Fn(usize) -> u64,
    findings: &mut Vec<Finding>,
) {
    let (Some(start), Some(step)) = (
        start.filter(|s| s.zone == Zone::Unknown),
        typical_step(time_s),
    ) else {
        return;
    };
    let begin_s = start.unix_ns as f64 / 1e9;
    let leap = (1..time_s.len()).find(|row| {
        let extra = time_s[*row] - time_s[*row - 1] - step;
        if (extra - 3600.0).abs() > step.min(600.0) {
            return false;
        }
        let moment = begin_s + time_s[*row];
        // 1970-01-01 was a Thursday.
        let weekday = ((moment / 86_400.0).floor() + 4.0).rem_euclid(7.0);
        let hour = moment.rem_euclid(86_400.0) / 3600.0;
        weekday < 0.5 && (1.0..5.0).contains(&hour)
    });
    if let Some(row) = leap {
        findings.push(warning(
            "clock_one_hour_forward",
            format!(
                "local time leaps an hour at line {} on a Sunday night (the begin of summer time?); \
                 the hour was left in the log's time",
                line(row)
            ),
            "log in UTC; split the file there if a fit spans it",
        ));
    }
}

/// Repeated stamps, gaps and uneven steps.
fn gaps(time_s: &[f64], line: &dyn Fn(usize) -> u64, findings: &mut Vec<Finding>) {
    let Some(step) = typical_step(time_s) else {
        return;
    };
    let (mut repeats, mut wide, mut uneven) = (0_usize, 0_usize, 0_usize);
    let mut largest = (0.0, 0);
    for row in 1..time_s.len() {
        let this = time_s[row] - time_s[row - 1];
        repeats += usize::from(this == 0.0);
        if this > 5.0 * step {
            wide += 1;
            if this > largest.0 {
                largest = (this, row);
            }
        } else if this > 0.0 && (this - step).abs() > 0.25 * step {
            uneven += 1;
        }
    }
    if repeats > 0 {
        findings.push(note(
            "repeated_times",
            format!(
                "{} {} the time of the row before",
                count_of(repeats, "row"),
                verb(repeats, "has", "have")
            ),
            "log with a finer clock if the order within it matters",
        ));
    }
    if wide > 0 {
        findings.push(warning(
            "gaps",
            format!(
                "{} {} over five times the usual {} s; the largest, {} s, ends at line {}",
                count_of(wide, "step"),
                verb(wide, "is", "are"),
                brief(step),
                seconds_of(largest.0),
                line(largest.1)
            ),
            "record without a pause where time constants matter; nothing is filled in across a gap",
        ));
    }
    if uneven * 10 > time_s.len() {
        findings.push(note(
            "uneven_steps",
            format!(
                "{} {} by over a quarter from the usual {} s",
                count_of(uneven, "step"),
                verb(uneven, "differs", "differ"),
                brief(step)
            ),
            "do nothing: the times are used as they are",
        ));
    }
}

fn note(rule: &'static str, evidence: String, remedy: &str) -> Finding {
    Finding {
        rule,
        severity: Severity::Note,
        run: None,
        evidence,
        remedy: remedy.to_owned(),
    }
}

fn warning(rule: &'static str, evidence: String, remedy: &str) -> Finding {
    Finding {
        rule,
        severity: Severity::Warning,
        run: None,
        evidence,
        remedy: remedy.to_owned(),
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "exact by construction")]
mod tests {
    use super::*;

    #[test]
    fn picoseconds_round_once() {
        assert_eq!(
            ticks_to_s(58_342_359_641_364_200, 1_000_000_000_000),
            58_342.359_641_364_2
        );
    }

    #[test]
    fn a_step_back_becomes_the_usual_step() {
        let mut findings = Vec::new();
        let out = rebase(&[0.0, 1.0, 2.0, 0.0, 1.0], &|row| row as u64, &mut findings).unwrap();
        assert_eq!(out, [0.0, 1.0, 2.0, 3.0, 4.0]);
        assert_eq!(findings[0].rule, "time_steps_back");
    }

    #[test]
    fn racing_writers_are_sorted() {
        assert_eq!(
            local_disorder(&[0.0, 2.0, 1.0, 3.0, 4.0]),
            Some(vec![0, 2, 1, 3, 4])
        );
        assert_eq!(
            local_disorder(&[0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 0.0, 1.0]),
            None
        );
    }
}
