//! Work and clocks against watts.

use super::curves::{Curve, Reading, add_curves, add_readings, rows, table};
use crate::canvas::Canvas;
use crate::frame::headed;
use crate::panel::{Axis, Panel, stacked};
use crate::scale::{Ends, Range};
use crate::{Chart, Look, Picture, Table};

/// A quantity against watts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WattsPanel {
    /// What: "Work".
    pub name: String,
    /// Unit.
    pub unit: String,
    /// Curves with bands.
    pub curves: Vec<Curve>,
    /// Measured, used in the fit or not.
    pub readings: Vec<Reading>,
}

/// Work and clocks against the power of the package.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WorkByWatts {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// From the top.
    pub panels: Vec<WattsPanel>,
}

impl Chart for WorkByWatts {
    fn name(&self) -> &'static str {
        "work"
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
        let mut watts = Range::NONE;
        let mut colour = 0;
        let mut panels = Vec::new();
        for own in &self.panels {
            let x = Axis::new("Package power, W", Range::NONE, Ends::Exact);
            let mut panel = Panel::new(&own.name, &own.unit, x, Ends::Round);
            add_curves(&mut panel, &own.curves, look, colour);
            add_readings(&mut panel, &own.readings, "W", look);
            colour += own.curves.len();
            panel.fit_x();
            panel.x.range = panel.x.range.padded();
            panel.fit_y();
            watts.include(panel.x.range.lo);
            watts.include(panel.x.range.hi);
            panels.push(panel);
        }
        for panel in &mut panels {
            panel.x.range = watts;
        }
        stacked(&mut canvas, &panels, area, 0.0);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut table = table("package power, W", "value");
        for own in &self.panels {
            let what = crate::panel::with_unit(&own.name, &own.unit);
            rows(&mut table, &what, &own.curves, &own.readings);
        }
        table
    }
}
