//! A predicted run over time, with bands.

use settlepoint_domain::{Basis, Estimate, PhaseKind};
use settlepoint_model::{ActingLimit, simulate};

use crate::fit::{CoolingFit, Draw};
use crate::forward::Course;
use crate::layout::Key;
use crate::posterior::level_dba;
use crate::predict::{Query, interval};

/// A predicted run, in stretches of equal length. Every list but [`Self::phases`] and
/// [`Self::acting`] has one entry a stretch: the mean over it.
#[derive(Clone, Debug, PartialEq)]
pub struct TimeCourse {
    /// Middle of each stretch, s.
    pub time_s: Vec<f64>,
    /// Power, W.
    pub power_w: Vec<Estimate>,
    /// Package, °C.
    pub package_c: Vec<Estimate>,
    /// Fan speed as a share of full speed.
    pub fan_share: Vec<Estimate>,
    /// Fan speed, rpm; empty where the full speed is not known.
    pub fan_speed_rpm: Vec<Estimate>,
    /// Level, dB(A); empty where it is not known.
    pub level_dba: Vec<Estimate>,
    /// Phases of the most probable course: kind, from and to in s.
    pub phases: Vec<(PhaseKind, f64, f64)>,
    /// What held the power in the most probable course, from and to in s.
    pub acting: Vec<(ActingLimit, f64, f64)>,
}

/// Quantities kept of each draw.
const KEPT: usize = 5;

/// What one draw says: for each stretch the quantities kept.
pub(crate) type Rows = Vec<[f64; KEPT]>;

/// Collects the courses of draws.
#[derive(Debug)]
pub(crate) struct Record {
    duration_s: f64,
    /// For each quantity and stretch one value a draw; NaN where not known.
    values: [Vec<Vec<f64>>; KEPT],
}

impl Record {
    pub(crate) fn new(duration_s: f64, stretches: usize) -> Self {
        let stretches = stretches.max(2);
        Self {
            duration_s,
            values: std::array::from_fn(|_| vec![Vec::new(); stretches]),
        }
    }

    fn bounds(&self, stretch: usize) -> (f64, f64) {
        let step = self.duration_s / self.values[0].len() as f64;
        (stretch as f64 * step, (stretch + 1) as f64 * step)
    }

    /// The means of one draw over each stretch.
    pub(crate) fn rows(&self, fit: &CoolingFit, draw: &Draw, course: &Course) -> Rows {
        let full = fit.layout.value(&draw.z, Key::FanFull);
        let background = fit.background_dba();
        (0..self.values[0].len())
            .map(|stretch| {
                let (from, to) = self.bounds(stretch);
                let means = course.means(from, to);
                let level = level_dba(&fit.layout, &draw.z, means.fan_share, background);
                [
                    means.power_w,
                    means.package_c,
                    means.fan_share,
                    full.map_or(f64::NAN, |full| full * means.fan_share),
                    level.unwrap_or(f64::NAN),
                ]
            })
            .collect()
    }

    pub(crate) fn take(&mut self, rows: &[[f64; KEPT]]) {
        for (stretch, row) in rows.iter().enumerate() {
            for (list, value) in self.values.iter_mut().zip(row) {
                list[stretch].push(*value);
            }
        }
    }

    pub(crate) fn finish(self, fit: &CoolingFit, query: &Query, basis: Basis) -> TimeCourse {
        let time_s = (0..self.values[0].len())
            .map(|s| {
                let (from, to) = self.bounds(s);
                0.5 * (from + to)
            })
            .collect();
        let [power_w, package_c, fan_share, fan_speed_rpm, level_dba] =
            self.values.map(|list| estimates(&list, basis));
        let (phases, acting) = stretches(fit, query);
        TimeCourse {
            time_s,
            power_w,
            package_c,
            fan_share,
            fan_speed_rpm,
            level_dba,
            phases,
            acting,
        }
    }
}

/// Intervals for each stretch; nothing where any draw lacks the quantity.
fn estimates(list: &[Vec<f64>], basis: Basis) -> Vec<Estimate> {
    if list.iter().flatten().any(|v| v.is_nan()) {
        return Vec::new();
    }
    list.iter()
        .map(|values| interval(values.iter().copied(), basis))
        .collect()
}

type Phases = Vec<(PhaseKind, f64, f64)>;
type Acting = Vec<(ActingLimit, f64, f64)>;

fn stretches(fit: &CoolingFit, query: &Query) -> (Phases, Acting) {
    let (model, scenario) = fit.best_guess(query);
    let mut acting: Acting = Vec::new();
    let summary = simulate(&model, &scenario, |step| match acting.last_mut() {
        Some((held, _, to)) if *held == step.acting => *to = step.time_s,
        _ => acting.push((step.acting, step.time_s - step.dt_s, step.time_s)),
    });
    let phases = summary
        .phases
        .iter()
        .map(|p| (p.kind, p.start_s, p.end_s))
        .collect();
    (phases, acting)
}
