//! Power limits of the package's zones: what is set, what may be set, setting it, whether it holds,
//! and putting the firmware's own back.

mod former;
mod guard;
mod held;
mod keeper;
mod rules;

pub use former::FormerLimits;
pub use guard::{GUARD_READY, GuardEnd, watch};
pub use held::rivals;
pub use keeper::{Leftover, LimitKeeper};
pub use rules::{Allowed, LimitWrite, WantedLimits, writes};

pub(crate) use held::{apply, check};

use std::io::Write as _;
use std::path::Path;

/// Kernel files take a number in one piece; nothing is made that is not there.
pub(crate) fn put(path: &Path, micro: f64) -> std::io::Result<()> {
    let mut file = std::fs::File::options()
        .write(true)
        .truncate(true)
        .open(path)?;
    file.write_all(format!("{micro:.0}").as_bytes())
}
