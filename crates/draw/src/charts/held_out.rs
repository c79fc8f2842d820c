//! Predicted against measured, for runs that the fit did not use.

use crate::canvas::Canvas;
use crate::frame::{Key, Shape, Swatch, headed, keyed};
use crate::panel::{Axis, Line, Mark, Panel, beside, with_unit};
use crate::reduce::Breaks;
use crate::scale::{Ends, Range};
use crate::{Chart, Look, Picture, Ranged, Table, short};

/// One run that was not used.
#[derive(Clone, Debug, PartialEq)]
pub struct HeldOutPoint {
    /// The run.
    pub label: String,
    /// Measured.
    pub measured: f64,
    /// Predicted, with the interval for a new reading.
    pub predicted: Ranged,
}

/// One quantity.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HeldOutPanel {
    /// What: "Temperature".
    pub name: String,
    /// Unit.
    pub unit: String,
    /// Runs.
    pub points: Vec<HeldOutPoint>,
}

/// Predicted against measured, a panel a quantity.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PredictedMeasured {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// Quantities.
    pub panels: Vec<HeldOutPanel>,
}

impl Chart for PredictedMeasured {
    fn name(&self) -> &'static str {
        "held-out"
    }

    fn title(&self) -> &str {
        &self.title
    }

    fn subtitle(&self) -> &str {
        &self.subtitle
    }

    fn draw(&self, look: &Look) -> Picture {
        let mut canvas = Canvas::new(look, self.name(), &self.title);
        let area = headed(&mut canvas, &self.title, &self.subtitle);
        let panels: Vec<Panel> = self.panels.iter().map(|p| p.panel(look)).collect();
        let below = keyed(&mut canvas, &self.keys(look), area);
        beside(&mut canvas, &panels, below, 330.0);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut table = Table::new(&["quantity", "run", "measured", "predicted", "from", "to"]);
        for panel in &self.panels {
            for point in &panel.points {
                table.rows.push(vec![
                    with_unit(&panel.name, &panel.unit),
                    point.label.clone(),
                    short(point.measured),
                    short(point.predicted.value),
                    short(point.predicted.lo),
                    short(point.predicted.hi),
                ]);
            }
        }
        table
    }
}

impl PredictedMeasured {
    fn keys(&self, look: &Look) -> Vec<Key> {
        let mut keys = Vec::new();
        for (inside, words) in [(true, "within its interval"), (false, "outside")] {
            let mut points = self.panels.iter().flat_map(|p| &p.points);
            if points.any(|p| p.is_inside() == inside) {
                let (colour, shape) = paint(inside, look);
                keys.push(Key::new(words, colour, Swatch::Mark(shape, inside)));
            }
        }
        keys.push(Key::new("equal", look.theme.muted, Swatch::Line("2 4")));
        keys
    }
}

impl HeldOutPanel {
    fn panel(&self, look: &Look) -> Panel {
        let theme = look.theme;
        let mut range = Range::NONE;
        for point in &self.points {
            for value in [point.measured, point.predicted.lo, point.predicted.hi] {
                range.include(value);
            }
        }
        let range = range.drawable();
        let x = Axis::new(&with_unit("Measured", &self.unit), range, Ends::Round);
        let mut panel = Panel::new(&self.name, &self.unit, x, Ends::Round);
        panel.heading = format!("{} predicted, {}", self.name, self.unit);
        panel.y.range = range;
        panel.lines.push(Line {
            name: "equal".to_owned(),
            xs: vec![range.lo, range.hi],
            ys: vec![range.lo, range.hi],
            colour: theme.muted,
            dash: "2 4",
            width: 1.4,
            breaks: Breaks::Missing,
        });
        panel.marks = self.points.iter().map(|p| self.mark(p, look)).collect();
        panel
    }

    fn mark(&self, point: &HeldOutPoint, look: &Look) -> Mark {
        let inside = point.is_inside();
        let (colour, shape) = paint(inside, look);
        Mark {
            x: Ranged::exact(point.measured),
            y: point.predicted,
            shape,
            filled: inside,
            colour,
            label: point.label.clone(),
            named: !point.label.is_empty(),
            tooltip: format!(
                "{}: measured {} {unit}, predicted {} ({} to {})",
                point.label,
                short(point.measured),
                short(point.predicted.value),
                short(point.predicted.lo),
                short(point.predicted.hi),
                unit = self.unit
            ),
            priority: if inside { 0 } else { 10 },
            ringed: false,
        }
    }
}

impl HeldOutPoint {
    fn is_inside(&self) -> bool {
        (self.predicted.lo..=self.predicted.hi).contains(&self.measured)
    }
}

/// Filled circles where the interval holds what was measured, hollow triangles where not.
fn paint(inside: bool, look: &Look) -> (&'static str, Shape) {
    if inside {
        (look.theme.series(0), Shape::Circle)
    } else {
        (look.theme.limit, Shape::Triangle)
    }
}
