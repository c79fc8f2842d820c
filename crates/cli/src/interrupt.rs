//! Ctrl-C: the work in hand is dropped, nothing half-written stays.

use std::sync::atomic::{AtomicBool, Ordering};

use crate::error::{Code, Failure};

static PRESSED: AtomicBool = AtomicBool::new(false);

/// Takes over Ctrl-C. A second press ends the program at once; SQLite then rolls back by itself.
pub(crate) fn watch() {
    // Without a handler Ctrl-C simply kills, which is safe too: every write is a transaction.
    let _ = ctrlc::set_handler(|| {
        if PRESSED.swap(true, Ordering::SeqCst) {
            std::process::exit(Code::Interrupted as i32);
        }
    });
}

/// Fails if Ctrl-C was pressed.
pub(crate) fn check() -> Result<(), Failure> {
    if PRESSED.load(Ordering::SeqCst) {
        return Err(Failure::new(
            Code::Interrupted,
            "interrupted; nothing was added",
        ));
    }
    Ok(())
}
