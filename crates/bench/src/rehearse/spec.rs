//! The invented machine of a rehearsal: its parameters, drawn from a seed, and their file.

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_model::{
    ClockLaw, Cooling, FanCurve, LadderNode, LimitBehaviour, MachineModel, Package, WorkLaw,
    air_density_kg_m3,
};
use settlepoint_stats::random::Random;

use crate::error::BenchError;

/// Everything about a rehearsed machine. All of it is invented.
#[derive(Clone, Debug, PartialEq)]
pub struct MachineSpec {
    /// The seed of its parameters and of its sensors' noise.
    pub seed: u64,
    /// How many simulated seconds pass in a real one.
    pub speed: f64,
    /// The five models, full demand included.
    pub model: MachineModel,
    /// Power that it draws at rest, W.
    pub idle_w: f64,
    /// Sustained limit that the firmware sets, W.
    pub pl1_w: f64,
    /// Short-time limit that the firmware sets, W.
    pub pl2_w: f64,
    /// Window of the sustained limit, s.
    pub tau_s: f64,
    /// Temperature limit, °C.
    pub temp_limit_c: f64,
    /// Air at the intake, °C.
    pub room_c: f64,
    /// Cores, the first half of them large.
    pub cores: usize,
    /// Whether the firmware ignores limits that are written.
    pub locked: bool,
    /// What the sensors add to the truth.
    pub sensors: Sensors,
}

/// What the sensors add to the truth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensors {
    /// Standard deviation of a temperature, K, before rounding.
    pub temperature_k: f64,
    /// Step of the package's temperature, K.
    pub temperature_step_k: f64,
    /// Lag of temperatures, s.
    pub lag_s: f64,
    /// Standard deviation of a fan speed, as a share.
    pub fan_share: f64,
    /// Probability that a reading fails.
    pub fail: f64,
    /// Standard deviation of the work rate from run to run, as a share.
    pub score_share: f64,
}

const ROOM_C: f64 = 22.0;
const REFERENCE_C: f64 = 70.0;
/// Watts are rounded down to this by firmware (1/8 W, the usual power unit of RAPL; from memory).
pub(crate) const POWER_UNIT_W: f64 = 0.125;

impl MachineSpec {
    /// A machine drawn from a seed. Ranges are invented, wide enough to span a small quiet machine
    /// and a large loud one; temperature at full demand and full fan lies 55 to 85 K over the room.
    #[expect(
        clippy::too_many_lines,
        reason = "one draw after another, in the order that seeds depend on"
    )]
    pub fn from_seed(seed: u64) -> Self {
        let mut random = Random::from_seed(seed);
        let mut within = |lo: f64, hi: f64| lo + (hi - lo) * random.uniform();
        let demand_w = within(110.0, 260.0);
        let rise_k = within(55.0, 85.0);
        let total_k_per_w = rise_k / demand_w;
        let shares = [
            within(0.10, 0.25),
            within(0.10, 0.22),
            within(0.06, 0.16),
            0.0,
        ];
        let air_k_per_w = total_k_per_w * (1.0 - shares.iter().sum::<f64>());
        let natural = within(0.05, 0.14);
        let capacities = [
            within(1.0, 4.0),
            within(25.0, 55.0),
            within(80.0, 220.0),
            within(250.0, 700.0),
        ];
        let start_c = within(42.0, 55.0);
        let full_c = start_c + within(25.0, 38.0);
        let floor = within(0.3, 0.4);
        let bend = floor + within(0.35, 0.65) * (1.0 - floor);
        let full_rpm = within(1400.0, 2400.0).round();
        let demand_w = demand_w.round();
        let base_w = within(0.04, 0.09) * demand_w;
        let model = MachineModel {
            cooling: Cooling {
                nodes: (0..4)
                    .map(|i| LadderNode {
                        capacity_j_per_k: capacities[i],
                        resistance_k_per_w: shares[i] * total_k_per_w,
                    })
                    .collect(),
                g_nat_w_per_k: natural / air_k_per_w,
                g_fan_w_per_k: (1.0 - natural) / air_k_per_w,
                fan_exponent: within(0.4, 0.7),
                reference_density_kg_m3: air_density_kg_m3(25.0, 0.0),
                case_offset_k: within(0.3, 1.5),
            },
            package: Package {
                demand_w,
                base_w,
                leak_w: within(0.04, 0.09) * demand_w,
                leak_beta_per_k: within(0.012, 0.02),
                reference_c: REFERENCE_C,
                reference_w: demand_w,
                hot_spot: 1.0,
                min_w: 0.05 * demand_w,
                work: Some(WorkLaw {
                    rate_ref: within(8.0, 60.0),
                    exponent: within(0.25, 0.40),
                    curvature: within(-0.04, 0.02),
                }),
                clocks: [within(4600.0, 5300.0), within(3600.0, 4200.0)]
                    .map(|clock_ref_mhz| ClockLaw {
                        clock_ref_mhz,
                        exponent: 0.3,
                    })
                    .to_vec(),
            },
            limits: LimitBehaviour {
                temp_limit_offset_k: -1.0,
                power_ratio: 1.0,
                tau_ratio: within(0.93, 1.07),
                other_limit_w: None,
            },
            fan: FanCurve {
                points: vec![
                    (start_c, floor),
                    (start_c + 0.5 * (full_c - start_c), bend),
                    (full_c, 1.0),
                ],
                smoothing_s: within(3.0, 10.0),
                hysteresis_k: 2.0,
                slew_per_s: f64::INFINITY,
            },
            sound: None,
            full_speed_rpm: Some(full_rpm),
        };
        let down = |w: f64| (w / 5.0).round() * 5.0;
        let drawn = Self {
            seed,
            speed: 1.0,
            idle_w: (base_w + within(3.0, 9.0)).round(),
            pl1_w: down(0.6 * demand_w),
            pl2_w: down(1.05 * demand_w),
            tau_s: [28.0, 56.0][usize::from(within(0.0, 1.0) > 0.5)],
            temp_limit_c: 100.0,
            room_c: ROOM_C,
            cores: 8,
            locked: false,
            sensors: Sensors {
                temperature_k: 0.3,
                temperature_step_k: 1.0,
                lag_s: 1.0,
                fan_share: 0.006,
                fail: 0.0005,
                score_share: 0.001,
            },
            model,
        };
        let mut value = drawn.to_json();
        shorten(&mut value);
        Self::from_json(&value).unwrap_or(drawn)
    }

    /// Density of the air in its room, kg/m³.
    pub fn air_density_kg_m3(&self) -> f64 {
        air_density_kg_m3(self.room_c, 0.0)
    }

    /// Total resistance from die to air at full fan speed, K/W: what a fit should find.
    pub fn resistance_k_per_w(&self) -> f64 {
        let cooling = &self.model.cooling;
        let inner: f64 = cooling.nodes.iter().map(|n| n.resistance_k_per_w).sum();
        let reference = cooling.reference_density_kg_m3;
        inner + 1.0 / cooling.conductance_w_per_k(1.0, reference)
    }

    /// Writes the parameters, for people to read and to change.
    pub(crate) fn write(&self, path: &Path) -> Result<(), BenchError> {
        let text = format!("{:#}\n", self.to_json());
        std::fs::write(path, text).map_err(|e| BenchError::file(path, "write", e))
    }

    pub(crate) fn read(path: &Path) -> Result<Self, BenchError> {
        let text = std::fs::read_to_string(path).map_err(|e| BenchError::file(path, "read", e))?;
        let value: Value = serde_json::from_str(&text)
            .map_err(|e| BenchError::invalid(path.display().to_string(), e.to_string()))?;
        Self::from_json(&value).map_err(|key| {
            BenchError::invalid(
                path.display().to_string(),
                format!("'{key}' is missing or no number; make the rehearsal anew with 'rehearse'"),
            )
        })
    }

    fn to_json(&self) -> Value {
        let m = &self.model;
        let p = &m.package;
        let nodes: Vec<Value> = m
            .cooling
            .nodes
            .iter()
            .map(|n| json!([n.capacity_j_per_k, n.resistance_k_per_w]))
            .collect();
        let clocks: Vec<f64> = p.clocks.iter().map(|c| c.clock_ref_mhz).collect();
        let work = p.work.unwrap_or(WorkLaw {
            rate_ref: 0.0,
            exponent: 0.0,
            curvature: 0.0,
        });
        json!({
            "about": "An invented machine to rehearse on. Changing numbers here changes how it behaves.",
            "seed": self.seed,
            "speed": self.speed,
            "cores": self.cores,
            "locked": self.locked,
            "room_c": self.room_c,
            "idle_w": self.idle_w,
            "pl1_w": self.pl1_w,
            "pl2_w": self.pl2_w,
            "tau_s": self.tau_s,
            "temp_limit_c": self.temp_limit_c,
            "nodes_j_per_k_and_k_per_w": nodes,
            "g_nat_w_per_k": m.cooling.g_nat_w_per_k,
            "g_fan_w_per_k": m.cooling.g_fan_w_per_k,
            "fan_exponent": m.cooling.fan_exponent,
            "reference_density_kg_m3": m.cooling.reference_density_kg_m3,
            "case_offset_k": m.cooling.case_offset_k,
            "demand_w": p.demand_w,
            "base_w": p.base_w,
            "leak_w": p.leak_w,
            "leak_beta_per_k": p.leak_beta_per_k,
            "reference_c": p.reference_c,
            "min_w": p.min_w,
            "work_rate_ref": work.rate_ref,
            "work_exponent": work.exponent,
            "work_curvature": work.curvature,
            "clocks_ref_mhz": clocks,
            "temp_limit_offset_k": m.limits.temp_limit_offset_k,
            "tau_ratio": m.limits.tau_ratio,
            "fan_points_c_and_share": m.fan.points.iter().map(|p| json!([p.0, p.1])).collect::<Vec<_>>(),
            "fan_smoothing_s": m.fan.smoothing_s,
            "fan_hysteresis_k": m.fan.hysteresis_k,
            "full_speed_rpm": m.full_speed_rpm,
            "sensors": {
                "temperature_k": self.sensors.temperature_k,
                "temperature_step_k": self.sensors.temperature_step_k,
                "lag_s": self.sensors.lag_s,
                "fan_share": self.sensors.fan_share,
                "fail": self.sensors.fail,
                "score_share": self.sensors.score_share,
            },
        })
    }

    fn from_json(value: &Value) -> Result<Self, &'static str> {
        let number = |key: &'static str| value[key].as_f64().ok_or(key);
        let whole = |key: &'static str| value[key].as_u64().ok_or(key);
        let sensor = |key: &'static str| value["sensors"][key].as_f64().ok_or(key);
        let demand_w = number("demand_w")?;
        let nodes = pairs(value, "nodes_j_per_k_and_k_per_w")?;
        let clocks = value["clocks_ref_mhz"].as_array().ok_or("clocks_ref_mhz")?;
        Ok(Self {
            seed: whole("seed")?,
            speed: number("speed")?,
            model: MachineModel {
                cooling: Cooling {
                    nodes: nodes
                        .into_iter()
                        .map(|(capacity_j_per_k, resistance_k_per_w)| LadderNode {
                            capacity_j_per_k,
                            resistance_k_per_w,
                        })
                        .collect(),
                    g_nat_w_per_k: number("g_nat_w_per_k")?,
                    g_fan_w_per_k: number("g_fan_w_per_k")?,
                    fan_exponent: number("fan_exponent")?,
                    reference_density_kg_m3: number("reference_density_kg_m3")?,
                    case_offset_k: number("case_offset_k")?,
                },
                package: Package {
                    demand_w,
                    base_w: number("base_w")?,
                    leak_w: number("leak_w")?,
                    leak_beta_per_k: number("leak_beta_per_k")?,
                    reference_c: number("reference_c")?,
                    reference_w: demand_w,
                    hot_spot: 1.0,
                    min_w: number("min_w")?,
                    work: Some(WorkLaw {
                        rate_ref: number("work_rate_ref")?,
                        exponent: number("work_exponent")?,
                        curvature: number("work_curvature")?,
                    }),
                    clocks: clocks
                        .iter()
                        .filter_map(Value::as_f64)
                        .map(|clock_ref_mhz| ClockLaw {
                            clock_ref_mhz,
                            exponent: 0.3,
                        })
                        .collect(),
                },
                limits: LimitBehaviour {
                    temp_limit_offset_k: number("temp_limit_offset_k")?,
                    power_ratio: 1.0,
                    tau_ratio: number("tau_ratio")?,
                    other_limit_w: None,
                },
                fan: FanCurve {
                    points: pairs(value, "fan_points_c_and_share")?,
                    smoothing_s: number("fan_smoothing_s")?,
                    hysteresis_k: number("fan_hysteresis_k")?,
                    slew_per_s: f64::INFINITY,
                },
                sound: None,
                full_speed_rpm: Some(number("full_speed_rpm")?),
            },
            idle_w: number("idle_w")?,
            pl1_w: number("pl1_w")?,
            pl2_w: number("pl2_w")?,
            tau_s: number("tau_s")?,
            temp_limit_c: number("temp_limit_c")?,
            room_c: number("room_c")?,
            cores: usize::try_from(whole("cores")?).map_err(|_| "cores")?,
            locked: value["locked"].as_bool().ok_or("locked")?,
            sensors: Sensors {
                temperature_k: sensor("temperature_k")?,
                temperature_step_k: sensor("temperature_step_k")?,
                lag_s: sensor("lag_s")?,
                fan_share: sensor("fan_share")?,
                fail: sensor("fail")?,
                score_share: sensor("score_share")?,
            },
        })
    }
}

/// Six digits: short for people, and exact to read back.
fn shorten(value: &mut Value) {
    match value {
        Value::Array(list) => list.iter_mut().for_each(shorten),
        Value::Object(map) => map.values_mut().for_each(shorten),
        Value::Number(number) if number.is_f64() => {
            let text = number.as_f64().map(|n| format!("{n:.5e}"));
            if let Some(short) = text.and_then(|t| t.parse::<f64>().ok()) {
                *value = Value::from(short);
            }
        }
        _ => {}
    }
}

fn pairs(value: &Value, key: &'static str) -> Result<Vec<(f64, f64)>, &'static str> {
    let list = value[key].as_array().ok_or(key)?;
    list.iter()
        .map(|pair| {
            let at = |i: usize| pair[i].as_f64().ok_or(key);
            Ok((at(0)?, at(1)?))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parameters_come_back_from_their_file() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("machine.json");
        for seed in 0..5 {
            let spec = MachineSpec::from_seed(seed);
            spec.model.check().expect("it can be simulated");
            spec.write(&path).expect("writes");
            assert_eq!(MachineSpec::read(&path).expect("reads"), spec);
        }
    }

    #[test]
    fn a_broken_file_names_what_is_missing() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("machine.json");
        std::fs::write(&path, "{\"seed\": 1, \"speed\": 10}").expect("a file");
        let error = MachineSpec::read(&path).expect_err("refused").to_string();
        assert!(
            error.contains("'demand_w'") && error.contains("machine.json"),
            "{error}"
        );
    }
}
