//! `review`.

use std::io::Read as _;
use std::path::Path;

use serde_json::json;
use settlepoint_domain::{Channel, Finding, LogStart, Role, Run, RunData, Setting, Workload};
use settlepoint_notebook::Notebook;
use settlepoint_phases::{Options, analyse};
use settlepoint_review::RunFacts;

use crate::args::ReviewArgs;
use crate::commands::inspect::severity;
use crate::error::Failure;
use crate::gather;
use crate::log_file;
use crate::view::{Answer, excluded_json, excluded_text, findings, findings_text};

/// What was looked at.
struct Reviewed {
    findings: Vec<Finding>,
    /// Runs left out, with the reason.
    excluded: Vec<(String, String)>,
    /// "3 runs" or "a log".
    what: String,
}

/// `settlepoint review`: the answer, and whether a finding is forbidden by `--deny`.
pub(crate) fn review(args: &ReviewArgs) -> Result<(Answer, bool), Failure> {
    let deny = args.deny.as_deref().map(severity).transpose()?;
    let mut reviewed = if is_notebook(&args.file) {
        of_notebook(&args.file)?
    } else {
        of_log(args)?
    };
    reviewed
        .findings
        .sort_by_key(|f| std::cmp::Reverse(f.severity));
    let denied = deny.is_some_and(|d| reviewed.findings.iter().any(|f| f.severity >= d));
    Ok((answer(&reviewed), denied))
}

/// The first bytes of a notebook.
const NOTEBOOK: &[u8] = b"SQLite format 3\0";

fn is_notebook(path: &Path) -> bool {
    let mut start = [0; NOTEBOOK.len()];
    let read = std::fs::File::open(path).and_then(|mut file| file.read_exact(&mut start));
    let by_name = path.extension().is_some_and(|e| e == "settle");
    by_name || (read.is_ok() && start == NOTEBOOK)
}

fn of_log(args: &ReviewArgs) -> Result<Reviewed, Failure> {
    let read = log_file::read(&args.file, &args.read)?;
    log_file::save_recipe(&args.read, &read)?;
    let mut findings = read.imported.findings.clone();
    let options = Options { room_c: args.room };
    findings.extend(analyse(&read.imported.log, &options).findings);
    Ok(Reviewed {
        findings,
        excluded: Vec::new(),
        what: format!("a log of {} rows", read.imported.log.len()),
    })
}

fn of_notebook(path: &Path) -> Result<Reviewed, Failure> {
    let book = gather::open(path)?;
    let facts = Facts::gather(&book)?;
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
pub(crate) fn rules_of(book: &Notebook) -> Result<Vec<Finding>, Failure> {
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
pub(crate) fn for_comparison(book: &Notebook) -> Result<Vec<Finding>, Failure> {
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
    fn gather(book: &Notebook) -> Result<Self, Failure> {
        let mut facts = Self::without_logs(book)?;
        for part in &mut facts.parts {
            if part.run.data == RunData::Log && part.run.excluded.is_none() {
                read_log(book, part)?;
            }
        }
        Ok(facts)
    }

    fn without_logs(book: &Notebook) -> Result<Self, Failure> {
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

fn read_log(book: &Notebook, part: &mut Part) -> Result<(), Failure> {
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

fn answer(reviewed: &Reviewed) -> Answer {
    let json = json!({
        "schema": "settlepoint.review/1",
        "reviewed": reviewed.what,
        "findings": findings(&reviewed.findings),
        "excluded": excluded_json(&reviewed.excluded),
    });
    let mut text = match reviewed.findings.len() {
        0 => format!("{}: nothing found\n", reviewed.what),
        1 => format!("{}: 1 finding\n", reviewed.what),
        n => format!("{}: {n} findings\n", reviewed.what),
    };
    text += &findings_text(&reviewed.findings);
    text += &excluded_text(&reviewed.excluded);
    Answer::new(json, text)
}
