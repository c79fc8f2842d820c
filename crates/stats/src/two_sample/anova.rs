//! One-way analysis of variance.

use super::{SampleError, checked};
use crate::distributions::FisherF;
use crate::series::accurate_sum;

/// A one-way analysis of variance.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct OneWay {
    /// Degrees of freedom between groups: their number less one.
    pub dof_between: f64,
    /// Degrees of freedom within groups: number of values less number of groups.
    pub dof_within: f64,
    /// Sum of squares between groups.
    pub squares_between: f64,
    /// Sum of squares within groups.
    pub squares_within: f64,
    /// Ratio of the mean squares.
    pub f: f64,
    /// Probability of a ratio at least as large if all groups have one mean.
    pub p: f64,
}

impl OneWay {
    /// Pooled standard deviation within groups.
    pub fn residual_standard_deviation(&self) -> f64 {
        (self.squares_within / self.dof_within).sqrt()
    }
}

/// Tests whether groups have one mean, variances within them taken as equal.
///
/// Every value is first taken relative to one of them, which loses nothing for values that lie
/// close together (the difference of two numbers within a factor of two is exact), and sums are
/// compensated.
///
/// # Errors
///
/// [`SampleError`] unless there are two groups, a value beyond their number, all finite, and the
/// values within groups scatter.
pub fn one_way(groups: &[Vec<f64>]) -> Result<OneWay, SampleError> {
    let values: usize = groups.iter().map(Vec::len).sum();
    if groups.len() < 2 || values <= groups.len() {
        let needed = groups.len().max(2) + 1;
        return Err(SampleError::TooFew { values, needed });
    }
    for group in groups {
        checked(group, 1)?;
    }
    let origin = groups[0][0];
    let centred: Vec<Vec<f64>> = groups
        .iter()
        .map(|g| g.iter().map(|v| v - origin).collect())
        .collect();
    let grand = accurate_sum(centred.iter().flatten().copied()) / values as f64;
    let means: Vec<f64> = centred
        .iter()
        .map(|g| accurate_sum(g.iter().copied()) / g.len() as f64)
        .collect();
    let squares_within = accurate_sum(
        centred
            .iter()
            .zip(&means)
            .flat_map(|(g, m)| g.iter().map(move |v| (v - m).powi(2))),
    );
    let squares_between = accurate_sum(
        centred
            .iter()
            .zip(&means)
            .map(|(g, m)| g.len() as f64 * (m - grand).powi(2)),
    );
    if squares_within <= 0.0 {
        return Err(SampleError::NoScatter);
    }
    let dof_between = groups.len() as f64 - 1.0;
    let dof_within = (values - groups.len()) as f64;
    let f = (squares_between / dof_between) / (squares_within / dof_within);
    let law = FisherF::new(dof_between, dof_within).map_err(|_| SampleError::NoScatter)?;
    Ok(OneWay {
        dof_between,
        dof_within,
        squares_between,
        squares_within,
        f,
        p: law.sf(f),
    })
}
