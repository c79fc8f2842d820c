//! Settled states of many settings over all draws.

use settlepoint_domain::PhaseKind;
use settlepoint_model::{ActingLimit, steady_state};
use settlepoint_stats::series::quantile;

use crate::evidence::{Evidence, Reading, Window};
use crate::fit::{CoolingFit, Draw, RUN_SCATTER};
use crate::layout::Key;
use crate::posterior::level_dba;
use crate::predict::Query;

/// What can be read of a settled state. Positive quantities as 100 times their logarithm, so that
/// differences are percents.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Quantity {
    /// K.
    Package,
    /// Percent.
    Power,
    /// Work rate, percent.
    Score,
    /// dB.
    Level,
    /// Percent.
    FanSpeed,
}

impl Quantity {
    pub(crate) const ALL: [Self; 5] = [
        Self::Package,
        Self::Power,
        Self::Score,
        Self::Level,
        Self::FanSpeed,
    ];

    const fn place(self) -> usize {
        match self {
            Self::Package => 0,
            Self::Power => 1,
            Self::Score => 2,
            Self::Level => 3,
            Self::FanSpeed => 4,
        }
    }
}

/// One setting in one room over all draws.
#[derive(Clone, Debug)]
pub(crate) struct Look {
    /// One inner vector a quantity, one entry a draw; NaN where the fit has no such thing.
    values: [Vec<f64>; 5],
    /// Standard deviation from run to run of each.
    scatter: [f64; 5],
    /// Most probable settled state, °C and W.
    pub(crate) package_c: f64,
    pub(crate) power_w: f64,
    room_c: f64,
    /// Share of draws in which the temperature limit holds it.
    pub(crate) p_pinned: f64,
}

impl Look {
    pub(crate) fn values(&self, q: Quantity) -> &[f64] {
        &self.values[q.place()]
    }

    pub(crate) fn scatter(&self, q: Quantity) -> f64 {
        self.scatter[q.place()]
    }
}

/// Many of them.
#[derive(Clone, Debug)]
pub(crate) struct Looks {
    pub(crate) cells: Vec<Look>,
}

impl Looks {
    /// Where a cell's quantity stands among [`Looks::columns`].
    pub(crate) const fn place(cell: usize, q: Quantity) -> usize {
        5 * cell + q.place()
    }

    pub(crate) fn known(&self, cell: usize, q: Quantity) -> bool {
        self.cells[cell].values(q).iter().all(|v| v.is_finite())
    }

    /// All values, cell by cell; what is not known stands as zeros, which nothing reads.
    pub(crate) fn columns(&self) -> impl Iterator<Item = Vec<f64>> + '_ {
        self.cells.iter().enumerate().flat_map(move |(i, cell)| {
            Quantity::ALL.into_iter().map(move |q| {
                if self.known(i, q) {
                    cell.values(q).to_vec()
                } else {
                    vec![0.0; cell.values(q).len()]
                }
            })
        })
    }
}

/// Works out every query under every draw, on two threads.
pub(crate) fn look(fit: &CoolingFit, queries: &[Query]) -> Looks {
    let one = |part: &[Query]| -> Vec<Look> { part.iter().map(|q| cell(fit, q)).collect() };
    let (near, far) = queries.split_at(queries.len() / 2);
    let cells = std::thread::scope(|scope| {
        let other = scope.spawn(|| one(far));
        let mut all = one(near);
        all.extend(other.join().unwrap_or_default());
        all
    });
    Looks { cells }
}

fn cell(fit: &CoolingFit, query: &Query) -> Look {
    let mut values: [Vec<f64>; 5] = Default::default();
    let mut pinned = 0;
    for draw in &fit.draws {
        let known = Draw {
            z: draw.z.clone(),
            run_factor: 1.0,
        };
        let (all, held) = settled(fit, &known, query);
        pinned += usize::from(held);
        for (column, value) in values.iter_mut().zip(all) {
            column.push(value);
        }
    }
    let best = |run_factor: f64| {
        let draw = Draw {
            z: fit.z.clone(),
            run_factor,
        };
        settled(fit, &draw, query).0
    };
    let (low, middle, high) = (
        best((-RUN_SCATTER).exp()),
        best(1.0),
        best(RUN_SCATTER.exp()),
    );
    let scatter = std::array::from_fn(|q| {
        let half: f64 = 0.5 * (high[q] - low[q]).abs();
        if half.is_finite() { half } else { 0.0 }
    });
    Look {
        values,
        scatter,
        package_c: middle[0],
        power_w: (middle[1] / 100.0).exp(),
        room_c: query.conditions.room_c,
        p_pinned: f64::from(u32::try_from(pinned).unwrap_or(u32::MAX))
            / fit.draws.len().max(1) as f64,
    }
}

/// A settled state's quantities in the order of [`Quantity::ALL`], and whether the temperature limit
/// holds it.
fn settled(fit: &CoolingFit, draw: &Draw, query: &Query) -> ([f64; 5], bool) {
    let (model, scenario) = fit.model_for(draw, query);
    let point = steady_state(&model, &scenario);
    let percent = |value: f64| 100.0 * value.ln();
    let level = level_dba(&fit.layout, &draw.z, point.fan_share, fit.background_dba());
    let full = fit.layout.value(&draw.z, Key::FanFull);
    let values = [
        point.die_c,
        percent(point.power_w),
        point.work_rate.map_or(f64::NAN, percent),
        level.unwrap_or(f64::NAN),
        full.map_or(f64::NAN, |full| percent(full * point.fan_share)),
    ];
    (values, point.acting == ActingLimit::Temperature)
}

/// Errors to expect of the next readings: those of the readings there are.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Noise {
    /// K beside the scatter of K/W from run to run.
    package_k: f64,
    power_pct: f64,
    score_pct: Option<f64>,
    level_db: Option<f64>,
    fan_speed_pct: Option<f64>,
}

/// Errors where nothing was read yet: averages noted by hand (judgement, as in `collect`).
const TYPED_PACKAGE_K: f64 = 0.9;
const TYPED_POWER_PCT: f64 = 0.9;
const SCORE_PCT: f64 = 0.6;

impl Noise {
    pub(crate) fn of(evidence: &Evidence) -> Self {
        let median = |pick: &dyn Fn(&Window) -> Option<f64>| {
            let sds: Vec<f64> = evidence
                .runs
                .iter()
                .flat_map(|r| &r.windows)
                .filter(|w| w.kind.is_load() && w.kind != PhaseKind::Boost)
                .filter_map(pick)
                .collect();
            quantile(&sds, 0.5).ok()
        };
        let percent = |r: Reading| 100.0 * r.sd / r.value.abs().max(1e-9);
        let scores: Vec<f64> = evidence
            .runs
            .iter()
            .filter_map(|r| r.score)
            .map(percent)
            .collect();
        let nothing = evidence.readings(|w| w.package_c).next().is_none();
        Self {
            package_k: median(&|w| w.package_c.map(|r| r.sd)).unwrap_or(TYPED_PACKAGE_K),
            power_pct: median(&|w| w.power_w.map(percent)).unwrap_or(TYPED_POWER_PCT),
            score_pct: quantile(&scores, 0.5).ok().or(nothing.then_some(SCORE_PCT)),
            level_db: median(&|w| w.level_dba.map(|r| r.sd)),
            fan_speed_pct: median(&|w| w.fan_speed_rpm.map(percent)).or(nothing.then_some(2.0)),
        }
    }

    /// Error of a reading of `q`, if such a thing is read on this machine.
    pub(crate) fn sd(&self, q: Quantity, look: &Look) -> Option<f64> {
        match q {
            // The scatter of K/W is part of a temperature's error already, at some rise; where it is
            // larger it counts.
            Quantity::Package => Some(
                self.package_k
                    .max(RUN_SCATTER * (look.package_c - look.room_c)),
            ),
            Quantity::Power => Some(self.power_pct.hypot(look.scatter(q))),
            Quantity::Score => self.score_pct.map(|s| s.hypot(look.scatter(q))),
            Quantity::Level => self.level_db.map(|s| s.hypot(look.scatter(q))),
            Quantity::FanSpeed => self.fan_speed_pct.map(|s| s.hypot(look.scatter(q))),
        }
    }
}
