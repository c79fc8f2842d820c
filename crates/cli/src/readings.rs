//! Hand-typed tables: readings (one row a phase) and scores.

use std::borrow::Cow;
use std::collections::BTreeMap;

use encoding_rs::{Encoding, WINDOWS_1252};
use settlepoint_domain::{LimitValue, PhaseKind, PhaseReading, ScoreTime, TimeOrigin};
use settlepoint_import::{Moment, moment};
pub(crate) use settlepoint_views::adding::TypedRun;

use crate::args::{bound, parse_limit};
use crate::error::Failure;

/// Columns of a readings file, in order.
pub(crate) const COLUMNS: [&str; 23] = [
    "run",
    "machine",
    "cooling",
    "tune",
    "setting",
    "pl1_w",
    "pl2_w",
    "tau_s",
    "temp_limit_c",
    "workload",
    "room_c",
    "phase",
    "duration_s",
    "power_w",
    "package_c",
    "fan_speed_rpm",
    "level_dba",
    "level_of",
    "distance_m",
    "background_dba",
    "clock_mhz_1",
    "clock_mhz_2",
    "score",
];

/// An empty table with help in comment lines, which the reader skips.
pub(crate) fn template() -> String {
    format!(
        "{}\n\
         # One row a phase, in time order; leave empty what was not noted. Lines with # are skipped.\n\
         # Averages cover the whole phase, warm-up included. phase: idle, boost, sustained,\n\
         # temp_limited, cool_down, transition or unknown. The score may stand on any one row of a run.\n\
         # Limits take a number, automatic, unlimited or unknown. An example:\n\
         # 1,,stock air,,all open,181,253,56,100,mixdown,21,boost,43,231,93,,,,,,,,\n\
         # 1,,stock air,,all open,181,253,56,100,mixdown,21,sustained,557,181,88,1480,36.5,all,0.6,24,,,41.2\n",
        COLUMNS.join(",")
    )
}

/// A row of a scores table.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct TypedScore {
    pub(crate) setting: String,
    pub(crate) workload: Option<String>,
    pub(crate) value: f64,
    pub(crate) unit: Option<String>,
    pub(crate) lower_is_better: Option<bool>,
    pub(crate) repetition: Option<u32>,
    pub(crate) order: Option<u32>,
    pub(crate) block: Option<String>,
    pub(crate) time: Option<ScoreTime>,
    /// Name of the run that it belongs to.
    pub(crate) run: Option<String>,
    /// Id of that run, as an export writes it.
    pub(crate) run_id: Option<String>,
}

/// A table with its header, cells trimmed, comment and blank lines left out.
struct Table {
    file: String,
    /// As written; names of our own columns are compared without regard to case.
    header: Vec<String>,
    /// Line number and cells.
    rows: Vec<(u64, Vec<String>)>,
    decimal_comma: bool,
    /// Lines that began with `#`.
    comments: usize,
}

/// Text in UTF-8, in UTF-16 with its mark, or else in Windows-1252, as spreadsheets save it.
pub(crate) fn decode<'a>(bytes: &'a [u8], file: &str) -> Result<Cow<'a, str>, Failure> {
    let text = match Encoding::for_bom(bytes) {
        Some((encoding, _)) => encoding.decode(bytes).0,
        None => match std::str::from_utf8(bytes) {
            Ok(text) => Cow::Borrowed(text),
            Err(_) => WINDOWS_1252.decode_without_bom_handling(bytes).0,
        },
    };
    if text.contains('\0') {
        return Err(Failure::data(format!(
            "{file} is not a table of text; save it as CSV in UTF-8 and try again"
        )));
    }
    Ok(text)
}

/// A comment, also after a spreadsheet has put it in quotes.
pub(crate) fn is_comment(line: &str) -> bool {
    line.trim_start().trim_start_matches('"').starts_with('#')
}

pub(crate) fn delimiter_of(header: &str) -> u8 {
    [b';', b'\t', b',']
        .into_iter()
        .max_by_key(|&d| header.bytes().filter(|&b| b == d).count())
        .unwrap_or(b',')
}

impl Table {
    fn read(bytes: &[u8], file: &str) -> Result<Self, Failure> {
        let text = decode(bytes, file)?;
        let first = text
            .lines()
            .find(|l| !l.trim().is_empty() && !is_comment(l));
        let Some(first) = first else {
            return Err(Failure::data(format!(
                "{file} is empty; 'settlepoint add readings --template' prints a table to begin with"
            )));
        };
        let delimiter = delimiter_of(first);
        let mut table = Self {
            file: file.to_owned(),
            header: Vec::new(),
            rows: Vec::new(),
            decimal_comma: delimiter != b',',
            comments: 0,
        };
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .has_headers(false)
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        for record in reader.records() {
            let record = record.map_err(|e| Failure::data(format!("{file}: {e}")))?;
            let line = record.position().map_or(0, csv::Position::line);
            let cells: Vec<String> = record.iter().map(str::to_owned).collect();
            table.take(line, cells)?;
        }
        Ok(table)
    }

    /// Takes the header, then rows.
    fn take(&mut self, line: u64, cells: Vec<String>) -> Result<(), Failure> {
        if cells.first().is_some_and(|c| c.starts_with('#')) {
            self.comments += 1;
            return Ok(());
        }
        if cells.iter().all(String::is_empty) {
            return Ok(());
        }
        if self.header.is_empty() {
            return self.take_header(cells);
        }
        let beyond = cells.iter().enumerate().skip(self.header.len());
        if let Some((i, cell)) = beyond.into_iter().find(|(_, c)| !c.is_empty()) {
            return Err(Failure::data(format!(
                "{}, line {line}: '{cell}' is cell {} but the header has {} columns; if the row has \
                 decimal commas, write points or separate the cells by semicolons (nothing was added)",
                self.file,
                i + 1,
                self.header.len()
            )));
        }
        self.rows.push((line, cells));
        Ok(())
    }

    fn take_header(&mut self, mut cells: Vec<String>) -> Result<(), Failure> {
        // Spreadsheets leave empty columns at the end.
        while cells.last().is_some_and(String::is_empty) {
            cells.pop();
        }
        for (i, name) in cells.iter().enumerate() {
            let again = |other: &String| !name.is_empty() && other.eq_ignore_ascii_case(name);
            if cells[..i].iter().any(again) {
                return Err(Failure::data(format!(
                    "{} has two columns '{name}'; remove or rename one",
                    self.file
                )));
            }
        }
        self.header = cells;
        Ok(())
    }

    fn no_rows(&self) -> Failure {
        let hint = match self.comments {
            0 => String::new(),
            n => format!(" ({n} beginning with # were taken as comments)"),
        };
        Failure::data(format!(
            "{} has no rows below its header{hint}; nothing was added",
            self.file
        ))
    }

    fn column(&self, name: &str) -> Option<usize> {
        self.header
            .iter()
            .position(|h| h.eq_ignore_ascii_case(name))
    }

    fn text<'a>(&self, row: &'a [String], name: &str) -> &'a str {
        self.column(name)
            .and_then(|i| row.get(i))
            .map_or("", String::as_str)
    }

    fn parse(&self, line: u64, column: &str, cell: &str) -> Result<f64, Failure> {
        let plain = if self.decimal_comma {
            cell.replace(',', ".")
        } else {
            cell.to_owned()
        };
        match plain.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value),
            _ if !self.decimal_comma && cell.contains(',') => Err(self.bad(
                line,
                column,
                cell,
                "a number with a decimal point or an empty cell",
            )),
            _ => Err(self.bad(line, column, cell, "a number or an empty cell")),
        }
    }

    fn number(&self, line: u64, row: &[String], name: &str) -> Result<Option<f64>, Failure> {
        let cell = self.text(row, name);
        let missing = ["", "-", "n/a", "na", "nan", "null"];
        if missing.iter().any(|m| cell.eq_ignore_ascii_case(m)) {
            return Ok(None);
        }
        self.parse(line, name, cell).map(Some)
    }

    /// A number within what can be.
    fn within(
        &self,
        line: u64,
        row: &[String],
        name: &str,
        range: std::ops::RangeInclusive<f64>,
    ) -> Result<Option<f64>, Failure> {
        let value = self.number(line, row, name)?;
        match value {
            Some(v) if !range.contains(&v) => Err(self.bad(
                line,
                name,
                self.text(row, name),
                &format!(
                    "a value from {} to {}",
                    bound(*range.start()),
                    bound(*range.end())
                ),
            )),
            _ => Ok(value),
        }
    }

    /// A limit; a number must lie within what can be.
    fn limit(
        &self,
        line: u64,
        row: &[String],
        name: &str,
        range: std::ops::RangeInclusive<f64>,
    ) -> Result<LimitValue, Failure> {
        let cell = self.text(row, name);
        let plain = if self.decimal_comma {
            cell.replace(',', ".")
        } else {
            cell.to_owned()
        };
        match parse_limit(&plain) {
            Ok(LimitValue::Value(v)) if !range.contains(&v) => Err(self.bad(
                line,
                name,
                cell,
                &format!(
                    "a value from {} to {}",
                    bound(*range.start()),
                    bound(*range.end())
                ),
            )),
            Ok(limit) => Ok(limit),
            Err(_) => Err(self.bad(
                line,
                name,
                cell,
                "a number, automatic, unlimited or unknown",
            )),
        }
    }

    fn bad(&self, line: u64, column: &str, value: &str, expected: &str) -> Failure {
        Failure::data(format!(
            "{}, line {line}, column {column}: '{value}' where {expected} is expected; correct the \
             cell and add the file again (nothing was added)",
            self.file
        ))
    }

    fn unknown_columns(&self, known: &[&str]) -> Result<(), Failure> {
        let is_known = |h: &str| h.is_empty() || known.iter().any(|k| h.eq_ignore_ascii_case(k));
        match self.header.iter().find(|h| !is_known(h)) {
            Some(_) if self.header.len() == 1 => Err(Failure::data(format!(
                "{}: the header has one column only; separate columns by commas, semicolons or tabs",
                self.file
            ))),
            Some(h) => Err(Failure::data(format!(
                "{}: there is no column '{h}'; the columns are {}",
                self.file,
                known.join(", ")
            ))),
            None => Ok(()),
        }
    }
}

/// Reads a readings file. Rows of one run stand together or apart; the first row that gives
/// something settles it, and a later row that contradicts is an error.
pub(crate) fn runs(bytes: &[u8], file: &str) -> Result<Vec<TypedRun>, Failure> {
    let table = Table::read(bytes, file)?;
    table.unknown_columns(&COLUMNS)?;
    for needed in ["run", "phase"] {
        if table.column(needed).is_none() {
            return Err(Failure::data(format!(
                "{file} has no column '{needed}'; 'settlepoint add readings --template' prints the columns"
            )));
        }
    }
    let mut runs: Vec<TypedRun> = Vec::new();
    for (line, row) in &table.rows {
        let name = table.text(row, "run");
        if name.is_empty() {
            return Err(table.bad(*line, "run", "", "the run's name or number"));
        }
        let typed = typed_row(&table, *line, row)?;
        match runs.iter_mut().find(|r| r.name == name) {
            Some(run) => join(&table, *line, run, typed)?,
            None => runs.push(typed),
        }
    }
    if runs.is_empty() {
        return Err(table.no_rows());
    }
    Ok(runs)
}

fn typed_row(table: &Table, line: u64, row: &[String]) -> Result<TypedRun, Failure> {
    let text = |name| table.text(row, name).to_owned();
    let within = |name, range| table.within(line, row, name, range);
    let kind = table.text(row, "phase");
    let kind: PhaseKind = if kind.is_empty() {
        PhaseKind::Unknown
    } else {
        kind.to_lowercase().parse().map_err(|e: String| {
            Failure::data(format!(
                "{}, line {line}, column phase: {e} (nothing was added)",
                table.file
            ))
        })?
    };
    let reading = PhaseReading {
        phase: kind,
        duration_s: within("duration_s", 0.1..=1e7)?,
        power_w: within("power_w", 0.0..=5000.0)?,
        package_c: within("package_c", -60.0..=200.0)?,
        fan_speed_rpm: within("fan_speed_rpm", 0.0..=50_000.0)?,
        level_dba: within("level_dba", -20.0..=140.0)?,
        level_of: text("level_of"),
        distance_m: within("distance_m", 0.001..=100.0)?,
        background_dba: within("background_dba", -20.0..=140.0)?,
        clock_mhz: [
            within("clock_mhz_1", 0.0..=20_000.0)?,
            within("clock_mhz_2", 0.0..=20_000.0)?,
        ],
    };
    Ok(TypedRun {
        name: text("run"),
        machine: text("machine"),
        cooling: text("cooling"),
        tune: text("tune"),
        setting: text("setting"),
        pl1_w: table.limit(line, row, "pl1_w", 0.1..=5000.0)?,
        pl2_w: table.limit(line, row, "pl2_w", 0.1..=5000.0)?,
        tau_s: table.limit(line, row, "tau_s", 0.0..=86_400.0)?,
        temp_limit_c: table.limit(line, row, "temp_limit_c", 0.0..=200.0)?,
        workload: text("workload"),
        room_c: within("room_c", -60.0..=80.0)?,
        phases: vec![reading],
        score: within("score", SCORES)?,
    })
}

/// Adds a further row to its run.
fn join(table: &Table, line: u64, run: &mut TypedRun, row: TypedRun) -> Result<(), Failure> {
    let clash = |column: &str, value: String| {
        table.bad(
            line,
            column,
            &value,
            "the same as in the run's other rows, or an empty cell",
        )
    };
    let words = [
        ("machine", &mut run.machine, row.machine),
        ("cooling", &mut run.cooling, row.cooling),
        ("tune", &mut run.tune, row.tune),
        ("setting", &mut run.setting, row.setting),
        ("workload", &mut run.workload, row.workload),
    ];
    for (column, kept, new) in words {
        if kept.is_empty() {
            *kept = new;
        } else if !new.is_empty() && *kept != new {
            return Err(clash(column, new));
        }
    }
    let limits = [
        ("pl1_w", &mut run.pl1_w, row.pl1_w),
        ("pl2_w", &mut run.pl2_w, row.pl2_w),
        ("tau_s", &mut run.tau_s, row.tau_s),
        ("temp_limit_c", &mut run.temp_limit_c, row.temp_limit_c),
    ];
    for (column, kept, new) in limits {
        if *kept == LimitValue::Unknown {
            *kept = new;
        } else if new != LimitValue::Unknown && *kept != new {
            return Err(clash(column, new.to_string()));
        }
    }
    for (column, kept, new) in [
        ("room_c", &mut run.room_c, row.room_c),
        ("score", &mut run.score, row.score),
    ] {
        match (*kept, new) {
            (None, new) => *kept = new,
            (Some(a), Some(b)) if (a - b).abs() > 1e-9 => return Err(clash(column, b.to_string())),
            _ => {}
        }
    }
    run.phases.extend(row.phases);
    Ok(())
}

/// Columns of a table of scores that are no setting's name; `run_id` is what an export writes.
const SCORE_COLUMNS: [&str; 11] = [
    "run",
    "run_id",
    "setting",
    "workload",
    "score",
    "unit",
    "direction",
    "repetition",
    "order",
    "block",
    "time",
];
/// Scores are ratios to each other, so they lie above 0.
pub(crate) const SCORES: std::ops::RangeInclusive<f64> = 1e-12..=1e15;

/// Reads a scores file: rows with `setting` and `score`, or one column a setting.
pub(crate) fn scores(bytes: &[u8], file: &str) -> Result<Vec<TypedScore>, Failure> {
    let table = Table::read(bytes, file)?;
    if table.rows.is_empty() {
        return Err(table.no_rows());
    }
    if table.column("score").is_some() {
        table.unknown_columns(&SCORE_COLUMNS)?;
        return table
            .rows
            .iter()
            .map(|(line, row)| score_row(&table, *line, row))
            .collect();
    }
    wide_scores(&table)
}

fn score_row(table: &Table, line: u64, row: &[String]) -> Result<TypedScore, Failure> {
    let some = |name: &str| Some(table.text(row, name).to_owned()).filter(|t| !t.is_empty());
    let setting = table.text(row, "setting");
    let run = some("run");
    if setting.is_empty() && run.is_none() {
        return Err(table.bad(
            line,
            "setting",
            "",
            "a setting's name (or a run's in 'run')",
        ));
    }
    let value = table
        .within(line, row, "score", SCORES)?
        .ok_or_else(|| table.bad(line, "score", "", "a score above 0"))?;
    let lower = match table.text(row, "direction").to_lowercase().as_str() {
        "" => None,
        "lower" | "less" | "lower_is_better" => Some(true),
        "higher" | "more" | "higher_is_better" => Some(false),
        other => return Err(table.bad(line, "direction", other, "higher or lower")),
    };
    Ok(TypedScore {
        setting: setting.to_owned(),
        workload: some("workload"),
        value,
        unit: some("unit"),
        lower_is_better: lower,
        repetition: count(table, line, row, "repetition")?,
        order: count(table, line, row, "order")?,
        block: some("block"),
        time: time(table, line, row)?,
        run,
        run_id: some("run_id"),
    })
}

/// A date with its time, a time of day, or seconds since a common start.
fn time(table: &Table, line: u64, row: &[String]) -> Result<Option<ScoreTime>, Failure> {
    let text = table.text(row, "time");
    if text.is_empty() {
        return Ok(None);
    }
    let read = match moment(text) {
        Some(Moment::Dated(seconds)) => Some((seconds, TimeOrigin::Epoch)),
        Some(Moment::OfDay(seconds)) => Some((seconds, TimeOrigin::Midnight)),
        _ => match table.parse(line, "time", text) {
            Ok(seconds) => Some((seconds, TimeOrigin::Start)),
            Err(_) => None,
        },
    };
    let (seconds, origin) = read.ok_or_else(|| {
        let wanted = "a time as 2026-03-01 14:05, 14:05:30 or a number of seconds";
        table.bad(line, "time", text, wanted)
    })?;
    Ok(Some(ScoreTime { seconds, origin }))
}

fn count(table: &Table, line: u64, row: &[String], name: &str) -> Result<Option<u32>, Failure> {
    let Some(value) = table.within(line, row, name, 0.0..=1e6)? else {
        return Ok(None);
    };
    if value.fract() != 0.0 {
        return Err(table.bad(line, name, &value.to_string(), "a whole number"));
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "checked above"
    )]
    Ok(Some(value as u32))
}

/// One column a setting, optionally with a `workload` or `repetition` column.
fn wide_scores(table: &Table) -> Result<Vec<TypedScore>, Failure> {
    let mut all = Vec::new();
    let mut repetitions: BTreeMap<(String, String), u32> = BTreeMap::new();
    for (line, row) in &table.rows {
        let workload = table.text(row, "workload").to_owned();
        for (i, setting) in table.header.iter().enumerate() {
            let ours = |c: &&str| setting.eq_ignore_ascii_case(c);
            if setting.is_empty() || SCORE_COLUMNS.iter().any(ours) {
                continue;
            }
            let cell = row.get(i).map_or("", String::as_str);
            if cell.is_empty() || cell == "-" {
                continue;
            }
            let value = table.parse(*line, setting, cell)?;
            if !SCORES.contains(&value) {
                return Err(table.bad(*line, setting, cell, "a score above 0"));
            }
            let repetition = repetitions
                .entry((setting.clone(), workload.clone()))
                .and_modify(|n| *n += 1)
                .or_insert(1);
            all.push(TypedScore {
                setting: setting.clone(),
                workload: Some(workload.clone()).filter(|w| !w.is_empty()),
                value,
                unit: None,
                lower_is_better: None,
                repetition: Some(*repetition),
                order: None,
                block: Some(line.to_string()),
                time: time(table, *line, row)?,
                run: None,
                run_id: None,
            });
        }
    }
    Ok(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TWO: &str = "run;setting;pl1_w;room_c;phase;duration_s;power_w;package_c;score\n\
                       1;stock;125,5;20;boost;41;225;100;\n1;;;;sustained;559;124,0;71;0,862\n";

    #[test]
    fn rows_of_a_run_join_and_decimal_commas_are_read() {
        let runs = runs(TWO.as_bytes(), "two.csv").unwrap();
        assert_eq!(runs.len(), 1);
        assert_eq!(runs[0].phases.len(), 2);
        assert_eq!(runs[0].pl1_w, LimitValue::Value(125.5));
        assert_eq!(runs[0].score, Some(0.862));
    }

    #[test]
    fn the_template_is_readable_and_empty() {
        let error = runs(template().as_bytes(), "t.csv").unwrap_err();
        assert!(error.message.contains("no rows"), "{error}");
    }

    #[test]
    fn a_bad_cell_names_line_column_and_value() {
        let text = "run,phase,power_w\n1,sustained,many\n";
        let error = runs(text.as_bytes(), "bad.csv").unwrap_err();
        for part in ["bad.csv", "line 2", "power_w", "many"] {
            assert!(error.message.contains(part), "{error}");
        }
    }

    #[test]
    fn a_run_that_contradicts_itself_is_refused() {
        let text = "run,phase,room_c\n1,boost,20\n1,sustained,30\n";
        assert!(
            runs(text.as_bytes(), "c.csv")
                .unwrap_err()
                .message
                .contains("room_c")
        );
    }

    #[test]
    fn wide_scores_count_repetitions() {
        let scores = scores(b"a,b\n1,2\n3,4\n", "s.csv").unwrap();
        assert_eq!(scores.len(), 4);
        assert_eq!(scores[2].repetition, Some(2));
    }
}
