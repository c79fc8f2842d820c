//! From constraints and workloads to the settings worth having, and one of them.

use settlepoint_domain::{FanSetting, LimitValue, Setting};
use settlepoint_model::{BudgetTier, boost, steady_state};

use settlepoint_stats::distributions::StandardNormal;

use crate::fit::{CoolingFit, InferError};
use crate::forward::Conditions;
use crate::layout::Key;
use crate::posterior::level_dba;
use crate::predict::{Prediction, Query, setting_of};

/// What a setting must keep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Constraints {
    /// Hottest room, °C.
    pub room_c: f64,
    /// Altitude, m.
    pub altitude_m: f64,
    /// Highest settled package temperature, °C.
    pub temp_max_c: Option<f64>,
    /// Probability with which temperature and noise must keep their bounds.
    pub confidence: f64,
    /// Highest level, dB(A).
    pub noise_max_dba: Option<f64>,
    /// Highest level of idle workloads, dB(A), where it is another one.
    pub noise_max_idle_dba: Option<f64>,
    /// Largest loss of work against the fastest setting, percent.
    pub loss_max_pct: f64,
    /// Highest power at the wall, W.
    pub wall_max_w: Option<f64>,
    /// What the rest of the machine draws under load, W.
    pub rest_w: f64,
    /// Efficiency of the supply, 0 to 1.
    pub supply_efficiency: f64,
}

/// One setting with its predictions for each workload that counts.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// The setting.
    pub setting: Setting,
    /// Prediction for each workload in [`Choice::workloads`].
    pub predictions: Vec<Prediction>,
    /// Weighted work relative to the best score; 1 where there are no scores.
    pub work_rel: f64,
    /// Loss of weighted work against the fastest setting, percent.
    pub loss_pct: f64,
    /// Whether it keeps every constraint.
    pub feasible: bool,
    /// By how much it passes the bounds on heat and noise, kelvins and decibels added up; 0 if it
    /// keeps them.
    pub excess: f64,
    /// Sentences.
    pub reasons: Vec<String>,
}

/// The answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Workloads that count, as indices.
    pub workloads: Vec<usize>,
    /// Non-dominated settings, fastest first.
    pub settings: Vec<Candidate>,
    /// Place of the recommended one in `settings`, if any keeps the constraints.
    pub recommended: Option<usize>,
    /// The next quieter (or cooler) one.
    pub quieter: Option<usize>,
    /// The next faster one.
    pub faster: Option<usize>,
    /// Sentences about the choice as a whole.
    pub reasons: Vec<String>,
}

impl Choice {
    /// What the setting at a place is in this choice: "recommended", "quieter", "faster" or nothing.
    pub fn mark(&self, place: usize) -> &'static str {
        let is = |other: Option<usize>| other == Some(place);
        if is(self.recommended) {
            "recommended"
        } else if is(self.quieter) {
            "quieter"
        } else if is(self.faster) {
            "faster"
        } else {
            ""
        }
    }
}

/// Draws in the wide search; finalists get all of them.
const SEARCH_DRAWS: usize = 16;
/// Most settings that are worked out in full.
const FINALISTS: usize = 20;
/// Of them, those most likely to be recommended.
const KEPT_FOR_CHOICE: usize = 8;
/// Levels nearer than this are equal to the ear, dB (common practice, no source).
const EQUAL_DB: f64 = 0.3;

/// Quick figures of a candidate in the wide search, from a few draws.
struct Quick {
    setting: Setting,
    /// Median weighted work.
    work: f64,
    /// Median level, or a stand-in that orders alike.
    loudness: f64,
    /// Median settled temperature, °C.
    temp_c: f64,
    /// Whether it may keep the constraints, by upper bounds from mean and spread.
    promising: bool,
}

/// The non-dominated settings under `constraints`, and the one to use.
///
/// # Errors
/// No workload that counts.
pub fn choose(fit: &CoolingFit, constraints: &Constraints) -> Result<Choice, InferError> {
    let workloads = counted(fit);
    if workloads.is_empty() {
        return Err(InferError::Unknown(
            "no workload to choose for: every run's workload is idle use; add one run under load"
                .into(),
        ));
    }
    let mut quick = quick_looks(fit, constraints, &workloads);
    let goal = Goal::of(constraints);
    quick.extend(finer(fit, constraints, &workloads, goal, &quick));
    let front = thin_out(non_dominated(quick), constraints, goal);
    let mut settings: Vec<Candidate> = front
        .into_iter()
        .map(|q| work_out(fit, constraints, &workloads, q.setting))
        .collect();
    settings.sort_by(|a, b| b.work_rel.total_cmp(&a.work_rel));
    let top = settings.first().map_or(1.0, |o| o.work_rel);
    for option in &mut settings {
        option.loss_pct = 100.0 * (1.0 - option.work_rel / top);
        judge(fit, constraints, &workloads, option);
    }
    Ok(decide(fit, constraints, goal, workloads, settings))
}

/// Workloads that count: those under load (the ones with a weight or hours, if any has them), then
/// idle use, of which only heat and noise count.
pub(crate) fn counted(fit: &CoolingFit) -> Vec<usize> {
    let all = || 0..fit.evidence.workloads.len();
    let idle = |w: &usize| fit.evidence.workloads[*w].idle;
    let loads: Vec<usize> = all().filter(|w| !idle(w)).collect();
    let mut counted: Vec<usize> = loads
        .iter()
        .copied()
        .filter(|&w| weight(fit, w) > 0.0)
        .collect();
    if counted.is_empty() {
        counted = loads;
    }
    if !counted.is_empty() {
        counted.extend(all().filter(idle));
    }
    counted
}

fn weight(fit: &CoolingFit, w: usize) -> f64 {
    let workload = &fit.evidence.workloads[w];
    if workload.idle {
        return 0.0;
    }
    workload
        .weight
        .or(workload.hours_per_week)
        .unwrap_or(1.0)
        .max(0.0)
}

fn conditions(fit: &CoolingFit, constraints: &Constraints, w: usize) -> Conditions {
    Conditions {
        room_c: constraints.room_c,
        altitude_m: constraints.altitude_m,
        duration_s: fit.evidence.workloads[w].duration_s,
    }
}

/// Settings worth a look: within what was already set on this machine, never above it.
fn candidates(fit: &CoolingFit, constraints: &Constraints) -> Vec<Setting> {
    let evidence = &fit.evidence;
    let highest = evidence
        .highest_limit_w()
        .or(evidence.highest_power_w(None))
        .unwrap_or(100.0);
    let pl2 = evidence
        .runs
        .iter()
        .filter_map(|r| r.setting.pl2_w.value())
        .reduce(f64::max);
    let tau = evidence.runs.iter().find_map(|r| r.setting.tau_s.value());
    let tau = tau.map_or(LimitValue::Unknown, LimitValue::Value);
    let mut setting_names = Vec::new();
    for pl1 in watt_steps(highest) {
        for pl2 in [Some(pl1), pl2.filter(|p| *p > pl1)].into_iter().flatten() {
            for limit in temp_limits(fit, constraints) {
                for fan in fan_choices(fit) {
                    setting_names.push(setting_of(
                        label(pl1, pl2, limit, &fan),
                        LimitValue::Value(pl1),
                        LimitValue::Value(pl2),
                        tau,
                        limit.map_or(LimitValue::Unknown, LimitValue::Value),
                        fan,
                    ));
                }
            }
        }
    }
    setting_names
}

/// About sixteen round steps from a third of the highest limit up to it.
pub(crate) fn watt_steps(highest: f64) -> Vec<f64> {
    let step = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0]
        .into_iter()
        .find(|s| highest * 0.7 / s <= 18.0)
        .unwrap_or(100.0);
    let mut steps: Vec<f64> = Vec::new();
    let mut watts = (highest / 3.0 / step).ceil() * step;
    while watts < highest - 0.3 * step {
        steps.push(watts);
        watts += step;
    }
    steps.push(highest);
    steps
}

fn temp_limits(fit: &CoolingFit, constraints: &Constraints) -> Vec<Option<f64>> {
    let used = fit
        .evidence
        .runs
        .iter()
        .filter_map(|r| r.setting.temp_limit_c.value());
    let Some(top) = used.reduce(f64::max) else {
        return vec![None];
    };
    let mut limits: Vec<f64> = (0..4).map(|i| top - 5.0 * f64::from(i)).collect();
    if let Some(max) = constraints.temp_max_c {
        limits.push(max.floor().min(top));
    }
    limits.sort_by(|a, b| b.total_cmp(a));
    limits.dedup();
    limits.into_iter().map(Some).collect()
}

fn fan_choices(fit: &CoolingFit) -> Vec<FanSetting> {
    let mut fans = vec![FanSetting::AsFitted];
    if let Some(full) = fit.parameter(Key::FanFull) {
        let round = |share: f64| FanSetting::Ceiling((full.value * share / 50.0).round() * 50.0);
        fans.extend([0.85, 0.7, 0.6, 0.5].map(round));
    }
    fans
}

pub(crate) fn label(pl1: f64, pl2: f64, limit: Option<f64>, fan: &FanSetting) -> String {
    let mut text = format!("{pl1:.0}/{pl2:.0} W");
    if let Some(limit) = limit {
        text += &format!(" {limit:.0} °C");
    }
    if let FanSetting::Ceiling(rpm) = fan {
        text += &format!(" fan to {rpm:.0} rpm");
    }
    text
}

/// The highest level allowed under a workload, dB(A).
fn noise_max(fit: &CoolingFit, constraints: &Constraints, w: usize) -> Option<f64> {
    let idle = constraints
        .noise_max_idle_dba
        .filter(|_| fit.evidence.workloads[w].idle);
    idle.or(constraints.noise_max_dba)
}

/// What is wanted of the settings that keep the constraints: whatever is not bounded itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Goal {
    /// Noise is bounded: the fastest.
    Fastest,
    /// Noise is not bounded: the quietest within the loss allowed.
    Quietest,
}

impl Goal {
    fn of(constraints: &Constraints) -> Self {
        if constraints.noise_max_dba.is_some() {
            Self::Fastest
        } else {
            Self::Quietest
        }
    }

    /// Orders by what is wanted, best first: work in steps of 0.2 %, levels in steps of
    /// [`EQUAL_DB`], so that the next criterion decides between equals.
    fn key(self, work: f64, loudness: f64, temp_c: f64) -> [f64; 3] {
        let work = -(work.ln() / 0.002).round();
        let loudness = (loudness / EQUAL_DB).round();
        match self {
            Self::Fastest => [work, loudness, temp_c],
            Self::Quietest => [loudness, work, temp_c],
        }
    }
}

fn compare(a: [f64; 3], b: [f64; 3]) -> std::cmp::Ordering {
    a.into_iter()
        .zip(b)
        .map(|(x, y)| x.total_cmp(&y))
        .find(|o| o.is_ne())
        .unwrap_or(std::cmp::Ordering::Equal)
}

/// Every candidate looked at quickly, on two threads.
fn quick_looks(fit: &CoolingFit, constraints: &Constraints, workloads: &[usize]) -> Vec<Quick> {
    let settings = candidates(fit, constraints);
    let look = |part: &[Setting]| -> Vec<Quick> {
        part.iter()
            .map(|s| quick_look(fit, constraints, workloads, s.clone()))
            .collect()
    };
    let (near, far) = settings.split_at(settings.len() / 2);
    std::thread::scope(|scope| {
        let other = scope.spawn(|| look(far));
        let mut all = look(near);
        all.extend(other.join().unwrap_or_default());
        all
    })
}

/// Settings between the best one that may keep the constraints and the next higher step of PL1.
fn finer(
    fit: &CoolingFit,
    constraints: &Constraints,
    workloads: &[usize],
    goal: Goal,
    quick: &[Quick],
) -> Vec<Quick> {
    let key = |q: &Quick| goal.key(q.work, q.loudness, q.temp_c);
    let best = quick
        .iter()
        .filter(|q| q.promising)
        .min_by(|a, b| compare(key(a), key(b)));
    let Some((best, pl1_w)) = best.and_then(|q| Some((q, q.setting.pl1_w.value()?))) else {
        return Vec::new();
    };
    let higher = quick
        .iter()
        .filter_map(|q| q.setting.pl1_w.value())
        .filter(|w| *w > pl1_w)
        .fold(f64::INFINITY, f64::min);
    [0.25, 0.5, 0.75]
        .into_iter()
        .map(|share| (pl1_w + share * (higher - pl1_w)).round())
        .filter(|w| w.is_finite() && *w > pl1_w && *w < higher)
        .map(|w| {
            let equal = best.setting.pl2_w == best.setting.pl1_w;
            let pl2_w = if equal {
                LimitValue::Value(w)
            } else {
                best.setting.pl2_w
            };
            let limit = best.setting.temp_limit_c.value();
            let setting = Setting {
                name: label(w, pl2_w.value().unwrap_or(w), limit, &best.setting.fan),
                pl1_w: LimitValue::Value(w),
                pl2_w,
                ..best.setting.clone()
            };
            quick_look(fit, constraints, workloads, setting)
        })
        .collect()
}

/// Steady state and closed-form boost over a few draws.
fn quick_look(
    fit: &CoolingFit,
    constraints: &Constraints,
    workloads: &[usize],
    setting: Setting,
) -> Quick {
    let draws = &fit.draws[..SEARCH_DRAWS.min(fit.draws.len())];
    let (mut work, mut total) = (0.0, 0.0);
    let (mut loudness, mut temp_c) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
    let mut promising = true;
    for &w in workloads {
        let query = Query {
            workload: w,
            setting: setting.clone(),
            conditions: conditions(fit, constraints, w),
        };
        let mut rates = Vec::new();
        let mut temps = Vec::new();
        let mut levels = Vec::new();
        for draw in draws {
            let (model, scenario) = fit.model_for(draw, &query);
            let point = steady_state(&model, &scenario);
            rates.push(rate_with_boost(fit, w, &model, &scenario, &point));
            temps.push(point.die_c);
            let level = level_dba(&fit.layout, &draw.z, point.fan_share, fit.background_dba());
            levels.push(level.unwrap_or(55.0 * point.fan_share.max(1e-3).log10()));
        }
        let best = fit.best_rate(w).unwrap_or(1.0);
        if weight(fit, w) > 0.0 {
            work += weight(fit, w) * (median(&mut rates) / best).ln();
            total += weight(fit, w);
        }
        // Half a kelvin and a third of a decibel of slack: sixteen draws give rough bounds.
        let beyond = |values: &[f64], max: Option<f64>, slack: f64| {
            max.is_some_and(|max| rough_upper(values, constraints.confidence) > max + slack)
        };
        promising &= !beyond(&temps, constraints.temp_max_c, 0.5)
            && !beyond(&levels, noise_max(fit, constraints, w), 0.3);
        temp_c = temp_c.max(median(&mut temps));
        loudness = loudness.max(median(&mut levels));
    }
    Quick {
        setting,
        work: (work / total).exp(),
        loudness,
        temp_c,
        promising,
    }
}

/// Mean plus the normal quantile times the spread.
fn rough_upper(values: &[f64], confidence: f64) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n;
    mean + StandardNormal.quantile(confidence) * variance.sqrt()
}

/// Mean rate over the run: the boost in closed form, then the settled state.
fn rate_with_boost(
    fit: &CoolingFit,
    w: usize,
    model: &settlepoint_model::MachineModel,
    scenario: &settlepoint_model::Scenario,
    point: &settlepoint_model::OperatingPoint,
) -> f64 {
    let Some(settled) = point.work_rate else {
        return 1.0;
    };
    let settlepoint_model::Start::SettledAt { power_w } = scenario.start else {
        return settled;
    };
    let tiers: Vec<BudgetTier> = scenario.tiers.clone();
    let demand = model.package.demand_w;
    let burst = boost(&tiers, power_w, demand);
    let length = fit.evidence.workloads[w].duration_s;
    let share = (burst.duration_s / length).clamp(0.0, 1.0);
    let high = model
        .package
        .work_rate(burst.power_w.max(point.power_w), point.die_c)
        .unwrap_or(settled);
    // A boost that the temperature limit cuts short gains less: never count more than that.
    let gain = if point.acting == settlepoint_model::ActingLimit::Temperature {
        0.0
    } else {
        share
    };
    settled + gain * (high - settled)
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Those that no other beats in work, noise and temperature at once.
fn non_dominated(all: Vec<Quick>) -> Vec<Quick> {
    let beats = |a: &Quick, b: &Quick| {
        let better =
            a.work > b.work + 1e-4 || a.loudness < b.loudness - 0.05 || a.temp_c < b.temp_c - 0.05;
        better
            && a.work >= b.work - 1e-4
            && a.loudness <= b.loudness + 0.05
            && a.temp_c <= b.temp_c + 0.05
    };
    let keep: Vec<bool> = all
        .iter()
        .map(|b| !all.iter().any(|a| beats(a, b)))
        .collect();
    let mut kept: Vec<Quick> = all
        .into_iter()
        .zip(keep)
        .filter_map(|(q, keep)| keep.then_some(q))
        .collect();
    // Of settings that come to the same thing the simplest is kept: they were made in that order.
    let mut distinct: Vec<Quick> = Vec::new();
    for q in kept.drain(..) {
        let same = |o: &Quick| {
            (o.work - q.work).abs() < 5e-4
                && (o.loudness - q.loudness).abs() < 0.1
                && (o.temp_c - q.temp_c).abs() < 0.2
        };
        if !distinct.iter().any(same) {
            distinct.push(q);
        }
    }
    distinct
}

/// At most [`FINALISTS`] of them: the ones that may be recommended first, the rest spread over the
/// range.
fn thin_out(mut front: Vec<Quick>, constraints: &Constraints, goal: Goal) -> Vec<Quick> {
    let top = front.iter().map(|q| q.work).fold(0.0, f64::max);
    let allowed = |q: &Quick| 100.0 * (1.0 - q.work / top) <= constraints.loss_max_pct + 0.3;
    let key = |q: &Quick| goal.key(q.work, q.loudness, q.temp_c);
    front.sort_by(|a, b| {
        let may = |q: &Quick| q.promising && allowed(q);
        may(b).cmp(&may(a)).then(compare(key(a), key(b)))
    });
    let mut kept: Vec<Quick> = front.drain(..front.len().min(KEPT_FOR_CHOICE)).collect();
    front.sort_by(|a, b| b.work.total_cmp(&a.work));
    while front.len() + kept.len() > FINALISTS {
        // The one nearest to its neighbour in work, noise and temperature goes.
        let gap = |i: usize| {
            let (a, b) = (&front[i - 1], &front[i]);
            (a.work - b.work).abs() * 100.0
                + (a.loudness - b.loudness).abs()
                + (a.temp_c - b.temp_c).abs() / 3.0
        };
        let nearest = (1..front.len())
            .min_by(|&i, &j| gap(i).total_cmp(&gap(j)))
            .unwrap_or(0);
        front.remove(nearest);
    }
    kept.append(&mut front);
    kept
}

fn work_out(
    fit: &CoolingFit,
    constraints: &Constraints,
    workloads: &[usize],
    setting: Setting,
) -> Candidate {
    let draws = fit.draws.len() / 2;
    let predictions: Vec<Prediction> = workloads
        .iter()
        .map(|&w| {
            let query = Query {
                workload: w,
                setting: setting.clone(),
                conditions: conditions(fit, constraints, w),
            };
            fit.predict(&query, draws)
        })
        .collect();
    let total: f64 = workloads.iter().map(|&w| weight(fit, w)).sum();
    let log_work: f64 = workloads
        .iter()
        .zip(&predictions)
        .map(|(&w, p)| weight(fit, w) * p.work_rel.value().unwrap_or(1.0).ln())
        .sum();
    Candidate {
        setting,
        predictions,
        work_rel: (log_work / total).exp(),
        loss_pct: 0.0,
        feasible: false,
        excess: 0.0,
        reasons: Vec::new(),
    }
}

/// The quantile of a normal distribution at `confidence`, over that of the 90 % interval's end.
fn tail_ratio(confidence: f64) -> f64 {
    StandardNormal.quantile(confidence) / 1.644_853_626_951_472_2
}

/// Upper bound of an estimate at a one-sided confidence.
fn upper(e: settlepoint_domain::Estimate, confidence: f64) -> f64 {
    let ratio = tail_ratio(confidence);
    if ratio >= 0.0 {
        e.value + ratio * (e.hi - e.value)
    } else {
        e.value + ratio * (e.value - e.lo)
    }
}

/// Checks the constraints and says how each is met.
fn judge(fit: &CoolingFit, constraints: &Constraints, workloads: &[usize], option: &mut Candidate) {
    let mut feasible = true;
    let mut excess = 0.0;
    let mut reasons = Vec::new();
    for (&w, p) in workloads.iter().zip(&option.predictions) {
        let name = &fit.evidence.workloads[w].name;
        let t = p.sustained.package_c;
        if let Some(max) = constraints.temp_max_c {
            let bound = upper(t, constraints.confidence);
            excess += (bound - max).max(0.0);
            feasible &= bound <= max + 1e-9 && p.p_cannot_hold < 1.0 - constraints.confidence;
            reasons.push(format!(
                "{name}: settles at {:.0} °C ({:.0} to {:.0}) in a {:.0} °C room; {} {max:.0} °C with {:.0} % probability",
                t.value,
                t.lo,
                t.hi,
                constraints.room_c,
                if bound <= max { "stays below" } else { "may pass" },
                100.0 * constraints.confidence,
            ));
        } else {
            feasible &= p.p_cannot_hold < 0.5;
            reasons.push(format!(
                "{name}: settles at {:.0} °C ({:.0} to {:.0}) and {:.0} W in a {:.0} °C room, held by {}",
                t.value,
                t.lo,
                t.hi,
                p.sustained.settled_power_w.value,
                constraints.room_c,
                acting_words(p.acting_limit),
            ));
        }
        if let Some(max) = noise_max(fit, constraints, w) {
            if let Some(level) = p.sustained.level_dba.estimate() {
                let bound = upper(level, constraints.confidence);
                excess += (bound - max).max(0.0);
                feasible &= bound <= max + 1e-9;
                reasons.push(format!(
                    "{name}: {:.1} dB(A) ({:.1} to {:.1})",
                    level.value, level.lo, level.hi
                ));
            } else {
                feasible = false;
                reasons.push(format!(
                    "{name}: its level is not known; note one to use a noise limit"
                ));
            }
        }
        if let Some(max) = constraints.wall_max_w {
            let wall =
                (p.sustained.power_w.hi + constraints.rest_w) / constraints.supply_efficiency;
            feasible &= wall <= max;
            reasons.push(format!("{name}: at most {wall:.0} W at the wall"));
        }
        let own_max = fit.evidence.workloads[w].loss_max_pct;
        if let (Some(max), Some(rel)) = (own_max, p.work_rel.value()) {
            feasible &= 100.0 * (1.0 - rel) <= max;
        }
    }
    feasible &= option.loss_pct <= constraints.loss_max_pct + 1e-9;
    reasons.push(format!(
        "work: {:.1} % below the fastest setting",
        option.loss_pct.max(0.0)
    ));
    option.feasible = feasible;
    option.excess = excess;
    option.reasons = reasons;
}

/// An acting limit in words.
pub fn acting_words(token: &str) -> &'static str {
    match token {
        "power" => "the power limit",
        "temperature" => "the temperature limit",
        "demand" => "the work itself (no limit reached)",
        "fan_ceiling" => "the temperature limit, because of the fan's ceiling",
        _ => "something else",
    }
}

/// How loud an option is: its level, or a stand-in that orders alike where no level is known.
fn loudness(option: &Candidate) -> f64 {
    option
        .predictions
        .iter()
        .map(|p| {
            p.sustained
                .level_dba
                .value()
                .unwrap_or(55.0 * p.sustained.fan_share.value.max(1e-3).log10())
        })
        .fold(f64::NEG_INFINITY, f64::max)
}

fn hottest(option: &Candidate) -> f64 {
    option
        .predictions
        .iter()
        .map(|p| p.sustained.package_c.value)
        .fold(f64::NEG_INFINITY, f64::max)
}

fn decide(
    fit: &CoolingFit,
    constraints: &Constraints,
    goal: Goal,
    workloads: Vec<usize>,
    settings: Vec<Candidate>,
) -> Choice {
    let key = |c: &Candidate| goal.key(c.work_rel, loudness(c), hottest(c));
    let recommended = (0..settings.len())
        .filter(|&i| settings[i].feasible)
        .min_by(|&a, &b| compare(key(&settings[a]), key(&settings[b])));
    let mut choice = Choice {
        workloads,
        settings,
        recommended,
        quieter: None,
        faster: None,
        reasons: Vec::new(),
    };
    if let Some(chosen) = recommended {
        choice.reasons.push(match goal {
            Goal::Fastest => "it is the fastest that keeps every bound".to_owned(),
            Goal::Quietest => format!(
                "it is the quietest of those that lose at most {:.0} % of work",
                constraints.loss_max_pct
            ),
        });
        find_neighbours(&mut choice, chosen);
        explain(fit, constraints, &mut choice, chosen);
    } else {
        choice.reasons.push(why_none(constraints, &choice.settings));
    }
    choice
}

/// The next faster and the next quieter (or cooler) setting; of those that come into question the
/// ones that pass the bounds least.
fn find_neighbours(choice: &mut Choice, chosen: usize) {
    let own = &choice.settings[chosen];
    let (work, level, temp) = (own.work_rel, loudness(own), hottest(own));
    let near = |a: usize, b: usize| {
        let key = |i: usize| {
            let c = &choice.settings[i];
            [c.excess.round(), (c.work_rel / work).ln().abs(), hottest(c)]
        };
        compare(key(a), key(b))
    };
    let others = || (0..choice.settings.len()).filter(|&i| i != chosen);
    let faster = others()
        .filter(|&i| choice.settings[i].work_rel > work * 1.002)
        .min_by(|&a, &b| near(a, b));
    let is_quieter = |c: &Candidate| {
        loudness(c) < level - 0.5 || (loudness(c) < level + EQUAL_DB && hottest(c) < temp - 1.5)
    };
    let quieter = others()
        .filter(|&i| is_quieter(&choice.settings[i]))
        .min_by(|&a, &b| near(a, b));
    choice.faster = faster;
    choice.quieter = quieter;
}

/// What the next watts buy, what limits, what would change the choice.
fn explain(fit: &CoolingFit, constraints: &Constraints, choice: &mut Choice, chosen: usize) {
    let w = choice.workloads[0];
    let option = &choice.settings[chosen];
    let pl1 = option.setting.pl1_w.value().unwrap_or(0.0);
    let more = Setting {
        pl1_w: LimitValue::Value(pl1 + 10.0),
        pl2_w: LimitValue::Value(option.setting.pl2_w.value().unwrap_or(pl1).max(pl1 + 10.0)),
        ..option.setting.clone()
    };
    let query = Query {
        workload: w,
        setting: more,
        conditions: conditions(fit, constraints, w),
    };
    let next = fit.predict(&query, SEARCH_DRAWS * 4);
    let here = &option.predictions[0];
    let (a, b) = (&here.sustained, &next.sustained);
    let mut text = format!(
        "the next 10 W of PL1 would change the temperature by {} K",
        signed(b.package_c.value - a.package_c.value)
    );
    if let (Some(x), Some(y)) = (here.work_rel.value(), next.work_rel.value()) {
        text += &format!(", the work by {} %", signed(100.0 * (y / x - 1.0)));
    }
    if let (Some(x), Some(y)) = (a.level_dba.value(), b.level_dba.value()) {
        text += &format!(", the level by {} dB", signed(y - x));
    }
    choice.reasons.push(text);
    choice
        .reasons
        .push(format!("it is held by {}", acting_words(here.acting_limit)));
    if here.sustained.package_c.basis == settlepoint_domain::Basis::Extrapolated {
        choice.reasons.push(
            "it lies outside what was measured: make one run under it before relying on it".into(),
        );
    }
    choice.reasons.extend(here.notes.clone());
}

fn why_none(constraints: &Constraints, settings: &[Candidate]) -> String {
    let coolest = settings.iter().map(hottest).fold(f64::INFINITY, f64::min);
    let quietest = settings
        .iter()
        .filter_map(|o| {
            o.predictions
                .iter()
                .filter_map(|p| p.sustained.level_dba.value())
                .reduce(f64::max)
        })
        .fold(f64::INFINITY, f64::min);
    let mut text = format!(
        "no setting keeps all constraints in a {:.0} °C room; the coolest looked at settles at {coolest:.0} °C",
        constraints.room_c
    );
    if quietest.is_finite() {
        text += &format!(", the quietest makes {quietest:.1} dB(A)");
    }
    text + &format!(
        ". Allow more loss of work than {:.0} %, a higher temperature or level, or improve the cooling",
        constraints.loss_max_pct
    )
}

/// One decimal with its sign; nothing is "-0.0".
fn signed(value: f64) -> String {
    let rounded = (10.0 * value).round() / 10.0;
    if rounded == 0.0 {
        "0.0".to_owned()
    } else {
        format!("{rounded:+.1}")
    }
}
