//! Fits, intervals, predictions and the choice of a setting.

pub mod network;
