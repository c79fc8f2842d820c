//! A command that prints a number, asked again and again: a meter that has no file.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::error::BenchError;
use crate::load::Running;
use crate::read;

/// How often a command is asked at most.
const EVERY: Duration = Duration::from_secs(1);
/// A command that takes longer gives no value.
const PATIENCE: Duration = Duration::from_secs(10);
const NAP: Duration = Duration::from_millis(50);

/// Asks a command for its number as long as it lives; the first number in its output counts, NaN
/// where there is none.
#[derive(Debug)]
pub struct Probe {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Probe {
    /// Begins to ask; answers go to `value` as the bits of an `f64`, times `scale`.
    ///
    /// # Errors
    /// [`BenchError::Command`] if its first answer holds no number.
    pub fn start(command: &str, scale: f64, value: Arc<AtomicU64>) -> Result<Self, BenchError> {
        let stop = Arc::new(AtomicBool::new(false));
        let first = ask(command, &stop).ok_or_else(|| BenchError::Command {
            command: command.to_owned(),
            detail: "it printed no number within 10 s; it must print one and end".to_owned(),
        })?;
        value.store((scale * first).to_bits(), Ordering::Relaxed);
        let (theirs, command) = (Arc::clone(&stop), command.to_owned());
        let thread = std::thread::Builder::new()
            .name("probe".to_owned())
            .spawn(move || {
                while !theirs.load(Ordering::Relaxed) {
                    nap(EVERY, &theirs);
                    let answer = ask(&command, &theirs).unwrap_or(f64::NAN);
                    value.store((scale * answer).to_bits(), Ordering::Relaxed);
                }
            })
            .map_err(|e| BenchError::invalid("probe", format!("no thread: {e}")))?;
        Ok(Self {
            stop,
            thread: Some(thread),
        })
    }
}

impl Drop for Probe {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

fn nap(length: Duration, stop: &AtomicBool) {
    let mut slept = Duration::ZERO;
    while slept < length && !stop.load(Ordering::Relaxed) {
        std::thread::sleep(NAP);
        slept += NAP;
    }
}

fn ask(command: &str, stop: &AtomicBool) -> Option<f64> {
    let mut running = Running::start(command).ok()?;
    let mut waited = Duration::ZERO;
    while !running.ended() && waited < PATIENCE && !stop.load(Ordering::Relaxed) {
        std::thread::sleep(NAP / 10);
        waited += NAP / 10;
    }
    let (code, output) = running.stop();
    if code != 0 {
        return None;
    }
    output
        .split(|c: char| c.is_whitespace() || c == ',' || c == ';')
        .find_map(|word| read::number(word.as_bytes()).ok())
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn a_command_is_asked_and_a_mute_one_is_refused() {
        let value = Arc::new(AtomicU64::new(0));
        let probe = Probe::start("echo 'wall 87.5 W'", 2.0, Arc::clone(&value)).expect("answers");
        let doubled = f64::from_bits(value.load(Ordering::Relaxed));
        assert!((doubled - 175.0).abs() < 1e-9, "{doubled}");
        drop(probe);
        for mute in ["true", "echo none", "exit 4"] {
            assert!(
                Probe::start(mute, 1.0, Arc::clone(&value)).is_err(),
                "{mute}"
            );
        }
    }
}
