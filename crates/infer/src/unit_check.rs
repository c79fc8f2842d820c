//! A unit against its model's reference.
//!
//! The reference is one unit that was measured well, or several. Their runs are the prior for the
//! unit under test: one posterior holds the model's common parameters and, for each unit, how far it
//! lies from them. What a short run of the unit does not tell is then known from the reference, give
//! or take what units of one model differ by, and what it does tell is judged under its own setting
//! in its own room, where both are predicted.

use settlepoint_domain::{Estimate, LimitValue, PhaseKind, Setting, Workload};

use crate::evidence::{RunEvidence, Span, Window};
use crate::fit::InferError;
use crate::forward::{Means, predict_run};
use crate::joint::{At, Change, Group, Joint, joint, resistance_k_per_w};
use crate::layout::Key;
use crate::posterior::level_dba;

/// Largest deviations from the reference that pass. Cooler, quieter and faster always pass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerances {
    /// Hotter by, K.
    pub package_k: f64,
    /// More or less watts by, percent.
    pub power_pct: f64,
    /// Louder by, dB.
    pub level_db: f64,
    /// Slower by, percent.
    pub work_pct: f64,
    /// More K/W at equal fan speed by, percent.
    pub resistance_pct: f64,
}

impl Default for Tolerances {
    /// Judgements: sensors of two packages differ by some kelvins, hand-fitted coolers by some
    /// percent, packages at equal limits by a few percent of work.
    fn default() -> Self {
        Self {
            package_k: 5.0,
            power_pct: 5.0,
            level_db: 3.0,
            work_pct: 4.0,
            resistance_pct: 10.0,
        }
    }
}

/// What is checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Item {
    /// Settled package temperature.
    Package,
    /// Settled package power.
    Power,
    /// Level.
    Level,
    /// Work.
    Work,
    /// K/W at equal watts and fan speed.
    Resistance,
}

impl Item {
    /// Every item, in the order of the sheet.
    pub const ALL: [Self; 5] = [
        Self::Package,
        Self::Power,
        Self::Level,
        Self::Work,
        Self::Resistance,
    ];

    /// The key in JSON.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Package => "package_c",
            Self::Power => "power_w",
            Self::Level => "level_dba",
            Self::Work => "work_rel",
            Self::Resistance => "resistance_k_per_w",
        }
    }

    /// Whether a deviation is told in percent.
    pub const fn relative(self) -> bool {
        matches!(self, Self::Power | Self::Work | Self::Resistance)
    }
}

/// The answer in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Within tolerance, surely.
    Pass,
    /// Outside, surely.
    Fail,
    /// The runs do not tell.
    CannotTell,
}

impl Verdict {
    /// The token in JSON.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::CannotTell => "cannot_tell",
        }
    }
}

/// One line of the sheet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// What.
    pub item: Item,
    /// The reference under the unit's setting, in its room.
    pub reference: Estimate,
    /// The unit there.
    pub unit: Estimate,
    /// Unit minus reference: K, dB or percent.
    pub deviation: Estimate,
    /// Tolerance in the same unit.
    pub tolerance: f64,
    /// Judgement.
    pub verdict: Verdict,
}

/// A unit's check under one of its settings.
#[derive(Clone, Debug, PartialEq)]
pub struct Condition {
    /// Index of the workload.
    pub workload: usize,
    /// Setting.
    pub setting: Setting,
    /// Room, °C; `None` where the run did not note it.
    pub room_c: Option<f64>,
    /// The lines.
    pub rows: Vec<Row>,
    /// Items that the unit's runs or the reference's have no readings for.
    pub missing: Vec<Item>,
}

/// A unit's check.
#[derive(Clone, Debug, PartialEq)]
pub struct Checked {
    /// One for each setting and workload of its runs.
    pub conditions: Vec<Condition>,
    /// The whole: fails if any line does, passes if all do.
    pub verdict: Verdict,
}

/// The runs of one unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    /// Name.
    pub name: String,
    /// Runs.
    pub runs: Vec<RunEvidence>,
}

/// How far units of one model lie from each other, as standard deviations on the priors' scales:
/// judgement. The unit under test may lie three times as far, so that its runs speak.
const UNITS: [(Key, f64); 14] = [
    (Key::RiseAtStock, 0.06),
    (Key::SlowTime, 0.05),
    (Key::FastTime, 0.05),
    (Key::DieShare, 0.12),
    (Key::CaseOffset, 0.7),
    (Key::LeakShare, 0.15),
    (Key::PowerRatio, 0.005),
    (Key::LimitOffset, 0.3),
    (Key::TauRatio, 0.02),
    (Key::IdlePower, 0.1),
    (Key::FanStart, 1.0),
    (Key::FanFloor, 0.03),
    (Key::FanFull, 0.03),
    (Key::SoundFull, 1.0),
];
/// The same for demand and for work at equal watts, logarithms.
const UNIT_DEMAND: f64 = 0.02;
const UNIT_WORK: f64 = 0.01;
/// Factor for the unit under test.
const UNDER_TEST: f64 = 3.0;

fn changes(workloads: usize, factor: f64) -> Vec<Change> {
    let mut all: Vec<Change> = UNITS
        .into_iter()
        .map(|(key, sd)| Change::new(key, factor * sd))
        .collect();
    for w in 0..workloads {
        all.push(Change::new(Key::Demand(w), factor * UNIT_DEMAND));
        all.push(Change::new(Key::Rate(w), factor * UNIT_WORK));
    }
    all
}

/// Checks `unit` against `references`.
///
/// With one reference the unit is held against that unit; with several against what they have in
/// common.
///
/// # Errors
/// No runs on a side, no temperatures, or a fit that comes to no end.
pub fn check(
    workloads: &[Workload],
    references: &[Unit],
    unit: &Unit,
    fan_max_rpm: Option<f64>,
    tolerances: &Tolerances,
) -> Result<Checked, InferError> {
    if let Some(empty) = references
        .iter()
        .chain([unit])
        .find(|u| u.runs.iter().all(|r| r.windows.is_empty()))
    {
        return Err(InferError::Missing(format!(
            "'{}' has no run with readings; add one with 'settlepoint add log' or 'add readings', and \
             name it with --machine",
            empty.name
        )));
    }
    let count = workloads.len();
    let several = references.len() > 1;
    let mut groups: Vec<Group> = vec![Group {
        runs: Vec::new(),
        changes: Vec::new(),
    }];
    groups.extend(references.iter().map(|r| Group {
        runs: r.runs.clone(),
        changes: if several {
            changes(count, 1.0)
        } else {
            Vec::new()
        },
    }));
    groups.push(Group {
        runs: unit.runs.clone(),
        changes: changes(count, UNDER_TEST),
    });
    let last = groups.len() - 1;
    let fit = joint(workloads.to_vec(), groups, fan_max_rpm)?;
    let reference_runs: Vec<&RunEvidence> = references.iter().flat_map(|r| &r.runs).collect();
    let conditions: Vec<Condition> = distinct(&unit.runs)
        .into_iter()
        .map(|run| Bench::new(&fit, last, run, &unit.runs, &reference_runs).condition(tolerances))
        .collect();
    Ok(Checked {
        verdict: whole(&conditions),
        conditions,
    })
}

/// One run for each setting and workload.
fn distinct(runs: &[RunEvidence]) -> Vec<&RunEvidence> {
    let mut list: Vec<&RunEvidence> = Vec::new();
    for run in runs.iter().filter(|r| !r.windows.is_empty()) {
        let like = |other: &&RunEvidence| {
            other.workload == run.workload && same_limits(&other.setting, &run.setting)
        };
        if !list.iter().any(like) {
            list.push(run);
        }
    }
    list
}

fn same_limits(a: &Setting, b: &Setting) -> bool {
    let near = |a: LimitValue, b: LimitValue| match (a.value(), b.value()) {
        (Some(x), Some(y)) => (x - y).abs() <= 0.01 * x.abs().max(y.abs()),
        (None, None) => true,
        _ => false,
    };
    near(a.pl1_w, b.pl1_w) && near(a.temp_limit_c, b.temp_limit_c) && a.fan == b.fan
}

fn whole(conditions: &[Condition]) -> Verdict {
    let verdicts: Vec<Verdict> = conditions
        .iter()
        .flat_map(|c| &c.rows)
        .map(|r| r.verdict)
        .collect();
    if verdicts.contains(&Verdict::Fail) {
        Verdict::Fail
    } else if verdicts.is_empty() || verdicts.contains(&Verdict::CannotTell) {
        Verdict::CannotTell
    } else {
        Verdict::Pass
    }
}

/// A condition, to predict reference and unit under.
struct Bench<'a> {
    fit: &'a Joint,
    unit: usize,
    run: RunEvidence,
    /// What unit and reference have readings of.
    has: Box<dyn Fn(Item) -> bool + 'a>,
}

impl<'a> Bench<'a> {
    fn new(
        fit: &'a Joint,
        unit: usize,
        run: &RunEvidence,
        unit_runs: &'a [RunEvidence],
        reference_runs: &[&'a RunEvidence],
    ) -> Self {
        let reference: Vec<&'a RunEvidence> = reference_runs.to_vec();
        let workload = run.workload;
        let own: Vec<&'a RunEvidence> = unit_runs.iter().collect();
        let has = move |item: Item| [&own, &reference].iter().all(|s| read(s, workload, item));
        let mut settled = run.clone();
        settled.windows = vec![Window::blank(PhaseKind::Sustained, Span::Settled)];
        settled.boost_s = None;
        Self {
            fit,
            unit,
            run: settled,
            has: Box::new(has),
        }
    }

    fn condition(&self, tolerances: &Tolerances) -> Condition {
        let (present, missing): (Vec<Item>, Vec<Item>) =
            Item::ALL.into_iter().partition(|item| (self.has)(*item));
        Condition {
            workload: self.run.workload,
            setting: self.run.setting.clone(),
            room_c: self.run.room_c,
            rows: present
                .into_iter()
                .map(|item| self.row(item, tolerances))
                .collect(),
            missing,
        }
    }

    fn row(&self, item: Item, tolerances: &Tolerances) -> Row {
        let deviation = |a: f64, b: f64| {
            if item.relative() {
                100.0 * (b / a - 1.0)
            } else {
                b - a
            }
        };
        // At the reference's speed, so that a unit whose fans run faster does not look better.
        let of = |z: &[f64], reference: &[f64]| self.value(item, z, reference);
        let compare = |pick: &dyn Fn(f64, f64) -> f64| {
            self.fit
                .compare(0, self.unit, |a, b| pick(of(a, a), of(b, a)))
        };
        let off = compare(&deviation);
        let tolerance = tolerance(item, tolerances);
        Row {
            item,
            reference: compare(&|a, _| a),
            unit: compare(&|_, b| b),
            deviation: off,
            tolerance,
            verdict: judged(item, off, tolerance),
        }
    }

    fn settled(&self, z: &[f64]) -> (Means, f64) {
        let p = predict_run(&self.fit.layout, z, usize::MAX, &self.run, 1.0);
        (p.windows[0], p.work_rate)
    }

    fn value(&self, item: Item, z: &[f64], reference: &[f64]) -> f64 {
        let layout = &self.fit.layout;
        match item {
            Item::Package => self.settled(z).0.package_c,
            Item::Power => self.settled(z).0.power_w,
            Item::Level => {
                let share = self.settled(z).0.fan_share;
                level_dba(layout, z, share, None).unwrap_or(f64::NAN)
            }
            Item::Work => self.settled(z).1 / self.settled(reference).1,
            Item::Resistance => {
                let point = self.settled(reference).0;
                let at = At {
                    power_w: point.power_w,
                    room_c: self.run.room_c.unwrap_or(22.0),
                    altitude_m: self.run.altitude_m,
                };
                let full = |z: &[f64]| layout.value(z, Key::FanFull).unwrap_or(1.0);
                let share = point.fan_share * full(reference) / full(z);
                resistance_k_per_w(layout, z, share, at)
            }
        }
    }
}

/// Whether any run of these has what an item needs.
fn read(runs: &[&RunEvidence], workload: usize, item: Item) -> bool {
    let windows = || {
        runs.iter()
            .flat_map(|r| &r.windows)
            .filter(|w| w.kind != PhaseKind::Idle)
    };
    match item {
        Item::Package => windows().any(|w| w.package_c.is_some()),
        Item::Power => windows().any(|w| w.power_w.is_some()),
        Item::Level => windows().any(|w| w.level_dba.is_some()),
        Item::Work => runs
            .iter()
            .any(|r| r.workload == workload && r.score.is_some()),
        Item::Resistance => windows().any(|w| {
            w.package_c.is_some()
                && w.power_w.is_some()
                && (w.fan_speed_rpm.is_some() || w.level_dba.is_some())
        }),
    }
}

fn tolerance(item: Item, t: &Tolerances) -> f64 {
    match item {
        Item::Package => t.package_k,
        Item::Power => t.power_pct,
        Item::Level => t.level_db,
        Item::Work => t.work_pct,
        Item::Resistance => t.resistance_pct,
    }
}

/// Pass if the bad side of the interval is within tolerance, fail if the good side is beyond it.
fn judged(item: Item, off: Estimate, tolerance: f64) -> Verdict {
    // (nearest to good, nearest to bad), counted so that bad is positive.
    let (good, bad) = match item {
        Item::Work => (-off.hi, -off.lo),
        Item::Power => {
            let inside = off.lo <= 0.0 && 0.0 <= off.hi;
            let (a, b) = (off.lo.abs(), off.hi.abs());
            (if inside { 0.0 } else { a.min(b) }, a.max(b))
        }
        _ => (off.lo, off.hi),
    };
    if bad <= tolerance {
        Verdict::Pass
    } else if good > tolerance {
        Verdict::Fail
    } else {
        Verdict::CannotTell
    }
}

#[cfg(test)]
mod tests {
    use settlepoint_domain::Basis;

    use super::*;

    fn off(lo: f64, hi: f64) -> Estimate {
        Estimate {
            value: f64::midpoint(lo, hi),
            lo,
            hi,
            basis: Basis::Measured,
        }
    }

    #[test]
    fn only_the_bad_side_counts_but_for_watts() {
        use Verdict::{CannotTell, Fail, Pass};
        assert_eq!(judged(Item::Package, off(-9.0, 2.0), 5.0), Pass);
        assert_eq!(judged(Item::Package, off(3.0, 7.0), 5.0), CannotTell);
        assert_eq!(judged(Item::Package, off(5.5, 7.0), 5.0), Fail);
        assert_eq!(judged(Item::Work, off(1.0, 9.0), 4.0), Pass);
        assert_eq!(judged(Item::Work, off(-9.0, -4.5), 4.0), Fail);
        assert_eq!(judged(Item::Work, off(-6.0, -2.0), 4.0), CannotTell);
        assert_eq!(judged(Item::Power, off(-2.0, 3.0), 5.0), Pass);
        assert_eq!(judged(Item::Power, off(-9.0, -6.0), 5.0), Fail);
        assert_eq!(judged(Item::Power, off(-6.0, 1.0), 5.0), CannotTell);
    }
}
