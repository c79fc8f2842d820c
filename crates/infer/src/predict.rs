//! Predictions of settings that were not run, with intervals and their basis.

use settlepoint_domain::{Basis, Direction, Estimate, FanSetting, Figure, LimitValue, Setting};
use settlepoint_model::{
    ActingLimit, FanControl, MachineModel, OperatingPoint, Scenario, steady_state,
};

use settlepoint_stats::series::quantile;

use crate::evidence::{Reading, RunEvidence, Window};
use crate::fit::{CoolingFit, Draw};
use crate::forward::{
    Conditions, Course, Intake, Means, RunPrediction, make_idle, predict_run, scenario,
    settled_after, with_discrepancy,
};
use crate::layout::Key;
use crate::posterior::{clock_mhz, level_dba};
use crate::timeline::{self, TimeCourse};

/// Packages protect themselves near this temperature whatever was set, °C (common practice, no
/// source).
const UNPROTECTED_C: f64 = 105.0;

/// Simulated time of all draws together from which threads are worth their start, s: below, all of it
/// takes a few milliseconds.
const WORTH_THREADS_S: f64 = 50_000.0;

/// What to predict.
#[derive(Clone, Debug, PartialEq)]
pub struct Query {
    /// Index of the workload.
    pub workload: usize,
    /// The setting.
    pub setting: Setting,
    /// Room, altitude and length.
    pub conditions: Conditions,
}

/// The settled state with intervals.
#[derive(Clone, Debug, PartialEq)]
pub struct SustainedFigures {
    /// Package, °C.
    pub package_c: Estimate,
    /// Mean over the run after its boost, W: what one would read off a log of that length. Where the
    /// temperature limit acts it lies above [`Self::settled_power_w`], as the heat sink is still
    /// warming.
    pub power_w: Estimate,
    /// Power in the settled state, W.
    pub settled_power_w: Estimate,
    /// One a core kind, MHz.
    pub clock_mhz: Vec<Figure>,
    /// rpm.
    pub fan_speed_rpm: Figure,
    /// Share of full speed.
    pub fan_share: Estimate,
    /// dB(A).
    pub level_dba: Figure,
}

/// The boost with intervals.
#[derive(Clone, Debug, PartialEq)]
pub struct BoostFigures {
    /// Mean over the boost, °C.
    pub package_c: Estimate,
    /// Mean over the boost, W.
    pub power_w: Estimate,
    /// s.
    pub duration_s: Estimate,
}

/// A prediction.
#[derive(Clone, Debug, PartialEq)]
pub struct Prediction {
    /// Settled state.
    pub sustained: SustainedFigures,
    /// Boost; `None` where the power never exceeds what stays.
    pub boost: Option<BoostFigures>,
    /// Work over the run relative to the best score measured.
    pub work_rel: Figure,
    /// What holds the settled power, as a token of the contract.
    pub acting_limit: &'static str,
    /// Probability that the temperature limit acts at some time.
    pub p_temp_limit: f64,
    /// Probability that the temperature limit cannot be held at least power, or heat runs away.
    pub p_cannot_hold: f64,
    /// Sentences for the reader.
    pub notes: Vec<String>,
}

/// Picks a reading out of a window.
type ReadingOf = dyn Fn(&Window) -> Option<Reading>;

/// What one draw says.
struct Outcome {
    point: OperatingPoint,
    boost: Option<Means>,
    boost_s: f64,
    /// Mean power over the run after its boost, W.
    after_boost_w: f64,
    work_rate: f64,
    touched: bool,
}

impl CoolingFit {
    pub(crate) fn model_for(&self, draw: &Draw, query: &Query) -> (MachineModel, Scenario) {
        let mut plain = self.layout.machine(&draw.z, query.workload);
        if self.idles_unmeasured(query.workload) {
            let power_w = self.layout.value(&draw.z, Key::IdlePower).unwrap_or(10.0);
            make_idle(&mut plain, power_w);
        }
        let scenario = scenario(
            &self.layout,
            &draw.z,
            &plain,
            &query.setting,
            query.conditions,
        );
        with_discrepancy(&self.layout, &draw.z, plain, scenario, draw.run_factor)
    }

    /// Whether a workload is idle use without a run of its own: its power is then that seen before
    /// the loads.
    fn idles_unmeasured(&self, workload: usize) -> bool {
        self.evidence.workloads[workload].idle
            && !self.evidence.runs.iter().any(|r| r.workload == workload)
    }

    fn outcome(&self, draw: &Draw, query: &Query) -> (Outcome, Course) {
        let (model, scenario) = self.model_for(draw, query);
        let course = Course::run(&model, &scenario);
        let point = settled_after(&model, &scenario, Some(&course));
        let boost_s = course.summary.boost_duration_s;
        let boosts = boost_s > 2.0 && boost_s < query.conditions.duration_s - 2.0;
        let outcome = Outcome {
            boost: boosts.then(|| course.means(0.0, boost_s)),
            boost_s,
            after_boost_w: course
                .means(if boosts { boost_s } else { 0.0 }, course.duration_s())
                .power_w,
            work_rate: course.means(0.0, course.duration_s()).work_rate,
            touched: course.summary.time_at_temp_limit_s > 0.0,
            point,
        };
        (outcome, course)
    }

    /// The most probable machine under a query, with its scenario: for time courses.
    pub fn best_guess(&self, query: &Query) -> (MachineModel, Scenario) {
        self.model_for(
            &Draw {
                z: self.z.clone(),
                run_factor: 1.0,
            },
            query,
        )
    }

    /// Predicts a setting with `draws` of the posterior's draws (all of them for a final answer).
    pub fn predict(&self, query: &Query, draws: usize) -> Prediction {
        let draws = self.first_draws(draws);
        let outcomes: Vec<Outcome> = draws.iter().map(|d| self.outcome(d, query).0).collect();
        self.figures(query, draws, &outcomes)
    }

    /// The same with its course over time, in `stretches` of equal length: both from the same runs
    /// of the simulator.
    pub fn predict_over_time(
        &self,
        query: &Query,
        draws: usize,
        stretches: usize,
    ) -> (Prediction, TimeCourse) {
        let draws = self.first_draws(draws);
        let mut record = timeline::Record::new(query.conditions.duration_s, stretches);
        let simulated = self.simulated(query, draws, &record);
        let mut outcomes = Vec::with_capacity(draws.len());
        for (outcome, rows) in simulated {
            record.take(&rows);
            outcomes.push(outcome);
        }
        let prediction = self.figures(query, draws, &outcomes);
        let course = record.finish(self, query, prediction.sustained.package_c.basis);
        (prediction, course)
    }

    /// What each draw says, in their order: long runs on several processors, which changes nothing but
    /// the time it takes.
    fn simulated(
        &self,
        query: &Query,
        draws: &[Draw],
        record: &timeline::Record,
    ) -> Vec<(Outcome, timeline::Rows)> {
        let one = |draw: &Draw| {
            let (outcome, course) = self.outcome(draw, query);
            (outcome, record.rows(self, draw, &course))
        };
        let work_s = query.conditions.duration_s * draws.len() as f64;
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        if work_s < WORTH_THREADS_S || threads < 2 {
            return draws.iter().map(one).collect();
        }
        let share = draws.len().div_ceil(threads.min(4));
        std::thread::scope(|scope| {
            let parts: Vec<_> = draws
                .chunks(share)
                .map(|part| scope.spawn(move || part.iter().map(one).collect::<Vec<_>>()))
                .collect();
            parts
                .into_iter()
                .flat_map(|part| match part.join() {
                    Ok(done) => done,
                    Err(panic) => std::panic::resume_unwind(panic),
                })
                .collect()
        })
    }

    fn first_draws(&self, draws: usize) -> &[Draw] {
        &self.draws[..draws.clamp(2, self.draws.len())]
    }

    fn figures(&self, query: &Query, draws: &[Draw], outcomes: &[Outcome]) -> Prediction {
        let (model, best_scenario) = self.best_guess(query);
        let centre = steady_state(&model, &best_scenario);
        let basis = self.basis(query, &centre);
        let estimate =
            |value: &dyn Fn(&Outcome) -> f64| interval(outcomes.iter().map(value), basis);
        let of_draws = |pick: &dyn Fn(&Draw, &Outcome) -> Option<f64>| {
            let values: Option<Vec<f64>> = draws
                .iter()
                .zip(outcomes)
                .map(|(d, o)| pick(d, o))
                .collect();
            values.map(|v| interval(v.into_iter(), basis))
        };
        let n = outcomes.len() as f64;
        let probability =
            |is: &dyn Fn(&Outcome) -> bool| outcomes.iter().filter(|o| is(o)).count() as f64 / n;
        let fan_speed = of_draws(&|d, o| {
            self.layout
                .value(&d.z, Key::FanFull)
                .map(|full| full * o.point.fan_share)
        });
        let background = self.background_dba();
        let level = of_draws(&|d, o| level_dba(&self.layout, &d.z, o.point.fan_share, background));
        let clocks = (0..2)
            .filter_map(|kind| {
                of_draws(&|d, o| {
                    clock_mhz(
                        &self.layout,
                        &d.z,
                        query.workload,
                        Means::from(&o.point),
                        kind,
                    )
                })
            })
            .map(Figure::Known)
            .collect();
        Prediction {
            sustained: SustainedFigures {
                package_c: estimate(&|o| o.point.die_c),
                power_w: estimate(&|o| o.after_boost_w),
                settled_power_w: estimate(&|o| o.point.power_w),
                clock_mhz: clocks,
                fan_share: estimate(&|o| o.point.fan_share),
                fan_speed_rpm: known_or(fan_speed, "a run with the fan speed logged or noted"),
                level_dba: known_or(level, "a run with a sound level noted"),
            },
            boost: boost_figures(outcomes, basis),
            work_rel: self.work_rel(query, outcomes, basis),
            acting_limit: acting_token(&model, &best_scenario, &centre),
            p_temp_limit: probability(&|o| o.touched),
            p_cannot_hold: probability(&|o| o.point.cannot_hold),
            notes: self.notes(query, &centre),
        }
    }

    fn work_rel(&self, query: &Query, outcomes: &[Outcome], basis: Basis) -> Figure {
        if self.evidence.workloads[query.workload].idle {
            return Figure::Unknown {
                needs: "nothing: idle use has no score".into(),
            };
        }
        // Without a score work is counted from 1 at the reference watts, by the prior's exponent.
        let (best, basis) = match self.best_rate(query.workload) {
            Some(best) => (best, basis),
            None => (1.0, Basis::Assumed),
        };
        Figure::Known(interval(outcomes.iter().map(|o| o.work_rate / best), basis))
    }

    /// A quantity worked out from each draw's parameters.
    pub fn derive(&self, of: impl Fn(&[f64]) -> f64) -> Estimate {
        interval(self.draws.iter().map(|d| of(&d.z)), Basis::Measured)
    }

    /// The best measured score of a workload as a rate.
    pub fn best_rate(&self, workload: usize) -> Option<f64> {
        let best = self.evidence.best_score(workload)?;
        Some(match self.evidence.workloads[workload].direction {
            Direction::Higher => best,
            Direction::Lower => 1.0 / best,
        })
    }

    /// The background level noted with the runs, dB(A): the first where there are several.
    pub fn background_dba(&self) -> Option<f64> {
        self.evidence
            .runs
            .iter()
            .flat_map(|r| &r.windows)
            .find_map(|w| w.background_dba)
    }

    /// What a prediction at an operating point rests on.
    fn basis(&self, query: &Query, point: &OperatingPoint) -> Basis {
        let same = |r: &RunEvidence| {
            r.workload == query.workload
                && same_limits(&r.setting, &query.setting)
                && r.room_c
                    .is_some_and(|room| (room - query.conditions.room_c).abs() <= 1.0)
        };
        if self.evidence.runs.iter().any(same) {
            return Basis::Measured;
        }
        let windows = || {
            self.evidence
                .runs
                .iter()
                .flat_map(|r| &r.windows)
                .filter(|w| w.kind.is_load())
        };
        let powers = span(windows().filter_map(|w| w.power_w).map(|r| r.value));
        let temps = span(windows().filter_map(|w| w.package_c).map(|r| r.value));
        let (Some((p_lo, p_hi)), Some((t_lo, t_hi))) = (powers, temps) else {
            return Basis::Assumed;
        };
        let within = (0.98 * p_lo..=1.02 * p_hi).contains(&point.power_w)
            && (t_lo - 5.0..=t_hi + 3.0).contains(&point.die_c);
        if within {
            Basis::Interpolated
        } else {
            Basis::Extrapolated
        }
    }

    fn notes(&self, query: &Query, point: &OperatingPoint) -> Vec<String> {
        let mut notes = Vec::new();
        let seen = self
            .evidence
            .readings(|w| w.package_c)
            .reduce(f64::max)
            .unwrap_or(0.0);
        if point.die_c > seen + 3.0 && point.fan_share < 0.99 {
            notes.push(format!(
                "the fan curve above {seen:.0} °C was never seen; here it is carried on as assumed"
            ));
        }
        if point.acting == ActingLimit::Demand
            && query
                .setting
                .pl1_w
                .value()
                .is_some_and(|pl1| pl1 > point.power_w * 1.01)
        {
            notes.push(format!(
                "this work asks for about {:.0} W, so limits above that are not reached",
                point.power_w
            ));
        }
        if self.best_rate(query.workload).is_none() && !self.evidence.workloads[query.workload].idle
        {
            notes.push(
                "this workload has no score: its work is assumed to grow with the 0.32th power of \
                 the watts, give or take 0.16; note scores of two settings"
                    .into(),
            );
        }
        if query.setting.temp_limit_c.value().is_none() && point.die_c > UNPROTECTED_C {
            notes.push(format!(
                "no temperature limit was given; a real package protects itself long before {:.0} °C",
                point.die_c
            ));
        }
        if query
            .setting
            .pl1_w
            .value()
            .is_some_and(|pl1| pl1 < 0.97 * point.power_w)
        {
            notes.push(format!(
                "the package is assumed not to go below {:.1} W under load",
                point.power_w
            ));
        }
        if point.cannot_hold {
            notes.push("the temperature limit cannot be held even at least power".into());
        }
        notes
    }

    /// What a run that was not used would have read, beside what it did read.
    pub fn held_out(&self, run: &RunEvidence) -> HeldOut {
        let predictions: Vec<RunPrediction> = self
            .draws
            .iter()
            .map(|d| predict_run(&self.layout, &d.z, usize::MAX, run, d.run_factor))
            .collect();
        let place = run
            .windows
            .iter()
            .rposition(|w| w.kind.is_load() || w.kind == settlepoint_domain::PhaseKind::Unknown);
        let window = place.map(|p| &run.windows[p]);
        let figure = |read: Option<&ReadingOf>, of: &dyn Fn(&Means) -> f64| {
            let place = place?;
            let sd = read
                .and_then(|f| f(&run.windows[place]))
                .map_or(0.0, |r| r.sd);
            Some(predictive(
                predictions.iter().map(|p| of(&p.windows[place])),
                sd,
            ))
        };
        let best = self.best_rate(run.workload);
        let score_sd = run.score.map_or(0.0, |s| s.sd / s.value);
        HeldOut {
            name: run.name.clone(),
            package_c: figure(Some(&|w: &Window| w.package_c), &|m| m.package_c),
            package_c_measured: window.and_then(|w| w.package_c).map(|r| r.value),
            power_w: figure(Some(&|w: &Window| w.power_w), &|m| m.power_w),
            power_w_measured: window.and_then(|w| w.power_w).map(|r| r.value),
            fan_speed_rpm: self
                .parameter(Key::FanFull)
                .and_then(|full| figure(None, &|m| full.value * m.fan_share)),
            fan_speed_rpm_measured: window.and_then(|w| w.fan_speed_rpm).map(|r| r.value),
            level_dba: self.held_out_level(run, &predictions, place),
            level_dba_measured: window.and_then(|w| w.level_dba).map(|r| r.value),
            work_rel: best
                .map(|b| predictive(predictions.iter().map(|p| p.work_rate / b), score_sd)),
            work_rel_measured: best.zip(run.score).map(|(best, score)| {
                match self.evidence.workloads[run.workload].direction {
                    Direction::Higher => score.value / best,
                    Direction::Lower => 1.0 / (score.value * best),
                }
            }),
        }
    }

    fn held_out_level(
        &self,
        run: &RunEvidence,
        predictions: &[RunPrediction],
        place: Option<usize>,
    ) -> Option<Estimate> {
        let place = place?;
        let sd = run.windows[place].level_dba.map_or(0.0, |r| r.sd);
        let levels: Option<Vec<f64>> = self
            .draws
            .iter()
            .zip(predictions)
            .map(|(d, p)| {
                let share = p.windows[place].fan_share;
                level_dba(&self.layout, &d.z, share, run.windows[place].background_dba)
            })
            .collect();
        levels.map(|l| predictive(l.into_iter(), sd))
    }

    /// Watts held at a temperature, room and fan speed or level.
    ///
    /// `fan_share_of` gives the share of full speed under a draw.
    pub fn capacity_w(
        &self,
        temp_c: f64,
        room_c: f64,
        altitude_m: f64,
        fan_share_of: &dyn Fn(&Self, &Draw) -> f64,
    ) -> Estimate {
        let density = settlepoint_model::air_density_kg_m3(room_c, altitude_m);
        let watts = |draw: &Draw| {
            let share = fan_share_of(self, draw);
            let mut plain = self.layout.machine(&draw.z, 0);
            Intake::of(&self.layout, &draw.z).lengthen(&mut plain.cooling);
            let held = |hot_spot| {
                settlepoint_model::capacity_w(
                    &plain.cooling,
                    hot_spot,
                    temp_c,
                    room_c,
                    share,
                    density,
                )
            };
            let first = held(1.0);
            let hot_spot = self.layout.hot_spot(&draw.z, first, plain.package.demand_w);
            let factor = self.layout.discrepancy(&draw.z, first.max(0.1), share) * draw.run_factor;
            (held(hot_spot) / factor).max(0.0)
        };
        let (lo, hi) = span(self.evidence.readings(|w| w.package_c)).unwrap_or((0.0, 0.0));
        let basis = if (lo..=hi).contains(&temp_c) {
            Basis::Interpolated
        } else {
            Basis::Extrapolated
        };
        interval(self.draws.iter().map(watts), basis)
    }
}

/// A run that was not used, against its prediction.
#[derive(Clone, Debug, PartialEq)]
#[expect(
    missing_docs,
    reason = "pairs of predicted and measured; units in the names"
)]
pub struct HeldOut {
    pub name: String,
    pub package_c: Option<Estimate>,
    pub package_c_measured: Option<f64>,
    pub power_w: Option<Estimate>,
    pub power_w_measured: Option<f64>,
    pub fan_speed_rpm: Option<Estimate>,
    pub fan_speed_rpm_measured: Option<f64>,
    pub level_dba: Option<Estimate>,
    pub level_dba_measured: Option<f64>,
    pub work_rel: Option<Estimate>,
    pub work_rel_measured: Option<f64>,
}

fn same_limits(a: &Setting, b: &Setting) -> bool {
    let near = |a: LimitValue, b: LimitValue| match (a.value(), b.value()) {
        (Some(x), Some(y)) => (x - y).abs() <= 0.01 * x.abs().max(y.abs()),
        (None, None) => true,
        _ => false,
    };
    near(a.pl1_w, b.pl1_w)
        && near(a.pl2_w, b.pl2_w)
        && near(a.temp_limit_c, b.temp_limit_c)
        && a.fan == b.fan
}

/// The contract's token for what acts, with the fan's ceiling told apart.
fn acting_token(model: &MachineModel, scenario: &Scenario, point: &OperatingPoint) -> &'static str {
    if point.acting == ActingLimit::Temperature
        && let FanControl::Curve { ceiling } = scenario.fan
        && ceiling < 1.0
        && point.fan_share >= ceiling - 1e-6
    {
        let free = Scenario {
            fan: FanControl::Curve { ceiling: 1.0 },
            ..scenario.clone()
        };
        if steady_state(model, &free).acting != ActingLimit::Temperature {
            return "fan_ceiling";
        }
    }
    point.acting.token()
}

fn boost_figures(outcomes: &[Outcome], basis: Basis) -> Option<BoostFigures> {
    let boosts: Vec<(&Outcome, Means)> = outcomes
        .iter()
        .filter_map(|o| o.boost.map(|b| (o, b)))
        .collect();
    if 2 * boosts.len() < outcomes.len() {
        return None;
    }
    Some(BoostFigures {
        package_c: interval(boosts.iter().map(|(_, m)| m.package_c), basis),
        power_w: interval(boosts.iter().map(|(_, m)| m.power_w), basis),
        duration_s: interval(boosts.iter().map(|(o, _)| o.boost_s), basis),
    })
}

fn known_or(estimate: Option<Estimate>, needs: &str) -> Figure {
    estimate.map_or_else(
        || Figure::Unknown {
            needs: needs.into(),
        },
        Figure::Known,
    )
}

fn span(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |range, v| match range {
        None => Some((v, v)),
        Some((lo, hi)) => Some((lo.min(v), hi.max(v))),
    })
}

/// Median and 5th to 95th percentile.
pub(crate) fn interval(values: impl Iterator<Item = f64>, basis: Basis) -> Estimate {
    let values: Vec<f64> = values.filter(|v| v.is_finite()).collect();
    let at = |p| quantile(&values, p).unwrap_or(f64::NAN);
    Estimate {
        value: at(0.5),
        lo: at(0.05),
        hi: at(0.95),
        basis,
    }
}

/// The same for a new reading whose own error has standard deviation `sd`.
pub(crate) fn predictive(values: impl Iterator<Item = f64>, sd: f64) -> Estimate {
    let values: Vec<f64> = values.filter(|v| v.is_finite()).collect();
    let n = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / n;
    let centre = interval(values.into_iter(), Basis::Interpolated);
    // The draws' own shape, widened on both sides by the reading's error.
    let grow = if variance > 0.0 {
        (1.0 + sd * sd / variance).sqrt()
    } else {
        1.0
    };
    if variance <= 1e-12 {
        return Estimate::normal(centre.value, sd, Basis::Interpolated);
    }
    Estimate {
        lo: centre.value - grow * (centre.value - centre.lo),
        hi: centre.value + grow * (centre.hi - centre.value),
        ..centre
    }
}

/// A setting with these limits, for queries.
pub fn setting_of(
    name: impl Into<String>,
    pl1_w: LimitValue,
    pl2_w: LimitValue,
    tau_s: LimitValue,
    temp_limit_c: LimitValue,
    fan: FanSetting,
) -> Setting {
    Setting {
        id: settlepoint_domain::Id::from_u128(0),
        name: name.into(),
        pl1_w,
        pl2_w,
        tau_s,
        temp_limit_c,
        more_tiers: Vec::new(),
        fan,
    }
}
