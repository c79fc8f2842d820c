//! `cargo xtask crash-test [KILLS]`: campaigns killed at random moments, with what came of them.

use std::process::Command;

/// What the project promises to have tried.
const KILLS: &str = "300";

/// Runs the long form of the command line's test.
pub(crate) fn run(mut words: impl Iterator<Item = String>) -> Result<(), String> {
    let kills = words.next().unwrap_or_else(|| KILLS.to_owned());
    if kills.parse::<u32>().is_err() {
        return Err(format!(
            "crash-test {kills}: give a number of kills, as {KILLS}"
        ));
    }
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let status = Command::new(cargo)
        .args(["test", "-p", "settlepoint-cli", "--test", "cli", "--"])
        .args(["killed_at_any_moment", "--nocapture"])
        .env("SETTLEPOINT_KILLS", kills)
        .status()
        .map_err(|e| format!("cargo cannot be started: {e}"))?;
    if status.success() {
        Ok(())
    } else {
        Err("a promise was broken; see above".to_owned())
    }
}
