//! Machines for the tests.
#![allow(dead_code, reason = "each test uses its own part of this module")]

use settlepoint_model::{
    BudgetTier, Cooling, FanControl, FanCurve, LadderNode, LimitBehaviour, MachineModel, Package,
    Scenario, Start, WorkLaw,
};

/// A desktop machine with everything switched on: four nodes, curve with smoothing and
/// hysteresis, leakage, work law.
pub(crate) fn desktop() -> MachineModel {
    let node = |capacity_j_per_k, resistance_k_per_w| LadderNode {
        capacity_j_per_k,
        resistance_k_per_w,
    };
    MachineModel {
        cooling: Cooling {
            nodes: vec![
                node(2.0, 0.06),
                node(40.0, 0.06),
                node(150.0, 0.04),
                node(500.0, 0.0),
            ],
            g_nat_w_per_k: 0.8,
            g_fan_w_per_k: 8.0,
            fan_exponent: 0.55,
            reference_density_kg_m3: 1.2,
            case_offset_k: 1.0,
        },
        package: Package {
            demand_w: 230.0,
            base_w: 15.0,
            leak_w: 14.0,
            leak_beta_per_k: 0.016,
            reference_c: 70.0,
            reference_w: 230.0,
            hot_spot: 1.0,
            min_w: 20.0,
            work: Some(WorkLaw {
                rate_ref: 100.0,
                exponent: 0.32,
                curvature: -0.01,
            }),
            clocks: Vec::new(),
        },
        limits: LimitBehaviour {
            temp_limit_offset_k: 0.0,
            power_ratio: 1.0,
            tau_ratio: 1.0,
            other_limit_w: None,
        },
        fan: FanCurve {
            points: vec![(50.0, 0.3), (70.0, 0.5), (90.0, 1.0)],
            smoothing_s: 5.0,
            hysteresis_k: 3.0,
            slew_per_s: 0.1,
        },
        sound: None,
        full_speed_rpm: None,
    }
}

/// Half an hour from idle under two tiers and a temperature limit.
pub(crate) fn half_hour() -> Scenario {
    Scenario {
        tiers: vec![
            BudgetTier {
                limit_w: 150.0,
                window_s: 56.0,
            },
            BudgetTier {
                limit_w: 220.0,
                window_s: 0.0,
            },
        ],
        temp_limit_c: Some(85.0),
        fan: FanControl::Curve { ceiling: 1.0 },
        room: vec![(0.0, 22.0)],
        air_density_kg_m3: 1.2,
        duration_s: 1800.0,
        step_s: 1.0,
        start: Start::SettledAt { power_w: 15.0 },
    }
}
