//! Level lines and areas of a grid of values, linear between its points.

use std::collections::HashMap;

use crate::geometry::Point;

/// A value for each point of a grid; rows along y.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Grid<'a> {
    pub(crate) xs: &'a [f64],
    pub(crate) ys: &'a [f64],
    pub(crate) values: &'a [Vec<f64>],
}

/// An edge of the grid: from a point to the right (true) or up.
type Edge = (usize, usize, bool);

impl Grid<'_> {
    fn value(&self, column: usize, row: usize) -> f64 {
        self.values
            .get(row)
            .and_then(|line| line.get(column))
            .copied()
            .unwrap_or(f64::NAN)
    }

    /// Corners of a cell, around it.
    fn corners(&self, column: usize, row: usize) -> [(Point, f64); 4] {
        [(0, 0), (1, 0), (1, 1), (0, 1)].map(|(right, up)| {
            let (c, r) = (column + right, row + up);
            ((self.xs[c], self.ys[r]), self.value(c, r))
        })
    }

    fn cells(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        let columns = self.xs.len().saturating_sub(1);
        let rows = self.ys.len().saturating_sub(1);
        (0..rows)
            .flat_map(move |row| (0..columns).map(move |column| (column, row)))
            .filter(|&(c, r)| self.corners(c, r).iter().all(|(_, v)| v.is_finite()))
    }

    /// Polygons that cover all that is at or above a level. They share edges but no area.
    pub(crate) fn above(&self, level: f64) -> Vec<Vec<Point>> {
        let mut polygons = Vec::new();
        // Whole cells beside each other become one rectangle.
        let mut open: Option<(usize, usize, usize)> = None;
        let close = |open: &mut Option<(usize, usize, usize)>, out: &mut Vec<Vec<Point>>| {
            if let Some((row, from, to)) = open.take() {
                let (x0, x1, y0, y1) = (self.xs[from], self.xs[to], self.ys[row], self.ys[row + 1]);
                out.push(vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1)]);
            }
        };
        for (column, row) in self.cells() {
            let corners = self.corners(column, row);
            if corners.iter().all(|(_, v)| *v >= level) {
                match &mut open {
                    Some((r, _, to)) if *r == row && *to == column => *to = column + 1,
                    _ => {
                        close(&mut open, &mut polygons);
                        open = Some((row, column, column + 1));
                    }
                }
                continue;
            }
            close(&mut open, &mut polygons);
            let part = clipped(&corners, level);
            if part.len() > 2 {
                polygons.push(part);
            }
        }
        close(&mut open, &mut polygons);
        polygons
    }

    /// Lines along which the values are a level, each in one piece.
    pub(crate) fn lines(&self, level: f64) -> Vec<Vec<Point>> {
        let mut segments: Vec<[(Edge, Point); 2]> = Vec::new();
        for (column, row) in self.cells() {
            let crossings = self.crossings(column, row, level);
            // Four crossings are a saddle: joined in the order around the cell.
            for pair in crossings.chunks_exact(2) {
                segments.push([pair[0], pair[1]]);
            }
        }
        joined(&segments)
    }

    fn crossings(&self, column: usize, row: usize, level: f64) -> Vec<(Edge, Point)> {
        let corners = self.corners(column, row);
        let edges: [Edge; 4] = [
            (column, row, true),
            (column + 1, row, false),
            (column, row + 1, true),
            (column, row, false),
        ];
        (0..4)
            .filter_map(|i| {
                let ((a, va), (b, vb)) = (corners[i], corners[(i + 1) % 4]);
                ((va >= level) != (vb >= level))
                    .then(|| (edges[i], between(a, b, (level - va) / (vb - va))))
            })
            .collect()
    }
}

fn between(a: Point, b: Point, share: f64) -> Point {
    (a.0 + share * (b.0 - a.0), a.1 + share * (b.1 - a.1))
}

/// The part of a cell at or above a level.
fn clipped(corners: &[(Point, f64); 4], level: f64) -> Vec<Point> {
    let mut part = Vec::new();
    for i in 0..4 {
        let ((a, va), (b, vb)) = (corners[i], corners[(i + 1) % 4]);
        if va >= level {
            part.push(a);
        }
        if (va >= level) != (vb >= level) {
            part.push(between(a, b, (level - va) / (vb - va)));
        }
    }
    part
}

/// Joins segments that end on the same edge.
fn joined(segments: &[[(Edge, Point); 2]]) -> Vec<Vec<Point>> {
    let mut ends: HashMap<Edge, Vec<usize>> = HashMap::new();
    for (i, segment) in segments.iter().enumerate() {
        for (edge, _) in segment {
            ends.entry(*edge).or_default().push(i);
        }
    }
    let mut used = vec![false; segments.len()];
    let mut lines = Vec::new();
    // Lines that begin at the rim first, so that none is cut in two.
    let is_open = |s: &[(Edge, Point); 2]| s.iter().any(|(e, _)| ends[e].len() == 1);
    let mut order: Vec<usize> = (0..segments.len()).collect();
    order.sort_by_key(|&i| !is_open(&segments[i]));
    for first in order {
        if used[first] {
            continue;
        }
        used[first] = true;
        let [mut from, mut to] = segments[first];
        if ends[&to.0].len() == 1 {
            std::mem::swap(&mut from, &mut to);
        }
        let mut line = vec![from.1, to.1];
        let mut edge = to.0;
        while let Some(next) = ends[&edge].iter().copied().find(|&i| !used[i]) {
            used[next] = true;
            let [a, b] = segments[next];
            let far = if a.0 == edge { b } else { a };
            line.push(far.1);
            edge = far.0;
        }
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(polygon: &[Point]) -> f64 {
        let n = polygon.len();
        (0..n)
            .map(|i| {
                let (a, b) = (polygon[i], polygon[(i + 1) % n]);
                (a.0 * b.1 - b.0 * a.1) / 2.0
            })
            .sum()
    }

    #[test]
    fn a_plane_is_cut_where_it_should_be() {
        let xs: Vec<f64> = (0..=8).map(f64::from).collect();
        let ys: Vec<f64> = (0..=5).map(f64::from).collect();
        let values: Vec<Vec<f64>> = ys
            .iter()
            .map(|y| xs.iter().map(|x| x + 2.0 * y).collect())
            .collect();
        let grid = Grid {
            xs: &xs,
            ys: &ys,
            values: &values,
        };
        // Where x + 2 y >= 10.5 on 8 by 5: a triangle from (8, 1.25) up to y = 5, there 7.5 wide.
        let expected = 3.75 * 7.5 / 2.0;
        let total: f64 = grid.above(10.5).iter().map(|p| area(p)).sum();
        assert!((total - expected).abs() < 1e-9, "{total} {expected}");
        let lines = grid.lines(10.5);
        assert_eq!(lines.len(), 1, "one line, in one piece");
        for (x, y) in &lines[0] {
            assert!((x + 2.0 * y - 10.5).abs() < 1e-9);
        }
    }

    #[test]
    fn rings_close_and_gaps_stay_empty() {
        let axis: Vec<f64> = (-10..=10).map(f64::from).collect();
        let mut values: Vec<Vec<f64>> = axis
            .iter()
            .map(|y| axis.iter().map(|x| x.hypot(*y)).collect())
            .collect();
        let lines = Grid {
            xs: &axis,
            ys: &axis,
            values: &values,
        }
        .lines(6.5);
        assert_eq!(lines.len(), 1);
        assert_eq!(lines[0].first(), lines[0].last());
        values[0].fill(f64::NAN);
        let grid = Grid {
            xs: &axis,
            ys: &axis,
            values: &values,
        };
        let whole: f64 = grid.above(-1.0).iter().map(|p| area(p)).sum();
        assert!((whole - 20.0 * 19.0).abs() < 1e-9);
    }
}
