//! The guard: a process of its own that puts the firmware's limits back when the recorder dies.
//!
//! It holds the reading end of a pipe whose writing end only the recorder has. The kernel closes
//! that end however the recorder ends, so the guard cannot miss it.

use std::fs::File;
use std::io::{BufRead as _, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::time::{Duration, Instant};

use super::former::FormerLimits;
use super::keeper::{KEPT, lock};
use crate::error::BenchError;

/// What the guard says once it watches.
pub const GUARD_READY: &str = "ready";
/// What the recorder says when it has put the limits back itself.
const DONE: &str = "done";
/// Tries to put limits back, a second apart, before it is given up.
const TRIES: u32 = 10;
/// How long a recorder may take to let go of its lock once its pipe is closed. A judgement.
const LONGEST_DEATH: Duration = Duration::from_secs(10);

/// How a guard's watch ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum GuardEnd {
    /// The recorder had put the limits back itself.
    NotNeeded,
    /// The recorder died; the limits are the firmware's again.
    PutBack,
    /// The recorder died, and another one has the limits in hand already.
    TakenOver,
    /// The recorder died and these could not be put back, in words.
    Failed(Vec<String>),
}

/// Watches over the limits kept in `store` until `pipe` ends, and then puts them back unless the
/// recorder said that it has. Says [`GUARD_READY`] on `ready` once it watches.
///
/// # Errors
/// [`BenchError::File`], [`BenchError::Invalid`] if there are no former limits to watch over.
pub fn watch(store: &Path, pipe: impl Read, mut ready: impl Write) -> Result<GuardEnd, BenchError> {
    leave_session();
    let path = store.join(KEPT);
    let former = FormerLimits::kept(&path)?.ok_or_else(|| {
        BenchError::invalid(
            path.display().to_string(),
            "there are no former limits to watch over; the campaign starts its guard itself",
        )
    })?;
    let said = writeln!(ready, "{GUARD_READY}").and_then(|()| ready.flush());
    said.map_err(|e| BenchError::file(&path, "watch", e))?;
    drop(ready);
    let mut last = String::new();
    for line in BufReader::new(pipe).lines() {
        match line {
            Ok(line) => last = line,
            // An unreadable pipe is as good as a dead recorder.
            Err(_) => break,
        }
    }
    if last == DONE {
        return Ok(GuardEnd::NotNeeded);
    }
    Ok(put_back(store, &path, &former))
}

fn put_back(store: &Path, path: &Path, former: &FormerLimits) -> GuardEnd {
    let ours = || matches!(FormerLimits::kept(path), Ok(Some(still)) if still == *former);
    let _lock = wait_for_lock(store, ours);
    // Whoever has put other limits there has seen ours and put them back before.
    if !ours() {
        return GuardEnd::TakenOver;
    }
    let mut failed = former.put_back();
    for _ in 1..TRIES {
        if failed.is_empty() {
            break;
        }
        std::thread::sleep(Duration::from_secs(1));
        failed = former.put_back();
    }
    if failed.is_empty() {
        // If it stays, the next campaign puts back what is back already.
        let _ = std::fs::remove_file(path);
        return GuardEnd::PutBack;
    }
    GuardEnd::Failed(failed)
}

/// The kernel closes a dying program's pipe a moment before it lets go of its lock, and a program that
/// is stuck in the kernel may hold it for long: then the limits are put back without it.
fn wait_for_lock(store: &Path, ours: impl Fn() -> bool) -> Option<File> {
    let begun = Instant::now();
    while ours() && begun.elapsed() < LONGEST_DEATH {
        if let Ok(lock) = lock(store) {
            return Some(lock);
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    None
}

/// Ctrl-C in the recorder's terminal, and its closing, must not reach the guard.
#[cfg(target_os = "linux")]
fn leave_session() {
    // It fails only for the leader of a group, which a started child is not.
    let _ = rustix::process::setsid();
}

#[cfg(not(target_os = "linux"))]
fn leave_session() {}

/// The recorder's end of the pipe.
#[derive(Debug)]
pub(super) struct Guard {
    child: Child,
    pipe: Option<ChildStdin>,
}

impl Guard {
    /// Starts the guard and waits until it watches.
    pub(super) fn start(command: &mut Command) -> Result<Self, BenchError> {
        let fail = |detail: String| BenchError::Command {
            command: "guard of the limits".to_owned(),
            detail: format!("{detail}; no limit was changed"),
        };
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .map_err(|e| fail(format!("cannot be started: {e}")))?;
        let pipe = child.stdin.take();
        let mut said = String::new();
        if let Some(out) = child.stdout.take() {
            // Nothing is read if it ended before.
            let _ = BufReader::new(out).read_line(&mut said);
        }
        if said.trim() != GUARD_READY {
            drop(pipe);
            let _ = child.kill();
            let _ = child.wait();
            return Err(fail("it does not watch".to_owned()));
        }
        Ok(Self { child, pipe })
    }

    /// Whether it watches still.
    pub(super) fn watches(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }

    /// Lets it go: it has nothing to do, or it has to try where the recorder failed.
    pub(super) fn release(&mut self, put_back: bool) {
        if let Some(mut pipe) = self.pipe.take()
            && put_back
        {
            let _ = writeln!(pipe, "{DONE}");
        }
        // It ends by itself once the pipe is closed; without waiting it would be left as a zombie.
        let _ = self.child.wait();
    }
}
