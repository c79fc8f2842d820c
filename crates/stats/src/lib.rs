//! Least squares, change points, means of correlated series, two samples, resampling, intervals.
//!
//! Everything here is pure arithmetic on `f64`: no files, clock, threads or printing, and no
//! knowledge of watts or kelvin. Each method names its paper or standard; the numbers are checked
//! against certified values and general-purpose libraries in `tests/`.

pub mod chains;
pub mod change_points;
pub mod distributions;
pub mod least_squares;
pub mod linear;
pub mod random;
pub mod resample;
pub mod series;
pub mod two_sample;
pub mod uncertainty;

pub use nalgebra::{DMatrix, DVector};
