//! `fit`.

use serde_json::{Value, json};
use settlepoint_domain::Estimate;
use settlepoint_infer::fit::CoolingFit;
use settlepoint_infer::layout::Key;
use settlepoint_infer::predict::HeldOut;
use settlepoint_views::gather::{self, gather};
use settlepoint_views::models::parameters;
use settlepoint_views::words::sentence;

use crate::args::FitArgs;
use crate::error::Failure;
use crate::view::{
    Answer, cell, estimate, excluded_json, excluded_text, findings, findings_text, number,
    optional, optional_estimate, span, table,
};

/// `settlepoint fit`.
pub(crate) fn fit(args: &FitArgs) -> Result<Answer, Failure> {
    let book = gather::open(&args.pick.notebook)?;
    let gathered = gather(&book, &args.pick.pick()?)?;
    let (fit, rest) = gathered.fit(&args.use_runs)?;
    let held_out: Vec<HeldOut> = rest.into_iter().map(|run| fit.held_out(run)).collect();
    let unidentified = fit.unidentified();
    let sampling = fit.sampling();
    let mut all_findings = gathered.findings.clone();
    all_findings.extend(fit.findings());
    let mut json = json!({
        "schema": "settlepoint.fit/1",
        "machine": gathered.machine.name,
        "cooling": gathered.cooling.name,
        "runs_used": fit.evidence.runs.iter().map(|r| r.name.as_str()).collect::<Vec<_>>(),
        "models": models_json(&fit),
        "unidentified": unidentified
            .iter()
            .map(|u| json!({ "parameter": u.parameter, "needs": u.needs }))
            .collect::<Vec<_>>(),
        "held_out": held_out_json(&held_out),
        "findings": findings(&all_findings),
        "excluded": excluded_json(&gathered.excluded),
        "converged": fit.converged,
        "iterations": fit.iterations,
        "acceptance": number(fit.acceptance),
        "sampling": {
            "draws": sampling.draws,
            "r_hat": number(sampling.r_hat),
            "effective": number(sampling.effective),
            "slowest": sampling.slowest,
            "enough": sampling.is_enough(),
            "sentence": sampling.sentence(),
        },
    });
    let mut text = format!(
        "{} with {}: {} runs used\n\n{}",
        gathered.machine.name,
        gathered.cooling.name,
        fit.evidence.runs.len(),
        models_text(&fit)
    );
    if !unidentified.is_empty() {
        text += "\nNot known from these runs, and what would tell:\n";
        for u in &unidentified {
            text += &format!("  {}: {}\n", u.parameter, u.needs);
        }
    }
    if !sampling.is_enough() {
        text += &format!("\n{}\n", sentence(&sampling.sentence()));
    }
    if !held_out.is_empty() {
        text += "\nRuns not used, predicted and measured:\n";
        text += &held_out_text(&held_out);
    }
    if !all_findings.is_empty() {
        text += "\nFindings:\n";
        text += &findings_text(&all_findings);
    }
    if !gathered.excluded.is_empty() {
        text += &format!("\n{}", excluded_text(&gathered.excluded));
    }
    if args.priors {
        json["priors"] = priors_json(&fit);
        text += &priors_text(&fit);
    }
    Ok(Answer::new(json, text))
}

fn fan_curve(fit: &CoolingFit) -> Vec<(f64, Estimate)> {
    let curve = fit.layout.machine(&fit.z, 0).fan;
    let (Some(first), Some(last)) = (curve.points.first(), curve.points.last()) else {
        return Vec::new();
    };
    let from = (first.0 / 5.0).floor() * 5.0;
    let mut temps = Vec::new();
    let mut t = from;
    while t <= last.0 + 5.0 {
        temps.push(t);
        t += 5.0;
    }
    temps
        .into_iter()
        .map(|t| (t, fit.derive(|z| fit.layout.machine(z, 0).fan.share_at(t))))
        .collect()
}

fn models_json(fit: &CoolingFit) -> Value {
    let p = |key| optional_estimate(fit.parameter(key));
    let workloads: Vec<Value> = fit
        .evidence
        .workloads
        .iter()
        .enumerate()
        .map(|(w, workload)| {
            json!({
                "workload": workload.name,
                "demand_w": p(Key::Demand(w)),
                "hot_spot": p(Key::HotSpot(w)),
                "work_exponent": p(Key::Exponent(w)),
                "work_curvature": p(Key::Curvature(w)),
            })
        })
        .collect();
    let full = fit.parameter(Key::FanFull);
    let curve: Vec<Value> = fan_curve(fit)
        .into_iter()
        .map(|(t, share)| {
            json!({
                "temp_c": number(t),
                "share": estimate(share),
                "speed_rpm": full.map_or(Value::Null, |f| number(f.value * share.value)),
            })
        })
        .collect();
    json!({
        "thermal": {
            "nodes": 4,
            "resistance_k_per_w": estimate(fit.resistance_k_per_w()),
            "at": "full fan speed",
            "time_constants_s": fit.time_constants_s().into_iter().map(estimate).collect::<Vec<_>>(),
            "die_share": p(Key::DieShare),
            "natural_share": p(Key::NaturalShare),
            "fan_exponent": p(Key::FanExponent),
            "case_offset_k": p(Key::CaseOffset),
        },
        "package": {
            "reference_w": number(fit.layout.stock_w),
            "workloads": workloads,
            "base_share": p(Key::BaseShare),
            "leak_share": p(Key::LeakShare),
            "clock_mhz": [p(Key::Clock(0)), p(Key::Clock(1))],
        },
        "limits": {
            "temp_limit_offset_k": p(Key::LimitOffset),
            "power_ratio": p(Key::PowerRatio),
            "tau_ratio": p(Key::TauRatio),
            "tau_s": p(Key::UnknownTau),
            "idle_power_w": p(Key::IdlePower),
        },
        "fan": { "full_speed_rpm": p(Key::FanFull), "curve": curve },
        "sound": { "full_speed_dba": p(Key::SoundFull), "k_db_per_decade": p(Key::SoundSlope) },
    })
}

fn models_text(fit: &CoolingFit) -> String {
    let rows: Vec<Vec<String>> = parameters(fit)
        .into_iter()
        .map(|p| {
            vec![
                p.name,
                span(p.estimate, p.decimals),
                p.estimate.basis.to_string(),
            ]
        })
        .collect();
    table(&["parameter", "value (90 % interval)", "basis"], &rows)
}

fn held_out_json(runs: &[HeldOut]) -> Value {
    let rows: Vec<Value> = runs
        .iter()
        .map(|r| {
            json!({
                "name": r.name,
                "package_c": optional_estimate(r.package_c),
                "package_c_measured": optional(r.package_c_measured),
                "power_w": optional_estimate(r.power_w),
                "power_w_measured": optional(r.power_w_measured),
                "fan_speed_rpm": optional_estimate(r.fan_speed_rpm),
                "fan_speed_rpm_measured": optional(r.fan_speed_rpm_measured),
                "level_dba": optional_estimate(r.level_dba),
                "level_dba_measured": optional(r.level_dba_measured),
                "work_rel": optional_estimate(r.work_rel),
                "work_rel_measured": optional(r.work_rel_measured),
            })
        })
        .collect();
    let errors = pairs(runs, |r| (r.package_c, r.package_c_measured));
    let inside = errors.iter().filter(|(e, m)| e.contains(*m)).count();
    let difference = |(e, m): &(Estimate, f64)| e.value - m;
    let work = pairs(runs, |r| (r.work_rel, r.work_rel_measured));
    let power = pairs(runs, |r| (r.power_w, r.power_w_measured));
    json!({
        "runs": rows,
        "rmse_k": optional(rms(errors.iter().map(difference))),
        "bias_k": optional(mean(errors.iter().map(difference))),
        "max_k": optional(errors.iter().map(|p| difference(p).abs()).reduce(f64::max)),
        "in_90": if errors.is_empty() { Value::Null } else { number(inside as f64 / errors.len() as f64) },
        "work_rmse_points": optional(rms(work.iter().map(|p| 100.0 * difference(p)))),
        "power_rmse_pct": optional(rms(power.iter().map(|(e, m)| 100.0 * (e.value / m - 1.0)))),
    })
}

fn pairs(
    runs: &[HeldOut],
    pick: impl Fn(&HeldOut) -> (Option<Estimate>, Option<f64>),
) -> Vec<(Estimate, f64)> {
    runs.iter()
        .filter_map(|r| {
            let (e, m) = pick(r);
            e.zip(m)
        })
        .collect()
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (n, sum) = values.fold((0_usize, 0.0), |(n, s), v| (n + 1, s + v));
    (n > 0).then(|| sum / n as f64)
}

fn rms(values: impl Iterator<Item = f64>) -> Option<f64> {
    mean(values.map(|v| v * v)).map(f64::sqrt)
}

fn held_out_text(runs: &[HeldOut]) -> String {
    let show = |e: Option<Estimate>, d: usize| e.map_or_else(|| "-".into(), |e| span(e, d));
    let rows: Vec<Vec<String>> = runs
        .iter()
        .map(|r| {
            vec![
                r.name.clone(),
                show(r.package_c, 1),
                cell(r.package_c_measured, 1),
                show(r.power_w, 1),
                cell(r.power_w_measured, 1),
                show(r.work_rel, 3),
                cell(r.work_rel_measured, 3),
            ]
        })
        .collect();
    table(
        &[
            "run",
            "predicted °C",
            "measured",
            "predicted W",
            "measured",
            "predicted work",
            "measured",
        ],
        &rows,
    )
}

fn priors_json(fit: &CoolingFit) -> Value {
    fit.layout
        .priors()
        .iter()
        .map(|p| {
            json!({
                "parameter": p.name,
                "distribution": p.scale.to_string(),
                "centre": number(p.centre),
                "sd": number(p.sd),
                "reason": p.reason,
            })
        })
        .collect()
}

fn priors_text(fit: &CoolingFit) -> String {
    let rows: Vec<Vec<String>> = fit
        .layout
        .priors()
        .iter()
        .map(|p| {
            vec![
                p.name.clone(),
                p.scale.to_string(),
                format!("{:.4}", p.centre),
                format!("{}", p.sd),
                p.reason.to_string(),
            ]
        })
        .collect();
    format!(
        "\nPriors:\n{}",
        table(&["parameter", "form", "centre", "sd", "reason"], &rows)
    )
}
