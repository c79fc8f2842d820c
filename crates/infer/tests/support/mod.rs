//! An invented machine whose truth is known.

use settlepoint_model::{
    Cooling, FanCurve, LadderNode, LimitBehaviour, MachineModel, Package, Sound, WorkLaw,
    air_density_kg_m3,
};

/// A desktop package under a tower cooler, without any of the effects that fits find hard.
pub(crate) fn invented_machine() -> MachineModel {
    MachineModel {
        cooling: Cooling {
            nodes: [(1.5, 0.06), (40.0, 0.07), (130.0, 0.04), (420.0, 0.0)]
                .map(|(capacity_j_per_k, resistance_k_per_w)| LadderNode {
                    capacity_j_per_k,
                    resistance_k_per_w,
                })
                .to_vec(),
            g_nat_w_per_k: 0.5,
            g_fan_w_per_k: 5.5,
            fan_exponent: 0.55,
            reference_density_kg_m3: air_density_kg_m3(25.0, 0.0),
            case_offset_k: 1.0,
        },
        package: Package {
            demand_w: 200.0,
            base_w: 13.0,
            leak_w: 12.0,
            leak_beta_per_k: 0.016,
            reference_c: 70.0,
            reference_w: 200.0,
            hot_spot: 1.0,
            min_w: 6.0,
            work: Some(WorkLaw {
                rate_ref: 100.0,
                exponent: 0.3,
                curvature: -0.01,
            }),
            clocks: Vec::new(),
        },
        limits: LimitBehaviour {
            temp_limit_offset_k: -0.5,
            power_ratio: 1.0,
            tau_ratio: 1.0,
            other_limit_w: None,
        },
        fan: FanCurve {
            points: vec![(50.0, 0.32), (70.0, 0.62), (84.0, 1.0)],
            smoothing_s: 5.0,
            hysteresis_k: 0.0,
            slew_per_s: f64::INFINITY,
        },
        sound: Some(Sound {
            full_speed_dba: 40.0,
            k_db_per_decade: 56.0,
            background_dba: None,
        }),
        full_speed_rpm: Some(1500.0),
    }
}
