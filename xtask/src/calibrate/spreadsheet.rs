//! The baseline: what a careful person does with a spreadsheet.
//!
//! Straight lines between the runs made at the highest temperature limit, one kelvin for each kelvin
//! of room; where the line passes the temperature limit, the watts at which it just reaches it.

use settlepoint_domain::{Basis, Estimate};

use super::grid::{Cell, Guess};
use super::readings::Row;

/// Predicts a cell from the rows; `None` without two of them.
pub(crate) fn predict(rows: &[Row], cell: &Cell) -> Option<Guess> {
    let mut rows = rows.to_vec();
    if rows.len() < 2 {
        return None;
    }
    rows.sort_by(|a, b| a.power_w.total_cmp(&b.power_w));
    let watts: Vec<f64> = rows.iter().map(|r| r.power_w).collect();
    let rise: Vec<f64> = rows.iter().map(|r| r.package_c - r.room_c).collect();
    let level: Vec<f64> = rows.iter().map(|r| r.level_dba).collect();
    let mut by_limit = rows.clone();
    by_limit.sort_by(|a, b| a.pl1_w.total_cmp(&b.pl1_w));
    let limits: Vec<f64> = by_limit.iter().map(|r| r.pl1_w).collect();
    let drawn: Vec<f64> = by_limit.iter().map(|r| r.power_w).collect();
    let scores: Vec<f64> = rows.iter().map(|r| r.score).collect();
    let best = scores.iter().copied().fold(0.0, f64::max);
    let mut power_w = line(&limits, &drawn, cell.course.pl1_w);
    let mut rise_k = line(&watts, &rise, power_w);
    let allowed_k = cell.course.temp_limit_c - cell.course.room_c;
    if rise_k > allowed_k {
        power_w = line(&rise, &watts, allowed_k);
        rise_k = allowed_k;
    }
    let plain = |value| Estimate::normal(value, 0.0, Basis::Interpolated);
    Some(Guess {
        package_c: plain(cell.course.room_c + rise_k),
        power_w: plain(power_w),
        level_dba: Some(plain(line(&watts, &level, power_w))),
        work_rel: Some(plain(line(&watts, &scores, power_w) / best)),
    })
}

/// Straight lines through points of rising `x`, carried on outside; steps where two `x` are equal.
fn line(x: &[f64], y: &[f64], at: f64) -> f64 {
    let right = x.partition_point(|&v| v < at).clamp(1, x.len() - 1);
    let (x0, x1, y0, y1) = (x[right - 1], x[right], y[right - 1], y[right]);
    if (x1 - x0).abs() < 1e-9 {
        return f64::midpoint(y0, y1);
    }
    y0 + (y1 - y0) * (at - x0) / (x1 - x0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_go_through_their_points_and_on() {
        let (x, y) = ([1.0, 2.0, 4.0], [10.0, 20.0, 0.0]);
        for (at, expected) in [
            (1.0, 10.0),
            (1.5, 15.0),
            (3.0, 10.0),
            (0.0, 0.0),
            (5.0, -10.0),
        ] {
            assert!((line(&x, &y, at) - expected).abs() < 1e-12, "{at}");
        }
    }
}
