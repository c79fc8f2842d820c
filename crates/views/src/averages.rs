//! A run in a few numbers.

use settlepoint_domain::{PhaseKind, Role, Run, RunData};
use settlepoint_notebook::Notebook;

use crate::ViewError;
use crate::gather::analysed;

/// A run's averages at its settled end.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Row {
    /// Settled temperature, or the mean noted by hand, °C.
    pub plateau_c: Option<f64>,
    /// W.
    pub power_w: Option<f64>,
    /// rpm.
    pub fan_speed_rpm: Option<f64>,
    /// dB(A).
    pub level_dba: Option<f64>,
}

/// Mean of the scores of a run; `None` without scores.
pub fn mean_score(run: &Run) -> Option<f64> {
    let n = run.scores.len();
    (n > 0).then(|| run.scores.iter().map(|s| s.value).sum::<f64>() / n as f64)
}

/// The averages of a run: of its last phase under load, where it has one.
///
/// # Errors
/// A log that cannot be read.
pub fn averages(book: &Notebook, run: &Run) -> Result<Row, ViewError> {
    Ok(match &run.data {
        RunData::Readings(phases) => {
            let last = phases
                .iter()
                .rev()
                .find(|p| p.phase.is_load() || p.phase == PhaseKind::Unknown);
            let last = last.or(phases.last());
            Row {
                plateau_c: last.and_then(|p| p.package_c),
                power_w: last.and_then(|p| p.power_w),
                fan_speed_rpm: last.and_then(|p| p.fan_speed_rpm),
                level_dba: last.and_then(|p| p.level_dba),
            }
        }
        RunData::Log => {
            let whole = book.log(run.id)?;
            let (log, found) = analysed(&whole, run.room_c);
            let last = found
                .phases
                .iter()
                .rev()
                .find(|p| p.kind.is_load())
                .or(found.phases.last());
            Row {
                plateau_c: last.and_then(|p| {
                    p.plateau
                        .map(|x| x.temp_c.value)
                        .or(p.package_c.map(|e| e.value))
                }),
                power_w: last.and_then(|p| p.power_w).map(|e| e.value),
                fan_speed_rpm: last.and_then(|p| p.fan_speed_rpm).map(|e| e.value),
                level_dba: log
                    .channel(Role::Level)
                    .and_then(settlepoint_domain::Channel::mean),
            }
        }
        RunData::ScoresOnly => Row::default(),
    })
}
