//! `runs` and `exclude`.

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_domain::Setting;
use settlepoint_notebook::{Kind, Notebook};
use settlepoint_views::averages::{averages, mean_score};
use settlepoint_views::gather;

use crate::error::Failure;
use crate::view::{Answer, cell, limit, number, optional, table};

/// `settlepoint runs`.
pub(crate) fn runs(path: &Path) -> Result<Answer, Failure> {
    let book = gather::open(path)?;
    let coolings = book.coolings()?;
    let workloads = book.workloads()?;
    let (mut json_rows, mut text_rows) = (Vec::new(), Vec::new());
    for run in book.runs()? {
        let setting = book.setting(run.setting)?;
        let cooling = coolings
            .iter()
            .find(|c| c.id == run.cooling)
            .map_or("", |c| &c.name);
        let workload = workloads
            .iter()
            .find(|w| w.id == run.workload)
            .map_or("", |w| &w.name);
        let row = averages(&book, &run)?;
        let score = mean_score(&run);
        json_rows.push(json!({
            "id": run.id.to_string(),
            "name": run.name,
            "cooling": cooling,
            "workload": workload,
            "setting": setting_json(&setting),
            "room_c": optional(run.room_c),
            "plateau_c": optional(row.plateau_c),
            "power_w": optional(row.power_w),
            "fan_speed_rpm": optional(row.fan_speed_rpm),
            "level_dba": optional(row.level_dba),
            "score": optional(score),
            "frames": book.frame_infos(run.id)?.iter().map(|f| f.frame_count).sum::<usize>(),
            "excluded": run.excluded,
        }));
        text_rows.push(vec![
            run.name.clone(),
            cooling.to_owned(),
            workload.to_owned(),
            setting.name.clone(),
            cell(run.room_c, 1),
            cell(row.plateau_c, 1),
            cell(row.power_w, 1),
            cell(row.fan_speed_rpm, 0),
            cell(row.level_dba, 1),
            score.map_or_else(|| "-".into(), short_score),
            run.excluded.clone().unwrap_or_default(),
        ]);
    }
    let text = if text_rows.is_empty() {
        "no runs yet; add some with 'settlepoint add readings' or 'settlepoint add log'\n"
            .to_owned()
    } else {
        table(
            &[
                "run",
                "cooling",
                "workload",
                "setting",
                "room °C",
                "settled °C",
                "W",
                "rpm",
                "dB(A)",
                "score",
                "excluded",
            ],
            &text_rows,
        )
    };
    Ok(Answer::new(
        json!({ "schema": "settlepoint.runs/1", "runs": json_rows }),
        text,
    ))
}

/// A setting as the contract shows it.
pub(crate) fn setting_json(setting: &Setting) -> Value {
    use settlepoint_domain::FanSetting::{AsFitted, Ceiling, Curve, Fixed};
    let mut value = json!({
        "name": setting.name,
        "pl1_w": limit(setting.pl1_w),
        "pl2_w": limit(setting.pl2_w),
        "tau_s": limit(setting.tau_s),
        "temp_limit_c": limit(setting.temp_limit_c),
    });
    match &setting.fan {
        AsFitted => {}
        Ceiling(rpm) => value["fan_max_rpm"] = number(*rpm),
        Fixed(rpm) => value["fan_fixed_rpm"] = number(*rpm),
        Curve(points) => value["fan_curve"] = json!(points),
    }
    value
}

/// A score with six significant digits, without zeros at the end.
fn short_score(score: f64) -> String {
    let rounded: f64 = format!("{score:.5e}").parse().unwrap_or(score);
    if (1e-4..1e9).contains(&rounded.abs()) {
        rounded.to_string()
    } else {
        format!("{rounded:e}")
    }
}

/// `settlepoint exclude`.
pub(crate) fn exclude(path: &Path, run: &str, reason: Option<&str>) -> Result<Answer, Failure> {
    let book = Notebook::open(path)?;
    let id = book.id_of(Kind::Run, run)?;
    let text = if let Some(reason) = reason {
        book.exclude_run(id, reason)?;
        format!("run '{run}' is left out: {reason}\n")
    } else {
        book.include_run(id)?;
        format!("run '{run}' counts again\n")
    };
    Ok(Answer::new(
        json!({ "schema": "settlepoint.exclude/1", "run": run, "id": id.to_string(), "excluded": reason }),
        text,
    ))
}
