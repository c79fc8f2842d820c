//! Findings over the runs of a notebook.

use settlepoint_domain::{Channel, Finding, LogStart, Role, Run, RunData, Setting, Workload};
use settlepoint_notebook::Notebook;
use settlepoint_phases::{Options, analyse};
use settlepoint_review::RunFacts;

use crate::ViewError;

/// What was looked at.
#[derive(Clone, Debug)]
pub struct Reviewed {
    /// What was found.
    pub findings: Vec<Finding>,
    /// Runs left out, with the reason.
    pub excluded: Vec<(String, String)>,
    /// "3 runs" or "a log".
    pub what: String,
}

/// Everything that the review finds in a notebook, each log read.
///
/// # Errors
/// A notebook that cannot be read.
pub fn of_notebook(book: &Notebook) -> Result<Reviewed, ViewError> {
    let facts = Facts::gather(book)?;
    let mut findings = facts.review();
    for part in &facts.parts {
        findings.extend(part.findings.iter().cloned());
    }
    let excluded = facts
        .parts
        .iter()
        .filter_map(|p| Some((p.run.name.clone(), p.run.excluded.clone()?)))
        .collect();
    Ok(Reviewed {
        findings,
        excluded,
        what: match facts.parts.len() {
            1 => "1 run".to_owned(),
            n => format!("{n} runs"),
        },
    })
}

/// Findings of the rules that set runs against each other, without reading the logs' samples.
///
/// # Errors
/// A notebook that cannot be read.
pub fn rules_of(book: &Notebook) -> Result<Vec<Finding>, ViewError> {
    Ok(Facts::without_logs(book)?.review())
}

/// Rules about what a log shows that change its score.
const OF_LOGS: [&str; 4] = [
    "background_load",
    "room_drift",
    "throttled",
    "throttled_by_other",
];
/// Rules of runs against each other that say nothing of a comparison of scores.
const NOT_OF_SCORES: [&str; 1] = ["room_not_logged"];

/// What should be known before scores are compared: rules of runs against each other, and what was
/// found in the logs of scored runs when they were added.
///
/// # Errors
/// A notebook that cannot be read.
pub fn for_comparison(book: &Notebook) -> Result<Vec<Finding>, ViewError> {
    let mut facts = Facts::without_logs(book)?;
    let mut findings = Vec::new();
    for part in &mut facts.parts {
        if part.run.data != RunData::Log || part.run.excluded.is_some() {
            continue;
        }
        part.began_s = began_s(book.log_start(part.run.id)?.0.as_ref());
        let kept = book.findings(part.run.id)?;
        if part.run.scores.is_empty() {
            continue;
        }
        for (rule, kept) in OF_LOGS.into_iter().flat_map(|rule| {
            kept.iter()
                .filter(move |k| k.rule == rule)
                .map(move |k| (rule, k))
        }) {
            findings.push(Finding {
                rule,
                severity: kept.severity,
                run: Some(part.run.name.clone()),
                evidence: kept.evidence.clone(),
                remedy: kept.remedy.clone(),
            });
        }
    }
    findings.extend(facts.review());
    findings.retain(|f| !NOT_OF_SCORES.contains(&f.rule));
    findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
    Ok(findings)
}

/// When a log began, s since 1970: a double holds them to a microsecond.
fn began_s(start: Option<&LogStart>) -> Option<f64> {
    start.map(|s| s.unix_ns as f64 / 1e9)
}

/// A run with what belongs to it and what its log shows.
struct Part {
    run: Run,
    setting: Setting,
    workload: Workload,
    began_s: Option<f64>,
    logged_room_c: Option<f64>,
    findings: Vec<Finding>,
}

struct Facts {
    parts: Vec<Part>,
}

impl Facts {
    fn gather(book: &Notebook) -> Result<Self, ViewError> {
        let mut facts = Self::without_logs(book)?;
        for part in &mut facts.parts {
            if part.run.data == RunData::Log && part.run.excluded.is_none() {
                read_log(book, part)?;
            }
        }
        Ok(facts)
    }

    fn without_logs(book: &Notebook) -> Result<Self, ViewError> {
        let mut parts = Vec::new();
        for run in book.runs()? {
            parts.push(Part {
                setting: book.setting(run.setting)?,
                workload: book.workload(run.workload)?,
                run,
                began_s: None,
                logged_room_c: None,
                findings: Vec::new(),
            });
        }
        Ok(Self { parts })
    }

    fn review(&self) -> Vec<Finding> {
        let facts: Vec<RunFacts<'_>> = self
            .parts
            .iter()
            .map(|p| RunFacts {
                run: &p.run,
                setting: &p.setting,
                workload: &p.workload,
                began_s: p.began_s,
                logged_room_c: p.logged_room_c,
            })
            .collect();
        settlepoint_review::review(&facts)
    }
}

fn read_log(book: &Notebook, part: &mut Part) -> Result<(), ViewError> {
    let log = book.log(part.run.id)?;
    let options = Options {
        room_c: part.run.room_c,
    };
    part.findings = analyse(&log, &options)
        .findings
        .into_iter()
        .map(|f| Finding {
            run: Some(part.run.name.clone()),
            ..f
        })
        .collect();
    part.findings
        .extend(crate::recording::findings(book, &part.run)?);
    part.logged_room_c = log.channel(Role::Room).and_then(Channel::mean);
    part.began_s = began_s(log.start());
    Ok(())
}
