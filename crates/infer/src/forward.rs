//! From parameters and a setting to what would be read: the course of a run and its averages.

use settlepoint_domain::{FanSetting, Setting};
use settlepoint_model::{
    BudgetTier, Cooling, FanControl, FanCurve, MachineModel, OperatingPoint, Scenario, Start,
    Summary, air_density_kg_m3, boost_of, simulate, steady_state, steady_state_from_above,
};

use crate::evidence::{RunEvidence, Span, Window};
use crate::layout::{Key, Layout};

/// Where and how long a setting is run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// Room, °C.
    pub room_c: f64,
    /// Altitude, m.
    pub altitude_m: f64,
    /// Length, s.
    pub duration_s: f64,
}

/// The scenario that a setting means for a machine.
pub fn scenario(
    layout: &Layout,
    z: &[f64],
    model: &MachineModel,
    setting: &Setting,
    conditions: Conditions,
) -> Scenario {
    let full_rpm = model.full_speed_rpm.unwrap_or(f64::INFINITY);
    let share = |rpm: f64| {
        if full_rpm.is_finite() {
            (rpm / full_rpm).clamp(0.0, 1.0)
        } else {
            1.0
        }
    };
    let mut tiers: Vec<BudgetTier> = setting
        .more_tiers
        .iter()
        .map(|t| BudgetTier {
            limit_w: t.limit_w,
            window_s: t.window_s,
        })
        .collect();
    if let Some(limit_w) = setting.pl1_w.value() {
        tiers.push(BudgetTier {
            limit_w,
            window_s: layout.tau_s(z, setting.tau_s),
        });
    }
    if let Some(limit_w) = setting.pl2_w.value() {
        tiers.push(BudgetTier {
            limit_w,
            window_s: 0.0,
        });
    }
    Scenario {
        tiers,
        temp_limit_c: setting.temp_limit_c.value(),
        fan: match &setting.fan {
            FanSetting::AsFitted => FanControl::Curve { ceiling: 1.0 },
            FanSetting::Ceiling(rpm) => FanControl::Curve {
                ceiling: share(*rpm),
            },
            FanSetting::Fixed(rpm) => FanControl::Fixed(share(*rpm)),
            FanSetting::Curve(points) => FanControl::Typed {
                curve: FanCurve {
                    points: points.iter().map(|&(t, rpm)| (t, share(rpm))).collect(),
                    ..model.fan.clone()
                },
                ceiling: 1.0,
            },
        },
        room: vec![(0.0, conditions.room_c)],
        air_density_kg_m3: air_density_kg_m3(conditions.room_c, conditions.altitude_m),
        duration_s: conditions.duration_s,
        // Ten thousand steps at most; a second resolves every averaging window in use.
        step_s: (conditions.duration_s / 10_000.0).max(1.0),
        start: Start::SettledAt {
            power_w: layout.value(z, Key::IdlePower).unwrap_or(10.0),
        },
    }
}

/// A machine and a scenario with what the plain ladder lacks put in: the smooth error of K/W at the
/// operating point that `scenario` leads to, and case air that the package warms.
///
/// The warming is a first-order lag of the power and enters as a room that moves. The power behind
/// it is the boost's mean and then the settled one; the true course differs for tens of seconds at
/// most, which the lag of minutes turns into a tenth of a kelvin. The room's last point, far beyond
/// the end, is that of the settled state, so that settled states see it too.
pub fn with_discrepancy(
    layout: &Layout,
    z: &[f64],
    mut model: MachineModel,
    mut scenario: Scenario,
    run_factor: f64,
) -> (MachineModel, Scenario) {
    let intake = Intake::of(layout, z);
    let mut warmed = model.clone();
    intake.lengthen(&mut warmed.cooling);
    let first = steady_state(&warmed, &scenario);
    let factor = layout.discrepancy(z, first.power_w, first.fan_share) * run_factor;
    scale_resistances(&mut model, factor);
    model.package.hot_spot *= layout.hot_spot(z, first.power_w, model.package.demand_w);
    let mut warmed = model.clone();
    intake.lengthen(&mut warmed.cooling);
    let settled_w = steady_state(&warmed, &scenario).power_w;
    let boost = boost_of(&model, &scenario);
    let stages = [
        (boost.duration_s.min(scenario.duration_s), boost.power_w),
        (f64::INFINITY, settled_w),
    ];
    let room_c = scenario.room.last().map_or(f64::NAN, |p| p.1);
    let idle_w = match scenario.start {
        Start::SettledAt { power_w } => power_w,
        Start::SteadyState => settled_w,
    };
    scenario.room = intake.room(room_c, idle_w, stages, scenario.duration_s);
    (model, scenario)
}

/// Case air that the package warms.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Intake {
    k_per_w: f64,
    tau_s: f64,
}

/// The room's point that settled states see, s: no run is as long.
const SETTLED_S: f64 = 1e9;
/// Straight pieces for each time constant of the warming: the error of a chord is below 1/300 of
/// the change.
const PIECES: f64 = 6.0;
/// Time constants after which the warming is called complete.
const COMPLETE: f64 = 7.0;

impl Intake {
    pub(crate) fn of(layout: &Layout, z: &[f64]) -> Self {
        Self {
            k_per_w: layout.value(z, Key::IntakeWarming).unwrap_or(0.0),
            tau_s: layout.value(z, Key::IntakeTime).unwrap_or(250.0),
        }
    }

    /// Puts the settled warming into a ladder: the same heat passes everything in series.
    pub(crate) fn lengthen(&self, cooling: &mut Cooling) {
        let place = cooling.nodes.len().saturating_sub(2);
        if let Some(node) = cooling.nodes.get_mut(place) {
            node.resistance_k_per_w += self.k_per_w;
        }
    }

    /// Air at the cooler over time. `stages`: until when, s, and which power, W.
    fn room(
        &self,
        room_c: f64,
        idle_w: f64,
        stages: [(f64, f64); 2],
        duration_s: f64,
    ) -> Vec<(f64, f64)> {
        let mut now_s = 0.0;
        let mut warming_k = self.k_per_w * idle_w;
        let mut points = vec![(0.0, room_c + warming_k)];
        for (until_s, power_w) in stages {
            let target_k = self.k_per_w * power_w;
            let (from_s, from_k) = (now_s, warming_k);
            let end_s = until_s.min(duration_s).min(from_s + COMPLETE * self.tau_s);
            while now_s < end_s - 1e-6 {
                now_s = (now_s + self.tau_s / PIECES).min(end_s);
                let left = (-(now_s - from_s) / self.tau_s).exp();
                warming_k = target_k + (from_k - target_k) * left;
                points.push((now_s, room_c + warming_k));
            }
            points.push((SETTLED_S, room_c + target_k));
            if until_s < duration_s {
                points.pop();
            }
        }
        points
    }
}

fn scale_resistances(model: &mut MachineModel, factor: f64) {
    for node in &mut model.cooling.nodes {
        node.resistance_k_per_w *= factor;
        node.capacity_j_per_k /= factor;
    }
    model.cooling.g_nat_w_per_k /= factor;
    model.cooling.g_fan_w_per_k /= factor;
}

/// Means over a window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Means {
    /// W.
    pub power_w: f64,
    /// °C.
    pub package_c: f64,
    /// Share of full speed.
    pub fan_share: f64,
    /// Work rate; NaN without a work law.
    pub work_rate: f64,
}

impl From<&OperatingPoint> for Means {
    fn from(point: &OperatingPoint) -> Self {
        Self {
            power_w: point.power_w,
            package_c: point.die_c,
            fan_share: point.fan_share,
            work_rate: point.work_rate.unwrap_or(f64::NAN),
        }
    }
}

/// A simulated run with running integrals, so that the mean over any window costs two look-ups.
#[derive(Clone, Debug)]
pub struct Course {
    end_s: Vec<f64>,
    integrals: Vec<[f64; 4]>,
    /// The simulator's own summary.
    pub summary: Summary,
}

impl Course {
    /// Simulates.
    pub fn run(model: &MachineModel, scenario: &Scenario) -> Self {
        let mut end_s = vec![0.0];
        let mut integrals = vec![[0.0; 4]];
        let mut sum = [0.0; 4];
        let summary = simulate(model, scenario, |step| {
            let values = [
                step.power_w,
                step.die_mean_c,
                step.fan_share,
                step.work_rate,
            ];
            for (total, value) in sum.iter_mut().zip(values) {
                *total += value * step.dt_s;
            }
            end_s.push(step.time_s);
            integrals.push(sum);
        });
        Self {
            end_s,
            integrals,
            summary,
        }
    }

    fn integral(&self, time_s: f64) -> [f64; 4] {
        let last = self.end_s.len() - 1;
        let i = self
            .end_s
            .partition_point(|&t| t < time_s)
            .clamp(1, last.max(1));
        if last == 0 {
            return [0.0; 4];
        }
        let (t0, t1) = (self.end_s[i - 1], self.end_s[i]);
        let share = ((time_s - t0) / (t1 - t0)).min(1.0);
        std::array::from_fn(|q| {
            let (a, b) = (self.integrals[i - 1][q], self.integrals[i][q]);
            a + share * (b - a)
        })
    }

    /// Means over `from_s..to_s`, cut to the simulated time.
    pub fn means(&self, from_s: f64, to_s: f64) -> Means {
        let end = self.end_s[self.end_s.len() - 1];
        let to = to_s.min(end);
        let from = from_s.clamp(0.0, to - 1e-3 * end.min(1.0));
        let (a, b) = (self.integral(from), self.integral(to));
        let mean: [f64; 4] = std::array::from_fn(|q| (b[q] - a[q]) / (to - from));
        Means {
            power_w: mean[0],
            package_c: mean[1],
            fan_share: mean[2],
            work_rate: mean[3],
        }
    }

    /// Length simulated, s.
    pub fn duration_s(&self) -> f64 {
        self.end_s[self.end_s.len() - 1]
    }
}

/// What the models say for each window of a run, and the work rate behind its score.
#[derive(Clone, Debug)]
pub struct RunPrediction {
    /// One entry a window.
    pub windows: Vec<Means>,
    /// Mean work rate over the run; NaN without a work law.
    pub work_rate: f64,
    /// End of the boost, s.
    pub boost_s: f64,
}

/// Predicts a run's windows. `run_factor` multiplies every resistance (1 for the best guess).
pub fn predict_run(
    layout: &Layout,
    z: &[f64],
    index: usize,
    run: &RunEvidence,
    run_factor: f64,
) -> RunPrediction {
    let room_c = run
        .room_c
        .or_else(|| layout.value(z, Key::Room(index)))
        .unwrap_or(22.0);
    let conditions = Conditions {
        room_c,
        altitude_m: run.altitude_m,
        duration_s: run.duration_s,
    };
    let plain = layout.machine(z, run.workload);
    let scenario = scenario(layout, z, &plain, &run.setting, conditions);
    let (model, scenario) = with_discrepancy(layout, z, plain, scenario, run_factor);
    let course = (!run.settled_only()).then(|| Course::run(&model, &scenario));
    let settled = (course.is_none() || run.windows.iter().any(|w| w.span == Span::Settled))
        .then(|| settled_after(&model, &scenario, course.as_ref()));
    let boost_s = course.as_ref().map_or(0.0, |c| c.summary.boost_duration_s);
    let windows = run
        .windows
        .iter()
        .map(|window| {
            window_means(
                window,
                &model,
                &scenario,
                course.as_ref(),
                settled.as_ref(),
                boost_s,
            )
        })
        .collect();
    let work_rate = course.as_ref().map_or_else(
        || {
            settled
                .as_ref()
                .and_then(|p| p.work_rate)
                .unwrap_or(f64::NAN)
        },
        |course| course.means(0.0, course.duration_s()).work_rate,
    );
    RunPrediction {
        windows,
        work_rate,
        boost_s,
    }
}

fn window_means(
    window: &Window,
    model: &MachineModel,
    scenario: &Scenario,
    course: Option<&Course>,
    settled: Option<&OperatingPoint>,
    boost_s: f64,
) -> Means {
    match (window.span, course, settled) {
        (Span::Idle, _, _) => Means::from(&idle_point(model, scenario)),
        (Span::Between(from, to), Some(course), _) => course.means(from, to),
        (Span::WholeBoost, Some(course), _) => course.means(0.0, boost_s.max(1.0)),
        (Span::AfterBoost, Some(course), _) => course.means(boost_s, course.duration_s()),
        (_, _, Some(point)) => Means::from(point),
        (_, Some(course), None) => course.means(0.0, course.duration_s()),
        (_, None, None) => Means::from(&steady_state(model, scenario)),
    }
}

/// The settled state that a run comes to. A fan with hysteresis keeps some of the speed that the
/// boost gave it: how much is read off the end of the simulated course.
pub fn settled_after(
    model: &MachineModel,
    scenario: &Scenario,
    course: Option<&Course>,
) -> OperatingPoint {
    let below = steady_state(model, scenario);
    let boosted = course.filter(|c| c.summary.boost_duration_s > 0.0);
    let Some(course) = boosted.filter(|_| model.fan.hysteresis_k > 0.0) else {
        return below;
    };
    let share = course.summary.end.fan_share;
    if share <= below.fan_share + 1e-4 {
        return below;
    }
    let above = steady_state_from_above(model, scenario);
    if share >= above.fan_share - 1e-4 {
        return above;
    }
    steady_state(
        model,
        &Scenario {
            fan: FanControl::Fixed(share),
            ..scenario.clone()
        },
    )
}

/// The settled state before the load.
pub fn idle_point(model: &MachineModel, scenario: &Scenario) -> OperatingPoint {
    let Start::SettledAt { power_w } = scenario.start else {
        return steady_state(model, scenario);
    };
    let mut idle = model.clone();
    make_idle(&mut idle, power_w);
    steady_state(
        &idle,
        &Scenario {
            tiers: Vec::new(),
            room: scenario.room.first().copied().into_iter().collect(),
            ..scenario.clone()
        },
    )
}

/// Turns a machine under load into the same machine idling at this power.
pub(crate) fn make_idle(model: &mut MachineModel, power_w: f64) {
    let package = &mut model.package;
    package.demand_w = power_w;
    package.leak_w = package.leak_w.min(0.1 * power_w);
    package.min_w = package.min_w.min(0.5 * power_w);
    package.base_w = package.base_w.min(0.4 * power_w);
    package.reference_w = power_w;
    package.work = None;
}
