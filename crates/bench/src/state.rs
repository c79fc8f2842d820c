//! Where a machine's own state is kept between programs: who has its limits in hand, and what they
//! were.

use std::path::{Path, PathBuf};

use crate::rehearse;

/// The folder for the state of the machine under `root`, the same for every program that may write
/// its limits. A rehearsal has its own; a real machine's is `/var/lib/settlepoint`, or the user's
/// (`$XDG_STATE_HOME`, `~/.local/state`) where that may not be written. Root uses the first only:
/// what others may write to is not to be trusted with root's permissions.
pub fn state_folder(root: &Path) -> PathBuf {
    if rehearse::is_rehearsal(root) {
        return root.join("rehearsal/state");
    }
    let shared = PathBuf::from("/var/lib/settlepoint");
    if is_root() || may_write(&shared) {
        return shared;
    }
    let set = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty());
    let own = set("XDG_STATE_HOME")
        .map(PathBuf::from)
        .or_else(|| Some(PathBuf::from(set("HOME")?).join(".local/state")));
    own.map_or(shared, |folder| folder.join("settlepoint"))
}

#[cfg(target_os = "linux")]
fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

#[cfg(not(target_os = "linux"))]
fn is_root() -> bool {
    false
}

/// Whether files can be made in a folder, which is made itself if need be.
fn may_write(folder: &Path) -> bool {
    let probe = folder.join(format!(".probe-{}", std::process::id()));
    let made = std::fs::create_dir_all(folder).and_then(|()| std::fs::File::create(&probe));
    made.is_ok() && std::fs::remove_file(&probe).is_ok()
}
