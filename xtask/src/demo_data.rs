//! The demo's logs: an invented workstation in an attic recording studio, simulated with more
//! structure than the fitted models have (fan hysteresis, case air that warms with the package,
//! sensor lag, whole-degree readings), so that the demo is an honest trial and not a mirror.

use std::fmt::Write as _;
use std::path::Path;

use settlepoint_model::{
    BudgetTier, Cooling, FanControl, FanCurve, LadderNode, LimitBehaviour, MachineModel, Package,
    Scenario, Start, WorkLaw, air_density_kg_m3, simulate,
};
use settlepoint_stats::random::Random;

/// Room while the runs were made, °C.
const ROOM_C: f64 = 21.5;
/// Full fan speed, rpm.
const FULL_RPM: f64 = 1650.0;
/// Warming of the case air for each watt, K/W, and how fast it follows, s.
const CASE_K_PER_W: f64 = 0.012;
const CASE_TAU_S: f64 = 240.0;
/// Lag of the temperature reading, s.
const SENSOR_LAG_S: f64 = 1.2;
/// Idle before the load, s, and length of the load, s.
const IDLE_S: f64 = 120.0;
const LOAD_S: f64 = 600.0;

/// One invented run: file, PL1, seed.
const RUNS: [(&str, f64, u64); 2] = [
    ("mixdown-65w.csv", 65.0, 11),
    ("mixdown-125w.csv", 125.0, 12),
];

/// The invented truth.
fn machine() -> MachineModel {
    MachineModel {
        cooling: Cooling {
            nodes: [(1.8, 0.075), (38.0, 0.06), (150.0, 0.045), (520.0, 0.0)]
                .map(|(capacity_j_per_k, resistance_k_per_w)| LadderNode {
                    capacity_j_per_k,
                    resistance_k_per_w,
                })
                .to_vec(),
            g_nat_w_per_k: 0.55,
            g_fan_w_per_k: 6.3,
            fan_exponent: 0.58,
            reference_density_kg_m3: air_density_kg_m3(25.0, 0.0),
            case_offset_k: 0.8,
        },
        package: Package {
            demand_w: 212.0,
            base_w: 14.0,
            leak_w: 15.0,
            leak_beta_per_k: 0.015,
            reference_c: 70.0,
            reference_w: 212.0,
            hot_spot: 1.0,
            min_w: 8.0,
            work: Some(WorkLaw {
                rate_ref: 46.8,
                exponent: 0.34,
                curvature: -0.02,
            }),
            clocks: Vec::new(),
        },
        limits: LimitBehaviour {
            temp_limit_offset_k: -1.0,
            power_ratio: 1.0,
            tau_ratio: 1.03,
            other_limit_w: None,
        },
        fan: FanCurve {
            points: vec![(46.0, 0.32), (64.0, 0.55), (80.0, 0.82), (88.0, 1.0)],
            smoothing_s: 7.0,
            hysteresis_k: 3.0,
            slew_per_s: f64::INFINITY,
        },
        sound: None,
        full_speed_rpm: Some(FULL_RPM),
    }
}

/// Writes the logs into the command line's folder.
pub(crate) fn write() -> Result<(), String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../crates/cli/demo");
    std::fs::create_dir_all(&folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    for (file, pl1_w, seed) in RUNS {
        let (text, score) = log(pl1_w, seed);
        let path = folder.join(file);
        std::fs::write(&path, text).map_err(|e| format!("{}: {e}", path.display()))?;
        report(&format!("{file}: score {score:.2}"));
    }
    for pl1_w in [65.0, 95.0, 125.0, 181.0, 253.0] {
        report(&truth(pl1_w));
    }
    Ok(())
}

fn report(line: &str) {
    #[expect(clippy::print_stdout, reason = "the result of the chore")]
    {
        println!("{line}");
    }
}

fn scenario(pl1_w: f64, duration_s: f64) -> Scenario {
    Scenario {
        tiers: vec![
            BudgetTier {
                limit_w: pl1_w,
                window_s: 56.0,
            },
            BudgetTier {
                limit_w: 253.0,
                window_s: 0.0,
            },
        ],
        temp_limit_c: Some(100.0),
        fan: FanControl::Curve { ceiling: 1.0 },
        room: vec![(0.0, ROOM_C)],
        air_density_kg_m3: air_density_kg_m3(ROOM_C, 120.0),
        duration_s,
        step_s: 1.0,
        start: Start::SettledAt { power_w: 17.0 },
    }
}

/// Phase means of the truth, from which the demo's hand-typed runs were rounded.
fn truth(pl1_w: f64) -> String {
    let mut text = format!("PL1 {pl1_w} W:");
    let summary = simulate(&machine(), &scenario(pl1_w, LOAD_S), |_| {});
    for phase in &summary.phases {
        let _ = write!(
            text,
            " {} {:.0}-{:.0} s {:.1} W {:.1} °C {:.0} rpm;",
            phase.kind,
            phase.start_s,
            phase.end_s,
            phase.mean.power_w,
            phase.mean.die_c + CASE_K_PER_W * phase.mean.power_w,
            phase.mean.fan_share * FULL_RPM
        );
    }
    let _ = write!(text, " score {:.2}", summary.mean.work_rate);
    text
}

/// A log as text, and the run's score.
fn log(pl1_w: f64, seed: u64) -> (String, f64) {
    let mut random = Random::from_seed(seed);
    let mut text = String::from(
        "# invented data: the workstation of an attic recording studio\n\
         time s;package power W;package temperature °C;fan rpm;intake °C\n",
    );
    let mut state = Reading {
        case_k: CASE_K_PER_W * 17.0,
        shown_c: 27.0,
        run_offset_k: 0.4 * random.normal(),
    };
    let idle = Scenario {
        tiers: vec![BudgetTier {
            limit_w: 17.0,
            window_s: 0.0,
        }],
        ..scenario(pl1_w, IDLE_S)
    };
    simulate(&machine(), &idle, |step| {
        state.line(
            &mut text,
            &mut random,
            step.time_s,
            step.power_w,
            step.die_mean_c,
            step.fan_share,
        );
    });
    let mut work = 0.0;
    simulate(&machine(), &scenario(pl1_w, LOAD_S), |step| {
        work += step.work_rate * step.dt_s;
        let time_s = IDLE_S + step.time_s;
        state.line(
            &mut text,
            &mut random,
            time_s,
            step.power_w,
            step.die_mean_c,
            step.fan_share,
        );
    });
    (text, work / LOAD_S * (1.0 + 0.004 * random.normal()))
}

/// What the sensors add to the truth.
struct Reading {
    case_k: f64,
    shown_c: f64,
    run_offset_k: f64,
}

impl Reading {
    fn line(
        &mut self,
        text: &mut String,
        random: &mut Random,
        time_s: f64,
        power_w: f64,
        die_c: f64,
        fan_share: f64,
    ) {
        self.case_k += (CASE_K_PER_W * power_w - self.case_k) / CASE_TAU_S;
        let truth_c = die_c + self.case_k + self.run_offset_k;
        self.shown_c += (truth_c - self.shown_c) * (1.0 - (-1.0 / SENSOR_LAG_S).exp());
        let temp_c = (self.shown_c + 0.4 * random.normal()).round();
        let watts = power_w * (1.0 + 0.01 * random.normal());
        let rpm = (FULL_RPM * fan_share * (1.0 + 0.008 * random.normal())).round();
        let room_c = ROOM_C + 0.3 * (time_s / 500.0).sin() + 0.05 * random.normal();
        let _ = writeln!(
            text,
            "{time_s:.0};{watts:.1};{temp_c:.0};{rpm:.0};{room_c:.1}"
        );
    }
}
