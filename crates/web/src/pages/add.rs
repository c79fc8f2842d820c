//! Adding logs, averages and scores.

/// Logs that were dropped and not yet kept.
#[derive(Debug, Default)]
pub(crate) struct Pending {}
