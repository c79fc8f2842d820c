//! Campaigns of three runs on invented machines, fitted, and held against the machines' parameters.
//!
//! `SETTLEPOINT_MACHINES=20` takes as many machines and prints what came out
//! (`cargo xtask rehearse-test`); without it there are two.

use settlepoint_bench::rehearse::MachineSpec;
use settlepoint_domain::{FanSetting, LimitValue};
use settlepoint_infer::fit::{CoolingFit, Draw};
use settlepoint_infer::forward::Conditions;
use settlepoint_infer::layout::Key;
use settlepoint_infer::predict::{Prediction, Query, setting_of};
use settlepoint_model::{
    BudgetTier, Cauer, Cooling, FanControl, Scenario, Start, capacity_w, simulate, steady_state,
};

use settlepoint_views::gather;

use crate::campaigns::code;
use crate::support::Desk;

/// Limits of the three runs, as shares of full demand: a plan's usual spread.
const RUN: [f64; 3] = [0.3, 0.6, 0.9];
/// Limits that are predicted, and those of the short form.
const OTHERS: [f64; 4] = [0.4, 0.5, 0.75, 1.0];
const FEW: [f64; 1] = [0.75];
/// Machines under way at a time.
const TOGETHER: usize = 2;
const RUN_S: f64 = 900.0;
/// Where K/W is compared: package over room at full fan, °C.
const AT_C: f64 = 85.0;

/// By how much a fit is off on one machine.
#[derive(Debug)]
struct Errors {
    seed: u64,
    /// Rise over the room a watt, at full fan, as a share.
    resistance: f64,
    /// The part of it that the fit gives to the cooler alone, as a share: without the warming of intake
    /// and case, which these machines hardly have and runs in one room hardly tell apart. Told, not
    /// judged.
    cooler_alone: f64,
    /// The power budget's window, as a share.
    window: f64,
    /// The slowest thermal time constant at full fan, as a share.
    slowest: f64,
    /// Plateaus of the other settings, K.
    plateaus_k: Vec<f64>,
    /// Work of the other settings, as a share.
    work: Vec<f64>,
}

fn watts(spec: &MachineSpec, share: f64) -> f64 {
    (share * spec.model.package.demand_w).round()
}

fn scenario(spec: &MachineSpec, pl1_w: f64) -> Scenario {
    let tier = |limit_w, window_s| BudgetTier { limit_w, window_s };
    Scenario {
        tiers: vec![tier(pl1_w, spec.tau_s), tier(spec.pl2_w, 0.0)],
        temp_limit_c: Some(spec.temp_limit_c),
        fan: FanControl::Curve { ceiling: 1.0 },
        room: vec![(0.0, spec.room_c)],
        air_density_kg_m3: spec.air_density_kg_m3(),
        duration_s: RUN_S,
        step_s: 0.01,
        start: Start::SettledAt {
            power_w: spec.idle_w,
        },
    }
}

/// The slowest time constant of a ladder with its fan at full speed, s.
fn slowest_s(cooling: &Cooling) -> f64 {
    let outer = 1.0 / cooling.conductance_w_per_k(1.0, cooling.reference_density_kg_m3);
    let mut r: Vec<f64> = cooling.nodes.iter().map(|n| n.resistance_k_per_w).collect();
    let c: Vec<f64> = cooling.nodes.iter().map(|n| n.capacity_j_per_k).collect();
    if let Some(last) = r.last_mut() {
        *last += outer;
    }
    let foster = Cauer::new(&r, &c).expect("a ladder").to_foster();
    foster
        .time_constants_s()
        .iter()
        .copied()
        .fold(0.0, f64::max)
}

fn try_machine(seed: u64, others: &[f64]) -> Errors {
    let desk = Desk::with_notebook();
    let number = seed.to_string();
    desk.run(["rehearse", "bench", "--seed", &number, "--speed", "1000"])
        .ok();
    let spec = MachineSpec::from_seed(seed);
    let code = code(&desk);
    // As one reads it off the fan's data sheet.
    let full_rpm = spec.model.full_speed_rpm.expect("a speed").to_string();
    desk.run(["add", "machine", "a.settle", "invented"]).ok();
    desk.run([
        "add",
        "cooling",
        "a.settle",
        "tower",
        "--fan-max",
        &full_rpm,
    ])
    .ok();
    let mut sheet = "run,workload,pl1_w,run_s,cool_down_s\n".to_owned();
    for share in RUN {
        sheet += &format!("{share},mixed,{},{RUN_S},60\n", watts(&spec, share));
    }
    desk.write("plan.csv", sheet);
    let said = desk.run([
        "campaign",
        "a.settle",
        "--sheet",
        "plan.csv",
        "--root",
        "bench",
        "--rate",
        "2",
        "--write-limits",
        "--above-rated",
        "--yes",
        &code,
    ]);
    assert_eq!(said.code, Some(0), "{said:?}");
    compare(&desk, &spec, others)
}

fn compare(desk: &Desk, spec: &MachineSpec, others: &[f64]) -> Errors {
    let book = gather::open(&desk.path("a.settle")).expect("it opens");
    let gathered = gather::gather(&book, &gather::Pick::default()).expect("runs");
    let (fit, _) = gathered.fit(&[]).expect("a fit");
    let (mut plateaus_k, mut work) = (Vec::new(), Vec::new());
    for share in others {
        let pl1_w = watts(spec, *share);
        let said = predicted(&fit, spec, pl1_w);
        let scenario = scenario(spec, pl1_w);
        let settled = steady_state(&spec.model, &scenario);
        let truth = simulate(&spec.model, &scenario, |_| {});
        plateaus_k.push(said.sustained.package_c.value - settled.die_c);
        let best = fit.best_rate(0).expect("scores");
        let rel = said.work_rel.value().expect("scores");
        work.push(rel * best / truth.mean.work_rate - 1.0);
    }
    let learnt = fit.layout.machine(&fit.z, 0);
    let value = |key| fit.layout.value(&fit.z, key).expect("a parameter");
    let cooler_k_per_w = value(Key::RiseAtStock) / fit.layout.stock_w;
    Errors {
        seed: spec.seed,
        resistance: true_capacity_w(spec) / capacity_w_of(&fit, spec) - 1.0,
        cooler_alone: cooler_k_per_w / spec.resistance_k_per_w() - 1.0,
        window: learnt.limits.tau_ratio / spec.model.limits.tau_ratio - 1.0,
        slowest: slowest_s(&learnt.cooling) / slowest_s(&spec.model.cooling) - 1.0,
        plateaus_k,
        work,
    }
}

/// What `settlepoint predict` answers from.
fn predicted(fit: &CoolingFit, spec: &MachineSpec, pl1_w: f64) -> Prediction {
    let setting = setting_of(
        "",
        LimitValue::Value(pl1_w),
        LimitValue::Value(spec.pl2_w),
        LimitValue::Value(spec.tau_s),
        LimitValue::Value(spec.temp_limit_c),
        FanSetting::AsFitted,
    );
    let query = Query {
        workload: 0,
        setting,
        conditions: Conditions {
            room_c: spec.room_c,
            altitude_m: 0.0,
            duration_s: RUN_S,
        },
    };
    fit.predict(&query, usize::MAX)
}

/// What `settlepoint capacity` answers from, at the full speed of the machine's fan.
fn capacity_w_of(fit: &CoolingFit, spec: &MachineSpec) -> f64 {
    let full_rpm = spec.model.full_speed_rpm.expect("a speed");
    let share = |fit: &CoolingFit, draw: &Draw| {
        let full = fit.layout.value(&draw.z, Key::FanFull);
        full_rpm / full.expect("a speed")
    };
    fit.capacity_w(AT_C, spec.room_c, 0.0, &share).value
}

fn true_capacity_w(spec: &MachineSpec) -> f64 {
    let density = spec.air_density_kg_m3();
    capacity_w(&spec.model.cooling, 1.0, AT_C, spec.room_c, 1.0, density)
}

fn median_size(values: impl Iterator<Item = f64>) -> f64 {
    let mut sizes: Vec<f64> = values.map(f64::abs).collect();
    sizes.sort_by(f64::total_cmp);
    sizes[sizes.len() / 2]
}

fn try_all(machines: u64, others: &[f64]) -> Vec<Errors> {
    let seeds: Vec<u64> = (1..=machines).collect();
    let mut all = Vec::new();
    for together in seeds.chunks(TOGETHER) {
        std::thread::scope(|scope| {
            let started: Vec<_> = together
                .iter()
                .map(|seed| scope.spawn(|| try_machine(*seed, others)))
                .collect();
            all.extend(started.into_iter().map(|t| t.join().expect("no panic")));
        });
    }
    all
}

#[expect(
    clippy::print_stdout,
    reason = "what a long test measured is for whoever ran it"
)]
fn say(text: &str) {
    println!("{text}");
}

#[test]
fn three_runs_tell_what_an_invented_machine_does_elsewhere() {
    let asked = std::env::var("SETTLEPOINT_MACHINES").ok();
    let machines: u64 = asked
        .as_ref()
        .map_or(2, |n| n.parse().expect("a number of machines"));
    let others = if asked.is_some() { &OTHERS[..] } else { &FEW };
    let all = try_all(machines, others);
    let resistance = median_size(all.iter().map(|e| e.resistance));
    let cooler = median_size(all.iter().map(|e| e.cooler_alone));
    let window = median_size(all.iter().map(|e| e.window));
    let slowest = median_size(all.iter().map(|e| e.slowest));
    let plateau_k = median_size(all.iter().flat_map(|e| e.plateaus_k.clone()));
    let work = median_size(all.iter().flat_map(|e| e.work.clone()));
    if asked.is_some() {
        for e in &all {
            say(&format!("machine {}: {e:.4?}", e.seed));
        }
        say(&format!(
            "{machines} machines, median errors: K/W {:.2} % (given to the cooler alone {:.2} %), window {:.2} %, slowest time constant \
             {:.1} %, other plateaus {plateau_k:.2} K, work {:.2} %",
            100.0 * resistance,
            100.0 * cooler,
            100.0 * window,
            100.0 * slowest,
            100.0 * work
        ));
    }
    // The promises are of medians over many machines. Two of them may lie where one machine in four
    // does, which for a normal error is 1.7 times the median.
    let allowed = if machines < 10 { 1.7 } else { 1.0 };
    assert!(resistance <= 0.03 * allowed, "{all:?}");
    assert!(window <= 0.10 * allowed, "{all:?}");
    assert!(slowest <= 0.10 * allowed, "{all:?}");
    assert!(plateau_k <= 1.5 * allowed, "{all:?}");
    assert!(work <= 0.01 * allowed, "{all:?}");
}
