//! Fits, intervals, predictions and the choice of a setting.
