//! From a notebook to the evidence of one cooling.

use std::borrow::Cow;
use std::path::Path;

use settlepoint_domain::{
    Cooling, Finding, Id, Machine, Run, RunData, SensorLog, Severity, Workload,
};
use settlepoint_infer::collect;
use settlepoint_infer::evidence::{Evidence, RunEvidence};
use settlepoint_infer::fit::{CoolingFit, FitOptions, fit_with};
use settlepoint_notebook::{Kind, Notebook, NotebookError};
use settlepoint_phases::{Options, Review};

use crate::ViewError;
use crate::facts::rules_of;
use crate::listed::listed;
use crate::recording;

/// Longer logs are analysed as means over blocks; every row is read and accounted for all the same.
const ROWS_ANALYSED: usize = 400_000;

/// Which machine and cooling is meant, by name or id; without a name the only machine and the cooling
/// with most runs.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Pick {
    /// Machine.
    pub machine: Option<String>,
    /// Cooling.
    pub cooling: Option<String>,
    /// How its fits are made.
    pub options: FitOptions,
    /// A machine of the notebook whose fit serves as priors.
    pub like: Option<String>,
}

/// Everything known of one cooling of one machine.
#[derive(Debug)]
pub struct Gathered {
    /// The machine.
    pub machine: Machine,
    /// The cooling.
    pub cooling: Cooling,
    /// Workloads of its runs, then idle use that was never run.
    pub workloads: Vec<Workload>,
    /// Runs in the order of entry, those excluded left out, with their evidence.
    pub runs: Vec<(Run, RunEvidence)>,
    /// What should be known about the logs and settings.
    pub findings: Vec<Finding>,
    /// Runs of the cooling that were left out, with the reason.
    pub excluded: Vec<(String, String)>,
    /// How fits are made.
    pub options: FitOptions,
}

/// Opens a notebook to read from. Read-write where that is allowed, so that SQLite tidies its side
/// files away on closing; read-only on a medium that allows no more.
///
/// # Errors
/// No notebook there, a newer schema, or trouble reading it.
pub fn open(path: &Path) -> Result<Notebook, ViewError> {
    match Notebook::open(path) {
        Err(NotebookError::ReadOnly | NotebookError::Locked) => Ok(Notebook::open_read_only(path)?),
        other => {
            let book = other?;
            recording::mark_cut_short(&book)?;
            Ok(book)
        }
    }
}

/// The log of a run as it is analysed, with its phases: long logs as means over blocks.
pub fn analysed(log: &SensorLog, room_c: Option<f64>) -> (Cow<'_, SensorLog>, Review) {
    let log =
        settlepoint_phases::condensed(log, ROWS_ANALYSED).map_or(Cow::Borrowed(log), Cow::Owned);
    let review = settlepoint_phases::analyse(&log, &Options { room_c });
    (log, review)
}

/// Picks machine and cooling and gathers their runs.
///
/// # Errors
/// An empty notebook, a machine or cooling that is not there, or trouble reading.
pub fn gather(book: &Notebook, pick: &Pick) -> Result<Gathered, ViewError> {
    gather_with(book, pick, None)
}

/// The same, with the run `also` among the others even if it is left out of fits.
///
/// # Errors
/// As [`gather`].
pub fn gather_with(book: &Notebook, pick: &Pick, also: Option<Id>) -> Result<Gathered, ViewError> {
    let runs = book.runs()?;
    let machine = pick_machine(book, pick.machine.as_deref())?;
    let own: Vec<Run> = runs
        .into_iter()
        .filter(|r| r.machine == machine.id)
        .collect();
    let cooling = pick_cooling(book, &machine, &own, pick.cooling.as_deref())?;
    let mut gathered = Gathered {
        machine,
        workloads: Vec::new(),
        runs: Vec::new(),
        findings: Vec::new(),
        excluded: Vec::new(),
        options: options(book, pick)?,
        cooling,
    };
    let cooling = gathered.cooling.id;
    for run in own.into_iter().filter(|r| r.cooling == cooling) {
        match run.excluded.clone() {
            Some(reason) if also != Some(run.id) => gathered.excluded.push((run.name, reason)),
            _ => add_run(book, &mut gathered, run)?,
        }
    }
    gathered.findings.extend(of_settings(book)?);
    // Workloads that were never run still count in the choice when they have hours (idle, say).
    for workload in book.workloads()? {
        if !gathered.workloads.iter().any(|w| w.id == workload.id) && workload.idle {
            gathered.workloads.push(workload);
        }
    }
    Ok(gathered)
}

/// Options of the fits, with what an earlier machine tells before what the owner says.
fn options(book: &Notebook, pick: &Pick) -> Result<FitOptions, ViewError> {
    let Some(like) = &pick.like else {
        return Ok(pick.options.clone());
    };
    let other = Pick {
        machine: Some(like.clone()),
        ..Pick::default()
    };
    let (fit, _) = gather(book, &other)?.fit(&[])?;
    let mut options = pick.options.clone();
    options.priors = fit.as_priors();
    options.priors.extend(pick.options.priors.iter().cloned());
    Ok(options)
}

/// Rules of the review that bear on fits; how sure scores are is said where they are compared, but
/// those that drift or began cold pull the fit of work.
const FOR_FITS: [&str; 5] = [
    "first_run_warm_up",
    "pl2_below_pl1",
    "room_not_logged",
    "score_drift",
    "score_without_setting",
];

fn of_settings(book: &Notebook) -> Result<Vec<Finding>, ViewError> {
    let mut findings = rules_of(book)?;
    // Rooms may differ, which fits like; tunes may not.
    let tunes = |f: &Finding| f.rule == "different_conditions" && f.severity > Severity::Note;
    findings.retain(|f| FOR_FITS.contains(&f.rule) || tunes(f));
    Ok(findings)
}

fn add_run(book: &Notebook, gathered: &mut Gathered, run: Run) -> Result<(), ViewError> {
    let setting = book.setting(run.setting)?;
    let place = workload_place(book, &mut gathered.workloads, run.workload)?;
    let workload = &gathered.workloads[place];
    let mut evidence = match &run.data {
        RunData::Log => {
            let whole = book.log(run.id)?;
            let (log, found) = analysed(&whole, run.room_c);
            gathered
                .findings
                .extend(found.findings.into_iter().map(|f| Finding {
                    run: Some(run.name.clone()),
                    ..f
                }));
            gathered.findings.extend(recording::findings(book, &run)?);
            collect::from_log(&run, &setting, workload, &log, &found.phases)
        }
        RunData::Readings(_) | RunData::ScoresOnly => {
            collect::from_readings(&run, &setting, workload)
        }
    };
    evidence.workload = place;
    gathered.runs.push((run, evidence));
    Ok(())
}

fn workload_place(book: &Notebook, known: &mut Vec<Workload>, id: Id) -> Result<usize, ViewError> {
    if let Some(place) = known.iter().position(|w| w.id == id) {
        return Ok(place);
    }
    known.push(book.workload(id)?);
    Ok(known.len() - 1)
}

fn pick_machine(book: &Notebook, name: Option<&str>) -> Result<Machine, ViewError> {
    if let Some(name) = name {
        let id = book.id_of(Kind::Machine, name)?;
        return Ok(book.machine(id)?);
    }
    let mut machines = book.machines()?;
    match machines.len() {
        0 => Err(empty()),
        1 => Ok(machines.remove(0)),
        _ => Err(ViewError::Unknown(format!(
            "there are several machines ({}); name one with --machine",
            listed(machines.iter().map(|m| (m.name.as_str(), m.id)))
        ))),
    }
}

fn empty() -> ViewError {
    ViewError::Empty
}

fn pick_cooling(
    book: &Notebook,
    machine: &Machine,
    runs: &[Run],
    name: Option<&str>,
) -> Result<Cooling, ViewError> {
    let own: Vec<Cooling> = book
        .coolings()?
        .into_iter()
        .filter(|c| c.machine == machine.id)
        .collect();
    if let Some(name) = name {
        let found = own
            .iter()
            .find(|c| c.name == name || c.id.to_string() == name);
        return found.cloned().ok_or_else(|| {
            ViewError::Unknown(format!(
                "there is no cooling '{name}'; there is {}",
                listed(own.iter().map(|c| (c.name.as_str(), c.id)))
            ))
        });
    }
    let count = |c: &Cooling| runs.iter().filter(|r| r.cooling == c.id).count();
    own.into_iter().max_by_key(count).ok_or_else(empty)
}

impl Gathered {
    /// Fits the runs named in `only` (all if empty); gives the fit and the runs left out.
    ///
    /// # Errors
    /// No runs, a name in `only` that is not there, or a fit that comes to no end.
    pub fn fit(&self, only: &[String]) -> Result<(CoolingFit, Vec<&RunEvidence>), ViewError> {
        if self.runs.is_empty() {
            return Err(empty());
        }
        let is_named = |run: &Run, name: &str| run.name == name || run.id.to_string() == name;
        for name in only {
            if !self.runs.iter().any(|(run, _)| is_named(run, name.trim())) {
                return Err(ViewError::Unknown(format!(
                    "there is no run '{name}' here; there are {}",
                    listed(self.runs.iter().map(|(r, _)| (r.name.as_str(), r.id)))
                )));
            }
        }
        let used = |run: &Run| only.is_empty() || only.iter().any(|n| is_named(run, n.trim()));
        let evidence = Evidence {
            workloads: self.workloads.clone(),
            runs: self
                .runs
                .iter()
                .filter(|(r, _)| used(r))
                .map(|(_, e)| e.clone())
                .collect(),
            fan_max_rpm: self.cooling.fan_max_rpm,
        };
        let rest = self
            .runs
            .iter()
            .filter(|(r, _)| !used(r))
            .map(|(_, e)| e)
            .collect();
        Ok((fit_with(evidence, &self.options)?, rest))
    }

    /// The index of a workload by name or id; of the only one under load if no name is given.
    ///
    /// # Errors
    /// No such workload, or none under load.
    pub fn workload(&self, name: Option<&str>) -> Result<usize, ViewError> {
        let loads: Vec<usize> = (0..self.workloads.len())
            .filter(|&w| !self.workloads[w].idle)
            .collect();
        let names = || listed(self.workloads.iter().map(|w| (w.name.as_str(), w.id)));
        match (name, loads.as_slice()) {
            (Some(name), _) => self
                .workloads
                .iter()
                .position(|w| w.name == name || w.id.to_string() == name)
                .ok_or_else(|| {
                    ViewError::Unknown(format!(
                        "there is no workload '{name}'; there is {}",
                        names()
                    ))
                }),
            (None, [only]) => Ok(*only),
            (None, []) => Err(empty()),
            (None, _) => {
                // The one with most runs speaks for the machine unless another is named.
                let count = |w: &usize| self.runs.iter().filter(|(_, e)| e.workload == *w).count();
                loads
                    .iter()
                    .rev()
                    .copied()
                    .max_by_key(count)
                    .ok_or_else(empty)
            }
        }
    }
}
