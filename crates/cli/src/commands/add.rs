//! `new` and `add …`.

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_domain::{
    Cooling, Direction, Finding, Id, LimitValue, Machine, Run, RunData, ScoreKind, SensorLog,
    Setting, Tune, Workload,
};
use settlepoint_notebook::{Kind, LogSource, Notebook, NotebookError, new_id};
use settlepoint_review::limits_reversed;
use settlepoint_views::adding;
use settlepoint_views::adding::scores_of;
pub(crate) use settlepoint_views::adding::{
    cooling_for, limits_label, machine_for, refuse_run_name, same_file, scored_workload,
    workload_for,
};

use crate::args::{AddCommand, AddLogArgs, KindArg, WorkloadArgs};
use crate::commands::{add_frames, add_scores};
use crate::error::{Code, Failure};
use crate::interrupt::{self, Writing};
use crate::limits;
use crate::log_file::{self, ReadLog};
use crate::readings;
use crate::view::{Answer, findings, findings_text};

/// What was added, for the answer.
#[derive(Debug, Default)]
pub(crate) struct Added {
    items: Vec<(&'static str, Id, String)>,
    pub(crate) findings: Vec<Finding>,
}

impl Added {
    pub(crate) fn push(&mut self, kind: &'static str, id: Id, name: &str) {
        self.items.push((kind, id, name.to_owned()));
    }

    /// What was added first.
    pub(crate) fn first_id(&self) -> Option<Id> {
        self.items.first().map(|(_, id, _)| *id)
    }

    pub(crate) fn into_findings(self) -> Vec<Finding> {
        self.findings
    }

    pub(crate) fn answer(&self) -> Answer {
        let items: Value = self
            .items
            .iter()
            .map(|(kind, id, name)| json!({ "kind": kind, "id": id.to_string(), "name": name }))
            .collect();
        let mut text: String = self
            .items
            .iter()
            .map(|(kind, _, name)| format!("added {kind} '{name}'\n"))
            .collect();
        text += &findings_text(&self.findings);
        Answer::new(
            json!({
                "schema": "settlepoint.add/1",
                "added": items,
                "findings": findings(&self.findings),
            }),
            text,
        )
    }
}

/// `settlepoint new`.
pub(crate) fn new(path: &Path) -> Result<Answer, Failure> {
    if path.extension().is_none_or(|e| e != "settle") {
        return Err(Failure::usage(format!(
            "notebooks have a name that ends in .settle; try {}",
            path.with_file_name(stem_for(path)).display()
        )));
    }
    // A draft beside the notebook must not be left behind.
    let _writing = Writing::begin();
    Notebook::create(path).map_err(|e| cannot_make(path, e))?;
    Ok(Answer::new(
        json!({
            "schema": "settlepoint.new/1",
            "notebook": path.display().to_string(),
            "added": [],
            "findings": [],
        }),
        format!("made the notebook {}\n", path.display()),
    ))
}

/// A name ending in .settle that resembles the one given.
fn stem_for(path: &Path) -> String {
    let stem = path.file_stem().map(|s| s.to_string_lossy().into_owned());
    match stem {
        Some(stem) if !stem.starts_with('.') => format!("{stem}.settle"),
        _ => "notebook.settle".to_owned(),
    }
}

/// A draft is made beside the notebook first; its name would only confuse.
fn cannot_make(path: &Path, error: NotebookError) -> Failure {
    let NotebookError::Io { .. } = error else {
        return error.into();
    };
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    let hint = match folder {
        Some(folder) if !folder.exists() => {
            format!("there is no folder {}; make it first", folder.display())
        }
        _ => "its folder may not be written to; choose another place or change its permissions"
            .to_owned(),
    };
    Failure::new(
        Code::Notebook,
        format!("cannot make {}: {hint}", path.display()),
    )
}

/// `settlepoint add …`.
pub(crate) fn add(command: AddCommand) -> Result<Answer, Failure> {
    match command {
        AddCommand::Machine {
            notebook,
            name,
            model,
            serial,
            notes,
        } => {
            let book = Notebook::open(&notebook)?;
            let machine = Machine {
                id: new_id()?,
                name,
                model,
                serial,
                notes,
            };
            refuse_second(&book, Kind::Machine, "machine", &machine.name)?;
            book.add_machine(&machine)?;
            Ok(one("machine", machine.id, &machine.name))
        }
        AddCommand::Cooling {
            notebook,
            name,
            machine,
            fan_max,
            notes,
        } => {
            refuse_blank("cooling", &name)?;
            let book = Notebook::open(&notebook)?;
            book.transaction(|book| {
                let machine = machine_for(book, machine.as_deref().unwrap_or(""))?;
                let own = |c: &Cooling| c.machine == machine.id && c.name == name;
                if book.coolings()?.iter().any(own) {
                    return Err(taken("cooling", &name));
                }
                let cooling = Cooling {
                    id: new_id()?,
                    machine: machine.id,
                    name,
                    fan_max_rpm: fan_max,
                    notes,
                };
                book.add_cooling(&cooling)?;
                Ok(one("cooling", cooling.id, &cooling.name))
            })
        }
        AddCommand::Tune {
            notebook,
            name,
            machine,
            notes,
        } => tune(&notebook, name, machine.as_deref(), notes),
        AddCommand::Setting {
            notebook,
            name,
            limits,
        } => {
            let setting = limits::setting(new_id()?, &name, &limits)?;
            let book = Notebook::open(&notebook)?;
            refuse_second(&book, Kind::Setting, "setting", &name)?;
            book.add_setting(&setting)?;
            let mut added = Added::default();
            added.push("setting", setting.id, &setting.name);
            added.findings.extend(limits_reversed(&setting, None));
            Ok(added.answer())
        }
        AddCommand::Workload(args) => workload(args),
        AddCommand::Log(args) => log(&args),
        AddCommand::Readings { template: true, .. } => Ok(Answer::new(
            json!({ "schema": "settlepoint.add/1", "template": readings::template() }),
            readings::template(),
        )),
        AddCommand::Readings { notebook, file, .. } => match (notebook, file) {
            (Some(notebook), Some(file)) => typed_runs(&notebook, &file),
            _ => Err(Failure::usage("give a notebook and a table, or --template")),
        },
        AddCommand::Scores {
            notebook,
            file,
            workload,
            run,
        } => add_scores::scores(&notebook, &file, workload.as_deref(), run.as_deref()),
        AddCommand::Frames(args) => add_frames::frames(&args),
    }
}

/// `add tune`.
fn tune(
    notebook: &Path,
    name: String,
    machine: Option<&str>,
    notes: String,
) -> Result<Answer, Failure> {
    refuse_blank("tune", &name)?;
    let book = Notebook::open(notebook)?;
    book.transaction(|book| {
        let machine = machine_for(book, machine.unwrap_or(""))?;
        let own = |t: &Tune| t.machine == machine.id && t.name == name;
        if book.tunes()?.iter().any(own) {
            return Err(taken("tune", &name));
        }
        let tune = Tune {
            id: new_id()?,
            machine: machine.id,
            name,
            notes,
        };
        book.add_tune(&tune)?;
        Ok(one("tune", tune.id, &tune.name))
    })
}

fn one(kind: &'static str, id: Id, name: &str) -> Answer {
    let mut added = Added::default();
    added.push(kind, id, name);
    added.answer()
}

fn refuse_blank(word: &str, name: &str) -> Result<(), Failure> {
    if name.trim().is_empty() {
        return Err(Failure::usage(format!("the {word} needs a name; give one")));
    }
    Ok(())
}

/// A new thing needs a name, and one that no other of its kind has.
fn refuse_second(book: &Notebook, kind: Kind, word: &str, name: &str) -> Result<(), Failure> {
    refuse_blank(word, name)?;
    if book.find(kind, name)?.is_some() {
        return Err(taken(word, name));
    }
    Ok(())
}

fn taken(word: &str, name: &str) -> Failure {
    Failure::usage(format!(
        "the notebook already has a {word} '{name}'; choose another name"
    ))
}

fn workload(args: WorkloadArgs) -> Result<Answer, Failure> {
    let book = Notebook::open(&args.notebook)?;
    refuse_second(&book, Kind::Workload, "workload", &args.name)?;
    if !(args.minutes > 0.0 && args.minutes <= 1e5) {
        return Err(Failure::usage(format!(
            "--minutes {}: give a length above 0",
            args.minutes
        )));
    }
    let kind = match args.kind {
        KindArg::MeanRate => ScoreKind::MeanRate,
        KindArg::LastPass => ScoreKind::LastPass,
        KindArg::Time => ScoreKind::TimeForWork,
    };
    let lower = args.lower_is_better || kind == ScoreKind::TimeForWork;
    let workload = Workload {
        id: new_id()?,
        name: args.name,
        unit: args.unit,
        direction: if lower {
            Direction::Lower
        } else {
            Direction::Higher
        },
        kind,
        duration_s: 60.0 * args.minutes,
        hours_per_week: args.hours,
        weight: args.weight,
        loss_max_pct: args.loss_max,
        idle: args.idle,
    };
    book.add_workload(&workload)?;
    Ok(one("workload", workload.id, &workload.name))
}

/// `add readings`.
fn typed_runs(notebook: &Path, file: &Path) -> Result<Answer, Failure> {
    // First, so that a notebook and a table named in the wrong order are told apart.
    let book = Notebook::open(notebook)?;
    let bytes = log_file::bytes(file)?;
    let runs = readings::runs(&bytes, &file.display().to_string())?;
    let (kept, findings) = book.transaction(|book| adding::typed_runs(book, runs))?;
    let mut added = Added {
        findings,
        ..Added::default()
    };
    for run in kept {
        added.push("run", run.id, &run.name);
    }
    Ok(added.answer())
}

/// `add log`.
fn log(args: &AddLogArgs) -> Result<Answer, Failure> {
    let book = Notebook::open(&args.notebook)?;
    let read = log_file::read(&args.file, &args.read)?;
    let _writing = Writing::begin();
    let added = book.transaction(|book| {
        let added = add_log(book, args, &read)?;
        // Within the step, so that a recipe that cannot be saved undoes it.
        log_file::save_recipe(&args.read, &read)?;
        interrupt::check()?;
        Ok::<_, Failure>(added)
    })?;
    Ok(added.answer())
}

pub(crate) fn add_log(
    book: &Notebook,
    args: &AddLogArgs,
    read: &ReadLog,
) -> Result<Added, Failure> {
    let machine = machine_for(book, args.machine.as_deref().unwrap_or(""))?;
    let cooling = cooling_for(book, &machine, args.cooling.as_deref().unwrap_or(""))?;
    let workload = workload_for(book, args.workload.as_deref().unwrap_or(""))?;
    let tune = match &args.tune {
        Some(name) => Some(book.tune_named(machine.id, name)?.id),
        None => None,
    };
    need_readings(read)?;
    let raw = read.keep_raw(book)?;
    let before = book.run_of_raw_file(raw)?;
    let recipe = read.recipe_text();
    let source = LogSource {
        name: &read.file_name,
        recipe: &recipe,
        raw: Some(raw),
    };
    let mut added = Added {
        findings: read.imported.findings.clone(),
        ..Added::default()
    };
    if let Some(run) = before {
        added.findings.push(same_file(&book.run(run)?.name));
    }
    for (name, log) in split(args, read)? {
        let setting = log_setting(book, args, &name, &log)?;
        let room_c = match (&args.room_from, args.room) {
            (Some(column), _) => Some(column_mean(&log, column)?),
            (None, room) => room,
        };
        limits::check_room(&setting, room_c)?;
        refuse_run_name(book, cooling.id, &name)?;
        added
            .findings
            .extend(limits_reversed(&setting, Some(&name)));
        let run = Run {
            id: new_id()?,
            name,
            machine: machine.id,
            cooling: cooling.id,
            tune,
            setting: setting.id,
            workload: workload.id,
            room_c,
            altitude_m: args.altitude,
            data: RunData::Log,
            scores: scores_of(&args.score),
            excluded: None,
        };
        let keep = adding::LogToKeep {
            run: &run,
            log: &log,
            source: &source,
        };
        adding::keep_log(book, &keep)?;
        added.push("run", run.id, &run.name);
        interrupt::check()?;
    }
    Ok(added)
}

/// A run without any reading that the models know would only be in the way.
fn need_readings(read: &ReadLog) -> Result<(), Failure> {
    if adding::has_readings(&read.imported.log) {
        return Ok(());
    }
    let channels = read.imported.log.channels();
    let columns: Vec<&str> = channels.iter().map(|c| c.column.as_str()).collect();
    Err(Failure::data(format!(
        "{}: no column is known to be a temperature, a power or another reading (there are: {}); name \
         them, as --channel temperature=COLUMN (nothing was added)",
        read.file_name,
        columns.join(", ")
    )))
}

/// One log, or one for each level of a column, in the order of first appearance.
fn split(args: &AddLogArgs, read: &ReadLog) -> Result<Vec<(String, SensorLog)>, Failure> {
    let log = &read.imported.log;
    let Some(column) = &args.runs_by else {
        let name = args.name.clone().unwrap_or_else(|| read.stem.clone());
        return Ok(vec![(name, log.clone())]);
    };
    let levels = log_file::column(log, column)?;
    let mut groups: Vec<(f64, Vec<usize>)> = Vec::new();
    for (row, level) in levels.present() {
        match groups.iter_mut().find(|(l, _)| l.total_cmp(&level).is_eq()) {
            Some((_, rows)) => rows.push(row),
            None => groups.push((level, vec![row])),
        }
    }
    if groups.len() > 500 {
        return Err(Failure::usage(format!(
            "column '{column}' has {} levels; --runs-by wants a column that changes from run to run",
            groups.len()
        )));
    }
    let prefix = args
        .name
        .as_ref()
        .map_or(String::new(), |n| format!("{n} "));
    groups
        .into_iter()
        .map(|(level, rows)| Ok((format!("{prefix}{level}"), log_file::take_rows(log, &rows)?)))
        .collect()
}

fn log_setting(
    book: &Notebook,
    args: &AddLogArgs,
    run: &str,
    log: &SensorLog,
) -> Result<Setting, Failure> {
    if let Some(name) = &args.setting {
        let id = book.id_of(Kind::Setting, name)?;
        return Ok(book.setting(id)?);
    }
    let mut setting = limits::setting(new_id()?, "", &args.limits)?;
    let columns = [
        (&args.pl1_from, &mut setting.pl1_w),
        (&args.pl2_from, &mut setting.pl2_w),
        (&args.temp_limit_from, &mut setting.temp_limit_c),
    ];
    for (column, limit) in columns {
        if let Some(column) = column {
            *limit = LimitValue::Value(column_mean(log, column)?);
        }
    }
    setting.name = limits_label(setting.pl1_w, setting.pl2_w, setting.temp_limit_c);
    limits::check(&setting).map_err(|f| Failure::new(f.code, format!("run {run}: {f}")))?;
    Ok(book.setting_like(&setting)?)
}

fn column_mean(log: &SensorLog, column: &str) -> Result<f64, Failure> {
    log_file::column(log, column)?
        .mean()
        .ok_or_else(|| Failure::data(format!("column '{column}' has no reading in this run")))
}
