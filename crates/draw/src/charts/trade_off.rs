//! Work against noise and temperature: what each setting costs and gains.

use crate::canvas::Canvas;
use crate::frame::{Key, Shape, Swatch, headed, keyed};
use crate::panel::{Axis, Line, Mark, Panel, Rule, beside, with_unit};
use crate::reduce::Breaks;
use crate::scale::{Ends, Range};
use crate::{Chart, Look, Picture, Ranged, Table};

/// What is said of a setting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// To be used.
    Recommended,
    /// The next quieter or faster.
    Neighbour,
    /// Keeps every bound.
    Keeps,
    /// Passes a bound.
    Breaks,
}

/// A quantity that work is set against.
#[derive(Clone, Debug, PartialEq)]
pub struct TradeAxis {
    /// What: "Level".
    pub name: String,
    /// Unit.
    pub unit: String,
    /// Bound, with its words.
    pub bound: Option<(f64, String)>,
}

/// A setting.
#[derive(Clone, Debug, PartialEq)]
pub struct TradePoint {
    /// What to type: "130 W".
    pub label: String,
    /// Work.
    pub work: Ranged,
    /// One value for each axis; `None` where it is not known.
    pub costs: Vec<Option<Ranged>>,
    /// What is said of it.
    pub standing: Standing,
}

/// Settings by what they give and cost; less of each cost is better, more work is better.
#[derive(Clone, Debug, PartialEq)]
pub struct TradeOff {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// Name of work: "Work, % of the fastest".
    pub work_name: String,
    /// Unit of work.
    pub work_unit: String,
    /// What it is set against; a panel each.
    pub axes: Vec<TradeAxis>,
    /// Settings.
    pub points: Vec<TradePoint>,
}

impl Chart for TradeOff {
    fn name(&self) -> &'static str {
        "trade-off"
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
        let below = keyed(&mut canvas, &self.keys(look), area);
        let panels: Vec<Panel> = (0..self.axes.len()).map(|i| self.panel(i, look)).collect();
        beside(&mut canvas, &panels, below, 380.0);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut header = vec![
            "setting".to_owned(),
            with_unit(&self.work_name, &self.work_unit),
        ];
        header.extend(self.axes.iter().map(|a| with_unit(&a.name, &a.unit)));
        header.push("standing".to_owned());
        let rows = self.points.iter().map(|point| {
            let mut row = vec![point.label.clone(), point.work.text(1)];
            row.extend(
                point
                    .costs
                    .iter()
                    .map(|c| c.map_or_else(|| "–".to_owned(), |c| c.text(1))),
            );
            row.push(point.standing.words().to_owned());
            row
        });
        Table {
            header,
            rows: rows.collect(),
        }
    }
}

impl TradePoint {
    /// Recommended or next to it.
    fn stands_out(&self) -> bool {
        matches!(self.standing, Standing::Recommended | Standing::Neighbour)
    }
}

/// Whether a point is one of the corners of the frontier.
fn corner((xs, ys): &(Vec<f64>, Vec<f64>), x: f64, y: f64) -> bool {
    let mut corners = xs.iter().zip(ys);
    corners.any(|(a, b)| a.total_cmp(&x).is_eq() && b.total_cmp(&y).is_eq())
}

impl Standing {
    fn words(self) -> &'static str {
        match self {
            Self::Recommended => "recommended",
            Self::Neighbour => "next quieter or faster",
            Self::Keeps => "keeps every bound",
            Self::Breaks => "passes a bound",
        }
    }

    fn look(self, look: &Look) -> (&'static str, Shape, bool) {
        let theme = look.theme;
        match self {
            Self::Recommended => (theme.chosen, Shape::Diamond, true),
            Self::Neighbour => (theme.series(0), Shape::Square, true),
            Self::Keeps => (theme.series(0), Shape::Circle, true),
            Self::Breaks => (theme.muted, Shape::Circle, false),
        }
    }
}

impl TradeOff {
    fn keys(&self, look: &Look) -> Vec<Key> {
        use Standing::{Breaks, Keeps, Neighbour, Recommended};
        let mut keys: Vec<Key> = [Recommended, Neighbour, Keeps, Breaks]
            .into_iter()
            .filter(|s| self.points.iter().any(|p| p.standing == *s))
            .map(|s| {
                let (colour, shape, filled) = s.look(look);
                Key::new(s.words(), colour, Swatch::Mark(shape, filled))
            })
            .collect();
        if self.points.len() > 1 {
            let swatch = Swatch::Line(FRONTIER);
            keys.push(Key::new(
                "nothing better on both counts",
                look.theme.chosen,
                swatch,
            ));
        }
        keys
    }

    fn panel(&self, place: usize, look: &Look) -> Panel {
        let theme = look.theme;
        let axis = &self.axes[place];
        let x = Axis::new(&with_unit(&axis.name, &axis.unit), Range::NONE, Ends::Round);
        let mut panel = Panel::new(&self.work_name, &self.work_unit, x, Ends::Round);
        let stairs = self.frontier(place, f64::NAN);
        for point in &self.points {
            let Some(cost) = point.costs.get(place).copied().flatten() else {
                continue;
            };
            let mut mark = self.mark(point, cost, axis, look);
            // Names of all would hide what they name: the others have tooltips and the table.
            mark.named = point.stands_out() || corner(&stairs, cost.value, point.work.value);
            panel.marks.push(mark);
        }
        panel.fit_x();
        panel.fit_y();
        if let Some((bound, words)) = &axis.bound {
            panel.x.range.include(*bound);
            panel.rules.push(Rule {
                at: *bound,
                upright: true,
                label: words.clone(),
                colour: theme.limit,
                dash: "7 4",
            });
        }
        let (xs, ys) = self.frontier(place, panel.x.range.hi);
        panel.lines.push(Line {
            name: "frontier".to_owned(),
            xs,
            ys,
            colour: theme.chosen,
            dash: FRONTIER,
            width: 1.6,
            breaks: Breaks::Missing,
        });
        panel
    }

    fn mark(&self, point: &TradePoint, cost: Ranged, axis: &TradeAxis, look: &Look) -> Mark {
        let (colour, shape, filled) = point.standing.look(look);
        Mark {
            x: cost,
            y: point.work,
            shape,
            filled,
            colour,
            label: point.label.clone(),
            named: true,
            tooltip: format!(
                "{}: {} {}, {} {}; {}",
                point.label,
                point.work.text(1),
                self.work_unit,
                cost.text(1),
                axis.unit,
                point.standing.words()
            ),
            priority: match point.standing {
                Standing::Recommended => 100,
                Standing::Neighbour => 50,
                Standing::Keeps => 10,
                Standing::Breaks => 0,
            },
            ringed: point.standing == Standing::Recommended,
        }
    }

    /// Corners of the stairs below which no setting gives more work for less of one cost.
    pub fn frontier(&self, place: usize, until: f64) -> (Vec<f64>, Vec<f64>) {
        let mut all: Vec<(f64, f64)> = self
            .points
            .iter()
            .filter_map(|p| Some((p.costs.get(place).copied()??.value, p.work.value)))
            .filter(|(x, y)| x.is_finite() && y.is_finite())
            .collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0).then(b.1.total_cmp(&a.1)));
        let (mut xs, mut ys): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
        for (x, y) in all {
            match ys.last().copied() {
                Some(best) if y <= best => {}
                Some(best) => {
                    xs.extend([x, x]);
                    ys.extend([best, y]);
                }
                None => {
                    xs.push(x);
                    ys.push(y);
                }
            }
        }
        if let Some(&best) = ys.last() {
            xs.push(until);
            ys.push(best);
        }
        (xs, ys)
    }
}

/// Dots of the frontier.
const FRONTIER: &str = "1.5 5";
