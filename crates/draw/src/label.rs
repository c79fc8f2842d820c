//! Where labels go: never over another label or a mark, never outside, as little as possible over
//! lines; the least important is left out before two overlap.

use crate::canvas::line_height;
use crate::font::{Weight, width};
use crate::geometry::{Point, Rect};

/// A label to be placed.
#[derive(Clone, Debug)]
pub(crate) struct Label {
    pub(crate) text: String,
    /// Places where it may stand, best first, as the middle of its box, with the point that a line
    /// should lead to if the place is not beside it.
    pub(crate) places: Vec<(Point, Option<Point>)>,
    pub(crate) size: f64,
    /// Higher goes first.
    pub(crate) priority: i32,
}

/// A label's place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Placed {
    /// Which label.
    pub(crate) label: usize,
    pub(crate) rect: Rect,
    /// What it should be joined to by a line.
    pub(crate) leader: Option<Point>,
}

/// What labels should keep away from.
#[derive(Clone, Debug, Default)]
pub(crate) struct Obstacles {
    /// Never covered.
    pub(crate) marks: Vec<Rect>,
    /// Better not covered.
    pub(crate) soft: Vec<Rect>,
    /// Better not crossed.
    pub(crate) lines: Vec<Vec<Point>>,
}

/// Costs: of a place farther down the list, of covering, of crossing.
const LATER: f64 = 1.5;
const COVERING: f64 = 25.0;
const CROSSING: f64 = 40.0;
/// A leader over a label or a mark.
const LEADER_OVER: f64 = 60.0;
/// More than this is worse than no label.
const TOO_MUCH: f64 = 170.0;

/// Places around a mark of radius `radius`: near it first, then at the end of a leader.
pub(crate) fn around(
    mark: Point,
    radius: f64,
    text: &str,
    size: f64,
) -> Vec<(Point, Option<Point>)> {
    const SIDES: [Point; 8] = [
        (1.0, -1.0),
        (1.0, 1.0),
        (-1.0, -1.0),
        (-1.0, 1.0),
        (1.0, 0.0),
        (-1.0, 0.0),
        (0.0, -1.0),
        (0.0, 1.0),
    ];
    let (w, h) = (width(text, size, Weight::Regular), line_height(size));
    let mut places = Vec::with_capacity(32);
    for distance in [5.0, 17.0, 32.0, 52.0] {
        for (right, down) in SIDES {
            let reach = radius + distance;
            let along = |side: f64, other: f64| if other == 0.0 { side } else { 0.75 * side };
            let x = mark.0 + right * w / 2.0 + reach * along(right, down);
            let y = mark.1 + down * h / 2.0 + reach * along(down, right);
            places.push(((x, y), (distance > 10.0).then_some(mark)));
        }
    }
    places
}

/// Places labels, the most important first; gives those that found a place.
pub(crate) fn place(labels: &[Label], obstacles: &Obstacles, area: Rect) -> Vec<Placed> {
    let mut order: Vec<usize> = (0..labels.len()).collect();
    order.sort_by_key(|&i| std::cmp::Reverse(labels[i].priority));
    let mut placed: Vec<Placed> = Vec::new();
    for i in order {
        if let Some(best) = best_place(i, &labels[i], obstacles, area, &placed) {
            placed.push(best);
        }
    }
    placed
}

fn best_place(
    index: usize,
    label: &Label,
    obstacles: &Obstacles,
    area: Rect,
    placed: &[Placed],
) -> Option<Placed> {
    let (w, h) = (
        width(&label.text, label.size, Weight::Regular),
        line_height(label.size),
    );
    let mut best: Option<(f64, Placed)> = None;
    for (rank, &(middle, leader)) in label.places.iter().enumerate() {
        let rect = Rect::new(middle.0 - w / 2.0, middle.1 - h / 2.0, w, h);
        let base = rank as f64 * LATER;
        if best.as_ref().is_some_and(|(least, _)| base >= *least) {
            break;
        }
        if !is_free(rect, obstacles, area, placed) {
            continue;
        }
        let cost = base + cost(rect, leader, obstacles, placed);
        if cost < TOO_MUCH && best.as_ref().is_none_or(|(least, _)| cost < *least) {
            let own = Placed {
                label: index,
                rect,
                leader,
            };
            best = Some((cost, own));
        }
    }
    best.map(|(_, placed)| placed)
}

/// Room between labels, px: about a space, so that two beside each other do not read as one.
const APART: f64 = 5.0;

fn is_free(rect: Rect, obstacles: &Obstacles, area: Rect, placed: &[Placed]) -> bool {
    rect.is_inside(&area)
        && placed
            .iter()
            .all(|p| p.rect.grown(APART).overlap(&rect) <= 0.0)
        && obstacles
            .marks
            .iter()
            .all(|m| m.overlap(&rect.grown(1.0)) <= 0.0)
}

fn cost(rect: Rect, leader: Option<Point>, obstacles: &Obstacles, placed: &[Placed]) -> f64 {
    let covered = obstacles.soft.iter().filter(|s| s.overlap(&rect) > 0.0);
    let crossed = obstacles
        .lines
        .iter()
        .filter(|line| line.windows(2).any(|w| rect.is_hit_by(w[0], w[1])));
    let mut cost = COVERING * covered.count() as f64 + CROSSING * crossed.count() as f64;
    if let Some(mark) = leader {
        let end = rect.nearest(mark);
        let over = placed.iter().filter(|p| p.rect.is_hit_by(end, mark));
        cost += LEADER_OVER * over.count() as f64;
        // The mark that it leads to is one of them.
        let through = obstacles
            .marks
            .iter()
            .filter(|m| m.grown(-1.0).is_hit_by(end, mark));
        cost += LEADER_OVER / 2.0 * (through.count() as f64 - 1.0).max(0.0);
    }
    cost
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_of_marks_on_one_spot_do_not_overlap() {
        let area = Rect::new(0.0, 0.0, 300.0, 200.0);
        let mark = (150.0, 100.0);
        let labels: Vec<Label> = (0..12)
            .map(|i| {
                let text = format!("setting {i}");
                Label {
                    places: around(mark, 6.0, &text, 12.0),
                    text,
                    size: 12.0,
                    priority: i,
                }
            })
            .collect();
        let obstacles = Obstacles {
            marks: vec![Rect::new(144.0, 94.0, 12.0, 12.0)],
            ..Obstacles::default()
        };
        let placed = place(&labels, &obstacles, area);
        assert!(placed.len() >= 6, "{} placed", placed.len());
        assert_eq!(placed[0].label, 11, "the most important first");
        for (i, a) in placed.iter().enumerate() {
            assert!(a.rect.is_inside(&area));
            assert!(a.rect.overlap(&obstacles.marks[0]) <= 0.0);
            assert!(placed[..i].iter().all(|b| b.rect.overlap(&a.rect) <= 0.0));
        }
    }
}
