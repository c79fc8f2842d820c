//! The boost budget: running averages of power against their limits.

use super::curves::{Marked, add_limit, add_note};
use crate::canvas::Canvas;
use crate::frame::{Key, Swatch, headed};
use crate::panel::{Axis, Line, Panel, beside};
use crate::reduce::Breaks;
use crate::scale::{Ends, Range};
use crate::{Chart, Look, Picture, Table, plain};

/// A tier of the limits with the average that it watches.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Budget {
    /// "average over 56 s".
    pub name: String,
    /// The average at each time, W.
    pub average_w: Vec<f64>,
    /// What it may not pass, W.
    pub limit: Option<Marked>,
}

/// Power and its averages while a boost lasts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BoostBudget {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// s from the start of the load.
    pub time_s: Vec<f64>,
    /// Power at each time, W.
    pub power_w: Vec<f64>,
    /// Tiers.
    pub budgets: Vec<Budget>,
    /// Power that is capped at once, W.
    pub cap: Option<Marked>,
    /// End of the boost, s.
    pub boost_end: Option<Marked>,
}

impl Chart for BoostBudget {
    fn name(&self) -> &'static str {
        "boost"
    }

    fn title(&self) -> &str {
        &self.title
    }

    fn subtitle(&self) -> &str {
        &self.subtitle
    }

    fn draw(&self, look: &Look) -> Picture {
        let theme = look.theme;
        let mut canvas = Canvas::new(look, self.name(), &self.title);
        let area = headed(&mut canvas, &self.title, &self.subtitle);
        let mut shown = Range::of(self.time_s.iter().copied());
        shown.include(0.0);
        let x = Axis::new("Time, s", shown, Ends::Exact);
        let mut panel = Panel::new("Power", "W", x, Ends::Round);
        let add = |panel: &mut Panel, name: &str, ys: &[f64], place: usize, dash| {
            let colour = theme.series(place);
            panel.lines.push(Line {
                name: name.to_owned(),
                xs: self.time_s.clone(),
                ys: ys.to_vec(),
                colour,
                dash,
                width: 2.0,
                breaks: Breaks::Missing,
            });
            panel.keys.push(Key::new(name, colour, Swatch::Line(dash)));
        };
        add(&mut panel, "power", &self.power_w, 0, "");
        for (i, budget) in self.budgets.iter().enumerate() {
            let dash = ["8 4", "2 4", "10 4 2 4"][i % 3];
            add(&mut panel, &budget.name, &budget.average_w, 1 + i, dash);
        }
        let limits = self.budgets.iter().filter_map(|b| b.limit.as_ref());
        for limit in limits.chain(&self.cap) {
            add_limit(&mut panel, limit, false, look);
        }
        if let Some(end) = &self.boost_end {
            add_note(&mut panel, end, true, look);
        }
        panel.y.range.include(0.0);
        panel.fit_y();
        beside(&mut canvas, &[panel], area, 300.0);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut header = vec!["time, s".to_owned(), "power, W".to_owned()];
        header.extend(self.budgets.iter().map(|b| format!("{}, W", b.name)));
        let step = self.time_s.len().div_ceil(200).max(1);
        let row = |i: usize| {
            let mut row = vec![plain(self.time_s[i], 1)];
            let averages = self.budgets.iter().map(|b| &b.average_w);
            row.extend(
                std::iter::once(&self.power_w)
                    .chain(averages)
                    .map(|list| list.get(i).map_or("–".into(), |v| plain(*v, 1))),
            );
            row
        };
        Table {
            header,
            rows: (0..self.time_s.len()).step_by(step).map(row).collect(),
        }
    }
}
