//! `check`.

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_infer::unit_check::{Condition, Row, Tolerances, Verdict};
use settlepoint_views::gather;
use settlepoint_views::verdicts::{
    CheckAsked, CheckedUnit, CheckedUnits, check_units, sheet_html, sheet_text,
};

use crate::args::{CheckArgs, DenyVerdict};
use crate::error::{Failure, with_path};
use crate::view::{
    Answer, estimate, excluded_json, excluded_text, findings, findings_text, limit, number,
    optional,
};

/// `settlepoint check`: the answer, and whether its verdict is forbidden by `--deny`.
pub(crate) fn check(args: &CheckArgs) -> Result<(Answer, bool), Failure> {
    let book = gather::open(&args.notebook)?;
    let said = check_units(
        &book,
        &CheckAsked {
            against: args.against.clone(),
            units: args.unit.clone(),
            cooling: args.cooling.clone(),
            tolerances: Tolerances {
                package_k: args.temp_tolerance,
                power_pct: args.power_tolerance,
                level_db: args.level_tolerance,
                work_pct: args.work_tolerance,
                resistance_pct: args.resistance_tolerance,
            },
        },
    )?;
    let sheets: Vec<String> = said.units.iter().map(|u| sheet_text(&said, u)).collect();
    let sheets = sheets.join("\n\u{c}\n");
    let mut json = json_of(&said);
    let mut text = sheets.replace('\u{c}', &"-".repeat(72));
    if let Some(path) = &args.output {
        let page = if is_html(path) {
            sheet_html(&said)
        } else {
            sheets
        };
        std::fs::write(path, page).map_err(|e| with_path(path, "write", &e))?;
        json["file"] = path.display().to_string().into();
        text = summaries(&said) + &format!("wrote {}\n", path.display());
    }
    for unit in &said.units {
        text += &findings_text(&unit.findings);
        text += &excluded_text(&unit.excluded);
    }
    for name in &said.without_runs {
        text += &format!("'{name}' has no run and was not checked\n");
    }
    let denied = match (args.deny, said.verdict()) {
        (Some(_), Verdict::Fail) | (Some(DenyVerdict::CannotTell), Verdict::CannotTell) => true,
        (Some(DenyVerdict::CannotTell), Verdict::Pass) => !said.without_runs.is_empty(),
        _ => false,
    };
    Ok((Answer::new(json, text), denied))
}

fn is_html(path: &Path) -> bool {
    path.extension()
        .and_then(|e| e.to_str())
        .is_some_and(|e| e.eq_ignore_ascii_case("html") || e.eq_ignore_ascii_case("htm"))
}

fn summaries(said: &CheckedUnits) -> String {
    said.units
        .iter()
        .map(|u| u.summary.clone() + "\n")
        .collect()
}

fn json_of(said: &CheckedUnits) -> Value {
    let t = said.tolerances;
    json!({
        "schema": "settlepoint.check/1",
        "against": said.against.iter().map(|m| json!({
            "machine": m.name,
            "model": m.model,
            "serial": m.serial,
        })).collect::<Vec<_>>(),
        "reference_runs": said.reference_runs,
        "tolerances": {
            "package_k": number(t.package_k),
            "power_pct": number(t.power_pct),
            "level_db": number(t.level_db),
            "work_pct": number(t.work_pct),
            "resistance_pct": number(t.resistance_pct),
        },
        "verdict": said.verdict().token(),
        "units": said.units.iter().map(|u| unit_json(said, u)).collect::<Vec<_>>(),
        "without_runs": said.without_runs,
        "reasons": said.units.iter().map(|u| u.summary.as_str()).collect::<Vec<_>>(),
    })
}

fn unit_json(said: &CheckedUnits, unit: &CheckedUnit) -> Value {
    json!({
        "machine": unit.machine.name,
        "model": unit.machine.model,
        "serial": unit.machine.serial,
        "cooling": unit.cooling.name,
        "runs": unit.runs,
        "verdict": unit.checked.verdict.token(),
        "summary": unit.summary,
        "conditions": unit
            .checked
            .conditions
            .iter()
            .map(|c| condition_json(said, c))
            .collect::<Vec<_>>(),
        "reasons": unit.reasons,
        "findings": findings(&unit.findings),
        "excluded": excluded_json(&unit.excluded),
    })
}

fn condition_json(said: &CheckedUnits, condition: &Condition) -> Value {
    json!({
        "workload": said.workloads.get(condition.workload),
        "setting": {
            "name": condition.setting.name,
            "pl1_w": limit(condition.setting.pl1_w),
            "pl2_w": limit(condition.setting.pl2_w),
            "temp_limit_c": limit(condition.setting.temp_limit_c),
        },
        "room_c": optional(condition.room_c),
        "rows": condition.rows.iter().map(row_json).collect::<Vec<_>>(),
        "not_checked": condition.missing.iter().map(|i| i.token()).collect::<Vec<_>>(),
    })
}

fn row_json(row: &Row) -> Value {
    let mut object = json!({
        "item": row.item.token(),
        "reference": estimate(row.reference),
        "unit": estimate(row.unit),
        "difference": estimate(row.deviation),
        "difference_unit": if row.item.relative() {
            "%"
        } else if row.item.token() == "level_dba" {
            "dB"
        } else {
            "K"
        },
        "tolerance": number(row.tolerance),
        "verdict": row.verdict.token(),
    });
    if row.item.relative() {
        object["ratio"] = estimate(row.deviation.affine(0.01, 1.0));
    }
    object
}
