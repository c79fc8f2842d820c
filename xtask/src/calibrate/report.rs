//! The report: a table for reading, one JSON object for scripts.

use std::fmt::Write as _;

use serde_json::{Value, json};

use super::tally::{Errors, Tally, quantile};
use super::{Options, Outcome};

/// Bounds that three runs must meet (median, 90th percentile): kelvin, percent of watts, percent of
/// work, dB. From the project's own wish list; harsh ones are wider.
const BOUNDS: [(f64, f64); 4] = [(0.6, 1.5), (1.3, 4.0), (0.75, 2.3), (0.5, 1.7)];

/// The report as text.
pub(crate) fn text(outcomes: &[Outcome], options: &Options) -> String {
    let mut text = format!(
        "{} machines, seed {}, {} errors; absolute errors as median / 90th percentile, then the \
         share of truths inside the 90 % intervals\n\n\
         {:<26}  {:<22}  {:<22}  {:<22}  {:<22}  {:>6}\n",
        options.machines,
        options.seed,
        options.trial.token(),
        "runs",
        "temperature K",
        "power %",
        "work %",
        "level dB",
        "fit s"
    );
    for one in outcomes {
        let t = &one.tally;
        let _ = writeln!(
            text,
            "{:<26}  {:<22}  {:<22}  {:<22}  {:<22}  {:>6.2}",
            format!("{} {} {}", one.runs, one.plan, one.method),
            cell(&t.temperature, one.intervals()),
            cell(&t.power, one.intervals()),
            cell(&t.work_of_top, false) + &hits(&t.work, one.intervals()),
            cell(&t.level, one.intervals()),
            quantile(t.fit_s.clone(), 0.5),
        );
    }
    let _ = writeln!(
        text,
        "\nbounds after three planned runs: {}",
        BOUNDS.map(|(m, p)| format!("{m} / {p}")).join(", ")
    );
    for one in outcomes.iter().filter(|o| o.intervals()) {
        let (too_hot, lost) = decision(&one.tally);
        let _ = writeln!(
            text,
            "{} {} {}: bias {:+.2} K (at the end of the run {:+.2} K), {:+.2} % power, {:+.2} % \
             work, {:+.2} dB; median widths {:.1} K, {:.1} %, {:.1} %, {:.1} dB; 90 °C at 35 °C passed on {:.0} % of machines, \
             {lost:.0} steps lost; acceptance {:.2}",
            one.runs,
            one.plan,
            one.method,
            one.tally.temperature.bias(),
            one.tally.temperature_at_end.bias(),
            one.tally.power.bias(),
            one.tally.work.bias(),
            one.tally.level.bias(),
            one.tally.temperature.median_width(),
            one.tally.power.median_width(),
            one.tally.work.median_width(),
            one.tally.level.median_width(),
            100.0 * too_hot,
            quantile(one.tally.acceptance.clone(), 0.5),
        );
    }
    text
}

fn cell(errors: &Errors, intervals: bool) -> String {
    format!("{:.2} / {:.2}", errors.absolute(0.5), errors.absolute(0.9)) + &hits(errors, intervals)
}

fn hits(errors: &Errors, intervals: bool) -> String {
    if intervals {
        format!(" {:>4.1} %", 100.0 * errors.coverage())
    } else {
        String::new()
    }
}

/// Share of machines on which the chosen setting is too hot, and the median of the steps lost.
fn decision(tally: &Tally) -> (f64, f64) {
    let all = &tally.decisions;
    let hot = all.iter().filter(|d| d.too_hot).count() as f64 / all.len() as f64;
    let lost = quantile(all.iter().map(|d| f64::from(d.steps_lost)).collect(), 0.5);
    (hot, lost)
}

/// The report as JSON.
pub(crate) fn json(outcomes: &[Outcome], options: &Options) -> Value {
    let mut pooled = Tally::default();
    for one in outcomes.iter().filter(|o| o.intervals()) {
        pooled.absorb(&one.tally);
    }
    json!({
        "schema": "settlepoint.calibrate/1",
        "machines": options.machines,
        "seed": options.seed,
        "trial": options.trial.token(),
        "coverage_90": {
            "temperature": number(pooled.temperature.coverage()),
            "power": number(pooled.power.coverage()),
            "work": number(pooled.work.coverage()),
            "level": number(pooled.level.coverage()),
        },
        "error_by_runs": outcomes.iter().map(row).collect::<Vec<_>>(),
    })
}

fn row(one: &Outcome) -> Value {
    let t = &one.tally;
    let (too_hot, steps_lost) = decision(t);
    json!({
        "plan": one.plan,
        "method": one.method,
        "runs": one.runs,
        "temperature_k": errors(&t.temperature, one.intervals()),
        "temperature_at_end_k": errors(&t.temperature_at_end, one.intervals()),
        "power_pct": errors(&t.power, one.intervals()),
        "work_pct": errors(&t.work, one.intervals()),
        "work_of_top_pct": errors(&t.work_of_top, false),
        "level_db": errors(&t.level, one.intervals()),
        "too_hot_share": number(too_hot),
        "steps_lost": number(steps_lost),
        "fit_s": number(quantile(t.fit_s.clone(), 0.5)),
        "predict_s": number(quantile(t.predict_s.clone(), 0.5)),
        "acceptance": number(quantile(t.acceptance.clone(), 0.5)),
    })
}

fn errors(e: &Errors, intervals: bool) -> Value {
    let mut value = json!({
        "cells": e.count(),
        "median": number(e.absolute(0.5)),
        "p90": number(e.absolute(0.9)),
        "bias": number(e.bias()),
    });
    if intervals {
        value["coverage_90"] = number(e.coverage());
        value["median_width"] = number(e.median_width());
    }
    value
}

/// Four significant places after the point; null for what is no number.
fn number(value: f64) -> Value {
    if value.is_finite() {
        json!((value * 1e4).round() / 1e4)
    } else {
        Value::Null
    }
}
