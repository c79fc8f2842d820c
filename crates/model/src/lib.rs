//! Five small physical models of a cooled package and the closed-loop simulator that joins them.
//!
//! Pure: no files, no clock, no printing. Everything is a plain value in SI units with the field's
//! names; temperatures in °C, temperature differences in K, fan speed as a share of full speed.
//!
//! | model | what it says | where |
//! | --- | --- | --- |
//! | thermal | a ladder of 1 to 4 nodes from the die to the air; `G(s) = g_nat √d + g_fan (d s)^m` | [`Cooling`], [`OpenLoop`], [`Foster`], [`Cauer`] |
//! | package | leakage, demand, `ln r = a x + c x²` | [`Package`], [`WorkLaw`], [`ClockLaw`] |
//! | limits | tiers on exponentially weighted averages; a temperature limit | [`BudgetTier`], [`boost`], [`step_load_time_s`] |
//! | fan | a curve with smoothing, hysteresis, slew and ceiling | [`FanCurve`], [`FanControl`] |
//! | sound | `L = L_full + k lg s`, added as energies | [`Sound`], [`Level`] |
//!
//! [`simulate`] steps all of them together (or [`Simulator`] without allocation, [`simulate_batch`]
//! for many); [`steady_state`], [`capacity_w`] and [`boost_of`] answer in closed form where a run
//! ends, what a cooling carries and how long a boost lasts. [`Simulator::follow`] imposes a logged
//! power and fan on the whole loop, [`OpenLoop`] on the ladder alone.
//!
//! The ladder is propagated exactly over each step (constant power, conductance and air); what
//! feeds back (fan, leakage) is held over a step and errs in first order of it: 0.02 K at 1 s in
//! the first seconds after a jump of 200 W, nothing once settled.

mod air;
mod batch;
mod budget;
mod check;
mod fan;
mod network;
mod open_loop;
mod package;
mod parameters;
mod simulate;
mod sound;
mod steady;
mod summary;
mod thermal;
mod tracked;
mod tridiagonal;

/// Most nodes that a simulated ladder may have.
pub const MAX_NODES: usize = 4;

pub use air::{
    CFM_M3_PER_S, FanPoint, GAS_CONSTANT_J_PER_KG_K, HEAT_CAPACITY_J_PER_KG_K, INCH_WATER_PA,
    MM_WATER_PA, STANDARD_PRESSURE_PA, ZERO_CELSIUS_K, air_density_kg_m3, dry_density_kg_m3,
    geopotential_m, moist_density_kg_m3, standard_pressure_pa, standard_temperature_k,
    stream_rise_k,
};
pub use batch::simulate_batch;
pub use budget::{Boost, RunningAverage, Sampling, boost, step_load_time_s};
pub use check::ModelError;
pub use network::{Cauer, Foster, FosterStart, MAX_ELEMENTS, NetworkError, foster_response};
pub use open_loop::OpenLoop;
pub use parameters::{
    ActingLimit, BudgetTier, ClockLaw, Cooling, FanControl, FanCurve, LadderNode, LimitBehaviour,
    MachineModel, Package, Scenario, Sound, Start, WorkLaw,
};
pub use simulate::{Driver, PowerTrace, Simulator, Standing, Step, simulate};
pub use sound::Level;
pub use steady::{OperatingPoint, boost_of, capacity_w, steady_state, steady_state_from_above};
pub use summary::{Means, PhaseSummary, Summary};
