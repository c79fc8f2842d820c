//! Least squares, change points, means of correlated series, intervals.
