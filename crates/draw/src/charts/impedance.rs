//! Transient thermal impedance: the rise per watt after a step of power.

use super::curves::{Curve, Marked, add_curves, add_note, rows, table};
use crate::canvas::Canvas;
use crate::frame::headed;
use crate::panel::{Axis, Panel, beside};
use crate::scale::{Ends, Range};
use crate::{Chart, Look, Picture, Table, short};

/// A stage of the network, in Foster form.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImpedanceStage {
    /// K/W.
    pub resistance_k_per_w: f64,
    /// s.
    pub time_constant_s: f64,
}

/// Zth(t) as JESD51-14 plots it: K/W against the logarithm of time since a step of power.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ThermalImpedance {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// Curves, K/W against s.
    pub curves: Vec<Curve>,
    /// Stages, marked at their time constants.
    pub stages: Vec<ImpedanceStage>,
}

impl Chart for ThermalImpedance {
    fn name(&self) -> &'static str {
        "impedance"
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
        let x = Axis::new("Time since a step of power, s", Range::NONE, Ends::Log);
        let mut panel = Panel::new("Thermal impedance", "K/W", x, Ends::Round);
        add_curves(&mut panel, &self.curves, look, 0);
        for stage in &self.stages {
            let mark = Marked {
                value: stage.time_constant_s,
                label: format!(
                    "{} K/W, {} s",
                    short(stage.resistance_k_per_w),
                    short(stage.time_constant_s)
                ),
            };
            add_note(&mut panel, &mark, true, look);
        }
        panel.fit_x();
        panel.y.range.include(0.0);
        panel.fit_y();
        beside(&mut canvas, &[panel], area, 300.0);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut table = table("time, s", "K/W");
        rows(&mut table, "thermal impedance", &self.curves, &[]);
        for (i, stage) in self.stages.iter().enumerate() {
            table.rows.push(vec![
                format!("stage {}", i + 1),
                String::new(),
                short(stage.time_constant_s),
                short(stage.resistance_k_per_w),
                String::new(),
                String::new(),
            ]);
        }
        table
    }
}
