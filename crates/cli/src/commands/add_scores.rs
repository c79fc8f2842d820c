//! `add scores`.

use std::path::Path;

use settlepoint_domain::{
    Direction, Finding, Id, Run, RunData, Score, Setting, Severity, Workload,
};
use settlepoint_notebook::{Kind, Notebook, new_id};

use crate::commands::add::{Added, cooling_for, machine_for, refuse_run_name, scored_workload};
use crate::error::Failure;
use crate::log_file;
use crate::readings::TypedScore;
use crate::score_table;
use crate::view::{Answer, listed};

/// `settlepoint add scores`. Scores whose row names no run are those of `run`, if it is given.
pub(crate) fn scores(
    notebook: &Path,
    file: &Path,
    workload: Option<&str>,
    run: Option<&str>,
) -> Result<Answer, Failure> {
    let book = Notebook::open(notebook)?;
    let bytes = log_file::bytes(file)?;
    let mut typed = score_table::read(&bytes, &file.display().to_string())?;
    for score in &mut typed {
        if score.run.is_none() {
            score.run = run.map(str::to_owned);
        }
    }
    let added = book.transaction(|book| add_scores(book, &typed, workload))?;
    Ok(added.answer())
}

/// Scores join the run that they name; without a name the run of the same setting and workload.
/// Where there is none they make a run of scores only.
fn add_scores(
    book: &Notebook,
    typed: &[TypedScore],
    workload: Option<&str>,
) -> Result<Added, Failure> {
    let mut added = Added::default();
    let mut known = KnownScores::of(book)?;
    for score in typed {
        let target = Target::of(book, score, workload, &mut added)?;
        known.look(target.run.as_ref(), score)?;
        let row = Score {
            value: score.value,
            repetition: score
                .repetition
                .unwrap_or_else(|| next_repetition(target.run.as_ref())),
            order: score.order,
            block: score.block.clone(),
            time: score.time,
        };
        if let Some(run) = target.run {
            book.add_scores(run.id, &[row])?;
            added.push("score", run.id, &run.name);
        } else {
            let run = new_run(book, &target, row)?;
            added.push("run", run.id, &run.name);
        }
    }
    if known.all_were_there {
        return Err(Failure::usage(
            "every score of the table is in the notebook already (nothing was added); if it is a \
             repetition, say so in a column 'repetition'",
        ));
    }
    Ok(added)
}

/// Where a score or a recording belongs.
pub(crate) struct Target {
    pub(crate) setting: Setting,
    pub(crate) load: Workload,
    /// The run that it joins, if there is one.
    pub(crate) run: Option<Run>,
    /// What a new run is called.
    pub(crate) name: String,
}

impl Target {
    fn of(
        book: &Notebook,
        score: &TypedScore,
        workload: Option<&str>,
        added: &mut Added,
    ) -> Result<Self, Failure> {
        if let Some(run) = named_run(book, score)? {
            return Self::in_run(book, score, run);
        }
        if score.setting.is_empty() {
            return Err(no_such_run(book, score.run.as_deref().unwrap_or(""))?);
        }
        let load = workload_of_score(book, score, workload)?;
        if book.find(Kind::Setting, &score.setting)?.is_none() {
            added.findings.push(new_setting(&score.setting));
        }
        let setting = book.setting_named(&score.setting)?;
        Self::by_setting(book, setting, load, score.run.as_deref())
    }

    /// The run that a row names; what else the row says must not contradict.
    fn in_run(book: &Notebook, score: &TypedScore, run: Run) -> Result<Self, Failure> {
        let (setting, load) = (book.setting(run.setting)?, book.workload(run.workload)?);
        let other = |kind: &str, row: &str, kept: &str| {
            Failure::usage(format!(
                "run '{}' has the {kind} '{kept}', the table says '{row}'; correct the table \
                 (nothing was added)",
                run.name
            ))
        };
        if !score.setting.is_empty() && score.setting != setting.name {
            return Err(other("setting", &score.setting, &setting.name));
        }
        if let Some(name) = score.workload.as_deref().filter(|name| *name != load.name) {
            return Err(other("workload", name, &load.name));
        }
        agrees(score, &load)?;
        let name = run.name.clone();
        Ok(Self {
            setting,
            load,
            run: Some(run),
            name,
        })
    }

    /// The only run of a setting and a workload, or a new one; always a new one if it has a `name`.
    pub(crate) fn by_setting(
        book: &Notebook,
        setting: Setting,
        load: Workload,
        name: Option<&str>,
    ) -> Result<Self, Failure> {
        let fits = |r: &Run| r.setting == setting.id && r.workload == load.id;
        let mut runs: Vec<Run> = match name {
            Some(_) => Vec::new(),
            None => book.runs()?.into_iter().filter(fits).collect(),
        };
        // A run left out takes scores only if there is no other.
        if runs.iter().any(|r| r.excluded.is_none()) {
            runs.retain(|r| r.excluded.is_none());
        }
        if runs.len() > 1 {
            return Err(Failure::usage(format!(
                "'{}' ran '{}' several times ({}); name the run in a column 'run' or with --run \
                 (nothing was added)",
                setting.name,
                load.name,
                listed(runs.iter().map(|r| (r.name.as_str(), r.id)))
            )));
        }
        let name = name.map_or_else(|| format!("{} {}", setting.name, load.name), str::to_owned);
        Ok(Self {
            setting,
            load,
            run: runs.pop(),
            name,
        })
    }
}

/// The run with the id of a row or, failing that, with its name.
fn named_run(book: &Notebook, score: &TypedScore) -> Result<Option<Run>, Failure> {
    for text in [&score.run_id, &score.run].into_iter().flatten() {
        if let Some(id) = book.find(Kind::Run, text)? {
            return Ok(Some(book.run(id)?));
        }
    }
    Ok(None)
}

pub(crate) fn no_such_run(book: &Notebook, name: &str) -> Result<Failure, Failure> {
    let runs = book.runs()?;
    let there = if runs.is_empty() {
        "no runs yet".to_owned()
    } else {
        listed(runs.iter().map(|r| (r.name.as_str(), r.id)))
    };
    Ok(Failure::usage(format!(
        "there is no run '{name}', there are {there}; a setting beside the name makes a new run \
         (nothing was added)"
    )))
}

fn next_repetition(run: Option<&Run>) -> u32 {
    let last = run.and_then(|r| r.scores.iter().map(|s| s.repetition).max());
    last.unwrap_or(0).saturating_add(1)
}

/// The scores that stood in the notebook before a table was added, each to be met once.
struct KnownScores {
    left: Vec<(Id, Score)>,
    all_were_there: bool,
}

impl KnownScores {
    fn of(book: &Notebook) -> Result<Self, Failure> {
        let left = book
            .runs()?
            .into_iter()
            .flat_map(|r| r.scores.into_iter().map(move |s| (r.id, s)))
            .collect();
        Ok(Self {
            left,
            all_were_there: true,
        })
    }

    /// Notes whether a score is new; fails if it contradicts one that stands.
    fn look(&mut self, run: Option<&Run>, score: &TypedScore) -> Result<(), Failure> {
        let same = |(id, known): &(Id, Score)| {
            run.is_some_and(|r| r.id == *id)
                && known.value.total_cmp(&score.value).is_eq()
                && score.repetition.is_none_or(|r| r == known.repetition)
                && (score.time.is_none() || score.time == known.time)
        };
        if let Some(place) = self.left.iter().position(same) {
            self.left.swap_remove(place);
            return Ok(());
        }
        self.all_were_there = false;
        let stands = |(id, known): &&(Id, Score)| {
            run.is_some_and(|r| r.id == *id)
                && score.repetition == Some(known.repetition)
                && score.block == known.block
        };
        match (run, self.left.iter().find(stands)) {
            (Some(run), Some((_, known))) => Err(Failure::usage(format!(
                "run '{}' has the score {} as repetition {} already, the table says {}; give another \
                 repetition number (nothing was added)",
                run.name, known.value, known.repetition, score.value
            ))),
            _ => Ok(()),
        }
    }
}

/// The workload that a score names, or `--workload`, or the only one.
fn workload_of_score(
    book: &Notebook,
    score: &TypedScore,
    workload: Option<&str>,
) -> Result<Workload, Failure> {
    let name = score.workload.as_deref().or(workload).unwrap_or("");
    let unit = score.unit.as_deref().unwrap_or("");
    let load = scored_workload(book, name, unit, direction_of(score))?;
    agrees(score, &load)?;
    Ok(load)
}

/// As the row says or, for a new workload, as its unit usually counts.
fn direction_of(score: &TypedScore) -> Direction {
    match score.lower_is_better {
        Some(true) => Direction::Lower,
        Some(false) => Direction::Higher,
        None => score_table::usual_direction(score.unit.as_deref().unwrap_or("")),
    }
}

/// Unit and direction must not contradict those of the workload.
fn agrees(score: &TypedScore, load: &Workload) -> Result<(), Failure> {
    let unit = score.unit.as_deref().unwrap_or("");
    let unit_differs = !unit.is_empty() && load.unit != unit;
    let direction_differs =
        score.lower_is_better.is_some() && load.direction != direction_of(score);
    if unit_differs || direction_differs {
        return Err(Failure::usage(format!(
            "the workload '{}' is kept with the unit '{}' and {} scores better, the table says \
             otherwise; correct the table (nothing was added)",
            load.name,
            load.unit,
            if load.direction == Direction::Lower {
                "lower"
            } else {
                "higher"
            },
        )));
    }
    Ok(())
}

pub(crate) fn new_setting(name: &str) -> Finding {
    Finding {
        rule: "score_without_setting",
        severity: Severity::Warning,
        run: None,
        evidence: format!("the notebook had no setting '{name}'; its limits are unknown"),
        remedy: "add the setting before its scores, or correct the name in the table".to_owned(),
    }
}

/// Adds the run that a target names, on the only machine and cooling.
fn new_run(book: &Notebook, target: &Target, score: Score) -> Result<Run, Failure> {
    let machine = machine_for(book, "")?;
    let cooling = cooling_for(book, &machine, "")?;
    let run = Run {
        id: new_id()?,
        name: target.name.clone(),
        machine: machine.id,
        cooling: cooling.id,
        tune: None,
        setting: target.setting.id,
        workload: target.load.id,
        room_c: None,
        altitude_m: None,
        data: RunData::ScoresOnly,
        scores: vec![score],
        excluded: None,
    };
    refuse_run_name(book, cooling.id, &run.name)?;
    book.add_run(&run)?;
    Ok(run)
}
