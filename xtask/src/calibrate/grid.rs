//! The settings and rooms that are predicted, and how they really are.

use settlepoint_domain::Estimate;
use settlepoint_infer::fit::CoolingFit;
use settlepoint_infer::forward::Conditions;
use settlepoint_infer::predict::Query;
use settlepoint_model::{ActingLimit, Simulator};

use super::population::Population;
use super::readings::setting;
use super::truth::{Course, Second, Truth};

/// A run is called settled after so long, s: four time constants of the slowest case air.
const SETTLED_AFTER_S: f64 = 2400.0;
/// What is read at an end is the mean over the last minute.
const LAST_S: usize = 60;

/// The grid of the population's file.
pub(crate) struct Grid {
    pub(crate) ratios: Vec<f64>,
    pub(crate) limits_c: Vec<f64>,
    pub(crate) rooms_c: Vec<f64>,
    pub(crate) duration_s: f64,
}

/// One cell of the grid.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cell {
    pub(crate) ratio: f64,
    pub(crate) course: Course,
    /// Settled state.
    pub(crate) settled: Second,
    /// Last minute of the run's usual length.
    pub(crate) at_end: Second,
    pub(crate) level_dba: f64,
    /// Mean rate over the run's usual length.
    pub(crate) work_rate: f64,
    /// Whether the temperature limit holds the settled state.
    pub(crate) pinned: bool,
}

/// What is predicted of a cell: central values and, where the method has them, 90 % intervals.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Guess {
    pub(crate) package_c: Estimate,
    pub(crate) power_w: Estimate,
    /// `None` where no level was measured.
    pub(crate) level_dba: Option<Estimate>,
    /// Relative to the best score measured.
    pub(crate) work_rel: Option<Estimate>,
}

impl Grid {
    pub(crate) fn read(population: &Population) -> Result<Self, String> {
        Ok(Self {
            ratios: population.list("grid", "pl1_over_pl2")?,
            limits_c: population.list("grid", "temp_limit_c")?,
            rooms_c: population.list("grid", "room_c")?,
            duration_s: 60.0 * population.number("grid", "minutes")?,
        })
    }

    /// Lowest and highest temperature limit, °C.
    pub(crate) fn limits(&self) -> (f64, f64) {
        self.limits_c
            .iter()
            .fold((f64::INFINITY, 0.0), |(low, high), &c| {
                (c.min(low), c.max(high))
            })
    }

    /// How the machine really behaves on the grid.
    pub(crate) fn truth(&self, truth: &Truth, simulator: &mut Simulator) -> Vec<Cell> {
        let mut cells = Vec::new();
        for &room_c in &self.rooms_c {
            for &temp_limit_c in &self.limits_c {
                for &ratio in &self.ratios {
                    let course = Course {
                        pl1_w: ratio * truth.pl2_w,
                        temp_limit_c,
                        room_c,
                        drift_k: 0.0,
                        duration_s: SETTLED_AFTER_S,
                    };
                    cells.push(self.cell(truth, simulator, ratio, course));
                }
            }
        }
        cells
    }

    fn cell(&self, truth: &Truth, simulator: &mut Simulator, ratio: f64, course: Course) -> Cell {
        let record = truth.run(simulator, &course);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "whole seconds of a run"
        )]
        let length = self.duration_s as usize;
        let all = record.seconds.len();
        let settled = record.means(all - LAST_S, all);
        Cell {
            ratio,
            course: Course {
                duration_s: self.duration_s,
                ..course
            },
            settled,
            at_end: record.means(length - LAST_S, length),
            level_dba: truth.level_dba(settled.fan_share),
            work_rate: record.means(0, length).work_rate,
            pinned: record.acting == ActingLimit::Temperature,
        }
    }
}

/// What the fit says of a cell.
pub(crate) fn predict(fit: &CoolingFit, truth: &Truth, cell: &Cell, draws: usize) -> Guess {
    let query = Query {
        workload: 0,
        setting: setting(truth, &cell.course, 0),
        conditions: Conditions {
            room_c: cell.course.room_c,
            altitude_m: 0.0,
            duration_s: cell.course.duration_s,
        },
    };
    let p = fit.predict(&query, draws);
    Guess {
        package_c: p.sustained.package_c,
        power_w: p.sustained.settled_power_w,
        level_dba: p.sustained.level_dba.estimate(),
        work_rel: p.work_rel.estimate(),
    }
}
