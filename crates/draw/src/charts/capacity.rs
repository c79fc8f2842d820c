//! Watts that a cooling holds against fan speed, for several rooms.

use super::curves::{Curve, Marked, add_curves, add_limit, rows, table};
use crate::canvas::Canvas;
use crate::frame::headed;
use crate::panel::{Axis, Panel, beside, with_unit};
use crate::scale::{Ends, Range};
use crate::{Chart, Look, Picture, Table};

/// Capacity against fan speed, a curve a room.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CapacityBySpeed {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// Unit of fan speed: rpm, or % of full speed.
    pub speed_unit: String,
    /// A curve a room, W.
    pub rooms: Vec<Curve>,
    /// Watts to be held, if any.
    pub wanted: Vec<Marked>,
}

impl Chart for CapacityBySpeed {
    fn name(&self) -> &'static str {
        "capacity"
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
        let title = with_unit("Fan speed", &self.speed_unit);
        let x = Axis::new(&title, Range::NONE, Ends::Exact);
        let mut panel = Panel::new("Watts held", "W", x, Ends::Round);
        add_curves(&mut panel, &self.rooms, look, 0);
        for wanted in &self.wanted {
            add_limit(&mut panel, wanted, false, look);
        }
        panel.fit_x();
        panel.x.range = panel.x.range.padded();
        panel.fit_y();
        panel.y.range = panel.y.range.drawable().with_near_zero();
        beside(&mut canvas, &[panel], area, 300.0);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut table = table(&with_unit("fan speed", &self.speed_unit), "W");
        rows(&mut table, "watts held", &self.rooms, &[]);
        table
    }
}
