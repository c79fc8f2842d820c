//! How long a run and its rests must last.

use settlepoint_model::{MachineModel, Scenario, Start, simulate, steady_state};

use crate::fit::CoolingFit;
use crate::forward::{idle_point, make_idle};
use crate::layout::Key;
use crate::predict::Query;

/// Settled means within this of the end, K: the error of a careful reading.
const SETTLED_K: f64 = 1.0;
/// Cooled means within this of idle, K: what is left fades in the next run's first minute.
const COOLED_K: f64 = 2.0;
/// Longest simulated, s.
const LONGEST_S: f64 = 7200.0;

/// Lengths for one run, from the most probable machine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Times {
    /// From the start of the load until the package stays within 1 K of its settled state, s.
    pub settled_s: f64,
    /// From the end of the load until it is within 2 K of idle, s.
    pub cooled_s: f64,
}

impl CoolingFit {
    /// How long a run under `query` takes to settle, and to cool afterwards.
    pub fn times(&self, query: &Query) -> Times {
        let mut long = query.clone();
        long.conditions.duration_s = LONGEST_S;
        let (model, scenario) = self.best_guess(&long);
        let settled = steady_state(&model, &scenario);
        let settled_s = last_apart(&model, &scenario, settled.die_c, SETTLED_K);
        let idle_w = self.layout.value(&self.z, Key::IdlePower).unwrap_or(10.0);
        let idle_c = idle_point(&model, &scenario).die_c;
        let mut idle = model;
        make_idle(&mut idle, idle_w);
        let resting = Scenario {
            tiers: Vec::new(),
            room: scenario.room.first().copied().into_iter().collect(),
            start: Start::SettledAt {
                power_w: settled.power_w,
            },
            ..scenario
        };
        Times {
            settled_s,
            cooled_s: last_apart(&idle, &resting, idle_c, COOLED_K),
        }
    }
}

/// Last time at which the package is more than `apart_k` from `end_c`, s.
fn last_apart(model: &MachineModel, scenario: &Scenario, end_c: f64, apart_k: f64) -> f64 {
    let mut last_s = 0.0;
    simulate(model, scenario, |step| {
        if (step.die_c - end_c).abs() > apart_k {
            last_s = step.time_s;
        }
    });
    last_s
}
