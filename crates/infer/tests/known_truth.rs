//! Simulated machines whose truth is known: what the fit, the predictions and the choice make of
//! typed averages. The calibration of intervals over many machines is a command of its own
//! (`cargo xtask calibrate`); here are single, fixed cases.

use settlepoint_domain::{
    Direction, FanSetting, Id, LimitValue, PhaseKind, PhaseReading, Run, RunData, Score, ScoreKind,
    Setting, Workload,
};
use settlepoint_infer::choose::{Constraints, choose};
use settlepoint_infer::collect::from_readings;
use settlepoint_infer::evidence::Evidence;
use settlepoint_infer::fit::{CoolingFit, InferError, fit};
use settlepoint_infer::forward::Conditions;
use settlepoint_infer::layout::Key;
use settlepoint_infer::plan::{Question, plan};
use settlepoint_infer::predict::{Query, setting_of};
use settlepoint_model::{BudgetTier, FanControl, Scenario, Start, air_density_kg_m3, simulate};

mod support;
use support::invented_machine;

const ROOM_C: f64 = 22.0;
const MINUTES_10: f64 = 600.0;

fn scenario(pl1_w: f64, room_c: f64) -> Scenario {
    Scenario {
        tiers: vec![
            BudgetTier {
                limit_w: pl1_w,
                window_s: 56.0,
            },
            BudgetTier {
                limit_w: 240.0,
                window_s: 0.0,
            },
        ],
        temp_limit_c: Some(95.0),
        fan: FanControl::Curve { ceiling: 1.0 },
        room: vec![(0.0, room_c)],
        air_density_kg_m3: air_density_kg_m3(room_c, 0.0),
        duration_s: MINUTES_10,
        step_s: 1.0,
        start: Start::SettledAt { power_w: 16.0 },
    }
}

fn setting(pl1_w: f64) -> Setting {
    let value = LimitValue::Value;
    setting_of(
        format!("{pl1_w} W"),
        value(pl1_w),
        value(240.0),
        value(56.0),
        value(95.0),
        FanSetting::AsFitted,
    )
}

fn workload() -> Workload {
    Workload {
        id: Id::from_u128(1),
        name: "render".into(),
        unit: "frames".into(),
        direction: Direction::Higher,
        kind: ScoreKind::MeanRate,
        duration_s: MINUTES_10,
        hours_per_week: None,
        weight: None,
        loss_max_pct: None,
        idle: false,
    }
}

/// A run as somebody would type it: whole watts, degrees and revolutions, a tenth of a decibel.
fn typed(pl1_w: f64) -> Run {
    let model = invented_machine();
    let summary = simulate(&model, &scenario(pl1_w, ROOM_C), |_| {});
    let phases = summary
        .phases
        .iter()
        .map(|phase| {
            let mut reading = PhaseReading::blank(phase.kind);
            reading.duration_s = Some((phase.end_s - phase.start_s).round());
            reading.power_w = Some(phase.mean.power_w.round());
            reading.package_c = Some(phase.mean.die_c.round());
            if phase.kind != PhaseKind::Boost {
                let share = phase.mean.fan_share;
                reading.fan_speed_rpm = Some((1500.0 * share).round());
                let level = model.sound.expect("a level").level(share).db();
                reading.level_dba = Some((10.0 * level).round() / 10.0);
            }
            reading
        })
        .collect();
    Run {
        id: Id::from_u128(2),
        name: format!("{pl1_w}"),
        machine: Id::from_u128(3),
        cooling: Id::from_u128(4),
        tune: None,
        setting: Id::from_u128(5),
        workload: Id::from_u128(1),
        room_c: Some(ROOM_C),
        altitude_m: None,
        data: RunData::Readings(phases),
        scores: vec![Score {
            value: summary.mean.work_rate,
            repetition: 1,
            order: None,
            block: None,
            time: None,
        }],
        excluded: None,
    }
}

fn evidence(pl1s_w: &[f64]) -> Evidence {
    Evidence {
        workloads: vec![workload()],
        runs: pl1s_w
            .iter()
            .map(|&w| from_readings(&typed(w), &setting(w), &workload()))
            .collect(),
        fan_max_rpm: None,
    }
}

fn fitted(pl1s_w: &[f64]) -> CoolingFit {
    fit(evidence(pl1s_w)).expect("three typed runs are enough")
}

fn query(pl1_w: f64, room_c: f64) -> Query {
    Query {
        workload: 0,
        setting: setting(pl1_w),
        conditions: Conditions {
            room_c,
            altitude_m: 0.0,
            duration_s: MINUTES_10,
        },
    }
}

#[test]
fn three_typed_runs_predict_settings_and_rooms_that_were_not_run() {
    let fit = fitted(&[65.0, 120.0, 175.0]);
    for (pl1_w, room_c) in [(90.0, 22.0), (150.0, 22.0), (100.0, 35.0), (140.0, 30.0)] {
        let p = fit.predict(&query(pl1_w, room_c), usize::MAX);
        let mut long = scenario(pl1_w, room_c);
        long.duration_s = 3600.0;
        let settled = simulate(&invented_machine(), &long, |_| {}).end;
        let error_k = p.sustained.package_c.value - settled.die_c;
        // Whole-degree averages of a shared half-kelvin offset: 1.5 K is two standard deviations.
        assert!(
            error_k.abs() < 1.5,
            "{pl1_w} W, {room_c} °C: {error_k:.2} K"
        );
        let level = p.sustained.level_dba.value().expect("levels were typed");
        let true_level = invented_machine()
            .sound
            .expect("a level")
            .level(settled.fan_share)
            .db();
        // Where the curve bends between the temperatures seen is open by about 2 K, and 2 K along
        // it are 9 % of speed near its floor: 56 log10(1.09) = 2 dB.
        assert!(
            (level - true_level).abs() < 2.1,
            "{pl1_w} W: {level} for {true_level} dB(A)"
        );
    }
}

#[test]
fn work_at_a_setting_that_was_not_run_is_within_a_percent() {
    let fit = fitted(&[65.0, 120.0, 175.0]);
    let best = simulate(&invented_machine(), &scenario(175.0, ROOM_C), |_| {})
        .mean
        .work_rate;
    for pl1_w in [90.0, 150.0] {
        let p = fit.predict(&query(pl1_w, ROOM_C), usize::MAX);
        let rate = simulate(&invented_machine(), &scenario(pl1_w, ROOM_C), |_| {})
            .mean
            .work_rate;
        let error = p.work_rel.value().expect("scores were given") - rate / best;
        assert!(error.abs() < 0.01, "{pl1_w} W: {error:.4}");
    }
}

#[test]
fn a_hotter_room_is_never_predicted_cooler_or_faster() {
    let fit = fitted(&[65.0, 120.0, 175.0]);
    let mut last: Option<(f64, f64)> = None;
    for room_c in [10.0, 16.0, 22.0, 28.0, 34.0, 40.0] {
        let p = fit.predict(&query(160.0, room_c), 60);
        let now = (
            p.sustained.package_c.value,
            p.work_rel.value().expect("work"),
        );
        if let Some((temp_c, work)) = last {
            assert!(now.0 >= temp_c - 1e-6, "{room_c} °C: {now:?}");
            assert!(now.1 <= work + 1e-6, "{room_c} °C: {now:?}");
        }
        last = Some(now);
    }
}

#[test]
fn the_same_evidence_gives_the_same_numbers() {
    let (a, b) = (fitted(&[65.0, 175.0]), fitted(&[65.0, 175.0]));
    assert_eq!(a.z, b.z);
    assert_eq!(a.draws, b.draws);
}

#[test]
fn an_unreached_demand_is_a_lower_bound_and_said_to_be_open() {
    let fit = fitted(&[65.0, 120.0]);
    // The boosts drew about 196 W: the demand cannot lie far below.
    let demand: Vec<f64> = fit
        .draws
        .iter()
        .filter_map(|d| fit.layout.value(&d.z, Key::Demand(0)))
        .collect();
    let low = demand.iter().filter(|&&w| w < 180.0).count();
    assert!(
        low * 20 < demand.len(),
        "{low} of {} draws below 180 W",
        demand.len()
    );
}

#[test]
fn the_choice_keeps_its_bounds_in_invented_machine() {
    let fit = fitted(&[65.0, 120.0, 175.0]);
    let constraints = Constraints {
        room_c: 33.0,
        altitude_m: 0.0,
        temp_max_c: Some(85.0),
        confidence: 0.95,
        noise_max_dba: None,
        noise_max_idle_dba: None,
        loss_max_pct: 12.0,
        wall_max_w: None,
        rest_w: 60.0,
        supply_efficiency: 0.88,
    };
    let choice = choose(&fit, &constraints).expect("a workload");
    let chosen = &choice.settings[choice.recommended.expect("one keeps the bounds")];
    let mut true_scenario = scenario(chosen.setting.pl1_w.value().expect("a PL1"), 33.0);
    true_scenario.duration_s = 3600.0;
    true_scenario.temp_limit_c = chosen.setting.temp_limit_c.value();
    if let FanSetting::Ceiling(rpm) = chosen.setting.fan {
        true_scenario.fan = FanControl::Curve {
            ceiling: rpm / 1500.0,
        };
    }
    let settled = simulate(&invented_machine(), &true_scenario, |_| {}).end;
    assert!(
        settled.die_c <= 85.0,
        "{:?} settles at {:.1} °C",
        chosen.setting,
        settled.die_c
    );
    assert!(chosen.loss_pct <= 12.0);
    // Non-dominated: none is beaten by another in work, level and heat at once.
    let figures: Vec<[f64; 3]> = choice
        .settings
        .iter()
        .map(|c| {
            let p = &c.predictions[0].sustained;
            [
                -c.work_rel,
                p.level_dba.value().expect("levels"),
                p.package_c.value,
            ]
        })
        .collect();
    for a in &figures {
        for b in &figures {
            // Margins: the search compares quick figures of sixteen draws.
            let beaten = b[0] < a[0] - 0.004 && b[1] < a[1] - 0.3 && b[2] < a[2] - 0.5;
            assert!(!beaten, "{a:?} is beaten by {b:?}");
        }
    }
}

#[test]
fn no_runs_and_no_temperatures_are_refused_with_advice() {
    assert_eq!(fit(Evidence::default()).err(), Some(InferError::NoRuns));
    let mut blind = evidence(&[65.0]);
    for window in &mut blind.runs[0].windows {
        window.package_c = None;
    }
    let error = fit(blind).expect_err("nothing to fit");
    assert!(error.to_string().contains("temperature"), "{error}");
}

/// What a plan promises is what the fit gives once the run has been made.
#[test]
fn a_planned_run_narrows_the_intervals_as_promised() {
    let map: Vec<Query> = [60.0, 100.0, 140.0, 180.0]
        .into_iter()
        .flat_map(|w| [22.0, 35.0].map(|room_c| query(w, room_c)))
        .collect();
    let question = |runs| Question {
        candidates: [180.0, 150.0, 120.0, 90.0, 60.0]
            .map(|w| query(w, ROOM_C))
            .to_vec(),
        map: map.clone(),
        decision: None,
        runs,
    };
    let two = [110.0, 130.0];
    let planned = plan(&fitted(&two), &question(1));
    let run = &planned.runs[0];
    let pl1_w = run.setting.pl1_w.value().expect("a limit");
    // Two runs in the middle leave the ends open.
    assert!(!(100.0..=140.0).contains(&pl1_w), "{pl1_w}");
    let made = plan(&fitted(&[two[0], two[1], pl1_w]), &question(0)).now;
    // The promise rests on the draws before the run and on linear relations; the fit after it on its
    // readings. A third in either direction tells one useful plan from another.
    for (promised, now, before) in [
        (run.after.package_k, made.package_k, planned.now.package_k),
        (
            run.after.work_pct.expect("work"),
            made.work_pct.expect("work"),
            planned.now.work_pct.expect("work"),
        ),
    ] {
        assert!(
            (0.67..1.5).contains(&(now / promised)),
            "promised {promised:.2}, came to {now:.2}, before {before:.2}"
        );
        assert!(now < before);
    }
}
