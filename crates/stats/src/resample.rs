//! Bootstrap intervals: bias-corrected for a sample, in blocks for a correlated series.

mod bca;
mod block_length;
mod blocks;

pub use bca::{Bca, bca, bca_two};
pub use block_length::{BlockLength, block_length};
pub use blocks::{BlockBootstrap, Replicates};

use crate::series::SeriesError;

/// Two-sided interval between percentiles of replicates.
///
/// # Errors
///
/// [`SeriesError`] if there is no replicate or one is not finite.
pub fn percentile_interval(replicates: &[f64], level: f64) -> Result<(f64, f64), SeriesError> {
    let tail = 0.5 * (1.0 - level);
    Ok((
        crate::series::quantile(replicates, tail)?,
        crate::series::quantile(replicates, 1.0 - tail)?,
    ))
}
