//! Is the difference real, and does it matter? Scores and frame times to verdicts.
//!
//! [`compare`] takes the scores of two settings on some workloads and says of each whether the
//! second is faster, slower, the same within the owner's margin, or that this cannot be told yet and
//! how many repetitions would. [`frames`] does so for logs of frame times. [`level`], [`energy`] and
//! [`rank`] put noise, energy and work of several runs side by side.
//!
//! ```
//! use settlepoint_compare::{Observation, Options, Verdict, Workload, compare};
//!
//! let repeated = |values: [f64; 3]| values.map(Observation::of).to_vec();
//! let mixdown = Workload::named("mixdown");
//! let pair = compare(
//!     &mixdown,
//!     &repeated([862.0, 858.0, 866.0]),
//!     &repeated([743.0, 739.0, 746.0]),
//!     &Options::default(),
//! )?;
//! assert_eq!(pair.verdict, Verdict::Slower);
//! # Ok::<(), settlepoint_compare::CompareError>(())
//! ```

pub mod energy;
pub mod frames;
pub mod level;
pub mod rank;

mod design;
mod pair;
mod repeats;
mod whole;

pub use design::{Design, Layout};
pub use pair::{
    CompareError, Comparison, CrossChecks, Observation, Options, Scale, Verdict, Workload,
    common_spread, compare,
};
pub use repeats::{MOST, RepeatsAtSpread, SPREADS_PCT, repeats_to_settle};
pub use whole::{Whole, whole};
