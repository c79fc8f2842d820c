//! Long logs, condensed to means over blocks of rows.

use settlepoint_domain::{Channel, SensorLog};

/// A log of at most `max_rows` rows: each is the mean over a block of rows as long as all others,
/// at the block's mean time. Readings that are missing are left out of the mean; a block without
/// any is missing. `None` if the log is short enough as it is.
///
/// Phases and thermal models of a log of days lose nothing by it: a block of a million-row log is
/// far shorter than anything they look for.
pub fn condensed(log: &SensorLog, max_rows: usize) -> Option<SensorLog> {
    if log.len() <= max_rows.max(1) {
        return None;
    }
    let block = log.len().div_ceil(max_rows.max(1));
    let time_s = block_means(log.time_s(), block);
    let channels = log
        .channels()
        .iter()
        .map(|channel| Channel {
            role: channel.role,
            column: channel.column.clone(),
            column_number: channel.column_number,
            unit: channel.unit,
            part: channel.part.clone(),
            reason: channel.reason.clone(),
            resolution: channel.resolution,
            averaging: channel.averaging,
            values: block_means(&channel.values, block),
        })
        .collect();
    SensorLog::new(log.start().cloned(), time_s, log.time_known(), channels).ok()
}

fn block_means(values: &[f64], block: usize) -> Vec<f64> {
    values
        .chunks(block)
        .map(|chunk| {
            let (n, sum) = chunk
                .iter()
                .filter(|v| !v.is_nan())
                .fold((0_usize, 0.0), |(n, sum), v| (n + 1, sum + v));
            if n == 0 { f64::NAN } else { sum / n as f64 }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use settlepoint_domain::{Averaging, Role, Unit};

    use super::*;

    fn log(rows: u32) -> SensorLog {
        let time_s: Vec<f64> = (0..rows).map(f64::from).collect();
        let values = time_s
            .iter()
            .map(|t| if *t < 3.0 { f64::NAN } else { 2.0 * t })
            .collect();
        let power = Channel {
            role: Role::Power,
            column: "p".into(),
            column_number: 2,
            unit: Unit::Watt,
            part: "package".into(),
            reason: String::new(),
            resolution: None,
            averaging: Averaging::Instant,
            values,
        };
        SensorLog::new(None, time_s, true, vec![power]).unwrap()
    }

    #[test]
    fn means_over_blocks_keep_gaps_and_times() {
        let short = condensed(&log(10), 4).unwrap();
        // Blocks of three rows: 0 1 2, 3 4 5, 6 7 8, 9.
        assert_eq!(short.time_s(), [1.0, 4.0, 7.0, 9.0]);
        assert_eq!(short.channels()[0].value(0), None);
        assert_eq!(short.channels()[0].value(1), Some(8.0));
        assert_eq!(short.channels()[0].value(3), Some(18.0));
    }

    #[test]
    fn a_short_log_is_left_alone() {
        assert!(condensed(&log(10), 10).is_none());
    }
}
