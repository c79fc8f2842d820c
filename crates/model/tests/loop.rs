//! The closed loop: against the published ladder solutions, its own settled states in closed form,
//! and laws that hold for every machine.

mod support;
#[path = "support/table.rs"]
mod table;

use std::num::NonZeroUsize;

use proptest::prelude::*;
use settlepoint_domain::PhaseKind;
use settlepoint_model::{
    ActingLimit, BudgetTier, Cooling, Driver, FanControl, LadderNode, MachineModel, OpenLoop,
    PowerTrace, Scenario, Simulator, Start, Summary, boost, boost_of, capacity_w, simulate,
    simulate_batch, steady_state, steady_state_from_above,
};

/// Network N4 of tests/networks.rs (exact Cauer elements) in air of 20 °C, its last conductance
/// equal to the fan's share in W/K, no leakage, no limits.
fn n4() -> MachineModel {
    let mut model = support::desktop();
    let node = |capacity_j_per_k, resistance_k_per_w| LadderNode {
        capacity_j_per_k,
        resistance_k_per_w,
    };
    model.cooling = Cooling {
        nodes: vec![
            node(0.886_524_822_695_035_4, 0.063_125_720_988_742_6),
            node(7.978_739_025_185_68, 0.091_957_605_841_618_69),
            node(343.691_281_355_975_15, 0.087_788_136_425_723_14),
            node(1_645.890_074_750_102_7, 0.0),
        ],
        g_nat_w_per_k: 0.0,
        g_fan_w_per_k: 1.0,
        fan_exponent: 1.0,
        reference_density_kg_m3: 1.2,
        case_offset_k: 0.0,
    };
    model
}

fn cold(fan: FanControl) -> Scenario {
    Scenario {
        tiers: Vec::new(),
        temp_limit_c: None,
        fan,
        room: vec![(0.0, 20.0)],
        start: Start::SettledAt { power_w: 0.0 },
        ..support::half_hour()
    }
}

/// The tables have 16 digits; steps of minutes of a stiff ladder lose a few.
const EXACT_K: f64 = 1e-9;

#[test]
fn a_logged_power_is_followed_exactly() {
    let rows = table::rows(include_str!("data/power-waveform.csv"));
    let times: Vec<f64> = rows.iter().map(|r| r[0]).collect();
    let power: Vec<f64> = std::iter::once(f64::NAN)
        .chain(rows.iter().map(|r| r[1]))
        .take(rows.len())
        .collect();
    let trace = PowerTrace {
        times_s: &times,
        power_w: &power,
        fan_share: None,
    };
    let scenario = cold(FanControl::Fixed(1.0 / 0.147_128_536_743_915_57));
    let mut seen = 1;
    Simulator::new()
        .follow(&n4(), &scenario, &trace, |step| {
            for (node_c, expected_k) in step.nodes_c.iter().zip(&rows[seen][3..7]) {
                assert!((node_c - 20.0 - expected_k).abs() < EXACT_K);
            }
            seen += 1;
        })
        .expect("a trace");
    assert_eq!(seen, rows.len());
}

#[test]
fn a_logged_fan_is_followed_exactly() {
    let rows = table::rows(include_str!("data/resistance-steps.csv"));
    let times: Vec<f64> = rows.iter().map(|r| r[0]).collect();
    // The table gives the resistance from a time on, the trace takes the mean up to it.
    let shares: Vec<f64> = std::iter::once(1.0)
        .chain(rows.iter().map(|r| 1.0 / r[1]))
        .take(rows.len())
        .collect();
    let power = vec![150.0; rows.len()];
    let trace = PowerTrace {
        times_s: &times,
        power_w: &power,
        fan_share: Some(&shares),
    };
    let mut seen = 1;
    Simulator::new()
        .follow(&n4(), &cold(FanControl::Fixed(1.0)), &trace, |step| {
            for (node_c, expected_k) in step.nodes_c.iter().zip(&rows[seen][2..6]) {
                assert!((node_c - 20.0 - expected_k).abs() < EXACT_K);
            }
            seen += 1;
        })
        .expect("a trace");
    assert_eq!(seen, rows.len());
}

#[test]
fn the_ladder_alone_follows_logs_exactly() {
    let model = n4();
    let run = OpenLoop {
        cooling: &model.cooling,
        hot_spot: 1.0,
        room_c: 20.0,
        air_density_kg_m3: 1.2,
        fan_share: 1.0 / 0.147_128_536_743_915_57,
        start_power_w: 0.0,
    };
    let rows = table::rows(include_str!("data/resistance-steps.csv"));
    let times: Vec<f64> = rows.iter().map(|r| r[0]).collect();
    let shares: Vec<f64> = std::iter::once(1.0)
        .chain(rows.iter().map(|r| 1.0 / r[1]))
        .take(rows.len())
        .collect();
    // A missing power takes the last one known.
    let mut power = vec![150.0; rows.len()];
    power[3] = f64::NAN;
    let trace = PowerTrace {
        times_s: &times,
        power_w: &power,
        fan_share: Some(&shares),
    };
    let mut seen = 0;
    run.respond(&trace, |i, nodes_c| {
        for (node_c, expected_k) in nodes_c.iter().zip(&rows[i][2..6]) {
            assert!((node_c - 20.0 - expected_k).abs() < EXACT_K);
        }
        seen += 1;
    })
    .expect("a trace");
    assert_eq!(seen, rows.len());
    let falling = PowerTrace {
        times_s: &[0.0, 2.0, 1.0],
        power_w: &[1.0; 3],
        fan_share: None,
    };
    assert!(run.respond(&falling, |_, _| ()).is_err());
}

#[test]
fn the_mean_die_temperature_is_the_mean_of_finer_steps() {
    let model = support::desktop();
    let mut fine = support::half_hour();
    fine.fan = FanControl::Fixed(0.6);
    fine.temp_limit_c = None;
    fine.tiers.clear();
    // Without leakage the power is the same in both.
    let model = MachineModel {
        package: settlepoint_model::Package {
            leak_w: 0.0,
            ..model.package
        },
        ..model
    };
    let coarse = Scenario {
        step_s: 60.0,
        ..fine.clone()
    };
    fine.step_s = 0.05;
    let (fine, coarse) = (
        simulate(&model, &fine, |_| ()),
        simulate(&model, &coarse, |_| ()),
    );
    // Both means are exact, whatever the step.
    assert!((fine.mean.die_c - coarse.mean.die_c).abs() < EXACT_K);
    assert!((fine.end.die_c - coarse.end.die_c).abs() < EXACT_K);
}

#[test]
fn a_boost_lasts_as_long_as_the_closed_form_says() {
    let (model, scenario) = (support::desktop(), support::half_hour());
    let summary = simulate(&model, &scenario, |_| ());
    let kinds: Vec<_> = summary.phases.iter().map(|p| p.kind).collect();
    assert_eq!(kinds, [PhaseKind::Boost, PhaseKind::Sustained]);
    let closed = boost(&scenario.tiers, 15.0, 400.0);
    // Sharing the last second by energy errs by less than dt²/(2 tau) = 9 ms.
    assert!((summary.boost_duration_s - closed.duration_s).abs() < 0.009);
    assert!(summary.phases[0].end_s - closed.duration_s < 1.0);
}

#[test]
fn the_temperature_limit_holds_without_chatter() {
    let model = support::desktop();
    let mut scenario = support::half_hour();
    scenario.temp_limit_c = Some(66.0);
    // The power falls as the cooler warms and rises as the fan follows: a few turns, no swinging.
    let (mut last_w, mut last_change, mut turns, mut held) = (f64::NAN, 0.0_f64, 0, 0);
    let summary = simulate(&model, &scenario, |step| {
        assert!(step.die_c <= 66.0 + 1e-9);
        if step.acting == ActingLimit::Temperature {
            held += 1;
            let change = step.power_w - last_w;
            if change.abs() > 1e-6 {
                turns += i32::from(change * last_change < 0.0);
                last_change = change;
            }
        }
        last_w = step.power_w;
    });
    assert!(held > 1000 && turns <= 3, "{turns} turns");
    // Boost, held, boost's last second, sustained while the cooler warms, held again.
    assert!(summary.phases.len() <= 5, "{:?}", summary.phases);
    assert_eq!(summary.acting, ActingLimit::Temperature);
    let settled = steady_state(&model, &scenario);
    assert!(!settled.cannot_hold && (settled.die_c - 66.0).abs() < 1e-9);
}

#[test]
fn a_limit_that_cannot_be_held_is_flagged() {
    let model = support::desktop();
    let mut scenario = support::half_hour();
    scenario.temp_limit_c = Some(24.0);
    let summary = simulate(&model, &scenario, |_| ());
    let settled = steady_state(&model, &scenario);
    assert!(summary.cannot_hold && settled.cannot_hold);
    assert!((summary.end.power_w - model.package.min_w).abs() < 1e-12);
    assert!((summary.end.die_c - settled.die_c).abs() < 0.01);
}

#[test]
fn a_runaway_is_flagged() {
    let mut model = support::desktop();
    model.package.leak_w = 60.0;
    model.package.leak_beta_per_k = 0.04;
    let mut scenario = support::half_hour();
    scenario.tiers.clear();
    scenario.temp_limit_c = None;
    scenario.fan = FanControl::Fixed(0.1);
    assert!(steady_state(&model, &scenario).runaway);
    let summary = simulate(&model, &scenario, |_| ());
    assert!(summary.end.die_c > 250.0 && summary.end.die_c.is_finite());
    assert!(!steady_state(&support::desktop(), &support::half_hour()).runaway);
}

#[test]
fn hysteresis_leaves_the_fan_faster_after_a_boost() {
    let model = support::desktop();
    let mut scenario = support::half_hour();
    scenario.tiers[0] = BudgetTier {
        limit_w: 100.0,
        window_s: 120.0,
    };
    let end = simulate(&model, &scenario, |_| ()).end;
    let (rising, falling) = (
        steady_state(&model, &scenario),
        steady_state_from_above(&model, &scenario),
    );
    assert!(falling.fan_share > rising.fan_share && falling.die_c < rising.die_c);
    // Close to the faster end: the die undershoots a little and the backlash keeps that speed.
    assert!(end.fan_share > 0.5 * (falling.fan_share + rising.fan_share));
    assert!(end.die_c > falling.die_c - 0.01 && end.die_c < rising.die_c + 0.01);
}

#[test]
fn capacity_is_what_the_steady_state_carries() {
    let model = support::desktop();
    let mut scenario = support::half_hour();
    scenario.fan = FanControl::Fixed(0.7);
    let settled = steady_state(&model, &scenario);
    let watts = capacity_w(&model.cooling, 1.0, settled.die_c, 22.0, 0.7, 1.2);
    assert!((watts - settled.power_w).abs() < 1e-9);
}

#[test]
fn a_workload_draws_its_demand() {
    let mut model = support::desktop();
    model.package.leak_w = 0.0;
    let mut scenario = cold(FanControl::Fixed(0.5));
    scenario.duration_s = 10.0;
    let demand = [(0.0, 50.0), (2.5, 150.0), (7.0, 30.0)];
    let mut seen = Vec::new();
    let mut simulator = Simulator::new();
    let summary = simulator.run_driven(&model, &scenario, Driver::Workload(&demand), |step| {
        seen.push(step.power_w);
    });
    let expected = [
        50.0, 50.0, 100.0, 150.0, 150.0, 150.0, 150.0, 30.0, 30.0, 30.0,
    ];
    assert!(
        seen.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-9),
        "{seen:?}"
    );
    assert!((summary.energy_j - 890.0).abs() < 1e-9);
}

#[test]
fn what_cannot_be_simulated_gives_no_number() {
    let mut model = support::desktop();
    model.cooling.nodes.clear();
    assert!(model.check().is_err());
    let mut steps = 0;
    let summary = simulate(&model, &support::half_hour(), |_| steps += 1);
    assert!(steps == 0 && summary.mean.power_w.is_nan() && summary.phases.is_empty());
    assert!(steady_state(&model, &support::half_hour()).die_c.is_nan());
}

#[test]
fn a_batch_is_its_runs_on_any_number_of_threads() {
    let scenario = support::half_hour();
    let models: Vec<_> = (0..7)
        .map(|i| {
            let mut model = support::desktop();
            model.package.demand_w += f64::from(10 * i);
            model.cooling.case_offset_k = f64::from(i);
            model
        })
        .collect();
    let pairs: Vec<_> = models.iter().map(|m| (m, &scenario)).collect();
    let alone: Vec<_> = models
        .iter()
        .map(|m| simulate(m, &scenario, |_| ()))
        .collect();
    for threads in 1..=8 {
        let threads = NonZeroUsize::new(threads).expect("above 0");
        assert_eq!(simulate_batch(&pairs, threads, Clone::clone), alone);
    }
}

/// The die of the desktop machine from 15 W to its own demand, with leakage and the smoothed fan
/// curve but neither hysteresis nor slew, as five coupled differential equations: scipy 1.17.1
/// `solve_ivp`, Radau, rtol 1e-11; BDF and LSODA agree in every digit given. (time s, °C).
const COUPLED: [(f64, f64); 10] = [
    (1.0, 44.342_234_6),
    (2.0, 47.548_417_7),
    (5.0, 53.139_048_2),
    (10.0, 57.725_970_2),
    (30.0, 65.807_094_4),
    (60.0, 73.289_148_5),
    (120.0, 82.146_092_3),
    (300.0, 87.647_979_9),
    (600.0, 87.925_400_1),
    (1800.0, 87.927_031_9),
];

/// Largest distance from [`COUPLED`] with a step.
fn coupled_error_k(step_s: f64) -> f64 {
    let mut model = support::desktop();
    model.fan.hysteresis_k = 0.0;
    model.fan.slew_per_s = f64::INFINITY;
    let scenario = Scenario {
        tiers: Vec::new(),
        temp_limit_c: None,
        step_s,
        ..support::half_hour()
    };
    let mut worst_k = 0.0_f64;
    simulate(&model, &scenario, |step| {
        if let Some((_, die_c)) = COUPLED.iter().find(|(t, _)| (t - step.time_s).abs() < 1e-6) {
            worst_k = worst_k.max((step.die_c - die_c).abs());
        }
    });
    worst_k
}

#[test]
fn leakage_and_fan_together_agree_with_a_general_solver() {
    let (second, tenth) = (coupled_error_k(1.0), coupled_error_k(0.1));
    // Fan and leakage are held over a step, which is of first order in it: 0.02 K at 1 s, in the
    // first seconds of a jump of 215 W, far below what any sensor resolves.
    assert!(second < 0.025, "{second}");
    assert!(tenth < 0.004 && tenth < 0.25 * second, "{tenth}");
}

#[test]
fn firmware_holds_its_own_idea_of_a_limit() {
    let mut model = support::desktop();
    let scenario = support::half_hour();
    model.limits.power_ratio = 1.04;
    model.limits.tau_ratio = 1.5;
    let summary = simulate(&model, &scenario, |_| ());
    assert!((summary.end.power_w - 1.04 * 150.0).abs() < 1e-9);
    // Demand is a few watts below that at 70 °C while the die is cool, which lengthens the boost.
    let (closed, got_s) = (boost_of(&model, &scenario), summary.boost_duration_s);
    assert!(
        got_s >= closed.duration_s && got_s < 1.03 * closed.duration_s,
        "{got_s} {closed:?}"
    );
    let sharp = boost(&scenario.tiers, 15.0, 400.0);
    assert!(closed.duration_s > 1.4 * sharp.duration_s);
    model.limits.other_limit_w = Some(120.0);
    let summary = simulate(&model, &scenario, |_| ());
    assert_eq!(summary.acting, ActingLimit::Other);
    assert_eq!(steady_state(&model, &scenario).acting, ActingLimit::Other);
    assert!((summary.end.power_w - 120.0).abs() < 1e-12);
    model.limits.temp_limit_offset_k = -25.0;
    let summary = simulate(&model, &scenario, |_| ());
    assert!((summary.end.die_c - 60.0).abs() < 1e-9);
    assert!((steady_state(&model, &scenario).die_c - 60.0).abs() < 1e-9);
}

#[test]
fn a_room_that_warms_is_followed_with_the_time_constant() {
    // One node, no power: behind a ramp r the node lags by r tau (1 - exp(-t/tau)).
    let mut model = n4();
    model.cooling.nodes = vec![LadderNode {
        capacity_j_per_k: 400.0,
        resistance_k_per_w: 0.0,
    }];
    let mut scenario = cold(FanControl::Fixed(4.0));
    scenario.room = vec![(0.0, 20.0), (1800.0, 38.0)];
    model.package.demand_w = 0.0;
    model.package.leak_w = 0.0;
    let (slope, tau_s) = (18.0 / 1800.0, 100.0_f64);
    let mut worst_k = 0.0_f64;
    let summary = simulate(&model, &scenario, |step| {
        let lag_k = slope * tau_s * -(-step.time_s / tau_s).exp_m1();
        worst_k = worst_k.max((step.die_c - (20.0 + slope * step.time_s - lag_k)).abs());
    });
    // The room is held at its middle over each second: r dt²/(12 tau) = 1e-5 K.
    assert!(worst_k < 1e-5, "{worst_k}");
    // The mean of the exact course.
    let mean_lag_k = slope * tau_s * (1.0 + tau_s / 1800.0 * (-1800.0 / tau_s).exp_m1());
    assert!((summary.mean.die_c - (29.0 - mean_lag_k)).abs() < 1e-4);
}

#[test]
fn thinner_air_and_a_hot_spot_are_hotter_a_case_offset_by_itself() {
    let mut model = support::desktop();
    model.package.leak_w = 0.0;
    let mut scenario = support::half_hour();
    scenario.fan = FanControl::Fixed(0.6);
    scenario.temp_limit_c = None;
    let base = steady_state(&model, &scenario);
    model.cooling.case_offset_k += 2.5;
    assert!((steady_state(&model, &scenario).die_c - base.die_c - 2.5).abs() < 1e-9);
    model.cooling.case_offset_k -= 2.5;
    // 150 W over a tenth more of 0.06 K/W.
    model.package.hot_spot = 1.1;
    assert!((steady_state(&model, &scenario).die_c - base.die_c - 0.9).abs() < 1e-9);
    model.package.hot_spot = 1.0;
    scenario.air_density_kg_m3 = 0.96;
    let g = |d: f64| 0.8 * d.sqrt() + 8.0 * (d * 0.6).powf(0.55);
    let expected_k = 150.0 * (1.0 / g(0.8) - 1.0 / g(1.0));
    assert!((steady_state(&model, &scenario).die_c - base.die_c - expected_k).abs() < 1e-9);
}

#[test]
fn a_fan_turns_no_faster_than_its_slew_allows() {
    let mut model = support::desktop();
    model.fan.slew_per_s = 0.002;
    let scenario = support::half_hour();
    let mut last = None;
    let mut fastest = 0.0_f64;
    simulate(&model, &scenario, |step| {
        if let Some(last) = last {
            fastest = fastest.max(f64::abs(step.fan_share - last));
        }
        last = Some(step.fan_share);
    });
    assert!((fastest - 0.002).abs() < 1e-12, "{fastest}");
}

#[test]
fn a_curve_is_straight_between_its_points_and_level_outside() {
    let mut curve = support::desktop().fan;
    curve.points = vec![(40.0, 0.2), (60.0, 0.4), (60.0, 0.6), (80.0, 1.0)];
    for (temp_c, share) in [
        (0.0, 0.2),
        (40.0, 0.2),
        (50.0, 0.3),
        (60.0, 0.6),
        (70.0, 0.8),
        (99.0, 1.0),
    ] {
        assert!((curve.share_at(temp_c) - share).abs() < 1e-12);
    }
    curve.points = vec![(60.0, 0.4), (50.0, 0.6)];
    assert!(curve.check().is_err());
}

/// Machines of every size within the ranges of desktop parts.
fn machines() -> impl Strategy<Value = MachineModel> {
    let nodes = prop::collection::vec((0.02..0.1_f64, 1.5..3.0_f64), 1..=4);
    let curve = (40.0..62.0_f64, 15.0..40.0_f64, 0.0..0.4_f64, 0.0..15.0_f64);
    let cooling = (
        0.06..0.25_f64,
        0.03..0.3_f64,
        0.3..0.8_f64,
        100.0..400.0_f64,
    );
    (
        nodes,
        curve,
        cooling,
        (80.0..300.0_f64, 0.0..0.12_f64, 0.008..0.025_f64),
    )
        .prop_map(|(nodes, curve, cooling, package)| {
            let mut model = support::desktop();
            // Each node outwards is larger, the last one by far.
            let mut capacity = cooling.3;
            let mut ladder: Vec<_> = nodes
                .iter()
                .map(|(resistance_k_per_w, ratio)| {
                    capacity /= ratio * 2.0;
                    LadderNode {
                        capacity_j_per_k: capacity * 4.0,
                        resistance_k_per_w: *resistance_k_per_w,
                    }
                })
                .collect();
            ladder.reverse();
            model.cooling.nodes = ladder;
            model.cooling.g_fan_w_per_k = (1.0 - cooling.1) / cooling.0;
            model.cooling.g_nat_w_per_k = cooling.1 / cooling.0;
            model.cooling.fan_exponent = cooling.2;
            model.fan.points = vec![
                (curve.0, curve.2),
                (curve.0 + 0.5 * curve.1, 0.5),
                (curve.0 + curve.1, 1.0),
            ];
            model.fan.smoothing_s = curve.3;
            model.fan.hysteresis_k = 0.0;
            model.package.demand_w = package.0;
            model.package.reference_w = package.0;
            model.package.leak_w = package.0 * package.1;
            model.package.leak_beta_per_k = package.2;
            model
        })
}

fn settings() -> impl Strategy<Value = Scenario> {
    (
        50.0..300.0_f64,
        1.0..60.0_f64,
        60.0..110.0_f64,
        0.2..1.0_f64,
        10.0..38.0_f64,
        0..3_u8,
    )
        .prop_map(
            |(limit_w, window_s, temp_c, share, room_c, kind)| Scenario {
                tiers: vec![
                    BudgetTier { limit_w, window_s },
                    BudgetTier {
                        limit_w: 1.4 * limit_w,
                        window_s: 0.0,
                    },
                ],
                temp_limit_c: (kind > 0).then_some(temp_c),
                fan: if kind == 1 {
                    FanControl::Fixed(share)
                } else {
                    FanControl::Curve {
                        ceiling: share.max(0.4),
                    }
                },
                room: vec![(0.0, room_c)],
                ..support::half_hour()
            },
        )
}

fn tiles(summary: &Summary, duration_s: f64) -> bool {
    let phases = &summary.phases;
    phases.first().is_some_and(|p| p.start_s.abs() < 1e-12)
        && phases
            .last()
            .is_some_and(|p| (p.end_s - duration_s).abs() < 1e-9)
        && phases
            .windows(2)
            .all(|w| (w[0].end_s - w[1].start_s).abs() < 1e-9)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_long_run_ends_at_the_steady_state(model in machines(), mut scenario in settings()) {
        let settled = steady_state(&model, &scenario);
        prop_assume!(!settled.runaway);
        // Every slow machine above has time constants below 3000 s; e^-20 of 100 K is 2e-7 K.
        scenario.duration_s = 60_000.0;
        let summary = simulate(&model, &scenario, |_| ());
        prop_assert!(
            (summary.end.die_c - settled.die_c).abs() < 0.01,
            "{} °C, settled {settled:?}", summary.end.die_c
        );
        prop_assert!((summary.end.power_w - settled.power_w).abs() < 0.01);
        prop_assert!((summary.end.fan_share - settled.fan_share).abs() < 0.001);
        prop_assert!(tiles(&summary, scenario.duration_s));
        // From the steady state on, nothing moves.
        scenario.start = Start::SteadyState;
        scenario.duration_s = 100.0;
        simulate(&model, &scenario, |step| {
            assert!((step.die_c - settled.die_c).abs() < 0.01, "{step:?} {settled:?}");
        });
    }

    #[test]
    fn more_power_at_the_same_fan_is_never_cooler(model in machines(), mut scenario in settings()) {
        scenario.temp_limit_c = None;
        scenario.fan = FanControl::Fixed(0.5);
        scenario.duration_s = 300.0;
        let mut low = Vec::new();
        simulate(&model, &scenario, |s| low.push(s.die_c));
        for tier in &mut scenario.tiers {
            tier.limit_w += 5.0;
        }
        let mut index = 0;
        simulate(&model, &scenario, |s| {
            assert!(s.die_c >= low[index] - 1e-9);
            index += 1;
        });
    }

    #[test]
    fn a_hotter_room_is_never_cooler(model in machines(), mut scenario in settings()) {
        scenario.fan = FanControl::Fixed(0.5);
        let cool = steady_state(&model, &scenario);
        scenario.room[0].1 += 3.0;
        let warm = steady_state(&model, &scenario);
        prop_assert!(warm.die_c >= cool.die_c - 1e-9);
    }

    #[test]
    fn energy_is_power_times_time(model in machines(), scenario in settings()) {
        let mut energy_j = 0.0;
        let summary = simulate(&model, &scenario, |s| energy_j += s.power_w * s.dt_s);
        prop_assert!((summary.energy_j - energy_j).abs() < 1e-9 * energy_j);
        prop_assert!(tiles(&summary, scenario.duration_s));
        // A workspace used before gives the very same run.
        let mut simulator = Simulator::new();
        simulator.run(&support::desktop(), &scenario, |_| ());
        prop_assert_eq!(simulator.run(&model, &scenario, |_| ()), &summary);
    }

    #[test]
    fn a_trace_shifted_in_time_is_the_same(model in machines(), scenario in settings(), shift_s in -1e4..1e4_f64) {
        let times: Vec<f64> = (0..50).map(|i| f64::from(i) * 1.7).collect();
        let later: Vec<f64> = times.iter().map(|t| t + shift_s).collect();
        let power: Vec<f64> = (0..50).map(|i| 60.0 + f64::from(i % 7) * 20.0).collect();
        let end = |times: &[f64]| {
            let trace = PowerTrace { times_s: times, power_w: &power, fan_share: None };
            Simulator::new().follow(&model, &scenario, &trace, |_| ()).map(|s| s.end.die_c)
        };
        let (a, b) = (end(&times).expect("a trace"), end(&later).expect("a trace"));
        // A shift of 1e4 s rounds times to 2e-12 s.
        prop_assert!((a - b).abs() < 1e-8);
    }
}

/// A run cut into stretches is the run in one piece, and limits changed in between take hold.
#[test]
fn stretches_add_up_to_the_whole_run() {
    let model = support::desktop();
    let whole = Scenario {
        tiers: vec![
            BudgetTier {
                limit_w: 100.0,
                window_s: 28.0,
            },
            BudgetTier {
                limit_w: 180.0,
                window_s: 0.0,
            },
        ],
        duration_s: 120.0,
        step_s: 0.5,
        start: Start::SettledAt { power_w: 15.0 },
        ..support::half_hour()
    };
    let demand_w = model.package.demand_w;
    let mut at_once = Vec::new();
    simulate(&model, &whole, |step| {
        at_once.push((step.power_w, step.die_c, step.fan_share));
    });
    let mut simulator = Simulator::new();
    let mut standing = simulator.standing(&model, &whole).expect("a start");
    let mut pieces = Vec::new();
    for duration_s in [0.5, 7.5, 52.0, 60.0] {
        let stretch = Scenario {
            duration_s,
            ..whole.clone()
        };
        simulator
            .go_on(&model, &stretch, demand_w, &mut standing, |step| {
                pieces.push((step.power_w, step.die_c, step.fan_share));
            })
            .expect("a stretch");
    }
    assert_eq!(at_once.len(), pieces.len());
    for (a, b) in at_once.iter().zip(&pieces) {
        // Powers of the conductance are tracked from another anchor, good to 1e-12.
        assert!(
            (a.0 - b.0).abs() < 1e-6 && (a.1 - b.1).abs() < 1e-6 && (a.2 - b.2).abs() < 1e-9,
            "{a:?} {b:?}"
        );
    }
    let lower = Scenario {
        tiers: vec![
            BudgetTier {
                limit_w: 60.0,
                window_s: 0.0,
            },
            whole.tiers[1],
        ],
        ..whole
    };
    let mut last_w = f64::NAN;
    simulator
        .go_on(&model, &lower, demand_w, &mut standing, |step| {
            last_w = step.power_w;
        })
        .expect("a stretch");
    assert!((last_w - 60.0).abs() < 1e-9, "{last_w}");
}
