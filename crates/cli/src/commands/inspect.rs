//! `inspect`.

use serde_json::{Value, json};
use settlepoint_domain::{Channel, Figure, Finding, Phase, SensorLog, Severity, Unit};
use settlepoint_import::{ColumnRef, Imported};
use settlepoint_infer::network::{self, HeldOut, NetworkError, NetworkFit, NetworkInput, Stage};
use settlepoint_views::gather;

use crate::args::InspectArgs;
use crate::error::Failure;
use crate::log_file;
use crate::view::{
    Answer, cell, estimate, figure, figure_span, findings, findings_text, fixed, number, optional,
    optional_estimate, span, table,
};

/// The thermal model of a log, or why there is none.
enum Thermal {
    Fitted {
        fit: Box<NetworkFit>,
        held_out: Option<HeldOut>,
    },
    Not(String),
}

/// `settlepoint inspect`: the answer, and whether a finding is forbidden by `--deny`.
pub(crate) fn inspect(args: &InspectArgs) -> Result<(Answer, bool), Failure> {
    let deny = args.deny.as_deref().map(severity).transpose()?;
    let read = log_file::read(&args.file, &args.read)?;
    log_file::save_recipe(&args.read, &read)?;
    let imported = &read.imported;
    let (log, review) = gather::analysed(&imported.log, args.room);
    let thermal = thermal(&log, args.fit_until);
    let mut all: Vec<Finding> = imported.findings.clone();
    all.extend(review.findings);
    if let Thermal::Fitted { fit, .. } = &thermal {
        all.extend(fit.findings.clone());
    }
    all.sort_by_key(|f| std::cmp::Reverse(f.severity));
    let denied = deny.is_some_and(|d| all.iter().any(|f| f.severity >= d));
    let shown = Shown::all(imported);
    let json = json!({
        "schema": "settlepoint.inspect/1",
        "rows": rows_json(imported),
        "span_s": optional(imported.span_s),
        "time_reason": imported.time_reason,
        "channels": imported.log.channels().iter().zip(&shown).map(|(c, s)| channel_json(c, s)).collect::<Vec<_>>(),
        "questions": questions_json(imported),
        "phases": review.phases.iter().map(phase_json).collect::<Vec<_>>(),
        "thermal": thermal_json(&thermal),
        "findings": findings(&all),
    });
    let text = text(imported, &shown, &review.phases, &thermal, &all);
    Ok((Answer::new(json, text), denied))
}

pub(crate) fn severity(text: &str) -> Result<Severity, Failure> {
    [Severity::Note, Severity::Warning, Severity::Error]
        .into_iter()
        .find(|s| s.token() == text)
        .ok_or_else(|| Failure::usage(format!("--deny {text}: give note, warning or error")))
}

fn thermal(log: &SensorLog, fit_until_s: Option<f64>) -> Thermal {
    let fitted = NetworkInput::from_log(log).and_then(|input| {
        let options = network::Options {
            fit_until_s: fit_until_s.unwrap_or(f64::INFINITY),
            ..network::Options::default()
        };
        let fit = network::fit(&input, &options)?;
        let held_out = match fit_until_s {
            Some(until) => fit.held_out(&input, until)?,
            None => None,
        };
        Ok::<_, NetworkError>((fit, held_out))
    });
    match fitted {
        Ok((fit, held_out)) => Thermal::Fitted {
            fit: Box::new(fit),
            held_out,
        },
        Err(error) => Thermal::Not(error.to_string()),
    }
}

fn rows_json(imported: &Imported) -> Value {
    let skipped: Vec<Value> = imported
        .rows
        .skipped
        .iter()
        .map(|s| json!({ "reason": s.reason.token(), "count": s.count, "lines": s.lines }))
        .collect();
    json!({ "read": imported.rows.read, "kept": imported.rows.kept, "skipped": skipped })
}

/// A channel's figures as they are shown: a share that stood in the file as per cent is shown so.
struct Shown {
    unit: &'static str,
    mean: Option<f64>,
    min: Option<f64>,
    max: Option<f64>,
    missing: usize,
}

impl Shown {
    /// One pass over the values: a log may have millions of rows.
    fn of(imported: &Imported, c: &Channel) -> Self {
        let (unit, factor) = if c.unit == Unit::Share && in_percent(imported, c) {
            ("%", 100.0)
        } else {
            (c.unit.code(), 1.0)
        };
        let (mut n, mut sum) = (0_usize, 0.0);
        let (mut min, mut max) = (f64::INFINITY, f64::NEG_INFINITY);
        for (_, v) in c.present() {
            n += 1;
            sum += v;
            min = min.min(v);
            max = max.max(v);
        }
        let known = |v: f64| (n > 0).then_some(factor * v);
        Self {
            unit,
            mean: known(sum / n as f64),
            min: known(min),
            max: known(max),
            missing: c.values.len() - n,
        }
    }

    /// All channels, on two threads.
    fn all(imported: &Imported) -> Vec<Self> {
        let channels = imported.log.channels();
        let (near, far) = channels.split_at(channels.len() / 2);
        let of = |part: &[Channel]| -> Vec<Self> {
            part.iter().map(|c| Self::of(imported, c)).collect()
        };
        std::thread::scope(|scope| {
            let other = scope.spawn(|| of(far));
            let mut all = of(near);
            all.extend(other.join().unwrap_or_default());
            all
        })
    }
}

fn in_percent(imported: &Imported, c: &Channel) -> bool {
    imported.recipe.channels.iter().any(|given| {
        let same = match &given.column {
            ColumnRef::Name(name) => *name == c.column,
            ColumnRef::Number(number) => *number == c.column_number,
            _ => false,
        };
        same && given.unit.is_some_and(|u| u.code == "%")
    })
}

fn channel_json(c: &Channel, shown: &Shown) -> Value {
    json!({
        "role": c.role.token(),
        "column": c.column,
        "column_number": c.column_number,
        "unit": shown.unit,
        "part": c.part,
        "reason": c.reason,
        "mean": shown.mean,
        "min": shown.min,
        "max": shown.max,
        "missing": shown.missing,
    })
}

fn questions_json(imported: &Imported) -> Value {
    imported
        .questions
        .iter()
        .map(|q| {
            json!({
                "about": q.about,
                "options": q.options,
                "chosen": q.chosen,
                "reason": q.reason,
                "answer_with": q.answer_with,
            })
        })
        .collect()
}

fn phase_json(p: &Phase) -> Value {
    json!({
        "kind": p.kind.token(),
        "start_s": number(p.start_s),
        "end_s": number(p.end_s),
        "power_w": optional_estimate(p.power_w),
        "package_c": optional_estimate(p.package_c),
        "fan_speed_rpm": optional_estimate(p.fan_speed_rpm),
        "settled": p.plateau.is_some_and(|x| x.settled),
        "plateau_c": optional_estimate(p.plateau.map(|x| x.temp_c)),
    })
}

fn thermal_json(thermal: &Thermal) -> Value {
    let (fit, held_out) = match thermal {
        Thermal::Fitted { fit, held_out } => (fit, held_out),
        Thermal::Not(why) => {
            return json!({
                "nodes": null,
                "resistance_k_per_w": { "value": null, "needs": why },
                "time_constants_s": [],
                "reference_c": null,
                "held_out": null,
            });
        }
    };
    let stages = fit.stages.iter().map(|s| {
        json!({
            "resistance_k_per_w": estimate(s.resistance_k_per_w),
            "time_constant_s": figure(&s.time_constant_s),
            "beyond_record": s.beyond_record,
        })
    });
    json!({
        "nodes": fit.nodes(),
        "resistance_k_per_w": figure(&fit.resistance_k_per_w),
        "time_constants_s": fit.stages.iter().map(|s| figure(&s.time_constant_s)).collect::<Vec<_>>(),
        "stages": stages.collect::<Vec<_>>(),
        "sensor_lag_s": fit.sensor_lag_s.as_ref().map(figure),
        "reference_c": estimate(fit.reference_c),
        "rmse_k": number(fit.rmse_k),
        "converged": fit.stopped.converged(),
        "held_out": held_out.as_ref().map(held_out_json),
    })
}

fn held_out_json(h: &HeldOut) -> Value {
    json!({
        "rmse_k": number(h.rmse_k),
        "bias_k": number(h.bias_k),
        "max_k": number(h.max_k),
        "samples": h.samples,
        "rmse_10s_k": number(h.rmse_10s_k),
        "in_90_10s": number(h.in_90_10s as f64 / h.means_10s.max(1) as f64),
        "means_10s": h.means_10s,
    })
}

fn text(
    imported: &Imported,
    shown: &[Shown],
    phases: &[Phase],
    thermal: &Thermal,
    all: &[Finding],
) -> String {
    let mut out = format!(
        "{} lines read, {} kept",
        imported.rows.read, imported.rows.kept
    );
    for s in &imported.rows.skipped {
        out += &format!(", {} {}", s.count, s.reason.token().replace('_', " "));
    }
    out += &match imported.span_s {
        Some(span) => format!("\n{span:.1} s from first to last row\n"),
        None => "\nno time in the file\n".to_owned(),
    };
    out += &format!("\nChannels\n{}", channels_text(imported, shown));
    if !phases.is_empty() {
        out += &format!("\nPhases\n{}", phases_text(phases));
    }
    out += &format!("\nThermal model\n{}", thermal_text(thermal));
    for q in &imported.questions {
        out += &format!(
            "\nQuestion: {}? Taken: {} ({}). To say otherwise: {}\n",
            q.about.trim_end_matches('?'),
            q.chosen,
            q.reason,
            q.answer_with
        );
    }
    if !all.is_empty() {
        out += &format!("\nFindings\n{}", findings_text(all));
    }
    out
}

fn channels_text(imported: &Imported, shown: &[Shown]) -> String {
    let rows: Vec<Vec<String>> = imported
        .log
        .channels()
        .iter()
        .zip(shown)
        .map(|(c, shown)| {
            let show = |v: Option<f64>| v.map_or_else(|| "-".into(), short);
            vec![
                c.role.token().to_owned(),
                c.column.clone(),
                spelled(shown.unit).to_owned(),
                show(shown.mean),
                show(shown.min),
                show(shown.max),
                if shown.missing > 0 {
                    shown.missing.to_string()
                } else {
                    String::new()
                },
                c.reason.clone(),
            ]
        })
        .collect();
    table(
        &[
            "role", "column", "unit", "mean", "min", "max", "missing", "why",
        ],
        &rows,
    )
}

/// A UCUM code as people write it.
fn spelled(code: &str) -> &str {
    match code {
        "Cel" => "°C",
        "{rpm}" => "rpm",
        "1" => "0 to 1",
        other => other,
    }
}

fn short(v: f64) -> String {
    let decimals = if v.fract() == 0.0 { 0 } else { 2 };
    fixed(v, decimals)
}

fn phases_text(phases: &[Phase]) -> String {
    let rows: Vec<Vec<String>> = phases
        .iter()
        .map(|p| {
            vec![
                p.kind.token().to_owned(),
                format!("{:.0}", p.start_s),
                format!("{:.0}", p.end_s),
                cell(p.power_w.map(|e| e.value), 1),
                cell(p.package_c.map(|e| e.value), 1),
                match p.plateau {
                    Some(x) if x.settled => format!("{} settled", span(x.temp_c, 1)),
                    Some(x) => format!("{} where it is heading", span(x.temp_c, 1)),
                    None => "cannot be told".into(),
                },
            ]
        })
        .collect();
    table(
        &["phase", "from s", "to s", "mean W", "mean °C", "plateau °C"],
        &rows,
    )
}

fn thermal_text(thermal: &Thermal) -> String {
    let (fit, held_out) = match thermal {
        Thermal::Fitted { fit, held_out } => (fit, held_out),
        Thermal::Not(why) => return format!("none: {why}\n"),
    };
    let mut out = format!(
        "{} {}, {} over {} °C\n",
        fit.nodes(),
        if fit.nodes() == 1 { "stage" } else { "stages" },
        figure_span(&fit.resistance_k_per_w, 4, "K/W"),
        span(fit.reference_c, 1)
    );
    let rows: Vec<Vec<String>> = fit.stages.iter().map(stage_row).collect();
    out += &table(&["stage K/W", "time constant s", ""], &rows);
    if let Some(lag) = &fit.sensor_lag_s {
        out += &format!("sensor lag {}\n", figure_span(lag, 1, "s"));
    }
    if let Some(h) = held_out {
        out += &format!(
            "rows not fitted: {:.2} K rms, {:.2} K for 10 s means, bias {:+.2} K, largest {:.2} K, {} of {} means inside their 90 % band\n",
            h.rmse_k, h.rmse_10s_k, h.bias_k, h.max_k, h.in_90_10s, h.means_10s
        );
    }
    out
}

fn stage_row(stage: &Stage) -> Vec<String> {
    let time = match &stage.time_constant_s {
        Figure::Known(e) => span(*e, if e.value < 10.0 { 2 } else { 0 }),
        Figure::Unknown { needs } => format!("not known; needs {needs}"),
    };
    vec![
        span(stage.resistance_k_per_w, 4),
        time,
        if stage.beyond_record {
            "longer than three times the record".into()
        } else {
            String::new()
        },
    ]
}
