//! What was measured: conditions, runs, findings.

use std::collections::BTreeSet;

use settlepoint_domain::{Finding, Run, RunData, Severity};
use settlepoint_draw::plain;

use super::context::Context;
use super::{Block, Figure, Grid};
use crate::ViewError;
use crate::averages::{averages, mean_score};
use crate::charts::{ranking, run as run_chart};
use crate::facts::of_notebook;
use crate::words::{cell, count, day, limit, score, sentence};

/// Logged runs that are drawn; a report of a hundred would be no report.
const DRAWN: usize = 6;

/// Machine, cooling, rooms, workloads, and what was left out.
pub(super) fn conditions(context: &Context<'_>) -> Result<Vec<Block>, ViewError> {
    let gathered = &context.gathered;
    let mut facts = vec![("Machine".to_owned(), machine(context))];
    facts.push(("Cooling".to_owned(), cooling(context)));
    let tunes = tunes(context)?;
    if !tunes.is_empty() {
        facts.push(("Tunes".to_owned(), tunes));
    }
    facts.push(("Runs".to_owned(), kinds(context)));
    let days = days(context)?;
    if !days.is_empty() {
        facts.push(("Logged".to_owned(), days));
    }
    facts.push(("Room".to_owned(), rooms(context)));
    facts.push((
        "Work".to_owned(),
        gathered
            .workloads
            .iter()
            .map(|w| {
                let unit = if w.unit.is_empty() {
                    String::new()
                } else {
                    format!(" in {}", w.unit)
                };
                let hours = w
                    .hours_per_week
                    .map_or(String::new(), |h| format!(", {} h a week", plain(h, 0)));
                format!("{}{unit}{hours}", w.name)
            })
            .collect::<Vec<_>>()
            .join("; "),
    ));
    let meter = meter(context);
    if !meter.is_empty() {
        facts.push(("Level".to_owned(), meter));
    }
    let mut blocks = vec![Block::Facts(facts)];
    if !gathered.excluded.is_empty() {
        blocks.push(Block::Text("Left out by the owner:".into()));
        let lines = gathered.excluded.iter();
        blocks.push(Block::List(
            lines
                .map(|(run, why)| format!("{run}: {}", sentence(why)))
                .collect(),
        ));
    }
    Ok(blocks)
}

/// Name, model and notes; never the serial, which is nobody else's business.
fn machine(context: &Context<'_>) -> String {
    let machine = &context.gathered.machine;
    joined([&machine.name, &machine.model, &machine.notes])
}

fn cooling(context: &Context<'_>) -> String {
    let cooling = &context.gathered.cooling;
    let full = cooling.fan_max_rpm.map_or(String::new(), |rpm| {
        format!("fans to {} rpm", plain(rpm, 0))
    });
    joined([&cooling.name, &full, &cooling.notes])
}

fn joined<'a>(parts: impl IntoIterator<Item = &'a String>) -> String {
    let parts: Vec<&str> = parts
        .into_iter()
        .map(|p| p.trim())
        .filter(|p| !p.is_empty())
        .collect();
    parts.join("; ")
}

fn tunes(context: &Context<'_>) -> Result<String, ViewError> {
    let used: Vec<_> = context
        .gathered
        .runs
        .iter()
        .filter_map(|(r, _)| r.tune)
        .collect();
    let tunes = context.book.tunes()?;
    let own = tunes.iter().filter(|t| used.contains(&t.id));
    let names: Vec<String> = own.map(|t| joined([&t.name, &t.notes])).collect();
    Ok(names.join("; "))
}

/// "2 logged, 2 typed by hand".
fn kinds(context: &Context<'_>) -> String {
    let of = |is: &dyn Fn(&RunData) -> bool| {
        let runs = context.gathered.runs.iter();
        runs.filter(|(run, _)| is(&run.data)).count()
    };
    let kinds = [
        (of(&|d| *d == RunData::Log), "logged"),
        (of(&|d| matches!(d, RunData::Readings(_))), "typed by hand"),
        (of(&|d| *d == RunData::ScoresOnly), "with scores only"),
    ];
    let shown = kinds.iter().filter(|(n, _)| *n > 0);
    shown
        .map(|(n, what)| format!("{n} {what}"))
        .collect::<Vec<_>>()
        .join(", ")
}

/// The days on which logs began.
fn days(context: &Context<'_>) -> Result<String, ViewError> {
    if context.wish.anonymous {
        return Ok(String::new());
    }
    let mut days = BTreeSet::new();
    for (run, _) in &context.gathered.runs {
        if run.data == RunData::Log
            && let (Some(start), _) = context.book.log_start(run.id)?
        {
            days.insert(day(start.unix_ns));
        }
    }
    let ends = [days.first().cloned(), days.last().cloned()];
    Ok(match ends {
        [Some(first), Some(last)] if first != last => format!("{first} to {last}"),
        [Some(first), _] => first,
        _ => String::new(),
    })
}

fn rooms(context: &Context<'_>) -> String {
    let runs = &context.gathered.runs;
    let known = || runs.iter().filter_map(|(_, e)| e.room_c);
    let open = runs.len() - known().count();
    let mut text = match (known().reduce(f64::min), known().reduce(f64::max)) {
        (Some(lo), Some(hi)) if hi - lo >= 0.05 => {
            format!("{} to {} °C", plain(lo, 1), plain(hi, 1))
        }
        (Some(lo), _) => format!("{} °C", plain(lo, 1)),
        _ => "not noted".to_owned(),
    };
    if open > 0 && open < runs.len() {
        text += &format!("; not noted for {}", count(open, "run"));
    }
    let heights = runs.iter().filter_map(|(r, _)| r.altitude_m);
    if let Some(height) = heights.reduce(f64::max).filter(|h| h.abs() >= 1.0) {
        text += &format!("; {} m above sea level", plain(height, 0));
    }
    text
}

/// How levels were taken: they compare only at equal distance.
fn meter(context: &Context<'_>) -> String {
    let mut distances = BTreeSet::new();
    let mut background = Vec::new();
    let mut any = false;
    for (run, _) in &context.gathered.runs {
        let RunData::Readings(phases) = &run.data else {
            continue;
        };
        for phase in phases.iter().filter(|p| p.level_dba.is_some()) {
            any = true;
            distances.extend(phase.distance_m.map(|m| plain(m, 2)));
            background.extend(phase.background_dba);
        }
    }
    if !any {
        return String::new();
    }
    let mut parts = vec![if distances.is_empty() {
        "distance of the meter not noted".to_owned()
    } else {
        let list: Vec<String> = distances.into_iter().collect();
        format!("at {} m", list.join(" and "))
    }];
    if let Some(least) = background.into_iter().reduce(f64::min) {
        parts.push(format!("background {} dB(A)", plain(least, 1)));
    }
    parts.push("levels compare only at equal distance and place".into());
    parts.join("; ")
}

/// Every run in a table, their rank, and the logged ones over time.
pub(super) fn runs(context: &Context<'_>) -> Result<Vec<Block>, ViewError> {
    let mut rows = Vec::new();
    for (run, evidence) in &context.gathered.runs {
        let own = averages(context.book, run)?;
        let setting = &evidence.setting;
        let workload = &context.gathered.workloads[evidence.workload];
        rows.push(vec![
            run.name.clone(),
            workload.name.clone(),
            limit(setting.pl1_w),
            limit(setting.pl2_w),
            limit(setting.temp_limit_c),
            cell(evidence.room_c, 1),
            cell(own.plateau_c, 1),
            cell(own.power_w, 1),
            cell(own.fan_speed_rpm, 0),
            cell(own.level_dba, 1),
            mean_score(run).map_or("–".into(), |s| {
                let repeats = run.scores.len();
                if repeats > 1 {
                    format!("{} ({repeats}×)", score(s))
                } else {
                    score(s)
                }
            }),
        ]);
    }
    let mut blocks = vec![Block::Table(
        Grid::new(
        "Averages of each run's last phase under load; settled is where the temperature came to rest, or \
         where it was heading, or the mean where that was typed",
        &[
            "run",
            "work",
            "PL1 W",
            "PL2 W",
            "limit °C",
            "room °C",
            "settled °C",
            "power W",
            "fan rpm",
            "level dB(A)",
            "score",
        ],
        rows,
    ).without_blank_columns(),
    )];
    if context.gathered.runs.len() > 1 {
        let chart = ranking(context.book, &context.gathered)?;
        let rows = chart.rows.len().min(12) as f64;
        let figure = Figure::new(chart).shaped(0.1 + 0.056 * rows, 0.2 + 0.14 * rows);
        blocks.push(Block::Figure(figure));
    }
    blocks.extend(over_time(context)?);
    Ok(blocks)
}

fn over_time(context: &Context<'_>) -> Result<Vec<Block>, ViewError> {
    let logged: Vec<&Run> = context
        .gathered
        .runs
        .iter()
        .map(|(run, _)| run)
        .filter(|run| run.data == RunData::Log)
        .collect();
    let mut blocks = Vec::new();
    for run in logged.iter().take(DRAWN) {
        let id = run.id.to_string();
        let chart = run_chart(context.book, &context.gathered, Some(&id))?;
        let panels = chart.panels.len() as f64;
        let figure = Figure::new(chart).shaped(0.22 + 0.15 * panels, 0.4 + 0.28 * panels);
        blocks.push(Block::Figure(figure));
    }
    if logged.len() > DRAWN {
        blocks.push(Block::Text(format!(
            "{} more runs were logged; 'settlepoint chart NOTEBOOK run --run NAME' draws each.",
            logged.len() - DRAWN
        )));
    }
    Ok(blocks)
}

/// What the review found, the worst first.
pub(super) fn findings(context: &Context<'_>) -> Result<Vec<Block>, ViewError> {
    let mut found = of_notebook(context.book)?.findings;
    if let Ok(fit) = &context.fit {
        found.extend(fit.findings());
    }
    found.sort_by_key(|f| std::cmp::Reverse(f.severity));
    if found.is_empty() {
        return Ok(vec![Block::Text(
            "The review of the runs, alone and against each other, found nothing.".into(),
        )]);
    }
    let worst = |severity: Severity| found.iter().filter(|f| f.severity == severity).count();
    let counts: Vec<String> = [
        (Severity::Error, "error"),
        (Severity::Warning, "warning"),
        (Severity::Note, "note"),
    ]
    .into_iter()
    .filter(|(severity, _)| worst(*severity) > 0)
    .map(|(severity, word)| count(worst(severity), word))
    .collect();
    let grid = Grid::new(
        "",
        &["severity", "run", "what was found", "what to do"],
        found.iter().map(finding_row).collect(),
    );
    Ok(vec![
        Block::Text(format!("The review found {}.", counts.join(" and "))),
        Block::Table(grid.without_blank_columns()),
    ])
}

fn finding_row(finding: &Finding) -> Vec<String> {
    vec![
        finding.severity.token().to_owned(),
        finding.run.clone().unwrap_or_default(),
        sentence(&finding.evidence),
        sentence(&finding.remedy),
    ]
}
