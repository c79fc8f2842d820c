//! Fewer points that look the same: the first, lowest, highest and last of each column of pixels
//! (M4: U. Jugel, Z. Jerzak, G. Hackenbroich and V. Markl, Proc. VLDB 7 (2014) 797-808).

use crate::geometry::Point;

/// A line is broken where readings are missing for longer than this many usual steps.
const BREAK_STEPS: f64 = 5.0;

/// Where a line is broken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Breaks {
    /// Where readings are missing for longer than some usual steps: for logs, in which single
    /// readings are often missing.
    LongGaps,
    /// At every value that is missing: for curves.
    Missing,
}

/// What of a column is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Keep {
    /// First, lowest, highest, last: the same picture.
    Four,
    /// Lowest and highest: half the points, no spike lost.
    Two,
}

/// The pieces of a line through the finite readings among `time` and `values`, in the order of
/// time, reduced to `columns` columns between `from` and `to`. Pieces end where readings are
/// missing for long.
pub(crate) fn pieces(
    time: &[f64],
    values: &[f64],
    (from, to): (f64, f64),
    columns: f64,
    (keep, breaks): (Keep, Breaks),
) -> Vec<Vec<Point>> {
    if breaks == Breaks::Missing {
        return whole_pieces(time, values);
    }
    let present = present(time, values);
    let pause = longest_step(&present, (to - from) / columns.max(1.0));
    let mut pieces = Vec::new();
    let mut start = 0;
    for i in 1..=present.len() {
        if i == present.len() || present[i].0 - present[i - 1].0 > pause {
            pieces.push(reduced(
                &present[start..i],
                from,
                (to - from) / columns,
                keep,
            ));
            start = i;
        }
    }
    pieces
}

fn whole_pieces(xs: &[f64], ys: &[f64]) -> Vec<Vec<Point>> {
    let points: Vec<Point> = xs.iter().copied().zip(ys.iter().copied()).collect();
    points
        .split(|p| !(p.0.is_finite() && p.1.is_finite()))
        .filter(|piece| !piece.is_empty())
        .map(<[Point]>::to_vec)
        .collect()
}

fn present(time: &[f64], values: &[f64]) -> Vec<Point> {
    time.iter()
        .zip(values)
        .filter(|(t, v)| t.is_finite() && v.is_finite())
        .map(|(t, v)| (*t, *v))
        .collect()
}

/// Some usual steps, but never less than a column and a half.
fn longest_step(present: &[Point], column: f64) -> f64 {
    let mut steps: Vec<f64> = present.windows(2).map(|w| w[1].0 - w[0].0).collect();
    if steps.is_empty() {
        return f64::INFINITY;
    }
    let middle = steps.len() / 2;
    let (_, median, _) = steps.select_nth_unstable_by(middle, f64::total_cmp);
    (BREAK_STEPS * *median).max(1.5 * column)
}

fn reduced(points: &[Point], from: f64, column: f64, keep: Keep) -> Vec<Point> {
    let mut out = Vec::new();
    let place = |p: &Point| ((p.0 - from) / column).floor();
    let mut start = 0;
    while start < points.len() {
        let own = place(&points[start]);
        let length = points[start..]
            .iter()
            .take_while(|p| place(p).total_cmp(&own).is_eq())
            .count()
            .max(1);
        let end = start + length;
        push_column(&mut out, &points[start..end], keep);
        start = end;
    }
    out
}

fn push_column(out: &mut Vec<Point>, column: &[Point], keep: Keep) {
    let value = |i: &usize| column[*i].1;
    let by_value = |a: &usize, b: &usize| value(a).total_cmp(&value(b));
    let places = || 0..column.len();
    let mut kept: Vec<usize> = [places().min_by(by_value), places().max_by(by_value)]
        .into_iter()
        .flatten()
        .collect();
    if keep == Keep::Four {
        kept.extend([0, column.len() - 1]);
    }
    kept.sort_unstable();
    kept.dedup();
    out.extend(kept.into_iter().map(|i| column[i]));
}

/// Lower and upper edges of a band, by column the lowest and the highest.
pub(crate) fn band(
    time: &[f64],
    lo: &[f64],
    hi: &[f64],
    (from, to): (f64, f64),
    columns: f64,
) -> Vec<(f64, f64, f64)> {
    let column = (to - from) / columns.max(1.0);
    let mut out: Vec<(f64, f64, f64)> = Vec::new();
    let mut place = f64::NAN;
    for ((&t, &a), &b) in time.iter().zip(lo).zip(hi) {
        if !(t.is_finite() && a.is_finite() && b.is_finite()) {
            continue;
        }
        let own = ((t - from) / column).floor();
        let narrow = time.len() as f64 > 2.0 * columns;
        match out.last_mut() {
            Some(last) if narrow && own.total_cmp(&place).is_eq() => {
                last.1 = last.1.min(a);
                last.2 = last.2.max(b);
            }
            _ => out.push((t, a, b)),
        }
        place = own;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const FOUR: (Keep, Breaks) = (Keep::Four, Breaks::LongGaps);

    #[test]
    fn a_spike_of_one_sample_stays() {
        let time: Vec<f64> = (0..50_000).map(f64::from).collect();
        let mut values = vec![1.0; 50_000];
        values[31_415] = 9.0;
        for keep in [Keep::Two, Keep::Four] {
            let pieces = pieces(
                &time,
                &values,
                (0.0, 49_999.0),
                600.0,
                (keep, Breaks::LongGaps),
            );
            assert_eq!(pieces.len(), 1);
            assert!(pieces[0].len() <= 4 * 601);
            assert!(pieces[0].contains(&(31_415.0, 9.0)));
        }
    }

    #[test]
    fn long_gaps_break_the_line_and_short_ones_do_not() {
        let time: Vec<f64> = (0..100).map(f64::from).collect();
        let alternating: Vec<f64> = (0..100)
            .map(|i| if i % 2 == 0 { 1.0 } else { f64::NAN })
            .collect();
        let whole = pieces(&time, &alternating, (0.0, 99.0), 1000.0, FOUR);
        assert_eq!(whole.len(), 1);
        let mut broken = vec![1.0; 100];
        broken[40..60].fill(f64::NAN);
        let two = pieces(&time, &broken, (0.0, 99.0), 1000.0, FOUR);
        assert_eq!(two.len(), 2);
        assert_eq!(pieces(&[], &[], (0.0, 1.0), 10.0, FOUR).len(), 0);
    }
}
