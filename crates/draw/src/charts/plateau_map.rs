//! Where a machine settles: temperature over room and watts.

use crate::canvas::Canvas;
use crate::contour::Grid;
use crate::frame::{Key, Shape, Swatch, headed};
use crate::panel::{Area, Axis, Mark, Panel, Trace, beside, with_unit};
use crate::scale::{Ends, Range, Scale};
use crate::theme::RAMP;
use crate::{Chart, Look, Picture, Ranged, Table, plain};

/// A line on the map along which another quantity has a level: where a limit begins to act.
#[derive(Clone, Debug, PartialEq)]
pub struct MapLimit {
    /// As shown: "100 °C limit".
    pub label: String,
    /// The quantity, on the same grid.
    pub values: Vec<Vec<f64>>,
    /// Its level.
    pub level: f64,
    /// Whether it is the edge of an interval rather than the likely place: dotted.
    pub edge: bool,
}

/// A run or setting on the map.
#[derive(Clone, Debug, PartialEq)]
pub struct MapPoint {
    /// As shown.
    pub label: String,
    /// Room, °C.
    pub room_c: f64,
    /// Watts.
    pub watts: f64,
    /// Recommended, rather than measured.
    pub chosen: bool,
}

/// Settled temperature over room and watts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PlateauMap {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// Name of the watts: "Sustained limit (PL1)".
    pub watts_name: String,
    /// Rooms, °C, rising.
    pub room_c: Vec<f64>,
    /// Watts, rising.
    pub watts: Vec<f64>,
    /// Settled temperature, °C: a row for each of the watts, in it a value for each room.
    pub package_c: Vec<Vec<f64>>,
    /// Limits.
    pub limits: Vec<MapLimit>,
    /// Runs and settings.
    pub points: Vec<MapPoint>,
}

impl Chart for PlateauMap {
    fn name(&self) -> &'static str {
        "map"
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
        beside(&mut canvas, &[self.panel(look)], area, 300.0);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut header = vec![with_unit(&self.watts_name, "W")];
        header.extend(
            self.room_c
                .iter()
                .map(|r| format!("{} °C room", plain(*r, 1))),
        );
        let rows = self.watts.iter().zip(&self.package_c).map(|(watts, line)| {
            let mut row = vec![plain(*watts, 0)];
            row.extend(line.iter().map(|t| plain(*t, 1)));
            row
        });
        Table {
            header,
            rows: rows.collect(),
        }
    }
}

impl PlateauMap {
    fn grid<'a>(&'a self, values: &'a [Vec<f64>]) -> Grid<'a> {
        Grid {
            xs: &self.room_c,
            ys: &self.watts,
            values,
        }
    }

    /// Levels of the lines: round numbers, at most as many as the ramp has steps.
    fn levels(&self) -> Vec<f64> {
        let range = Range::of(self.package_c.iter().flatten().copied());
        if range.lo >= range.hi {
            return Vec::new();
        }
        let mut count = 8.0;
        loop {
            let scale = Scale::new(range, Ends::Exact, count, (0.0, 1.0));
            if scale.ticks.len() < RAMP || count <= 1.0 {
                return scale.ticks;
            }
            count -= 1.0;
        }
    }

    fn panel(&self, look: &Look) -> Panel {
        let theme = look.theme;
        let x = Axis::new(
            "Room, °C",
            Range::of(self.room_c.iter().copied()),
            Ends::Exact,
        );
        let mut panel = Panel::new(&self.watts_name, "W", x, Ends::Exact);
        panel.y.range = Range::of(self.watts.iter().copied());
        let grid = self.grid(&self.package_c);
        let levels = self.levels();
        panel.areas.push(Area {
            polygons: grid.above(f64::NEG_INFINITY),
            colour: theme.ramp[0],
        });
        for (i, level) in levels.iter().enumerate() {
            panel.areas.push(Area {
                polygons: grid.above(*level),
                colour: theme.ramp[(i + 1).min(RAMP - 1)],
            });
            if self.is_limit(*level) {
                continue;
            }
            panel.traces.push(Trace {
                name: format!("{level} °C"),
                label: format!("{} °C", plain(*level, 0)),
                pieces: grid.lines(*level),
                colour: theme.ink,
                label_colour: theme.ink,
                dash: "",
                width: 0.9,
            });
        }
        self.add_limits(&mut panel, look);
        self.add_points(&mut panel, look);
        panel
    }

    /// Whether a limit's line is the one of this temperature: one line is enough.
    fn is_limit(&self, level: f64) -> bool {
        let mut limits = self.limits.iter();
        limits.any(|l| self.is_line(l) && (l.level - level).abs() < 1e-9)
    }

    /// Whether a limit is one of the temperatures that the map shows.
    fn is_line(&self, limit: &MapLimit) -> bool {
        !limit.edge && limit.values == self.package_c
    }

    fn add_limits(&self, panel: &mut Panel, look: &Look) {
        for limit in &self.limits {
            let dash = if limit.edge { "2 4" } else { "8 4" };
            panel.traces.push(Trace {
                name: limit.label.clone(),
                label: if self.is_line(limit) {
                    format!("{} °C", plain(limit.level, 0))
                } else {
                    String::new()
                },
                pieces: self.grid(&limit.values).lines(limit.level),
                colour: look.theme.limit,
                label_colour: look.theme.limit,
                dash,
                width: 2.2,
            });
            let swatch = Swatch::Line(dash);
            panel
                .keys
                .push(Key::new(&limit.label, look.theme.limit, swatch));
        }
    }

    fn add_points(&self, panel: &mut Panel, look: &Look) {
        let theme = look.theme;
        let kinds = [
            (false, "measured", theme.ink, Shape::Circle),
            (true, "recommended", theme.chosen, Shape::Diamond),
        ];
        for (chosen, words, colour, shape) in kinds {
            if self.points.iter().any(|p| p.chosen == chosen) {
                let swatch = Swatch::Mark(shape, true);
                panel.keys.push(Key::new(words, colour, swatch));
            }
            for point in self.points.iter().filter(|p| p.chosen == chosen) {
                panel.marks.push(Mark {
                    x: Ranged::exact(point.room_c),
                    y: Ranged::exact(point.watts),
                    shape,
                    filled: true,
                    colour,
                    label: point.label.clone(),
                    named: !point.label.is_empty(),
                    tooltip: format!(
                        "{}: {} °C room, {} W",
                        point.label,
                        plain(point.room_c, 1),
                        plain(point.watts, 0)
                    ),
                    priority: if chosen { 500 } else { 10 },
                    ringed: chosen,
                });
            }
        }
    }
}
