//! `before-after`.

use serde_json::{Value, json};
use settlepoint_infer::before_after::{Row, Rows};
use settlepoint_views::gather;
use settlepoint_views::verdicts::{ComparedCoolings, compare_coolings};

use crate::args::BeforeAfterArgs;
use crate::error::Failure;
use crate::view::{
    Answer, bullets, estimate, excluded_json, excluded_text, findings, findings_text, fixed,
    number, optional, optional_estimate, table,
};

/// `settlepoint before-after`.
pub(crate) fn before_after(args: &BeforeAfterArgs) -> Result<Answer, Failure> {
    let book = gather::open(&args.notebook)?;
    let said = compare_coolings(
        &book,
        args.machine.as_deref(),
        [&args.before, &args.after],
        args.smallest,
    )?;
    Ok(Answer::new(json_of(&said), text_of(&said)))
}

fn json_of(said: &ComparedCoolings) -> Value {
    let c = &said.compared;
    let headline = [&c.at_equal_level, &c.at_equal_speed]
        .into_iter()
        .filter_map(Rows::middle)
        .find(|r| r.verdict == c.verdict);
    json!({
        "schema": "settlepoint.before-after/1",
        "machine": said.machine.name,
        "before": { "cooling": said.coolings[0].name, "runs": said.runs[0] },
        "after": { "cooling": said.coolings[1].name, "runs": said.runs[1] },
        "verdict": c.verdict.token(),
        "summary": said.summary,
        "ratio": headline.map(|r| estimate(r.change_pct.affine(0.01, 1.0))),
        "difference_k_per_w": headline.map(|r| estimate(r.change_k.affine(1.0 / c.at.power_w, 0.0))),
        "smallest_pct": number(said.smallest_pct),
        "at": { "power_w": number(c.at.power_w), "room_c": number(c.at.room_c) },
        "at_equal_speed": rows_json(&c.at_equal_speed, "fan_speed_rpm"),
        "at_equal_level": rows_json(&c.at_equal_level, "level_dba"),
        "level_at_equal_speed_db": c.level_at_speed_db.map(|(rpm, db)| json!({
            "fan_speed_rpm": number(rpm),
            "difference": estimate(db),
        })),
        "low_minus_high_speed_points": optional_estimate(c.tilt_points),
        "fans_assumed_unchanged": c.fans_assumed,
        "else_changed": said.else_changed,
        "reasons": said.reasons,
        "findings": findings(&said.findings),
        "excluded": excluded_json(&said.excluded),
    })
}

fn rows_json(rows: &Rows, key: &str) -> Value {
    match rows {
        Rows::Unknown(needs) => json!({ "value": null, "needs": needs }),
        Rows::Known { rows, both_reached } => {
            let row = |r: &Row| {
                let mut object = json!({
                    "before_k_per_w": estimate(r.before_k_per_w),
                    "after_k_per_w": estimate(r.after_k_per_w),
                    "ratio": estimate(r.change_pct.affine(0.01, 1.0)),
                    "change_k": estimate(r.change_k),
                    "both_reached": both_reached,
                    "verdict": r.verdict.token(),
                });
                object[key] = optional(r.at);
                object
            };
            rows.iter().map(row).collect()
        }
    }
}

fn text_of(said: &ComparedCoolings) -> String {
    let c = &said.compared;
    let watts = fixed(c.at.power_w, 0);
    let mut text = format!(
        "{}\n\n{}: '{}' ({}) against '{}' ({}), both at {watts} W in a {} °C room\n",
        said.summary,
        said.machine.name,
        said.coolings[1].name,
        count(said.runs[1].len()),
        said.coolings[0].name,
        count(said.runs[0].len()),
        fixed(c.at.room_c, 1),
    );
    let kelvins = format!("K at {watts} W");
    text += &table(
        &[
            "at",
            "before, K/W (90 %)",
            "after, K/W (90 %)",
            "change, % (90 %)",
            &kelvins,
            "verdict",
        ],
        &said.lines().into_iter().map(Vec::from).collect::<Vec<_>>(),
    );
    for (rows, what) in [(&c.at_equal_speed, "speed"), (&c.at_equal_level, "level")] {
        if let Rows::Unknown(needs) = rows {
            text += &format!("at equal {what}: not known; needs {needs}\n");
        }
    }
    if !said.else_changed.is_empty() {
        text += "\nWhat else changed:\n";
        text += &bullets(&said.else_changed);
    }
    if !said.reasons.is_empty() {
        text += "\n";
        text += &bullets(&said.reasons);
    }
    if !said.findings.is_empty() {
        text += &format!("\n{}", findings_text(&said.findings));
    }
    text + &excluded_text(&said.excluded)
}

fn count(runs: usize) -> String {
    if runs == 1 {
        "1 run".to_owned()
    } else {
        format!("{runs} runs")
    }
}
