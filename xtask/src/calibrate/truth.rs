//! A simulated machine with more structure than the fitted models have, and its runs.
//!
//! Beside what the simulator knows (leakage, hysteresis, smoothing, a bent fan curve) a machine has
//! case air that the package warms with a lag of its own, and a die whose resistance moves with
//! power. The first is put in by repetition: the warming that a run's power causes becomes the
//! room of the next repetition, until both agree.

use settlepoint_model::{
    ActingLimit, BudgetTier, FanControl, MachineModel, Scenario, Simulator, Start,
    air_density_kg_m3,
};

/// Repetitions at most, and the change of the intake at which they end, K. Each shrinks the change
/// by the warming over the whole resistance, at most about 0.1.
const REPETITIONS: usize = 8;
const SETTLED_K: f64 = 2e-3;

/// What the fitted models lack altogether.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Extras {
    /// Warming of the air at the cooler for each watt of the package, K/W.
    pub(crate) intake_k_per_w: f64,
    /// Its time constant, s.
    pub(crate) intake_tau_s: f64,
    /// Growth of the die's resistance with the share of demand that is drawn.
    pub(crate) hot_spot_slope: f64,
}

/// A simulated machine.
#[derive(Clone, Debug)]
pub(crate) struct Truth {
    pub(crate) machine: MachineModel,
    pub(crate) pl2_w: f64,
    /// Averaging window as set, s.
    pub(crate) tau_s: f64,
    pub(crate) idle_w: f64,
    pub(crate) extras: Extras,
}

/// What a run is made under.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Course {
    pub(crate) pl1_w: f64,
    pub(crate) temp_limit_c: f64,
    pub(crate) room_c: f64,
    /// Change of the room over the run, K.
    pub(crate) drift_k: f64,
    pub(crate) duration_s: f64,
}

/// One second of a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Second {
    pub(crate) power_w: f64,
    pub(crate) die_c: f64,
    pub(crate) fan_share: f64,
    pub(crate) work_rate: f64,
}

/// A run as it really went.
#[derive(Clone, Debug)]
pub(crate) struct Record {
    pub(crate) seconds: Vec<Second>,
    /// End of the boost, s.
    pub(crate) boost_s: f64,
    /// What held the power at the end.
    pub(crate) acting: ActingLimit,
}

impl Record {
    /// Means over rows `from..to`.
    pub(crate) fn means(&self, from: usize, to: usize) -> Second {
        let rows = &self.seconds[from..to];
        let n = rows.len() as f64;
        let mean = |of: &dyn Fn(&Second) -> f64| rows.iter().map(of).sum::<f64>() / n;
        Second {
            power_w: mean(&|s| s.power_w),
            die_c: mean(&|s| s.die_c),
            fan_share: mean(&|s| s.fan_share),
            work_rate: mean(&|s| s.work_rate),
        }
    }
}

impl Truth {
    /// Runs the machine.
    pub(crate) fn run(&self, simulator: &mut Simulator, course: &Course) -> Record {
        let mut machine = self.machine.clone();
        let mut scenario = self.scenario(course);
        let idle_k = self.extras.intake_k_per_w * self.idle_w;
        let mut warming_k = vec![idle_k; scenario.room.len()];
        let mut record = once(simulator, &machine, &scenario);
        for _ in 0..REPETITIONS {
            let next = self.warming(&record.seconds);
            let change = next
                .iter()
                .zip(&warming_k)
                .map(|(a, b)| (a - b).abs())
                .fold(0.0, f64::max);
            let last = record.seconds[record.seconds.len() - 1];
            machine.package.hot_spot =
                1.0 + self.extras.hot_spot_slope * last.power_w / self.machine.package.demand_w;
            for (point, warming) in scenario.room.iter_mut().zip(&next) {
                point.1 = course.room_at(point.0) + warming;
            }
            warming_k = next;
            record = once(simulator, &machine, &scenario);
            if change < SETTLED_K {
                break;
            }
        }
        record
    }

    /// Warming of the intake at the start and after each second: a first-order lag of the power.
    fn warming(&self, seconds: &[Second]) -> Vec<f64> {
        let Extras {
            intake_k_per_w,
            intake_tau_s,
            ..
        } = self.extras;
        let follow = 1.0 - (-1.0 / intake_tau_s).exp();
        let mut now = intake_k_per_w * self.idle_w;
        let mut all = vec![now];
        for second in seconds {
            now += follow * (intake_k_per_w * second.power_w - now);
            all.push(now);
        }
        all
    }

    fn scenario(&self, course: &Course) -> Scenario {
        let tier = |limit_w, window_s| BudgetTier { limit_w, window_s };
        let idle_k = self.extras.intake_k_per_w * self.idle_w;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "whole seconds of a run"
        )]
        let points = course.duration_s.round() as usize + 1;
        Scenario {
            tiers: vec![tier(course.pl1_w, self.tau_s), tier(self.pl2_w, 0.0)],
            temp_limit_c: Some(course.temp_limit_c),
            fan: FanControl::Curve { ceiling: 1.0 },
            room: (0..points)
                .map(|i| (i as f64, course.room_at(i as f64) + idle_k))
                .collect(),
            air_density_kg_m3: air_density_kg_m3(course.room_c, 0.0),
            duration_s: course.duration_s,
            step_s: 1.0,
            start: Start::SettledAt {
                power_w: self.idle_w,
            },
        }
    }

    /// Die and fan before the load.
    pub(crate) fn idle(&self, simulator: &mut Simulator, room_c: f64) -> Second {
        let course = Course {
            pl1_w: self.idle_w,
            temp_limit_c: 100.0,
            room_c,
            drift_k: 0.0,
            duration_s: 5.0,
        };
        let record = self.run(simulator, &course);
        record.seconds[record.seconds.len() - 1]
    }

    /// Level of fans and background, dB(A).
    pub(crate) fn level_dba(&self, fan_share: f64) -> f64 {
        self.machine
            .sound
            .map_or(f64::NAN, |s| s.level(fan_share).db())
    }
}

fn once(simulator: &mut Simulator, machine: &MachineModel, scenario: &Scenario) -> Record {
    let mut seconds = Vec::with_capacity(scenario.room.len());
    let summary = simulator.run(machine, scenario, |step| {
        seconds.push(Second {
            power_w: step.power_w,
            die_c: step.die_mean_c,
            fan_share: step.fan_share,
            work_rate: step.work_rate,
        });
    });
    Record {
        boost_s: summary.boost_duration_s,
        acting: summary.acting,
        seconds,
    }
}

impl Course {
    fn room_at(&self, time_s: f64) -> f64 {
        self.room_c + self.drift_k * (time_s / self.duration_s - 0.5)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::{Trial, population::Population};
    use settlepoint_stats::random::Random;

    /// The case air must be warm by the power times its coefficient once everything has settled, so
    /// a machine with warming in a room is the same machine without it in a room that much warmer.
    #[test]
    fn settled_warming_is_a_warmer_room() {
        let population = Population::read().unwrap();
        let truth = population
            .machine(Trial::Population, &mut Random::from_seed(5))
            .unwrap();
        let course = Course {
            pl1_w: 0.5 * truth.pl2_w,
            temp_limit_c: 100.0,
            room_c: 22.0,
            drift_k: 0.0,
            duration_s: 9000.0,
        };
        let mut simulator = Simulator::new();
        let with = truth.run(&mut simulator, &course);
        let last = with.seconds[with.seconds.len() - 1];
        let still = Truth {
            extras: Extras {
                intake_k_per_w: 0.0,
                ..truth.extras
            },
            ..truth.clone()
        };
        let warmer = Course {
            room_c: 22.0 + truth.extras.intake_k_per_w * last.power_w,
            ..course
        };
        // Same density in both: it follows the room, and the warmed air is in the same room.
        let mut scenario = still.scenario(&warmer);
        scenario.air_density_kg_m3 = air_density_kg_m3(course.room_c, 0.0);
        let mut machine = still.machine.clone();
        machine.package.hot_spot =
            1.0 + truth.extras.hot_spot_slope * last.power_w / truth.machine.package.demand_w;
        let without = once(&mut simulator, &machine, &scenario);
        let end = without.seconds[without.seconds.len() - 1];
        // 9000 s are 15 time constants of the slowest case air: what is left is far below the end
        // of the repetitions, 2e-3 K.
        assert!((end.die_c - last.die_c).abs() < 5e-3);
    }
}
