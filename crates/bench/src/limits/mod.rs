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
pub use keeper::{Leftover, LimitKeeper, LimitWatch};
pub use rules::{Allowed, LimitWrite, WantedLimits, writes};

pub(crate) use held::{apply, check};

use std::fs::{File, OpenOptions};
use std::io::Write as _;
use std::path::Path;

/// Kernel files take a number in one piece; nothing is made that is not there.
pub(crate) fn put(path: &Path, micro: f64) -> std::io::Result<()> {
    let mut file = open(path)?;
    file.write_all(format!("{micro:.0}").as_bytes())
}

/// A file with another one's name must not lead a program with root's permissions elsewhere.
#[cfg(target_os = "linux")]
fn open(path: &Path) -> std::io::Result<File> {
    use std::os::unix::fs::OpenOptionsExt as _;
    let no_follow = i32::try_from(rustix::fs::OFlags::NOFOLLOW.bits()).unwrap_or(0);
    let mut options = OpenOptions::new();
    options.write(true).truncate(true).custom_flags(no_follow);
    options.open(path)
}

#[cfg(not(target_os = "linux"))]
fn open(path: &Path) -> std::io::Result<File> {
    OpenOptions::new().write(true).truncate(true).open(path)
}
