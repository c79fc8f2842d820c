//! Runs chosen one after another by the tool's own planner.

use settlepoint_infer::evidence::{Evidence, RunEvidence};
use settlepoint_infer::fit::{CoolingFit, fit, from_priors};
use settlepoint_infer::forward::Conditions;
use settlepoint_infer::plan::{Question, plan};
use settlepoint_infer::predict::Query;
use settlepoint_model::Simulator;
use settlepoint_stats::random::Random;

use super::grid::Grid;
use super::plan::{PlannedRun, Rooms};
use super::readings::{Bench, Measured, setting};
use super::truth::Course;
use super::workload;

/// Makes `count` runs, each planned from those before it: the first from the priors alone.
///
/// # Errors
/// A fit or a log that cannot be had.
pub(crate) fn measure(
    bench: &Bench<'_>,
    grid: &Grid,
    simulator: &mut Simulator,
    count: usize,
    random: &mut Random,
) -> Result<Vec<Measured>, String> {
    let rooms = Rooms::draw(random);
    let mut made: Vec<Measured> = Vec::new();
    for number in 1..=count {
        let believed = believed(bench, grid, &made)?;
        let choices = choices(grid);
        let question = Question {
            candidates: choices
                .iter()
                .map(|c| query(bench, grid, *c, rooms.base_c))
                .collect(),
            map: map(bench, grid),
            decision: None,
            runs: 1,
        };
        let chosen = plan(&believed, &question).runs;
        let place = chosen.first().and_then(|run| {
            question
                .candidates
                .iter()
                .position(|c| c.setting == run.setting)
        });
        let (ratio, temp_limit_c) = choices[place.unwrap_or(0)];
        let planned = PlannedRun {
            ratio,
            temp_limit_c,
            room_c: rooms.next(random),
        };
        let mut own = Random::from_seed(random.next_u64());
        made.push(bench.measure(simulator, planned, number, &mut own)?);
    }
    Ok(made)
}

fn believed(bench: &Bench<'_>, grid: &Grid, made: &[Measured]) -> Result<CoolingFit, String> {
    let evidence = |runs: Vec<RunEvidence>| Evidence {
        workloads: vec![workload(grid.duration_s)],
        runs,
        fan_max_rpm: None,
    };
    if made.is_empty() {
        let (ratio, temp_limit_c) = choices(grid)[0];
        let query = query(bench, grid, (ratio, temp_limit_c), 22.0);
        let allowed = RunEvidence {
            name: String::new(),
            workload: 0,
            setting: query.setting,
            room_c: Some(22.0),
            altitude_m: 0.0,
            duration_s: grid.duration_s,
            windows: Vec::new(),
            score: None,
            boost_s: None,
        };
        return from_priors(evidence(vec![allowed])).map_err(|e| e.to_string());
    }
    fit(evidence(made.iter().map(|m| m.evidence.clone()).collect())).map_err(|e| e.to_string())
}

/// Ratios of PL1, the highest first, under the highest temperature limit and then under the lowest.
fn choices(grid: &Grid) -> Vec<(f64, f64)> {
    let mut ratios = grid.ratios.clone();
    ratios.sort_by(|a, b| b.total_cmp(a));
    let (low, high) = grid.limits();
    [high, low]
        .into_iter()
        .flat_map(|limit| ratios.iter().map(move |&ratio| (ratio, limit)))
        .collect()
}

/// Every other ratio under the highest and the lowest temperature limit in all rooms.
fn map(bench: &Bench<'_>, grid: &Grid) -> Vec<Query> {
    let (low, high) = grid.limits();
    let mut map = Vec::new();
    for &room_c in &grid.rooms_c {
        for limit in [low, high] {
            for &ratio in grid.ratios.iter().rev().step_by(2) {
                map.push(query(bench, grid, (ratio, limit), room_c));
            }
        }
    }
    map
}

fn query(bench: &Bench<'_>, grid: &Grid, (ratio, temp_limit_c): (f64, f64), room_c: f64) -> Query {
    let course = Course {
        pl1_w: ratio * bench.truth.pl2_w,
        temp_limit_c,
        room_c,
        drift_k: 0.0,
        duration_s: grid.duration_s,
    };
    Query {
        workload: 0,
        setting: setting(bench.truth, &course, 0),
        conditions: Conditions {
            room_c,
            altitude_m: 0.0,
            duration_s: grid.duration_s,
        },
    }
}
