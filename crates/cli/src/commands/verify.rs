//! `verify`.

use serde_json::{Value, json};
use settlepoint_domain::Estimate;
use settlepoint_infer::verify::{Compared, Matters, Quantity};
use settlepoint_views::gather;
use settlepoint_views::verdicts::{VerifiedRun, verify_run};

use crate::args::VerifyArgs;
use crate::error::Failure;
use crate::view::{
    Answer, bullets, estimate, excluded_json, excluded_text, findings, findings_text, fixed,
    number, optional, optional_estimate, signed, span, table,
};

/// `settlepoint verify`.
pub(crate) fn verify(args: &VerifyArgs) -> Result<Answer, Failure> {
    let book = gather::open(&args.pick.notebook)?;
    let matters = Matters {
        package_k: args.temp_matters,
        power_pct: args.power_matters,
        level_db: args.level_matters,
        work_pct: args.work_matters,
        ..Matters::default()
    };
    let said = verify_run(
        &book,
        &args.pick.pick()?,
        &args.run,
        &args.use_runs,
        &matters,
    )?;
    Ok(Answer::new(json_of(&said), text_of(&said)))
}

fn json_of(said: &VerifiedRun) -> Value {
    let v = &said.verified;
    // What the verdict is about; the temperature where nothing is off.
    let headline = v.leading().or(v.compared.first());
    json!({
        "schema": "settlepoint.verify/1",
        "run": said.run.name,
        "machine": said.machine.name,
        "cooling": said.cooling.name,
        "runs_used": said.used,
        "room_c": optional(v.room_c),
        "verdict": v.verdict(),
        "summary": said.summary,
        "quantity": headline.map(|c| c.quantity.token()),
        "difference": headline.map(|c| estimate(c.difference)),
        "difference_unit": headline.map(|c| unit(c.quantity)),
        "quantities": v.compared.iter().map(quantity_json).collect::<Vec<_>>(),
        "causes": {
            "resistance_pct": optional_estimate(v.causes.resistance_pct),
            "fan_speed_at_equal_temperature_pct": optional_estimate(v.causes.fan_speed_pct),
            "level_at_equal_speed_db": optional_estimate(v.causes.level_db),
            "work_at_equal_power_pct": optional_estimate(v.causes.work_pct),
        },
        "reasons": said.reasons,
        "findings": findings(&said.findings),
        "excluded": excluded_json(&said.excluded),
    })
}

fn quantity_json(c: &Compared) -> Value {
    json!({
        "quantity": c.quantity.token(),
        "predicted": estimate(c.predicted),
        "measured": number(c.measured),
        "difference": estimate(c.difference),
        "difference_unit": unit(c.quantity),
        "matters": number(c.matters),
        "verdict": c.token(),
    })
}

/// The unit of a difference.
fn unit(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Package => "K",
        Quantity::Level => "dB",
        _ => "%",
    }
}

fn text_of(said: &VerifiedRun) -> String {
    let room = said.verified.room_c.map_or_else(
        || "in a room that was not noted".to_owned(),
        |c| format!("in a {} °C room", fixed(c, 1)),
    );
    let mut text = format!(
        "{}\n\nRun '{}' with {}, {room}, against {}:\n{}",
        said.summary,
        said.run.name,
        said.cooling.name,
        runs(&said.used),
        table(
            &[
                "quantity",
                "predicted (90 %)",
                "measured",
                "difference",
                "matters from",
                "verdict"
            ],
            &said.verified.compared.iter().map(row).collect::<Vec<_>>()
        )
    );
    let causes = causes(said);
    if !causes.is_empty() {
        text += &format!("\nBehind it, against the other runs:\n{causes}");
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

/// "3 runs ('65 W', '125 W', '181 W')".
fn runs(names: &[String]) -> String {
    let list: Vec<String> = names.iter().map(|n| format!("'{n}'")).collect();
    let count = if names.len() == 1 {
        "1 run".to_owned()
    } else {
        format!("{} runs", names.len())
    };
    format!("{count} ({})", list.join(", "))
}

fn row(c: &Compared) -> Vec<String> {
    let (name, decimals) = match c.quantity {
        Quantity::Package => ("temperature, °C", 1),
        Quantity::Power => ("power, W", 1),
        Quantity::FanSpeed => ("fan speed, rpm", 0),
        Quantity::Level => ("level, dB(A)", 1),
        Quantity::Clock => ("clock, MHz", 0),
        Quantity::Work => ("work, relative", 3),
        Quantity::BoostLength => ("boost, s", 0),
    };
    vec![
        name.to_owned(),
        span(c.predicted, decimals),
        fixed(c.measured, decimals),
        format!("{} {}", signed(c.difference.value, 1), unit(c.quantity)),
        format!("{} {}", c.matters, unit(c.quantity)),
        c.token().replace('_', " "),
    ]
}

fn causes(said: &VerifiedRun) -> String {
    let c = said.verified.causes;
    // K/W always; the others where what they explain is off.
    let off =
        |e: Option<Estimate>, q| e.filter(|_| said.verified.of(q).is_some_and(Compared::differs));
    let lines: [(&str, Option<Estimate>, &str); 4] = [
        ("K/W at equal watts and fan speed", c.resistance_pct, "%"),
        (
            "fan speed at equal temperature",
            off(c.fan_speed_pct, Quantity::FanSpeed),
            "%",
        ),
        (
            "level at equal fan speed",
            off(c.level_db, Quantity::Level),
            "dB",
        ),
        ("work at equal watts", off(c.work_pct, Quantity::Work), "%"),
    ];
    let rows: Vec<Vec<String>> = lines
        .into_iter()
        .filter_map(|(name, e, unit)| {
            let e = e?;
            Some(vec![
                format!("  {name}"),
                format!(
                    "{} {unit} ({} to {})",
                    signed(e.value, 1),
                    signed(e.lo, 1),
                    signed(e.hi, 1)
                ),
            ])
        })
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    let whole = table(&["", ""], &rows);
    // Without the empty header.
    whole
        .split_once('\n')
        .map_or(whole.clone(), |(_, rest)| rest.to_owned())
}
