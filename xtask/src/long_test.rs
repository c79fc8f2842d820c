//! Long forms of the command line's tests: `cargo xtask crash-test [KILLS]` and `cargo xtask
//! rehearse-test [MACHINES]` print what came of them.

use std::process::Command;

/// A long form: the test, what tells it how long, and how long the project promises to have tried.
pub(crate) struct LongTest {
    name: &'static str,
    test: &'static str,
    variable: &'static str,
    count: &'static str,
}

/// Campaigns killed at random moments.
pub(crate) const CRASHES: LongTest = LongTest {
    name: "crash-test",
    test: "killed_at_any_moment",
    variable: "SETTLEPOINT_KILLS",
    count: "300",
};

/// Campaigns of three runs on invented machines, fitted and held against the truth.
pub(crate) const REHEARSALS: LongTest = LongTest {
    name: "rehearse-test",
    test: "three_runs_tell",
    variable: "SETTLEPOINT_MACHINES",
    count: "20",
};

impl LongTest {
    /// Runs it as often as the first word says.
    pub(crate) fn run(&self, mut words: impl Iterator<Item = String>) -> Result<(), String> {
        let count = words.next().unwrap_or_else(|| self.count.to_owned());
        if count.parse::<u32>().is_err() {
            return Err(format!(
                "{} {count}: give a number, as {}",
                self.name, self.count
            ));
        }
        let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let status = Command::new(cargo)
            .args(["test", "-p", "settlepoint-cli", "--test", "cli", "--"])
            .args([self.test, "--nocapture"])
            .env(self.variable, count)
            .status()
            .map_err(|e| format!("cargo cannot be started: {e}"))?;
        if status.success() {
            Ok(())
        } else {
            Err("a promise was broken; see above".to_owned())
        }
    }
}
