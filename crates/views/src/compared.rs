//! Settings, coolings, tunes or runs of a notebook set against each other.

use settlepoint_compare::frames::{
    FrameComparison, FrameLog, FrameOptions, FramesCompared, compare_frames,
};
use settlepoint_compare::{
    Comparison, Observation, Options, Scale, Verdict, Whole, Workload, common_spread,
    compare as pair, level, whole,
};
use settlepoint_domain::{Finding, Run};
use settlepoint_notebook::Notebook;
use settlepoint_stats::two_sample::holm;

use crate::ViewError;
use crate::facts::for_comparison;

/// What is set against each other.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum By {
    /// Settings.
    #[default]
    Setting,
    /// Coolings.
    Cooling,
    /// Tunes.
    Tune,
    /// Single runs.
    Run,
}

/// What to compare.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sides {
    /// The base and the others; all, the first as base, if empty.
    pub names: Vec<String>,
    /// What the names are of.
    pub by: By,
    /// Difference that does not matter, percent, where a workload has none of its own.
    pub margin_pct: Option<f64>,
}

/// Scores of all sides on one workload.
#[derive(Clone, Debug)]
pub struct Scores {
    /// The workload.
    pub workload: Workload,
    /// Names of the sides with their scores, in the order of entry.
    pub sides: Vec<(String, Vec<Observation>)>,
}

/// Recordings of frame times under one name.
#[derive(Clone, Debug)]
pub struct Side {
    /// The name.
    pub name: String,
    /// The recordings.
    pub logs: Vec<FrameLog>,
}

/// Frame times of all sides on one workload.
#[derive(Clone, Debug)]
pub struct Recordings {
    /// The workload's name.
    pub workload: String,
    /// The owner's margin where it differs from the common one, percent.
    pub margin_pct: Option<f64>,
    /// The sides.
    pub sides: Vec<Side>,
}

/// What is compared, and what should be known about it.
#[derive(Clone, Debug, Default)]
pub struct Evidence {
    /// Scores, by workload.
    pub scores: Vec<Scores>,
    /// Frame times, by workload.
    pub recordings: Vec<Recordings>,
    /// What should be known about the runs.
    pub findings: Vec<Finding>,
    /// Runs left out, with the reason.
    pub excluded: Vec<(String, String)>,
    /// The base and the others.
    pub names: Vec<String>,
}

/// One base against one other.
#[derive(Clone, Debug)]
pub struct Against {
    /// The base.
    pub base: String,
    /// The other.
    pub other: String,
    /// Scores, a row a workload.
    pub rows: Vec<Comparison>,
    /// All workloads by weight.
    pub whole: Whole,
    /// Frame times, by workload.
    pub frames: Vec<(String, FramesCompared)>,
}

impl Against {
    /// Whether the two have no workload in common.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty() && self.frames.is_empty()
    }

    /// Rows of frame times with their workloads.
    pub fn frame_rows(&self) -> impl Iterator<Item = (&String, &FrameComparison)> {
        self.frames
            .iter()
            .flat_map(|(workload, c)| c.rows.iter().map(move |row| (workload, row)))
    }

    /// p-values of "no difference": of scores, then of frame times.
    pub fn p_difference(&self) -> Vec<Option<f64>> {
        let frames = self.frame_rows().map(|(_, row)| Some(row.p_difference));
        self.rows
            .iter()
            .map(|row| row.p_difference)
            .chain(frames)
            .collect()
    }

    /// Whether every row is the same within its margin.
    pub fn same_everywhere(&self) -> bool {
        let scores = self.rows.iter().all(|row| row.verdict == Verdict::Same);
        scores
            && self
                .frame_rows()
                .all(|(_, row)| row.verdict == Verdict::Same)
    }
}

/// Levels are compared in decibels, all else by ratios.
pub fn scale_of(unit: &str) -> Scale {
    if level::is_level_unit(unit) {
        Scale::Decibel
    } else {
        Scale::Ratio
    }
}

/// The scores of a workload, made if there are none yet.
pub fn scores_of(scores: &mut Vec<Scores>, workload: Workload) -> &mut Scores {
    let place = scores.iter().position(|s| s.workload.name == workload.name);
    let place = place.unwrap_or_else(|| {
        let sides = Vec::new();
        scores.push(Scores { workload, sides });
        scores.len() - 1
    });
    &mut scores[place]
}

impl Scores {
    /// Adds a score of a side.
    pub fn put(&mut self, side: &str, observation: Observation) {
        match self.sides.iter_mut().find(|(name, _)| name == side) {
            Some((_, values)) => values.push(observation),
            None => self.sides.push((side.to_owned(), vec![observation])),
        }
    }
}

/// Scores and frame times of a notebook's runs, by side.
///
/// # Errors
/// A notebook that cannot be read, or a kept recording that is none.
pub fn of_notebook(book: &Notebook, sides: &Sides) -> Result<Evidence, ViewError> {
    let mut evidence = Evidence {
        names: sides.names.clone(),
        ..Evidence::default()
    };
    for run in book.runs()? {
        match run.excluded.clone() {
            Some(reason) => evidence.excluded.push((run.name, reason)),
            None => take_run(book, &mut evidence, &run, sides)?,
        }
    }
    evidence.findings = for_comparison(book)?;
    Ok(evidence)
}

fn take_run(
    book: &Notebook,
    evidence: &mut Evidence,
    run: &Run,
    sides: &Sides,
) -> Result<(), ViewError> {
    let recordings = book.frame_infos(run.id)?;
    if run.scores.is_empty() && recordings.is_empty() {
        return Ok(());
    }
    let load = book.workload(run.workload)?;
    let margin = sides
        .margin_pct
        .or(load.loss_max_pct.filter(|m| *m >= 0.01 && *m <= 50.0));
    let side = side_of(book, run, sides.by)?;
    if !run.scores.is_empty() {
        take_scores(&mut evidence.scores, &side, run, &load, margin);
    }
    // Recordings are long: those of sides that nobody asked for are not unpacked.
    if !evidence.names.is_empty() && !evidence.names.contains(&side) {
        return Ok(());
    }
    for info in recordings {
        let log = FrameLog::new(book.frames_ms(run.id, info.position)?).map_err(|e| {
            ViewError::Data(format!("run '{}', {}: {e}", run.name, info.source_name))
        })?;
        put_recording(&mut evidence.recordings, &load.name, margin, &side, log);
    }
    Ok(())
}

/// What a run stands for.
fn side_of(book: &Notebook, run: &Run, by: By) -> Result<String, ViewError> {
    Ok(match by {
        By::Setting => book.setting(run.setting)?.name,
        By::Run => run.name.clone(),
        By::Cooling => book
            .coolings()?
            .into_iter()
            .find(|c| c.id == run.cooling)
            .map(|c| c.name)
            .unwrap_or_default(),
        By::Tune => book
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
        known.put(side, observation);
    }
}

/// The pairs to compare: the base with each other side, or each with each.
///
/// # Errors
/// A name without scores and frame times, or fewer than two sides.
pub fn pairs(evidence: &Evidence, all: bool) -> Result<Vec<(String, String)>, ViewError> {
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
        return Err(ViewError::Unknown(format!(
            "'{unknown}' has no scores and no frame times; there are {}",
            if names.is_empty() {
                "none".to_owned()
            } else {
                names.join(", ")
            }
        )));
    }
    if chosen.len() < 2 {
        return Err(ViewError::Unknown(
            "name a base and at least one other, or give scores of two".into(),
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
///
/// # Errors
/// Scores or frame times that cannot be compared.
pub fn against(
    evidence: &Evidence,
    base: String,
    other: String,
    options: Options,
) -> Result<Against, ViewError> {
    let rows_with = |options: &Options| -> Result<Vec<Comparison>, ViewError> {
        evidence
            .scores
            .iter()
            .filter_map(|s| {
                let of = |name: &str| s.sides.iter().find(|(n, _)| n == name).map(|(_, v)| v);
                Some((s, of(&base)?, of(&other)?))
            })
            .map(|(s, a, b)| {
                pair(&s.workload, a, b, options).map_err(|e| ViewError::Data(e.to_string()))
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
) -> Result<Vec<(String, FramesCompared)>, ViewError> {
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
            ViewError::Data(format!(
                "{}, frame times of {} against {}: {e}",
                recorded.workload, other.name, base.name
            ))
        })?;
        compared.push((recorded.workload.clone(), found));
    }
    Ok(compared)
}

/// Holm's adjustment over all rows that have a p-value.
pub fn joint(p: Vec<Option<f64>>) -> Vec<Option<f64>> {
    let raw: Vec<f64> = p.iter().copied().flatten().collect();
    let mut adjusted = holm(&raw).into_iter();
    p.into_iter()
        .map(|p| p.and_then(|_| adjusted.next()))
        .collect()
}

/// The verdict for people.
pub fn words(row: &Comparison) -> String {
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
