//! Ctrl-C: the work in hand is dropped, nothing half-written stays.

use std::io::Write as _;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::error::{Code, Failure};

static PRESSED: AtomicBool = AtomicBool::new(false);
static WRITING: AtomicBool = AtomicBool::new(false);
static IGNORED: AtomicBool = AtomicBool::new(false);

/// Takes over Ctrl-C. Reading and computing end at once; a step that writes ends at its next
/// [`check`] and is undone, or at a second press, after which the database undoes it.
pub(crate) fn watch() {
    // Without a handler Ctrl-C simply kills, which is safe too: every write is a transaction.
    let _ = ctrlc::set_handler(|| {
        if IGNORED.load(Ordering::SeqCst) {
            return;
        }
        if PRESSED.swap(true, Ordering::SeqCst) || !WRITING.load(Ordering::SeqCst) {
            let _ = std::io::stderr().write_all(b"settlepoint: interrupted\n");
            std::process::exit(Code::Interrupted as i32);
        }
    });
}

/// From now on Ctrl-C and requests to terminate do nothing: for a guard, which ends with what it
/// guards.
pub(crate) fn ignore() {
    IGNORED.store(true, Ordering::SeqCst);
}

/// Whether Ctrl-C was pressed, for work that ends by itself then.
pub(crate) fn pressed() -> bool {
    PRESSED.load(Ordering::SeqCst)
}

/// As long as this lives, Ctrl-C waits for the next [`check`].
#[derive(Debug)]
pub(crate) struct Writing(());

impl Writing {
    pub(crate) fn begin() -> Self {
        WRITING.store(true, Ordering::SeqCst);
        Self(())
    }
}

impl Drop for Writing {
    fn drop(&mut self) {
        WRITING.store(false, Ordering::SeqCst);
    }
}

/// Fails if Ctrl-C was pressed; to be asked before what was done is kept.
pub(crate) fn check() -> Result<(), Failure> {
    if PRESSED.load(Ordering::SeqCst) {
        return Err(Failure::new(
            Code::Interrupted,
            "interrupted; nothing was added",
        ));
    }
    Ok(())
}
