//! Five small physical models of a cooled package and the closed-loop simulator that joins them.
//!
//! Pure: no files, no clock, no printing. Everything is a plain value in SI units with the field's
//! names; temperatures in °C, temperature differences in K, fan speed as a share of full speed.

mod budget;
mod check;
mod fan;
mod package;
mod parameters;
mod simulate;
mod steady;
mod thermal;
mod tridiagonal;

/// Most nodes that a simulated ladder may have.
pub const MAX_NODES: usize = 4;

pub use budget::{Boost, RunningAverage, Sampling, boost, step_load_time_s};
pub use check::ModelError;
pub use parameters::{
    ActingLimit, BudgetTier, ClockLaw, Cooling, FanControl, FanCurve, LadderNode, LimitBehaviour,
    MachineModel, Package, Scenario, Sound, Start, WorkLaw,
};
pub use simulate::{Driver, Means, PhaseSummary, Simulator, Step, Summary, simulate};
pub use steady::{OperatingPoint, capacity_w, steady_state, steady_state_from_above};
