//! A fan curve, and the temperatures that it meets.

use super::curves::{
    Curve, Marked, MarkedRange, Reading, add_curves, add_limit, add_range, add_readings, rows,
    table,
};
use crate::canvas::Canvas;
use crate::frame::headed;
use crate::panel::{Axis, Panel, beside, with_unit};
use crate::scale::{Ends, Range};
use crate::{Chart, Look, Picture, Table};

/// Fan speed against the temperature that controls it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FanCurveChart {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// Unit of fan speed.
    pub speed_unit: String,
    /// Curves with bands.
    pub curves: Vec<Curve>,
    /// Measured.
    pub readings: Vec<Reading>,
    /// Temperatures that it meets, °C.
    pub met: Vec<MarkedRange>,
    /// Ceiling of the speed.
    pub ceiling: Option<Marked>,
}

impl Chart for FanCurveChart {
    fn name(&self) -> &'static str {
        "fan-curve"
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
        let x = Axis::new("Package temperature, °C", Range::NONE, Ends::Exact);
        let mut panel = Panel::new("Fan speed", &self.speed_unit, x, Ends::Round);
        for met in &self.met {
            add_range(&mut panel, met, look);
        }
        add_curves(&mut panel, &self.curves, look, 0);
        add_readings(&mut panel, &self.readings, "°C", look);
        if let Some(ceiling) = &self.ceiling {
            add_limit(&mut panel, ceiling, false, look);
        }
        panel.fit_x();
        panel.x.range = panel.x.range.padded();
        panel.y.range.include(0.0);
        panel.fit_y();
        beside(&mut canvas, &[panel], area, 300.0);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut table = table("package, °C", &with_unit("fan speed", &self.speed_unit));
        rows(&mut table, "fan speed", &self.curves, &self.readings);
        for met in &self.met {
            table.rows.push(vec![
                met.label.clone(),
                String::new(),
                crate::short(met.lo),
                String::new(),
                crate::short(met.lo),
                crate::short(met.hi),
            ]);
        }
        table
    }
}
