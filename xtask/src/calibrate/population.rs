//! Machines drawn from the population in `data/population.toml`.

use settlepoint_model::{
    Cooling, FanCurve, LadderNode, LimitBehaviour, MachineModel, Package, Sound, WorkLaw,
    air_density_kg_m3,
};
use settlepoint_stats::random::Random;

use super::truth::{Extras, Truth};
use super::{Sensors, Trial};

/// The population's description, checked in beside this file.
const TEXT: &str = include_str!("../../data/population.toml");
/// Full fan speed of every machine, rpm: only its ratio to other speeds matters.
const FULL_RPM: f64 = 1500.0;
/// Score of every machine at its demand: only ratios matter.
const SCORE: f64 = 100.0;
/// Least power to which a package throttles, as a share of its demand.
const MIN_POWER_SHARE: f64 = 0.03;
/// Temperature to which leakage refers in the file (`leak_share_at_70c`), °C.
const REFERENCE_C: f64 = 70.0;
/// The fan reaches full speed at least so far above the start of its climb (file), K.
const LEAST_FAN_WIDTH_K: f64 = 15.0;

/// The parsed file.
pub(crate) struct Population(toml::Table);

impl Population {
    /// Reads the file that the program carries.
    ///
    /// # Errors
    /// The file is no TOML; the message says where.
    pub(crate) fn read() -> Result<Self, String> {
        toml::from_str(TEXT)
            .map(Self)
            .map_err(|e| format!("population.toml: {e}"))
    }

    fn entry(&self, table: &str, key: &str) -> Result<&toml::Value, String> {
        self.0
            .get(table)
            .and_then(|t| t.get(key))
            .ok_or_else(|| format!("population.toml: [{table}] has no {key}"))
    }

    /// A plain number.
    pub(crate) fn number(&self, table: &str, key: &str) -> Result<f64, String> {
        number(self.entry(table, key)?)
            .ok_or_else(|| format!("population.toml: [{table}] {key} is no number"))
    }

    /// A list of numbers.
    pub(crate) fn list(&self, table: &str, key: &str) -> Result<Vec<f64>, String> {
        numbers(self.entry(table, key)?)
            .ok_or_else(|| format!("population.toml: [{table}] {key} is no list of numbers"))
    }

    /// A draw from a law: `{ U = [a, b] }`, `{ LU = [a, b] }`, `{ N = [mean, sd] }`,
    /// `{ choice = […] }`.
    fn draw(&self, table: &str, key: &str, random: &mut Random) -> Result<f64, String> {
        let odd = || format!("population.toml: [{table}] {key} is no law that is known");
        let law = self.entry(table, key)?.as_table().ok_or_else(odd)?;
        let (name, values) = law.iter().next().ok_or_else(odd)?;
        let v = numbers(values).filter(|v| v.len() >= 2).ok_or_else(odd)?;
        match name.as_str() {
            "U" => Ok(v[0] + (v[1] - v[0]) * random.uniform()),
            "LU" => Ok(v[0] * (v[1] / v[0]).powf(random.uniform())),
            "N" => Ok(v[0] + v[1] * random.normal()),
            "choice" => Ok(v[random.index_below(v.len())]),
            _ => Err(odd()),
        }
    }

    /// The errors of the sensors.
    pub(crate) fn sensors(&self, trial: Trial) -> Result<Sensors, String> {
        let n = |key| self.number("sensors", key).map(|v| v * trial.factor());
        Ok(Sensors {
            temperature_k: n("temperature_k")?,
            temperature_step_k: self.number("sensors", "temperature_step_k")?,
            run_offset_k: n("run_offset_k")?,
            power_share: n("power_share")?,
            fan_speed_share: n("fan_speed_share")?,
            level_db: n("level_db")?,
            level_step_db: self.number("sensors", "level_step_db")?,
            score_share: n("score_share")?,
            room_known_k: n("room_known_k")?,
            room_drift_k: n("room_drift_k")?,
        })
    }

    /// One machine.
    pub(crate) fn machine(&self, trial: Trial, random: &mut Random) -> Result<Truth, String> {
        let mut thermal = |key| self.draw("thermal", key, random);
        let resistances_k_per_w = [
            thermal("r_die_k_per_w")?,
            thermal("r_paste_k_per_w")?,
            thermal("r_base_k_per_w")?,
        ];
        let air_k_per_w = thermal("r_air_full_k_per_w")?;
        let natural_share = thermal("natural_share")?;
        let fan_exponent = thermal("fan_exponent")?;
        let capacities_j_per_k = [
            thermal("c_die_j_per_k")?,
            thermal("c_lid_j_per_k")?,
            thermal("c_base_j_per_k")?,
            thermal("c_fins_j_per_k")?,
        ];
        let intake_k_per_w = thermal("intake_warming_k_per_w")?;
        let intake_tau_s = thermal("intake_tau_s")?;
        let case_offset_k = thermal("other_heat_k")?;
        let hot_spot_slope = thermal("hot_spot_slope")?;
        let total_k_per_w = resistances_k_per_w.iter().sum::<f64>() + air_k_per_w;
        let (package, idle_w) = self.package(total_k_per_w, random)?;
        let tau_s = self.draw("limits", "tau_s", random)?;
        let tau_ratio = self.draw("limits", "tau_true_over_nominal", random)?;
        let pl2_w = package.demand_w * self.draw("limits", "pl2_over_demand", random)?;
        let fan = self.fan(trial, random)?;
        let mut sound = |key| self.draw("sound", key, random);
        let sound = Sound {
            full_speed_dba: sound("full_speed_dba")?,
            k_db_per_decade: sound("k_db_per_decade")?,
            background_dba: Some(sound("background_dba")?),
        };
        Ok(Truth {
            machine: MachineModel {
                cooling: Cooling {
                    nodes: (0..4)
                        .map(|i| LadderNode {
                            capacity_j_per_k: capacities_j_per_k[i],
                            resistance_k_per_w: resistances_k_per_w.get(i).copied().unwrap_or(0.0),
                        })
                        .collect(),
                    g_nat_w_per_k: natural_share / air_k_per_w,
                    g_fan_w_per_k: (1.0 - natural_share) / air_k_per_w,
                    fan_exponent,
                    reference_density_kg_m3: air_density_kg_m3(25.0, 0.0),
                    case_offset_k,
                },
                package,
                limits: LimitBehaviour {
                    temp_limit_offset_k: 0.0,
                    power_ratio: 1.0,
                    tau_ratio,
                    other_limit_w: None,
                },
                fan,
                sound: Some(sound),
                full_speed_rpm: Some(FULL_RPM),
            },
            pl2_w,
            tau_s,
            idle_w,
            extras: Extras {
                intake_k_per_w: intake_k_per_w * trial.unmodelled(),
                intake_tau_s,
                hot_spot_slope: hot_spot_slope * trial.unmodelled(),
            },
        })
    }

    fn package(&self, total_k_per_w: f64, random: &mut Random) -> Result<(Package, f64), String> {
        let mut draw = |key| self.draw("package", key, random);
        let demand_w = ((draw("rise_at_demand_k")? - 20.0) / total_k_per_w).clamp(65.0, 320.0);
        let base_w = (draw("base_share")? * demand_w).clamp(4.0, 30.0);
        let package = Package {
            demand_w,
            base_w,
            leak_w: draw("leak_share_at_70c")? * demand_w,
            leak_beta_per_k: draw("leak_beta_per_k")?,
            reference_c: REFERENCE_C,
            reference_w: demand_w,
            hot_spot: 1.0,
            min_w: MIN_POWER_SHARE * demand_w,
            work: Some(WorkLaw {
                rate_ref: SCORE,
                exponent: draw("work_exponent")?,
                curvature: draw("work_curvature")?,
            }),
            clocks: Vec::new(),
        };
        Ok((package, base_w + draw("idle_above_base_w")?))
    }

    fn fan(&self, trial: Trial, random: &mut Random) -> Result<FanCurve, String> {
        let floor = self.number("fan", "floor")?;
        let hysteresis_k = self.number("fan", "hysteresis_k")? * trial.unmodelled();
        let mut draw = |key| self.draw("fan", key, random);
        let start_c = draw("t_floor_c")?;
        let full_c = draw("t_full_c")?.max(start_c + LEAST_FAN_WIDTH_K);
        let bend = (draw("bend_place")?, draw("bend_height")?);
        Ok(FanCurve {
            points: vec![
                (start_c, floor),
                (
                    start_c + bend.0 * (full_c - start_c),
                    floor + bend.1 * (1.0 - floor),
                ),
                (full_c, 1.0),
            ],
            smoothing_s: draw("smoothing_s")?,
            hysteresis_k,
            slew_per_s: f64::INFINITY,
        })
    }
}

fn number(value: &toml::Value) -> Option<f64> {
    match value {
        toml::Value::Float(v) => Some(*v),
        #[expect(
            clippy::cast_precision_loss,
            reason = "small whole numbers in the file"
        )]
        toml::Value::Integer(v) => Some(*v as f64),
        _ => None,
    }
}

fn numbers(value: &toml::Value) -> Option<Vec<f64>> {
    value.as_array()?.iter().map(number).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_law_of_the_file_is_drawn_inside_its_range() {
        let population = Population::read().unwrap();
        let mut random = Random::from_seed(3);
        for _ in 0..200 {
            let truth = population.machine(Trial::Population, &mut random).unwrap();
            let package = &truth.machine.package;
            assert!((65.0..=320.0).contains(&package.demand_w));
            assert!((4.0..=30.0).contains(&package.base_w));
            let fan = &truth.machine.fan.points;
            assert!(fan[2].0 - fan[0].0 >= LEAST_FAN_WIDTH_K - 1e-9);
            assert!((0.004..=0.03).contains(&truth.extras.intake_k_per_w));
            truth.machine.check().unwrap();
        }
    }

    #[test]
    fn a_law_that_is_unknown_is_an_error_that_names_it() {
        let population = Population(toml::from_str("[fan]\nfloor = { X = [1, 2] }").unwrap());
        let error = population.draw("fan", "floor", &mut Random::from_seed(1));
        assert!(error.unwrap_err().contains("[fan] floor"));
    }
}
