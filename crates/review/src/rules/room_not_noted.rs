//! Typed averages without the room's temperature.

use settlepoint_domain::{Finding, RunData, Severity};

use crate::{RunFacts, finding};

/// Looks at runs typed by hand that hold a temperature; logs are reviewed with their samples.
pub(crate) fn find(runs: &[RunFacts<'_>]) -> Vec<Finding> {
    runs.iter()
        .filter(|f| f.run.room_c.is_none())
        .filter(|f| match &f.run.data {
            RunData::Readings(phases) => phases.iter().any(|p| p.package_c.is_some()),
            _ => false,
        })
        .map(|f| {
            finding(
                "room_not_logged",
                Severity::Warning,
                Some(&f.run.name),
                "temperatures were typed without the room's".to_owned(),
                "add room_c to the run's rows; K/W and every prediction for another room depend on \
                 it",
            )
        })
        .collect()
}
