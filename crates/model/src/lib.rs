//! Five small physical models of a cooled package and the closed-loop simulator that joins them.
//!
//! Pure: no files, no clock, no printing. Everything is a plain value in SI units with the field's
//! names; temperatures in °C, temperature differences in K, fan speed as a share of full speed.

mod parameters;

pub use parameters::{
    ActingLimit, BudgetTier, ClockLaw, Cooling, FanControl, FanCurve, LadderNode, LimitBehaviour,
    MachineModel, Package, Scenario, Sound, Start, WorkLaw,
};
