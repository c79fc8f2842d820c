//! `compare`.

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_compare::frames::{
    FrameComparison, FrameLog, FrameOptions, FramesCompared, Metric, compare_frames,
};
use settlepoint_compare::{
    Comparison, Observation, Options, Scale, Verdict, Whole, Workload, common_spread,
    compare as pair, level, whole,
};
use settlepoint_domain::{Direction, Finding, Run};
use settlepoint_notebook::Notebook;
use settlepoint_stats::two_sample::holm;
use settlepoint_views::facts::for_comparison;
use settlepoint_views::gather;

use crate::args::{CompareArgs, SideArg};
use crate::commands::frames;
use crate::commands::frames::Side;
use crate::error::{Code, Failure};
use crate::log_file;
use crate::readings::TypedScore;
use crate::score_table;
use crate::table_review;
use crate::view::{
    Answer, estimate, excluded_json, excluded_text, findings, findings_text, number, optional,
    signed, table,
};

/// Scores of all sides on one workload.
struct Scores {
    workload: Workload,
    /// Names of the sides with their scores, in the order of entry.
    sides: Vec<(String, Vec<Observation>)>,
}

/// Frame times of all sides on one workload.
struct Recordings {
    workload: String,
    /// The owner's margin where it differs from the common one, percent.
    margin_pct: Option<f64>,
    sides: Vec<Side>,
}

/// What is compared, and what should be known about it.
#[derive(Default)]
struct Evidence {
    scores: Vec<Scores>,
    recordings: Vec<Recordings>,
    findings: Vec<Finding>,
    /// Runs left out, with the reason.
    excluded: Vec<(String, String)>,
    /// The base and the others.
    names: Vec<String>,
}

/// One base against one other.
struct Against {
    base: String,
    other: String,
    rows: Vec<Comparison>,
    whole: Whole,
    /// Frame times, by workload.
    frames: Vec<(String, FramesCompared)>,
}

impl Against {
    fn is_empty(&self) -> bool {
        self.rows.is_empty() && self.frames.is_empty()
    }

    fn frame_rows(&self) -> impl Iterator<Item = (&String, &FrameComparison)> {
        self.frames
            .iter()
            .flat_map(|(workload, c)| c.rows.iter().map(move |row| (workload, row)))
    }

    /// p-values of "no difference": of scores, then of frame times.
    fn p_difference(&self) -> Vec<Option<f64>> {
        let frames = self.frame_rows().map(|(_, row)| Some(row.p_difference));
        self.rows
            .iter()
            .map(|row| row.p_difference)
            .chain(frames)
            .collect()
    }

    fn same_everywhere(&self) -> bool {
        let scores = self.rows.iter().all(|row| row.verdict == Verdict::Same);
        scores
            && self
                .frame_rows()
                .all(|(_, row)| row.verdict == Verdict::Same)
    }
}

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
    put(known, table_review::side(score), observation);
    Ok(())
}

fn scale_of(unit: &str) -> Scale {
    if level::is_level_unit(unit) {
        Scale::Decibel
    } else {
        Scale::Ratio
    }
}

fn scores_of(scores: &mut Vec<Scores>, workload: Workload) -> &mut Scores {
    let place = scores.iter().position(|s| s.workload.name == workload.name);
    let place = place.unwrap_or_else(|| {
        let sides = Vec::new();
        scores.push(Scores { workload, sides });
        scores.len() - 1
    });
    &mut scores[place]
}

fn put(scores: &mut Scores, side: &str, observation: Observation) {
    match scores.sides.iter_mut().find(|(name, _)| name == side) {
        Some((_, values)) => values.push(observation),
        None => scores.sides.push((side.to_owned(), vec![observation])),
    }
}

fn from_notebook(args: &CompareArgs) -> Result<Evidence, Failure> {
    let Some((path, names)) = args.names.split_first() else {
        return Err(Failure::usage(
            "name a notebook, or give --table FILE or --frames NAME=FILE",
        ));
    };
    let book = gather::open(Path::new(path))?;
    let mut evidence = Evidence {
        names: names.to_vec(),
        ..Evidence::default()
    };
    for run in book.runs()? {
        match run.excluded.clone() {
            Some(reason) => evidence.excluded.push((run.name, reason)),
            None => take_run(&book, &mut evidence, &run, args)?,
        }
    }
    evidence.findings = for_comparison(&book)?;
    Ok(evidence)
}

fn take_run(
    book: &Notebook,
    evidence: &mut Evidence,
    run: &Run,
    args: &CompareArgs,
) -> Result<(), Failure> {
    let recordings = book.frame_infos(run.id)?;
    if run.scores.is_empty() && recordings.is_empty() {
        return Ok(());
    }
    let load = book.workload(run.workload)?;
    let margin = args
        .margin
        .or(load.loss_max_pct.filter(|m| *m >= 0.01 && *m <= 50.0));
    let side = side_of(book, run, args.by)?;
    if !run.scores.is_empty() {
        take_scores(&mut evidence.scores, &side, run, &load, margin);
    }
    // Recordings are long: those of sides that nobody asked for are not unpacked.
    if !evidence.names.is_empty() && !evidence.names.contains(&side) {
        return Ok(());
    }
    for info in recordings {
        let log = FrameLog::new(book.frames_ms(run.id, info.position)?)
            .map_err(|e| Failure::data(format!("run '{}', {}: {e}", run.name, info.source_name)))?;
        put_recording(&mut evidence.recordings, &load.name, margin, &side, log);
    }
    Ok(())
}

/// What a run stands for.
fn side_of(book: &Notebook, run: &Run, by: SideArg) -> Result<String, Failure> {
    Ok(match by {
        SideArg::Setting => book.setting(run.setting)?.name,
        SideArg::Run => run.name.clone(),
        SideArg::Cooling => book
            .coolings()?
            .into_iter()
            .find(|c| c.id == run.cooling)
            .map(|c| c.name)
            .unwrap_or_default(),
        SideArg::Tune => book
            .tunes()?
            .into_iter()
            .find(|t| Some(t.id) == run.tune)
            .map_or_else(|| "no tune".to_owned(), |t| t.name),
    })
}

fn put_recording(
    recordings: &mut Vec<Recordings>,
    workload: &str,
    margin_pct: Option<f64>,
    side: &str,
    log: FrameLog,
) {
    let place = recordings.iter().position(|r| r.workload == workload);
    let place = place.unwrap_or_else(|| {
        recordings.push(Recordings {
            workload: workload.to_owned(),
            margin_pct,
            sides: Vec::new(),
        });
        recordings.len() - 1
    });
    let sides = &mut recordings[place].sides;
    match sides.iter_mut().find(|s| s.name == side) {
        Some(known) => known.logs.push(log),
        None => sides.push(Side {
            name: side.to_owned(),
            logs: vec![log],
        }),
    }
}

fn take_scores(
    scores: &mut Vec<Scores>,
    side: &str,
    run: &Run,
    load: &settlepoint_domain::Workload,
    margin: Option<f64>,
) {
    let workload = Workload {
        unit: load.unit.clone(),
        direction: load.direction,
        scale: scale_of(&load.unit),
        weight: load.weight.or(load.hours_per_week).unwrap_or(1.0),
        margin: margin.filter(|_| scale_of(&load.unit) == Scale::Ratio),
        ..Workload::named(&load.name)
    };
    let known = scores_of(scores, workload);
    for score in &run.scores {
        let observation = Observation {
            value: score.value,
            block: score.block.clone(),
            order: score.order,
        };
        put(known, side, observation);
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

/// The pairs to compare: the base with each other side, or each with each.
fn pairs(evidence: &Evidence, all: bool) -> Result<Vec<(String, String)>, Failure> {
    let mut known: Vec<&String> = Vec::new();
    let scored = evidence.scores.iter().flat_map(|s| &s.sides);
    let recorded = evidence.recordings.iter().flat_map(|r| &r.sides);
    let names = scored.map(|(name, _)| name);
    for name in names.chain(recorded.map(|s| &s.name)) {
        if !known.contains(&name) {
            known.push(name);
        }
    }
    let chosen: Vec<&String> = if evidence.names.is_empty() {
        known.clone()
    } else {
        evidence.names.iter().collect()
    };
    if let Some(unknown) = chosen.iter().find(|name| !known.contains(name)) {
        let names: Vec<&str> = known.iter().map(|n| n.as_str()).collect();
        return Err(Failure::usage(format!(
            "'{unknown}' has no scores and no frame times; there are {}",
            if names.is_empty() {
                "none".to_owned()
            } else {
                names.join(", ")
            }
        )));
    }
    if chosen.len() < 2 {
        return Err(Failure::usage(
            "name a base and at least one other, or give scores of two",
        ));
    }
    let bases = if all { chosen.len() - 1 } else { 1 };
    let pair = |i: usize, j: usize| (chosen[i].clone(), chosen[j].clone());
    Ok((0..bases)
        .flat_map(|i| (i + 1..chosen.len()).map(move |j| (i, j)))
        .map(|(i, j)| pair(i, j))
        .collect())
}

/// Every workload that both sides have; first those with repetitions, whose spread then speaks for
/// the others.
fn against(
    evidence: &Evidence,
    base: String,
    other: String,
    options: Options,
) -> Result<Against, Failure> {
    let rows_with = |options: &Options| -> Result<Vec<Comparison>, Failure> {
        evidence
            .scores
            .iter()
            .filter_map(|s| {
                let of = |name: &str| s.sides.iter().find(|(n, _)| n == name).map(|(_, v)| v);
                Some((s, of(&base)?, of(&other)?))
            })
            .map(|(s, a, b)| {
                pair(&s.workload, a, b, options).map_err(|e| Failure::data(e.to_string()))
            })
            .collect()
    };
    let mut rows = rows_with(&options)?;
    let known_spread = common_spread(&rows);
    let open = |c: &Comparison| c.estimate.is_none();
    if known_spread.is_some() && rows.iter().any(open) {
        rows = rows_with(&Options {
            known_spread,
            ..options
        })?;
    }
    let whole = whole(&rows, options.margin_pct);
    let frames = frames_of(&evidence.recordings, &base, &other, options.margin_pct)?;
    Ok(Against {
        base,
        other,
        rows,
        whole,
        frames,
    })
}

/// Frame times of every workload that was recorded on both sides.
fn frames_of(
    recordings: &[Recordings],
    base: &str,
    other: &str,
    margin_pct: f64,
) -> Result<Vec<(String, FramesCompared)>, Failure> {
    let mut compared = Vec::new();
    for recorded in recordings {
        let of = |name: &str| recorded.sides.iter().find(|s| s.name == name);
        let Some((base, other)) = of(base).zip(of(other)) else {
            continue;
        };
        let options = FrameOptions {
            margin_pct: recorded.margin_pct.unwrap_or(margin_pct),
            ..FrameOptions::default()
        };
        let found = compare_frames(&base.logs, &other.logs, &options).map_err(|e| {
            Failure::data(format!(
                "{}, frame times of {} against {}: {e}",
                recorded.workload, other.name, base.name
            ))
        })?;
        compared.push((recorded.workload.clone(), found));
    }
    Ok(compared)
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

/// Holm's adjustment over all rows that have a p-value.
fn joint(p: Vec<Option<f64>>) -> Vec<Option<f64>> {
    let raw: Vec<f64> = p.iter().copied().flatten().collect();
    let mut adjusted = holm(&raw).into_iter();
    p.into_iter()
        .map(|p| p.and_then(|_| adjusted.next()))
        .collect()
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

/// The verdict for people.
fn words(row: &Comparison) -> String {
    match row.verdict {
        Verdict::Same if row.workload.scale == Scale::Decibel => {
            format!("same within {} dB", row.margin)
        }
        Verdict::Same => format!("same within {} %", row.margin),
        Verdict::CannotTell => match row.further_repeats() {
            Some(n) => format!("cannot tell yet: {n} more on each side"),
            None => "cannot tell yet".to_owned(),
        },
        other => other.token().to_owned(),
    }
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
