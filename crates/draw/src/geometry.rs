//! Rectangles and segments.

/// A point, px from the top left.
pub(crate) type Point = (f64, f64);

/// A rectangle, px from the top left of the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rect {
    /// Left edge.
    pub x: f64,
    /// Upper edge.
    pub y: f64,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
}

impl Rect {
    /// A rectangle by its upper left corner and size.
    pub const fn new(x: f64, y: f64, width: f64, height: f64) -> Self {
        Self {
            x,
            y,
            width,
            height,
        }
    }

    /// Right edge.
    pub fn right(&self) -> f64 {
        self.x + self.width
    }

    /// Lower edge.
    pub fn bottom(&self) -> f64 {
        self.y + self.height
    }

    /// Whether all of it lies inside `other`, edges included.
    pub fn is_inside(&self, other: &Self) -> bool {
        self.x >= other.x
            && self.y >= other.y
            && self.right() <= other.right()
            && self.bottom() <= other.bottom()
    }

    /// Area in common, px².
    pub fn overlap(&self, other: &Self) -> f64 {
        let width = self.right().min(other.right()) - self.x.max(other.x);
        let height = self.bottom().min(other.bottom()) - self.y.max(other.y);
        if width > 0.0 && height > 0.0 {
            width * height
        } else {
            0.0
        }
    }

    /// Larger by `margin` on each side.
    #[must_use]
    pub fn grown(&self, margin: f64) -> Self {
        Self::new(
            self.x - margin,
            self.y - margin,
            (self.width + 2.0 * margin).max(0.0),
            (self.height + 2.0 * margin).max(0.0),
        )
    }

    /// The point of the rectangle nearest to `point`.
    pub(crate) fn nearest(&self, point: Point) -> Point {
        (
            point.0.clamp(self.x, self.right()),
            point.1.clamp(self.y, self.bottom()),
        )
    }

    /// Whether a segment touches it.
    pub(crate) fn is_hit_by(&self, from: Point, to: Point) -> bool {
        self.cuts(from, to).is_some()
    }

    /// Shares of a segment at which it enters and leaves: the clipping of Y.-D. Liang and
    /// B. A. Barsky, ACM Transactions on Graphics 3 (1984) 1-22.
    pub(crate) fn cuts(&self, from: Point, to: Point) -> Option<(f64, f64)> {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let edges = [
            (-dx, from.0 - self.x),
            (dx, self.right() - from.0),
            (-dy, from.1 - self.y),
            (dy, self.bottom() - from.1),
        ];
        let (mut enters, mut leaves) = (0.0_f64, 1.0_f64);
        for (towards, room) in edges {
            if towards == 0.0 {
                if room < 0.0 {
                    return None;
                }
            } else if towards < 0.0 {
                enters = enters.max(room / towards);
            } else {
                leaves = leaves.min(room / towards);
            }
        }
        (enters <= leaves).then_some((enters, leaves))
    }

    /// The parts of a line that lie outside.
    pub(crate) fn outside(&self, line: &[Point]) -> Vec<Vec<Point>> {
        let mut parts: Vec<Vec<Point>> = Vec::new();
        let mut part: Vec<Point> = line.first().copied().into_iter().collect();
        for pair in line.windows(2) {
            let (a, b) = (pair[0], pair[1]);
            let at = |share: f64| (a.0 + share * (b.0 - a.0), a.1 + share * (b.1 - a.1));
            match self.cuts(a, b) {
                None => part.push(b),
                Some((enters, leaves)) => {
                    if enters > 0.0 {
                        part.push(at(enters));
                    }
                    parts.push(std::mem::take(&mut part));
                    if leaves < 1.0 {
                        part.extend([at(leaves), b]);
                    }
                }
            }
        }
        parts.push(part);
        parts.retain(|p| p.len() > 1);
        parts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn segments_through_beside_and_into() {
        let rect = Rect::new(10.0, 10.0, 10.0, 10.0);
        assert!(rect.is_hit_by((0.0, 0.0), (30.0, 30.0)));
        assert!(rect.is_hit_by((15.0, 15.0), (16.0, 16.0)));
        assert!(!rect.is_hit_by((0.0, 0.0), (9.0, 9.0)));
        assert!(!rect.is_hit_by((0.0, 25.0), (30.0, 25.0)));
        assert!(!rect.is_hit_by((0.0, 12.0), (12.0, 0.0)));
    }

    #[test]
    fn a_line_is_cut_out_of_a_rectangle() {
        let rect = Rect::new(10.0, 10.0, 10.0, 10.0);
        let line = [(0.0, 15.0), (12.0, 15.0), (18.0, 15.0), (40.0, 15.0)];
        let parts = rect.outside(&line);
        assert_eq!(
            parts,
            [
                vec![(0.0, 15.0), (10.0, 15.0)],
                vec![(20.0, 15.0), (40.0, 15.0)]
            ]
        );
        assert_eq!(rect.outside(&[(0.0, 0.0), (5.0, 0.0)]).len(), 1);
    }
}
