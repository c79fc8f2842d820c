//! Digital filters, all for pairs of channels at once.
//!
//! Second-order sections run in direct form 1, whose feedback has one multiplication and one
//! addition between an output and the next: the shortest chain there is.

mod fir;
mod highpass;
mod thirds;
mod weighting;

pub(crate) use fir::Symmetric;
pub(crate) use highpass::Highpass;
pub(crate) use thirds::Thirds;
pub use thirds::{Band, Bands, bands};
pub(crate) use weighting::{Weighted, WeightingFilter};
pub use weighting::{Weighting, a_weighting_db, c_weighting_db, nominal_hz};

#[cfg(test)]
pub(crate) mod tests;
