//! `compare`.

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_compare::frames::Metric;
use settlepoint_compare::{
    Comparison, Observation, Options, Scale, Verdict, Whole, Workload, level,
};
use settlepoint_domain::Direction;
use settlepoint_views::compared::{
    Against, By, Evidence, Scores, Side, Sides, against, joint, of_notebook, pairs, scale_of,
    scores_of, words,
};
use settlepoint_views::gather;

use crate::args::{CompareArgs, SideArg};
use crate::commands::frames;
use crate::error::{Code, Failure};
use crate::log_file;
use crate::readings::TypedScore;
use crate::score_table;
use crate::table_review;
use crate::view::{
    Answer, estimate, excluded_json, excluded_text, findings, findings_text, number, optional,
    signed, table,
};

/// `settlepoint compare`.
pub(crate) fn compare(args: &CompareArgs) -> Result<Answer, Failure> {
    if !args.frames.is_empty() {
        return frames::compare(args);
    }
    let mut evidence = match &args.table {
        Some(file) => from_table(file, args)?,
        None => from_notebook(args)?,
    };
    weigh(&mut evidence.scores, &args.weight)?;
    if !args.workload.is_empty() {
        only(&mut evidence, &args.workload)?;
    }
    let pairs = pairs(&evidence, args.all_pairs)?;
    let options = Options {
        margin_pct: args.margin.unwrap_or(1.0),
        margin_db: args.margin_db,
        use_blocks: !args.independent,
        ..Options::default()
    };
    let compared: Vec<Against> = pairs
        .into_iter()
        .map(|(base, other)| against(&evidence, base, other, options))
        .collect::<Result<_, _>>()?;
    if compared.iter().all(Against::is_empty) {
        return Err(Failure::new(
            Code::NotIdentified,
            "the sides have no workload in common; score the same workload under both",
        ));
    }
    Ok(answer(&evidence, &compared, args.long_frame))
}

fn from_table(file: &Path, args: &CompareArgs) -> Result<Evidence, Failure> {
    let bytes = log_file::bytes(file)?;
    let typed = score_table::read(&bytes, &file.display().to_string())?;
    let mut evidence = Evidence {
        names: args.names.clone(),
        ..Evidence::default()
    };
    for score in &typed {
        take_typed(&mut evidence.scores, score, args)?;
    }
    let named = |list: &[String], name: &str| list.is_empty() || list.iter().any(|n| n == name);
    let taken: Vec<&TypedScore> = typed
        .iter()
        .filter(|s| named(&args.names, table_review::side(s)))
        .filter(|s| named(&args.workload, s.workload.as_deref().unwrap_or("score")))
        .collect();
    evidence.findings = table_review::findings(&taken);
    Ok(evidence)
}

fn take_typed(
    scores: &mut Vec<Scores>,
    score: &TypedScore,
    args: &CompareArgs,
) -> Result<(), Failure> {
    let name = score.workload.clone().unwrap_or_else(|| "score".to_owned());
    let unit = score.unit.clone().unwrap_or_default();
    let told = score.lower_is_better.map(|lower| {
        if lower {
            Direction::Lower
        } else {
            Direction::Higher
        }
    });
    let direction = told.unwrap_or_else(|| {
        if args.lower_is_better {
            Direction::Lower
        } else {
            score_table::usual_direction(&unit)
        }
    });
    let workload = Workload {
        direction,
        scale: scale_of(&unit),
        unit,
        ..Workload::named(&name)
    };
    let observation = Observation {
        value: score.value,
        block: score.block.clone(),
        order: score.order,
    };
    let known = scores_of(scores, workload);
    if told.is_some_and(|told| told != known.workload.direction) {
        return Err(Failure::data(format!(
            "'{name}' counts both ways in the table; give one direction for all its rows"
        )));
    }
    known.put(table_review::side(score), observation);
    Ok(())
}

fn from_notebook(args: &CompareArgs) -> Result<Evidence, Failure> {
    let Some((path, names)) = args.names.split_first() else {
        return Err(Failure::usage(
            "name a notebook, or give --table FILE or --frames NAME=FILE",
        ));
    };
    let sides = Sides {
        names: names.to_vec(),
        by: by(args.by),
        margin_pct: args.margin,
    };
    Ok(of_notebook(&gather::open(Path::new(path))?, &sides)?)
}

/// What the names of sides are of.
pub(crate) fn by(by: SideArg) -> By {
    match by {
        SideArg::Setting => By::Setting,
        SideArg::Cooling => By::Cooling,
        SideArg::Tune => By::Tune,
        SideArg::Run => By::Run,
    }
}

/// Applies `--weight WORKLOAD=WEIGHT`.
fn weigh(scores: &mut [Scores], weights: &[String]) -> Result<(), Failure> {
    for text in weights {
        let parsed = text
            .rsplit_once('=')
            .and_then(|(name, weight)| Some((name, weight.parse::<f64>().ok()?)))
            .filter(|(_, weight)| weight.is_finite() && *weight >= 0.0);
        let Some((name, weight)) = parsed else {
            return Err(Failure::usage(format!(
                "--weight {text}: give a workload's name, '=' and a number from 0 up"
            )));
        };
        let Some(known) = scores.iter_mut().find(|s| s.workload.name == name) else {
            return Err(no_workload(scores, name));
        };
        known.workload.weight = weight;
    }
    Ok(())
}

fn no_workload(scores: &[Scores], name: &str) -> Failure {
    let names: Vec<&str> = scores.iter().map(|s| s.workload.name.as_str()).collect();
    Failure::usage(format!(
        "there is no workload '{name}' with scores; there are {}",
        names.join(", ")
    ))
}

fn only(evidence: &mut Evidence, names: &[String]) -> Result<(), Failure> {
    for name in names {
        let scored = evidence.scores.iter().any(|s| s.workload.name == *name);
        if !scored && !evidence.recordings.iter().any(|r| r.workload == *name) {
            return Err(no_workload(&evidence.scores, name));
        }
    }
    let wanted = |name: &String| names.contains(name);
    evidence.scores.retain(|s| wanted(&s.workload.name));
    evidence.recordings.retain(|r| wanted(&r.workload));
    Ok(())
}

fn answer(evidence: &Evidence, compared: &[Against], long_ms: Option<f64>) -> Answer {
    let adjusted = joint(compared.iter().flat_map(Against::p_difference).collect());
    let any_differs = differs(&adjusted);
    let same_everywhere = compared.iter().all(Against::same_everywhere);
    let rows = rows_json(compared, evidence, &adjusted);
    let mut overall = json!({
        "any_differs": any_differs,
        "same_everywhere": same_everywhere,
        "others": compared.iter().map(whole_json).collect::<Vec<_>>(),
    });
    if let [only] = compared {
        let (ratio, verdict) = in_short(only);
        overall["ratio"] = ratio;
        overall["verdict"] = json!(verdict.token());
    }
    let mut json = json!({
        "schema": "settlepoint.compare/1",
        "rows": rows,
        "overall": overall,
        "findings": findings(&evidence.findings),
        "excluded": excluded_json(&evidence.excluded),
    });
    if compared.iter().any(|a| !a.frames.is_empty()) {
        json["frames"] = Value::from(recorded_json(evidence, compared, long_ms));
    }
    let mut text = text(compared);
    text += &frames_text(evidence, compared, long_ms);
    text += &overall_text(compared, any_differs, same_everywhere);
    if !evidence.findings.is_empty() {
        text += &format!("\n{}", findings_text(&evidence.findings));
    }
    text += &excluded_text(&evidence.excluded);
    Answer::new(json, text)
}

/// Rows of scores and of frame times, pair by pair.
fn rows_json(compared: &[Against], evidence: &Evidence, adjusted: &[Option<f64>]) -> Vec<Value> {
    let mut p_joint = adjusted.iter().copied();
    let mut next = || p_joint.next().flatten();
    let mut rows = Vec::new();
    for a in compared {
        for row in &a.rows {
            rows.push(row_json(a, row, evidence, next()));
        }
        for (workload, row) in a.frame_rows() {
            rows.push(frames::row_json(workload, &a.base, &a.other, row, next()));
        }
    }
    rows
}

fn differs(adjusted: &[Option<f64>]) -> bool {
    adjusted.iter().flatten().any(|p| *p <= 0.05)
}

/// One pair in one ratio and word: the weighted whole of the scores or, where one workload was
/// recorded and nothing scored, its mean rate of frames.
fn in_short(a: &Against) -> (Value, Verdict) {
    match a.frames.as_slice() {
        [(_, recorded)] if a.rows.is_empty() => {
            let rate = recorded.rows.iter().find(|r| r.metric == Metric::MeanRate);
            rate.map_or((Value::Null, Verdict::CannotTell), |r| {
                (estimate(r.ratio), r.verdict)
            })
        }
        _ => (whole_ratio(&a.whole), a.whole.verdict),
    }
}

/// The recordings that take part, side by side.
fn recorded<'a>(
    evidence: &'a Evidence,
    compared: &'a [Against],
) -> impl Iterator<Item = (&'a str, &'a Side)> {
    let takes_part = |side: &Side| {
        let of = |a: &Against| a.base == side.name || a.other == side.name;
        compared.iter().any(|a| of(a) && !a.frames.is_empty())
    };
    evidence
        .recordings
        .iter()
        .flat_map(|r| r.sides.iter().map(move |side| (r.workload.as_str(), side)))
        .filter(move |(_, side)| takes_part(side))
}

fn recorded_json(evidence: &Evidence, compared: &[Against], long_ms: Option<f64>) -> Vec<Value> {
    recorded(evidence, compared)
        .map(|(workload, side)| frames::long_json(side, Some(workload), long_ms))
        .collect()
}

fn frames_text(evidence: &Evidence, compared: &[Against], long_ms: Option<f64>) -> String {
    let mut out = String::new();
    for a in compared {
        for (workload, found) in &a.frames {
            let title = format!("{workload}, frame times of {} against {}", a.other, a.base);
            out += &frames::pair_text(&title, &a.base, &a.other, found);
        }
    }
    if out.is_empty() {
        return out;
    }
    if compared.iter().all(|a| a.rows.is_empty()) {
        out.remove(0);
    }
    out += "\n";
    for (workload, side) in recorded(evidence, compared) {
        out += &format!("{workload}, {}", frames::long_text(side, long_ms));
    }
    if compared.iter().any(|a| !a.rows.is_empty()) {
        out += "frame times are not in the weighted whole\n";
    }
    out + "\n"
}

fn whole_ratio(whole: &Whole) -> Value {
    match whole.speed_ratio {
        Some(ratio) => estimate(ratio),
        None => {
            json!({ "value": null, "needs": "at least two repetitions of every workload on both sides" })
        }
    }
}

fn whole_json(a: &Against) -> Value {
    let left_out: Vec<Value> = a
        .whole
        .left_out
        .iter()
        .map(|(workload, reason)| json!({ "workload": workload, "reason": reason }))
        .collect();
    let (ratio, verdict) = in_short(a);
    json!({
        "base": a.base,
        "other": a.other,
        "ratio": ratio,
        "verdict": verdict.token(),
        "any_differs": differs(&joint(a.p_difference())),
        "same_everywhere": a.same_everywhere(),
        "left_out": left_out,
    })
}

fn pair_json(ends: Option<(f64, f64)>) -> Value {
    ends.map_or(Value::Null, |(lo, hi)| json!([number(lo), number(hi)]))
}

fn row_json(a: &Against, row: &Comparison, evidence: &Evidence, p_joint: Option<f64>) -> Value {
    let level = row.workload.scale == Scale::Decibel;
    let mut value = json!({
        "workload": row.workload.name,
        "unit": row.workload.unit,
        "direction": match row.workload.direction {
            Direction::Higher => "higher",
            Direction::Lower => "lower",
        },
        "weight": number(row.workload.weight),
        "base": a.base,
        "other": a.other,
        "n_base": row.counts.0,
        "n_other": row.counts.1,
        "verdict": row.verdict.token(),
        "repeats_needed": row.repeats_needed,
        "further_repeats": row.further_repeats(),
        "layout": row.layout.token(),
        "layout_reason": row.layout_reason,
        "interval_95": pair_json(row.interval_95),
        "p_difference": optional(row.p_difference),
        "p_holm": optional(p_joint),
        "p_equivalence": optional(row.p_equivalence),
        "rank_p": optional(row.cross_checks.rank_p),
        "rank_note": row.cross_checks.rank_note,
        "bca_95": pair_json(row.cross_checks.bca_95),
    });
    let unit = if level { "db" } else { "pct" };
    let spread = row
        .spread
        .map(|s| if level { s } else { 100.0 * s.exp_m1() });
    value[format!("margin_{unit}")] = number(row.margin);
    value[format!("spread_{unit}")] = optional(spread);
    let at_spreads: Vec<Value> = row
        .repeats_at_spreads
        .iter()
        .map(|r| {
            let mut at = json!({ "repeats": r.repeats });
            at[format!("spread_{unit}")] = number(r.spread);
            at
        })
        .collect();
    value["repeats_at_spreads"] = Value::from(at_spreads);
    if level {
        value["difference_db"] = estimate(row.ratio);
        value["loudness_sone_estimate"] = loudness_json(a, row, evidence);
    } else {
        value["ratio"] = estimate(row.ratio);
    }
    value
}

/// Loudness of both sides' mean level.
fn loudness_json(a: &Against, row: &Comparison, evidence: &Evidence) -> Value {
    let mean = |side: &str| {
        let scores = evidence
            .scores
            .iter()
            .find(|s| s.workload.name == row.workload.name)?;
        let values = &scores.sides.iter().find(|(name, _)| name == side)?.1;
        Some(values.iter().map(|o| o.value).sum::<f64>() / values.len() as f64)
    };
    let sone = |side: &str| optional(mean(side).map(level::estimated_sone));
    json!({ "base": sone(&a.base), "other": sone(&a.other) })
}

fn text(compared: &[Against]) -> String {
    if compared.iter().all(|a| a.rows.is_empty()) {
        return String::new();
    }
    let cells: Vec<Vec<String>> = compared
        .iter()
        .flat_map(|a| a.rows.iter().map(move |row| cells(a, row)))
        .collect();
    let header = [
        "workload", "base", "other", "n", "change", "90 %", "verdict",
    ];
    let mut out = table(&header, &cells);
    let mut notes: Vec<String> = Vec::new();
    for row in compared.iter().flat_map(|a| &a.rows) {
        let reason = format!("{}: {}", row.layout.token(), row.layout_reason);
        let rank = row.cross_checks.rank_note.clone();
        for note in std::iter::once(reason).chain(rank) {
            if !notes.contains(&note) {
                notes.push(note);
            }
        }
    }
    notes.extend(direction_note(compared));
    out += "\n";
    for note in notes {
        out += &format!("{note}\n");
    }
    for a in compared {
        for row in a.rows.iter().filter(|r| !r.repeats_at_spreads.is_empty()) {
            out += &repeats_text(a, row);
        }
    }
    out
}

/// A score without a unit may be a time: which way it was taken to count is said.
fn direction_note(compared: &[Against]) -> Option<String> {
    let mut rows = compared.iter().flat_map(|a| &a.rows);
    let taken = |row: &Comparison| {
        row.workload.unit.is_empty() && row.workload.direction == Direction::Higher
    };
    rows.any(taken).then(|| {
        "scores without a unit: more is taken for better; if less is, give --lower-is-better with a \
         table, or the workload its direction"
            .to_owned()
    })
}

fn cells(a: &Against, row: &Comparison) -> Vec<String> {
    let (ratio, level) = (row.ratio, row.workload.scale == Scale::Decibel);
    let change = |value: f64| {
        if level {
            format!("{} dB", signed(value, 1))
        } else {
            format!("{} %", signed(100.0 * (value - 1.0), 2))
        }
    };
    let interval = if row.estimate.is_some() {
        format!("{} to {}", change(ratio.lo), change(ratio.hi))
    } else {
        "-".to_owned()
    };
    vec![
        row.workload.name.clone(),
        a.base.clone(),
        a.other.clone(),
        format!("{}/{}", row.counts.0, row.counts.1),
        change(ratio.value),
        interval,
        words(row),
    ]
}

fn repeats_text(a: &Against, row: &Comparison) -> String {
    let unit = if row.workload.scale == Scale::Decibel {
        "dB"
    } else {
        "%"
    };
    let list: Vec<String> = row
        .repeats_at_spreads
        .iter()
        .map(|r| {
            let repeats = r
                .repeats
                .map_or_else(|| "more than 10000".to_owned(), |n| n.to_string());
            format!("{repeats} if scores scatter by {:.2} {unit}", r.spread)
        })
        .collect();
    format!(
        "{}, {} against {}: repetitions a side that would tell: {}\n",
        row.workload.name,
        a.other,
        a.base,
        list.join(", ")
    )
}

fn overall_text(compared: &[Against], any_differs: bool, same_everywhere: bool) -> String {
    let mut out = String::new();
    for a in compared {
        if let (Some(ratio), true) = (a.whole.speed_ratio, a.rows.len() > 1) {
            let change = |value: f64| signed(100.0 * (value - 1.0), 2);
            out += &format!(
                "{} against {}, all workloads by weight: work {} % ({} to {}), {}\n",
                a.other,
                a.base,
                change(ratio.value),
                change(ratio.lo),
                change(ratio.hi),
                a.whole.verdict.token().replace('_', " ")
            );
        }
    }
    out += if same_everywhere {
        "the same everywhere, within the margin\n"
    } else if any_differs {
        "at least one differs (Holm, 5 % for all together)\n"
    } else {
        "no difference is shown for all together (Holm, 5 %), which does not show that there is none\n"
    };
    out
}
