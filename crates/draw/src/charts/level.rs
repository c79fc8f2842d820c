//! Sound level against fan speed.

use super::curves::{
    Curve, Marked, Reading, add_curves, add_limit, add_note, add_readings, rows, table,
};
use crate::canvas::Canvas;
use crate::frame::headed;
use crate::panel::{Axis, Panel, beside, with_unit};
use crate::scale::{Ends, Range};
use crate::{Chart, Look, Picture, Table};

/// Level against fan speed, with the background and the speeds that ring.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LevelBySpeed {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// Unit of fan speed.
    pub speed_unit: String,
    /// Curves, dB(A): with the background, and the fans alone.
    pub curves: Vec<Curve>,
    /// Measured, dB(A).
    pub readings: Vec<Reading>,
    /// Background, dB(A).
    pub background: Option<Marked>,
    /// Bound, dB(A).
    pub bound: Option<Marked>,
    /// Speeds at which something rings.
    pub resonances: Vec<Marked>,
}

impl Chart for LevelBySpeed {
    fn name(&self) -> &'static str {
        "level"
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
        let mut panel = Panel::new("Level", "dB(A)", x, Ends::Round);
        add_curves(&mut panel, &self.curves, look, 0);
        add_readings(&mut panel, &self.readings, &self.speed_unit, look);
        for resonance in &self.resonances {
            add_note(&mut panel, resonance, true, look);
        }
        if let Some(background) = &self.background {
            add_note(&mut panel, background, false, look);
        }
        if let Some(bound) = &self.bound {
            add_limit(&mut panel, bound, false, look);
        }
        panel.fit_x();
        panel.x.range = panel.x.range.padded();
        panel.fit_y();
        beside(&mut canvas, &[panel], area, 300.0);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut table = table(&with_unit("fan speed", &self.speed_unit), "dB(A)");
        rows(&mut table, "level", &self.curves, &self.readings);
        let marks = self.background.iter().chain(&self.bound);
        for mark in marks.chain(&self.resonances) {
            let cells = [mark.label.as_str(), "", "", "", "", ""];
            table.rows.push(cells.map(str::to_owned).to_vec());
        }
        table
    }
}
