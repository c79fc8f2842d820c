//! `plan`.

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_domain::Workload;
use settlepoint_infer::choose::Constraints;
use settlepoint_infer::plan::{Proposal, Vary, Widths, Worth};
use settlepoint_views::ViewError;
use settlepoint_views::gather::{self, Gathered, gather};
use settlepoint_views::planning::{
    MachineKind, Planned, Wishes, first_runs, next_runs, widths_in_words,
};
use settlepoint_views::sheet_page;
use settlepoint_views::text::capital;

use crate::args::{MachineKindArg, PlanArgs, VaryArg};
use crate::commands::runs::setting_json;
use crate::error::{Failure, with_path};
use crate::view::{Answer, bullets, excluded_text, number, optional};

/// `settlepoint plan`.
pub(crate) fn plan(args: &PlanArgs) -> Result<Answer, Failure> {
    let wishes = wishes(args)?;
    let book = gather::open(&args.pick.notebook)?;
    let gathered = match gather(&book, &args.pick.pick()?) {
        Ok(gathered) => Some(gathered),
        Err(ViewError::Empty) => None,
        Err(other) => return Err(other.into()),
    };
    let planned = match gathered.as_ref().filter(|g| !g.runs.is_empty()) {
        Some(gathered) if args.kind.is_none() && args.stock_watts.is_none() => {
            next_runs(gathered, &wishes)?
        }
        Some(_) => {
            return Err(Failure::usage(
                "--kind and --stock-watts are for a notebook without runs; this one has some and \
                 plans from them",
            ));
        }
        None => {
            let workloads: Vec<Workload> = book
                .workloads()
                .map_err(ViewError::from)?
                .into_iter()
                .filter(|w| !w.idle)
                .collect();
            first_runs(
                kind(args.kind),
                args.stock_watts,
                workloads.first(),
                &wishes,
            )?
        }
    };
    for file in &args.output {
        write(&planned, file, gathered.as_ref())?;
    }
    let text = text(&planned, gathered.as_ref(), args);
    Ok(Answer::new(to_json(&planned), text))
}

fn kind(arg: Option<MachineKindArg>) -> MachineKind {
    match arg {
        None | Some(MachineKindArg::Desktop) => MachineKind::Desktop,
        Some(MachineKindArg::Small) => MachineKind::Small,
        Some(MachineKindArg::Portable) => MachineKind::Portable,
    }
}

fn wishes(args: &PlanArgs) -> Result<Wishes, Failure> {
    if let Some(max) = args.temp_max
        && max <= args.room
    {
        return Err(Failure::usage(format!(
            "--temp-max {max} is not above the room's {} °C; give a temperature well above it",
            args.room
        )));
    }
    let bounded = args.temp_max.is_some() || args.noise_max.is_some();
    let may = |what| args.vary.contains(&what);
    Ok(Wishes {
        runs: args.runs,
        room_c: args.room,
        altitude_m: args.altitude,
        hours: args.hours,
        vary: Vary {
            temp_limit: may(VaryArg::TempLimit),
            fan: may(VaryArg::Fan),
            workload: may(VaryArg::Workload),
        },
        constraints: bounded.then_some(Constraints {
            room_c: args.room,
            altitude_m: args.altitude,
            temp_max_c: args.temp_max,
            confidence: args.confidence,
            noise_max_dba: args.noise_max,
            noise_max_idle_dba: None,
            loss_max_pct: 100.0,
            wall_max_w: None,
            rest_w: 0.0,
            supply_efficiency: 1.0,
        }),
    })
}

fn title(gathered: Option<&Gathered>) -> String {
    gathered.map_or_else(
        || "First runs".to_owned(),
        |g| format!("Next runs of {} with {}", g.machine.name, g.cooling.name),
    )
}

/// Writes the sheet as what the file's name says.
fn write(planned: &Planned, file: &Path, gathered: Option<&Gathered>) -> Result<(), Failure> {
    let text = match file.extension().and_then(|e| e.to_str()) {
        Some("csv") => settlepoint_sheet::write(&planned.rows),
        Some("html" | "htm") => sheet_page::page(planned, &title(gathered)),
        Some("txt") => sheet_text(planned),
        _ => {
            return Err(Failure::usage(format!(
                "'{}' is no kind of sheet: end its name in .csv, .html or .txt",
                file.display()
            )));
        }
    };
    std::fs::write(file, text).map_err(|e| with_path(file, "write", &e))
}

fn text(planned: &Planned, gathered: Option<&Gathered>, args: &PlanArgs) -> String {
    let plan = &planned.plan;
    let mut text = format!(
        "{}\n\nNow ({}, 90 % intervals): {}\n",
        title(gathered),
        if args.temp_max.is_some() || args.noise_max.is_some() {
            "for the choice asked for; over all settings"
        } else {
            "over all settings"
        },
        widths_in_words(&plan.now)
    );
    for (i, (run, reason)) in plan.runs.iter().zip(&planned.reasons).enumerate() {
        let workload = &planned.workloads[run.workload];
        let load = if workload.is_empty() {
            String::new()
        } else {
            format!(" with {workload}")
        };
        text += &format!(
            "\n  {}. {}{load}{}\n     {reason}\n",
            i + 1,
            run.setting.name,
            if run.useful { "" } else { " (not worth it)" },
        );
    }
    if let Some(last) = plan.runs.last() {
        text += &format!("\nAfter them: {}\n", widths_in_words(&last.after));
    }
    for line in &planned.summary {
        text += &format!("{}.\n", capital(line));
    }
    if !planned.unknown.is_empty() {
        text += "\nNot known from the runs so far, and what would tell:\n";
        text += &bullets(&planned.unknown);
    }
    text += "\n";
    text += &sheet_text(planned);
    if let Some(gathered) = gathered {
        text += &excluded_text(&gathered.excluded);
    }
    text
}

fn sheet_text(planned: &Planned) -> String {
    let mut text = format!(
        "Run sheet, {} runs, about {:.1} h\n",
        planned.rows.len(),
        planned.hours
    );
    let mut run = "";
    for step in &planned.steps {
        if step.run != run {
            text += &format!("\n  {}\n", step.run);
            run = &step.run;
        }
        text += &format!(
            "  {:>3}  {:>3.0} min  {}\n",
            step.step, step.minutes, step.text
        );
    }
    text += "\nTo log and to note:\n";
    text += &bullets(&planned.to_note);
    text += "\nCautions:\n";
    text += &bullets(&planned.cautions);
    text
}

fn to_json(planned: &Planned) -> Value {
    let plan = &planned.plan;
    let mut before = plan.now;
    let runs: Vec<Value> = plan
        .runs
        .iter()
        .zip(&planned.reasons)
        .map(|(run, reason)| {
            let value = run_json(planned, run, &before, reason);
            before = run.after;
            value
        })
        .collect();
    json!({
        "schema": "settlepoint.plan/1",
        "runs": runs,
        "worthwhile": plan.worthwhile(),
        "now": widths_json(&plan.now),
        "floor": widths_json(&plan.floor),
        "worth": plan.worth.map_or(Value::Null, worth_json),
        "sheet": planned
            .steps
            .iter()
            .map(|s| {
                json!({
                    "step": s.step,
                    "run": s.run,
                    "what": s.what,
                    "minutes": number(s.minutes),
                    "text": s.text,
                })
            })
            .collect::<Vec<_>>(),
        "hours": number(planned.hours),
        "summary": planned.summary,
        "unknown": planned.unknown,
        "to_note": planned.to_note,
        "cautions": planned.cautions,
    })
}

fn run_json(planned: &Planned, run: &Proposal, before: &Widths, reason: &str) -> Value {
    let less = |from: Option<f64>, to: Option<f64>| optional(from.zip(to).map(|(a, b)| a - b));
    json!({
        "setting": setting_json(&run.setting),
        "workload": planned.workloads[run.workload],
        "reason": reason,
        "gain": {
            "temperature_k": number(before.package_k - run.after.package_k),
            "power_pct": less(before.power_pct, run.after.power_pct),
            "work_pct": less(before.work_pct, run.after.work_pct),
            "level_db": less(before.level_db, run.after.level_db),
        },
        "after": widths_json(&run.after),
        "worth": run.worth.map_or(Value::Null, worth_json),
        "useful": run.useful,
        "settles_c": number(run.package_c),
        "settles_w": number(run.power_w),
    })
}

fn widths_json(w: &Widths) -> Value {
    json!({
        "temperature_k": number(w.package_k),
        "power_pct": optional(w.power_pct),
        "work_pct": optional(w.work_pct),
        "level_db": optional(w.level_db),
    })
}

fn worth_json(w: Worth) -> Value {
    json!({ "work_pct": number(w.work_pct), "p_any": number(w.p_any) })
}
