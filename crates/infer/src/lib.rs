//! Fits, intervals, predictions and the choice of a setting.
//!
//! Runs become [`evidence`]; one [`fit`](fit::fit) joins all of it through the closed-loop
//! simulator under one table of [`prior`]s; [`predict`] answers for settings that were not run and
//! [`choose`](mod@choose) picks one. [`network`] reads the thermal network of a single log, open
//! loop.

pub mod before_after;
pub mod choose;
pub mod collect;
pub mod evidence;
pub mod fit;
pub mod forward;
pub mod identify;
pub mod joint;
pub mod layout;
pub mod network;
pub mod plan;
mod posterior;
pub mod predict;
pub mod prior;
mod response;
mod sample;
pub mod timeline;
pub mod unit_check;
pub mod verify;
