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

    /// Whether a segment touches it: the clipping of Y.-D. Liang and B. A. Barsky, ACM Transactions
    /// on Graphics 3 (1984) 1-22.
    pub(crate) fn is_hit_by(&self, from: Point, to: Point) -> bool {
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
                    return false;
                }
            } else if towards < 0.0 {
                enters = enters.max(room / towards);
            } else {
                leaves = leaves.min(room / towards);
            }
        }
        enters <= leaves
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
}
