//! Logs in which nothing happens that a thermal resistance could be read from.

use super::NetworkError;
use super::error::brief;
use super::input::Drive;

/// A power whose whole range is below this share of its largest value stands still: leakage that
/// follows the temperature moves it by as much, and noise does.
const STILL_SHARE: f64 = 0.02;
/// A temperature that drifts by less than this many times the scatter of its readings stands still.
const STILL_SCATTERS: f64 = 3.0;

/// Refuses a log whose power is 0 or never changes (unless the room was logged and the temperature
/// moves, which tells the rise over the room), or whose temperature never changes.
pub(super) fn refuse(
    drive: &Drive,
    with_room: bool,
    resolution_k: f64,
) -> Result<(), NetworkError> {
    let (low_w, high_w) = range(drive.power_w.iter().copied());
    let top_w = high_w.abs().max(low_w.abs());
    let temps: Vec<f64> = (0..drive.len())
        .filter(|&i| drive.used[i])
        .map(|i| drive.temp[i])
        .collect();
    let (low_c, high_c) = range(temps.iter().copied());
    if top_w <= f64::MIN_POSITIVE {
        return Err(not_identified(
            format!("power is 0 W in all {} rows", drive.len()),
            "the power of the part that heats (name its column), and",
        ));
    }
    if high_w - low_w <= STILL_SHARE * top_w {
        let stands = drifts_by(&temps).abs() <= resolution_k.max(STILL_SCATTERS * scatter(&temps));
        let at = format!("power stands at {} W throughout", brief(high_w));
        if stands {
            return Err(not_identified(
                format!("{at}, and so does the temperature"),
                "",
            ));
        }
        if with_room && still_moving(&temps, high_c - low_c) {
            return Err(not_identified(
                format!("{at}, and the temperature had not settled when the log ended"),
                "a log that goes on until it has settled, or",
            ));
        }
        if !with_room {
            return Err(not_identified(
                format!(
                    "{at}, and the temperature moves by {} K for what happened before the log began",
                    brief(high_c - low_c)
                ),
                "the room's temperature beside it, or",
            ));
        }
    }
    if high_c - low_c <= 1e-9 * high_c.abs().max(low_c.abs()) {
        return Err(not_identified(
            format!(
                "the temperature never changes while power moves by {} W",
                brief(high_w - low_w)
            ),
            "a sensor that follows the part's temperature, and",
        ));
    }
    Ok(())
}

fn not_identified(evidence: String, first: &str) -> NetworkError {
    const STEP: &str = "a run with a clear step of the part's own power, from idle to load and \
                        back, that begins before the step";
    let needs = format!("{first} {STEP}");
    NetworkError::NotIdentified {
        evidence,
        needs: needs.trim_start().to_owned(),
    }
}

fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| {
        (lo.min(v), hi.max(v))
    })
}

/// Mean of the last third less that of the first.
fn drifts_by(values: &[f64]) -> f64 {
    let third = (values.len() / 3).max(1).min(values.len());
    mean(&values[values.len() - third..]) - mean(&values[..third])
}

/// Whether the mean of the last sixth differs from that of the sixth before by over a tenth of all
/// change: a first-order rise that was seen for little more than its time constant, or less.
fn still_moving(values: &[f64], range_k: f64) -> bool {
    let sixth = values.len() / 6;
    sixth == 0 || drifts_by_halves(&values[values.len() - 2 * sixth..]).abs() > 0.1 * range_k
}

fn drifts_by_halves(values: &[f64]) -> f64 {
    let (first, second) = values.split_at(values.len() / 2);
    mean(second) - mean(first)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Standard deviation of single readings, from the differences of neighbours.
fn scatter(values: &[f64]) -> f64 {
    let squares: f64 = values.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
    (squares / (2.0 * values.len().saturating_sub(1).max(1) as f64)).sqrt()
}
