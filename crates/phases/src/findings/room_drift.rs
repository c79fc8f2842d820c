//! The air at the intake changes while the machine is measured.

use settlepoint_domain::{Finding, Role, SensorLog, Severity};

/// Parts of the log whose means are compared; a tenth smooths a draught from a door.
const PARTS: usize = 10;
/// Drift that moves a plateau by more than most intervals say, K. A judgement.
const NOTED_K: f64 = 1.0;
/// Drift that spoils a comparison of settings, K. A judgement.
const WARNED_K: f64 = 2.0;

/// Compares the means of ten parts of the log.
pub(super) fn find(log: &SensorLog) -> Option<Finding> {
    let room = log.channel(Role::Room)?;
    let time_s = log.time_s();
    let span_s = log.span_s();
    if log.len() < 2 * PARTS || span_s <= 0.0 {
        return None;
    }
    let mut sums = [(0.0, 0_u32); PARTS];
    for (row, value) in room.present() {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of the log times ten"
        )]
        let part = ((time_s[row] - time_s[0]) / span_s * PARTS as f64) as usize;
        let (sum, count) = &mut sums[part.min(PARTS - 1)];
        *sum += value;
        *count += 1;
    }
    let means: Vec<(usize, f64)> = sums
        .iter()
        .enumerate()
        .filter(|(_, (_, count))| *count > 0)
        .map(|(i, (sum, count))| (i, sum / f64::from(*count)))
        .collect();
    let by_value = |a: &&(usize, f64), b: &&(usize, f64)| a.1.total_cmp(&b.1);
    let (low, high) = (
        means.iter().min_by(by_value)?,
        means.iter().max_by(by_value)?,
    );
    let drift_k = high.1 - low.1;
    if drift_k < NOTED_K {
        return None;
    }
    let severity = if drift_k < WARNED_K {
        Severity::Note
    } else {
        Severity::Warning
    };
    let at = |part: usize| time_s[0] + (part as f64 + 0.5) * span_s / PARTS as f64;
    Some(Finding::new(
        "room_drift",
        severity,
        format!(
            "'{}' goes from {:.1} °C about {:.0} s to {:.1} °C about {:.0} s: {drift_k:.1} K between",
            room.column,
            low.1,
            at(low.0),
            high.1,
            at(high.0)
        ),
        "a kelvin in the room is a kelvin on every plateau: keep doors and heating as they are while \
         measuring, or compare temperature rises over the room",
    ))
}
