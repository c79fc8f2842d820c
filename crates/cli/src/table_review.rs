//! The review of a table of scores that is in no notebook.

use settlepoint_domain::{
    Direction, FanSetting, Finding, Id, LimitValue, Run, RunData, Score, ScoreKind, Setting,
    Workload,
};
use settlepoint_review::{RunFacts, review};

use crate::readings::TypedScore;

/// Rules that need scores only.
const RULES: [&str; 5] = [
    "first_run_warm_up",
    "one_repetition",
    "order_against_time",
    "order_confounded",
    "score_drift",
];

/// What the rules about scores say of these, each setting on each workload taken for one run.
pub(crate) fn findings(scores: &[&TypedScore]) -> Vec<Finding> {
    let mut runs: Vec<TableRun> = Vec::new();
    for score in scores {
        TableRun::of(&mut runs, score).push(score);
    }
    let facts: Vec<RunFacts<'_>> = runs
        .iter()
        .map(|r| RunFacts {
            run: &r.run,
            setting: &r.setting,
            workload: &r.workload,
            began_s: None,
            logged_room_c: None,
        })
        .collect();
    let mut found = review(&facts);
    found.retain(|f| RULES.contains(&f.rule));
    found
}

/// The side that a score is of: its setting, or else its run.
pub(crate) fn side(score: &TypedScore) -> &str {
    match &score.run {
        Some(run) if score.setting.is_empty() => run,
        _ => &score.setting,
    }
}

/// Scores of one side on one workload.
struct TableRun {
    run: Run,
    setting: Setting,
    workload: Workload,
}

impl TableRun {
    /// The run of a score, made if it is the first of its side and workload.
    fn of<'a>(runs: &'a mut Vec<Self>, score: &TypedScore) -> &'a mut Self {
        let side = side(score);
        let name = score.workload.clone().unwrap_or_else(|| "score".to_owned());
        let known = runs
            .iter()
            .position(|r| r.setting.name == side && r.workload.name == name);
        let place = known.unwrap_or_else(|| {
            let setting = runs.iter().find(|r| r.setting.name == side);
            let setting = setting.map_or_else(|| unknown(side, runs.len()), |r| r.setting.clone());
            let workload = runs.iter().find(|r| r.workload.name == name);
            let workload =
                workload.map_or_else(|| load(&name, score, runs.len()), |r| r.workload.clone());
            runs.push(Self::new(setting, workload, runs.len()));
            runs.len() - 1
        });
        &mut runs[place]
    }

    fn new(setting: Setting, workload: Workload, number: usize) -> Self {
        let run = Run {
            id: id(number),
            name: format!("{} {}", setting.name, workload.name),
            machine: id(0),
            cooling: id(0),
            tune: None,
            setting: setting.id,
            workload: workload.id,
            room_c: None,
            altitude_m: None,
            data: RunData::ScoresOnly,
            scores: Vec::new(),
            excluded: None,
        };
        Self {
            run,
            setting,
            workload,
        }
    }

    fn push(&mut self, score: &TypedScore) {
        let next = u32::try_from(self.run.scores.len()).unwrap_or(u32::MAX - 1) + 1;
        self.run.scores.push(Score {
            value: score.value,
            repetition: score.repetition.unwrap_or(next),
            order: score.order,
            block: score.block.clone(),
            time: score.time,
        });
    }
}

/// Ids only have to differ within the table.
fn id(number: usize) -> Id {
    Id::from_u128(number as u128)
}

fn unknown(name: &str, number: usize) -> Setting {
    Setting {
        id: id(number),
        name: name.to_owned(),
        pl1_w: LimitValue::Unknown,
        pl2_w: LimitValue::Unknown,
        tau_s: LimitValue::Unknown,
        temp_limit_c: LimitValue::Unknown,
        more_tiers: Vec::new(),
        fan: FanSetting::AsFitted,
    }
}

fn load(name: &str, score: &TypedScore, number: usize) -> Workload {
    Workload {
        id: id(number),
        name: name.to_owned(),
        unit: score.unit.clone().unwrap_or_default(),
        direction: Direction::Higher,
        kind: ScoreKind::MeanRate,
        duration_s: 0.0,
        hours_per_week: None,
        weight: None,
        loss_max_pct: None,
        idle: false,
    }
}
