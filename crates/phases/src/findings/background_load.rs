//! The machine works while it should idle.

use settlepoint_domain::{Finding, Phase, PhaseKind, Role, SensorLog, Severity};

use super::MANY_ROWS;
use crate::series;

/// Use above which a machine is not idle, a share. A judgement: desktop systems idle at 1 to 5 %.
const BUSY: f64 = 0.10;
/// Share of an idle phase's rows that may be busy: updates and searches come and go.
const BUSY_ROWS: f64 = 0.10;

/// Looks at the use of the part in idle phases.
pub(super) fn find(log: &SensorLog, phases: &[Phase]) -> Option<Finding> {
    let load = log.channel(Role::Load)?;
    let worst = phases
        .iter()
        .filter(|p| p.kind == PhaseKind::Idle && p.end_row - p.first_row >= MANY_ROWS)
        .filter_map(|p| {
            let values: Vec<f64> = (p.first_row..p.end_row)
                .filter_map(|row| load.value(row))
                .collect();
            let busy = values.iter().filter(|v| **v > BUSY).count() as f64;
            let share = busy / values.len().max(1) as f64;
            Some((share, series::quantile(&values, 0.95)?, p))
        })
        .filter(|(share, _, _)| *share > BUSY_ROWS)
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(Finding::new(
        "background_load",
        Severity::Warning,
        format!(
            "while idle from {:.0} to {:.0} s the use was above {:.0} % in {:.0} % of the rows (95 % \
             of them below {:.0} %)",
            worst.2.start_s,
            worst.2.end_s,
            100.0 * BUSY,
            100.0 * worst.0,
            100.0 * worst.1
        ),
        "close what runs in the background, wait for updates to end, and log the idle part again; \
         idle power and noise read here are too high",
    ))
}
