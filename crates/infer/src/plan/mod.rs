//! Which runs to make next, and when more are not worth it.
//!
//! A run is worth what its readings would teach about the answers wanted: all settings of a
//! [`Question::map`], or the choice under [`Question::decision`]'s constraints. The posterior's draws
//! say how readings of a run that was not made hang together with those answers; the expected
//! variance that is left after the reading (and the expected work of the choice made with it)
//! follows without fitting anything anew. Runs are taken one after another, each the best given
//! those before it: for variances that is near the best set of runs (K. Chaloner and I. Verdinelli,
//! "Bayesian experimental design: a review", Statist. Sci. 10 (1995) 273-304; A. Krause, A. Singh
//! and C. Guestrin, J. Mach. Learn. Res. 9 (2008) 235-284 for taking them one by one).

mod cells;
mod decision;
mod ensemble;
mod propose;
mod times;

use settlepoint_domain::Setting;

use crate::choose::Constraints;
use crate::fit::CoolingFit;
use crate::predict::Query;

pub use propose::{Vary, everything, runs_to_make};
pub use times::Times;

use cells::{Looks, Noise, Quantity};
use ensemble::Ensemble;

/// What is to be learned, and from which runs.
#[derive(Clone, Debug)]
pub struct Question {
    /// Runs that could be made, the plainest first: of equals the first is taken.
    pub candidates: Vec<Query>,
    /// Settings and rooms whose predictions count.
    pub map: Vec<Query>,
    /// The choice to be made, where one is.
    pub decision: Option<Constraints>,
    /// How many runs.
    pub runs: usize,
}

/// Half-widths of 90 % intervals, root mean square over the map; `None` for what was never read.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Widths {
    /// Package, where no temperature limit holds it, K.
    pub package_k: f64,
    /// Power, where the temperature limit holds it, percent; `None` where that never happens.
    pub power_pct: Option<f64>,
    /// Work, percent.
    pub work_pct: Option<f64>,
    /// Level, dB.
    pub level_db: Option<f64>,
}

/// What the choice is expected to be worth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worth {
    /// Work of the setting that would be chosen, percent of the best that would be chosen if
    /// everything were known.
    pub work_pct: f64,
    /// Probability that some setting keeps the bounds with the confidence asked.
    pub p_any: f64,
}

/// A run worth making.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// Index of the workload.
    pub workload: usize,
    /// The setting.
    pub setting: Setting,
    /// Room that it is expected to be made in, °C.
    pub room_c: f64,
    /// Package in its settled state as expected, °C.
    pub package_c: f64,
    /// Power there, W.
    pub power_w: f64,
    /// Intervals with it and all proposals before it.
    pub after: Widths,
    /// The choice with them.
    pub worth: Option<Worth>,
    /// The parameter of which it tells most, in plain words.
    pub tells: &'static str,
    /// Whether it is still worth a person's time.
    pub useful: bool,
}

/// The runs to make.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Intervals before.
    pub now: Widths,
    /// What would be left with everything known but the scatter from run to run.
    pub floor: Widths,
    /// The choice before.
    pub worth: Option<Worth>,
    /// Runs, most telling first.
    pub runs: Vec<Proposal>,
}

impl Plan {
    /// How many of the runs are worth making.
    pub fn worthwhile(&self) -> usize {
        self.runs.iter().take_while(|r| r.useful).count()
    }
}

/// A change that matters to a person: what other errors of a careful comparison amount to
/// (judgement).
const MATTERS: Widths = Widths {
    package_k: 0.6,
    power_pct: Some(1.3),
    work_pct: Some(0.7),
    level_db: Some(0.5),
};
/// A run must shrink some interval by this share of it, and by a quarter of what matters.
const WORTHWHILE_SHARE: f64 = 0.08;
/// Or raise the expected work of the choice by this, percent.
const WORTHWHILE_WORK_PCT: f64 = 0.25;
/// An equally plain run is preferred to one with a fan or temperature limit moved unless that gains
/// this share more.
const PLAIN_SHARE: f64 = 0.05;

/// Plans the next runs.
pub fn plan(fit: &CoolingFit, question: &Question) -> Plan {
    let noise = Noise::of(&fit.evidence);
    let map = cells::look(fit, &question.map);
    let candidates = cells::look(fit, &question.candidates);
    let decision = question
        .decision
        .map(|constraints| decision::Decision::new(fit, constraints));
    let mut state = State::new(fit, map, candidates, noise, decision);
    let now = state.widths(&state.ensemble);
    let floor = state.floor();
    let worth = state.worth(None);
    let mut runs = Vec::new();
    let mut before = (now, worth);
    for _ in 0..question.runs {
        let Some(best) = state.best(question) else {
            break;
        };
        let proposal = state.take(fit, question, best, before);
        before = (proposal.after, proposal.worth);
        runs.push(proposal);
    }
    Plan {
        now,
        floor,
        worth,
        runs,
    }
}

/// All quantities over all draws, shrinking as runs are taken.
struct State {
    ensemble: Ensemble,
    map: Looks,
    candidates: Looks,
    noise: Noise,
    decision: Option<decision::Decision>,
    /// Where in the ensemble the map, the candidates, the parameters and the decision begin.
    places: Places,
}

#[derive(Clone, Copy)]
struct Places {
    candidates: usize,
    parameters: usize,
    decision: usize,
    end: usize,
}

impl State {
    fn new(
        fit: &CoolingFit,
        map: Looks,
        candidates: Looks,
        noise: Noise,
        decision: Option<decision::Decision>,
    ) -> Self {
        let mut values: Vec<Vec<f64>> = Vec::new();
        values.extend(map.columns());
        let candidates_at = values.len();
        values.extend(candidates.columns());
        let parameters_at = values.len();
        values.extend(
            (0..fit.layout.len()).map(|i| fit.draws.iter().map(|d| d.z[i]).collect::<Vec<f64>>()),
        );
        let decision_at = values.len();
        values.extend(decision.iter().flat_map(decision::Decision::columns));
        let places = Places {
            candidates: candidates_at,
            parameters: parameters_at,
            decision: decision_at,
            end: values.len(),
        };
        Self {
            ensemble: Ensemble::new(values),
            map,
            candidates,
            noise,
            decision,
            places,
        }
    }

    /// Readings that candidate `index` would bring: place in the ensemble and error.
    fn readings(&self, index: usize) -> Vec<(usize, f64)> {
        let look = &self.candidates.cells[index];
        Quantity::ALL
            .into_iter()
            .filter_map(|q| {
                let sd = self.noise.sd(q, look)?;
                let place = self.places.candidates + Looks::place(index, q);
                self.candidates.known(index, q).then_some((place, sd))
            })
            .collect()
    }

    /// Weighted variance over the map: 1 where each interval is as wide as what matters.
    fn loss(&self, ensemble: &Ensemble) -> f64 {
        let w = self.widths(ensemble);
        let part = |width: Option<f64>, matters: Option<f64>| {
            width
                .zip(matters)
                .map_or(0.0, |(width, matters)| (width / matters).powi(2))
        };
        (w.package_k / MATTERS.package_k).powi(2)
            + part(w.power_pct, MATTERS.power_pct)
            + part(w.work_pct, MATTERS.work_pct)
            + part(w.level_db, MATTERS.level_db)
    }

    /// Half-widths over the map; the map stands first in `ensemble`.
    fn widths(&self, ensemble: &Ensemble) -> Widths {
        self.summary(|cell, q| {
            let scatter = self.map.cells[cell].scatter(q);
            ensemble.variance(Looks::place(cell, q)) + scatter * scatter
        })
    }

    /// Half-widths with nothing left but scatter.
    fn floor(&self) -> Widths {
        self.summary(|cell, q| self.map.cells[cell].scatter(q).powi(2))
    }

    fn summary(&self, variance: impl Fn(usize, Quantity) -> f64) -> Widths {
        let half_width = |q: Quantity, counts: &dyn Fn(&cells::Look) -> bool| {
            let picked: Vec<f64> = (0..self.map.cells.len())
                .filter(|&c| counts(&self.map.cells[c]) && self.map.known(c, q))
                .map(|c| variance(c, q))
                .collect();
            (!picked.is_empty()).then(|| {
                let mean = picked.iter().sum::<f64>() / picked.len() as f64;
                NORMAL_95 * mean.max(0.0).sqrt()
            })
        };
        Widths {
            package_k: half_width(Quantity::Package, &|c| c.p_pinned < 0.5).unwrap_or(0.0),
            power_pct: half_width(Quantity::Power, &|c| c.p_pinned >= 0.5),
            work_pct: half_width(Quantity::Score, &|_| true),
            level_db: half_width(Quantity::Level, &|_| true),
        }
    }

    /// The choice's worth after candidate `index` (now for `None`).
    fn worth(&self, index: Option<usize>) -> Option<Worth> {
        let decision = self.decision.as_ref()?;
        let readings = index.map_or_else(Vec::new, |i| self.readings(i));
        // The readings, then what the choice looks at.
        let first = readings.len();
        let order = readings
            .iter()
            .map(|r| r.0)
            .chain(self.places.decision..self.places.end);
        let mut ensemble = self.ensemble.select(order);
        let sds: Vec<f64> = readings.iter().map(|r| r.1).collect();
        Some(decision.worth(&mut ensemble, &sds, first))
    }

    /// The candidate that helps most; `None` without candidates.
    fn best(&self, question: &Question) -> Option<usize> {
        let loss = self.loss(&self.ensemble);
        let worth = self.worth(None);
        let gains: Vec<f64> = (0..question.candidates.len())
            .map(|i| {
                let readings = self.readings(i);
                let order = (0..self.places.candidates).chain(readings.iter().map(|r| r.0));
                let mut trial = self.ensemble.select(order);
                for (k, (_, sd)) in readings.iter().enumerate() {
                    trial.read(self.places.candidates + k, *sd);
                }
                let learned = 1.0 - self.loss(&trial) / loss.max(1e-12);
                let decided = self
                    .worth(Some(i))
                    .zip(worth)
                    .map_or(0.0, |(after, now)| after.score() - now.score());
                // A choice comes first; what it leaves open is settled by the map.
                100.0 * decided + learned
            })
            .collect();
        let top = gains.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let slack = PLAIN_SHARE * top.abs();
        gains.iter().position(|g| *g >= top - slack)
    }

    /// Takes a candidate's readings in.
    fn take(
        &mut self,
        fit: &CoolingFit,
        question: &Question,
        index: usize,
        before: (Widths, Option<Worth>),
    ) -> Proposal {
        let query = &question.candidates[index];
        let look = &self.candidates.cells[index];
        let (package_c, power_w) = (look.package_c, look.power_w);
        let old: Vec<f64> = (self.places.parameters..self.places.decision)
            .map(|p| self.ensemble.variance(p))
            .collect();
        let worth = self.worth(Some(index));
        for (place, sd) in self.readings(index) {
            self.ensemble.read(place, sd);
        }
        let after = self.widths(&self.ensemble);
        let most = (0..old.len()).max_by(|&a, &b| {
            let gain = |i: usize| {
                let left = self.ensemble.variance(self.places.parameters + i);
                (old[i] - left) * f64::from(propose::weight(fit.layout.keys()[i]))
            };
            gain(a).total_cmp(&gain(b))
        });
        Proposal {
            workload: query.workload,
            setting: query.setting.clone(),
            room_c: query.conditions.room_c,
            package_c,
            power_w,
            useful: is_useful(before, (after, worth)),
            after,
            worth,
            tells: most.map_or("", |i| propose::words(fit.layout.keys()[i])),
        }
    }
}

/// 95th percentile of the standard normal distribution.
const NORMAL_95: f64 = 1.644_853_626_951_472_2;

fn is_useful(before: (Widths, Option<Worth>), after: (Widths, Option<Worth>)) -> bool {
    let shrinks = |from: Option<f64>, to: Option<f64>, matters: Option<f64>| {
        let (Some(from), Some(to), Some(matters)) = (from, to, matters) else {
            return false;
        };
        from - to > WORTHWHILE_SHARE * from && from - to > 0.25 * matters
    };
    let (a, b) = (before.0, after.0);
    let decides = before.1.zip(after.1).is_some_and(|(now, then)| {
        then.work_pct - now.work_pct > WORTHWHILE_WORK_PCT || then.p_any - now.p_any > 0.02
    });
    decides
        || shrinks(
            Some(a.package_k),
            Some(b.package_k),
            Some(MATTERS.package_k),
        )
        || shrinks(a.power_pct, b.power_pct, MATTERS.power_pct)
        || shrinks(a.work_pct, b.work_pct, MATTERS.work_pct)
        || shrinks(a.level_db, b.level_db, MATTERS.level_db)
}
