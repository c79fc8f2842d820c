//! Verdicts in words: a run against its prediction, a cooling against another, a unit against its
//! model's reference.

mod before_after;
mod check;
mod sides;
mod verify;
mod words;

pub use before_after::{ComparedCoolings, compare_coolings};
pub use check::{CheckAsked, CheckedUnit, CheckedUnits, check_units, sheet_html, sheet_text};
pub use verify::{VerifiedRun, verify_run};
