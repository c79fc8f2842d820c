//! Fits, intervals, predictions and the choice of a setting.
<<<<<<< HEAD
//!
//! Runs become [`evidence`]; one [`fit`](fit::fit) joins all of it through the closed-loop
//! simulator under one table of [`prior`]s; [`predict`] answers for settings that were not run.

pub mod collect;
pub mod evidence;
pub mod fit;
pub mod forward;
pub mod choose;
pub mod identify;
mod interim;
pub mod layout;
pub mod predict;
pub mod prior;
mod sample;
=======

pub mod network;
>>>>>>> 1626c4bf6d56757dda19cd766068a988d4e97bc3
