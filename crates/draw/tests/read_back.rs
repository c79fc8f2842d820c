//! Numbers read back from the markup, as a script on a page would, against those that were given.

#[path = "support/samples.rs"]
#[allow(dead_code, reason = "each test file uses its own part of it")]
mod samples;

use std::collections::BTreeMap;

use roxmltree::{Document, Node};
use settlepoint_draw::{Chart, LIGHT, Look, Ranged};

type Point = (f64, f64);

/// A drawn area with its axes.
struct Plot<'a, 'input> {
    node: Node<'a, 'input>,
    x: Axis,
    y: Axis,
}

struct Axis {
    from: f64,
    to: f64,
    lo: f64,
    hi: f64,
    log: bool,
}

impl Axis {
    fn of(node: Node<'_, '_>, letter: char) -> Self {
        let number = |what: &str| -> f64 {
            let name = format!("data-{letter}-{what}");
            node.attribute(name.as_str())
                .expect("the axis")
                .parse()
                .expect("a number")
        };
        Self {
            from: number("from"),
            to: number("to"),
            lo: number("lo"),
            hi: number("hi"),
            log: node
                .attribute(format!("data-{letter}-log").as_str())
                .is_some(),
        }
    }

    fn value(&self, px: f64) -> f64 {
        let share = (px - self.from) / (self.to - self.from);
        if self.log {
            (self.lo.ln() + share * (self.hi.ln() - self.lo.ln())).exp()
        } else {
            self.lo + share * (self.hi - self.lo)
        }
    }

    fn px(&self, value: f64) -> f64 {
        let share = if self.log {
            (value.ln() - self.lo.ln()) / (self.hi.ln() - self.lo.ln())
        } else {
            (value - self.lo) / (self.hi - self.lo)
        };
        self.from + share * (self.to - self.from)
    }
}

fn plots<'a, 'input>(document: &'a Document<'input>) -> Vec<Plot<'a, 'input>> {
    document
        .descendants()
        .filter(|n| n.attribute("class") == Some("plot"))
        .map(|node| Plot {
            node,
            x: Axis::of(node, 'x'),
            y: Axis::of(node, 'y'),
        })
        .collect()
}

impl<'a, 'input> Plot<'a, 'input> {
    fn of_class(&self, class: &str) -> Vec<Node<'a, 'input>> {
        let all = self.node.descendants();
        all.filter(|n| n.attribute("class") == Some(class))
            .collect()
    }

    fn line(&self, name: &str) -> Vec<Vec<Point>> {
        let lines = self.of_class("series");
        let own = lines
            .iter()
            .find(|n| n.attribute("data-name") == Some(name));
        path(own.expect("the line").attribute("d").expect("a path"))
    }

    fn values(&self, piece: &[Point]) -> Vec<Point> {
        piece
            .iter()
            .map(|p| (self.x.value(p.0), self.y.value(p.1)))
            .collect()
    }
}

/// Pieces of a path of the forms that the writer uses: `M x y l dx dy …` and `M x y L x y` (SVG 2,
/// 9.3: numbers may run together where a sign or a second point begins the next).
fn path(data: &str) -> Vec<Vec<Point>> {
    let mut pieces = Vec::new();
    for piece in data.split('M').skip(1) {
        let relative = piece.contains('l');
        let numbers = numbers(&piece.replace(['l', 'L', 'z'], " "));
        let mut points: Vec<Point> = Vec::new();
        for pair in numbers.chunks_exact(2) {
            let last = points.last().copied().filter(|_| relative);
            let (x, y) = last.unwrap_or((0.0, 0.0));
            points.push((x + pair[0], y + pair[1]));
        }
        pieces.push(points);
    }
    pieces
}

fn numbers(text: &str) -> Vec<f64> {
    let mut words: Vec<String> = vec![String::new()];
    for sign in text.chars() {
        let own = words.last().cloned().unwrap_or_default();
        let begins = sign == '-' || sign == ' ' || (sign == '.' && own.contains('.'));
        if begins && !own.is_empty() {
            words.push(String::new());
        }
        if sign != ' ' {
            words.last_mut().expect("never empty").push(sign);
        }
    }
    words
        .iter()
        .filter(|w| !w.is_empty())
        .map(|w| w.parse().expect("a number"))
        .collect()
}

/// Coordinates are rounded to tenths, so a value is off by at most half of one.
const ROUNDED_PX: f64 = 0.051;

fn look() -> Look {
    Look::new(1280.0, 720.0, &LIGHT)
}

/// Lowest and highest drawn and given, by column of pixels: the same within a pixel.
#[test]
fn a_long_series_keeps_the_ends_of_every_column() {
    let mut run = samples::run(50_000);
    let spike = 31_415;
    run.panels[0].series[0].values[spike] = 260.0;
    for look in [look(), look().reduced_to(600)] {
        let columns = look.columns.map_or(1.0, |c| 1200.0 / f64::from(c));
        let svg = run.draw(&look).svg;
        let document = Document::parse(&svg).expect("an SVG");
        let plots = plots(&document);
        assert_eq!(plots.len(), 3);
        for (plot, panel) in plots.iter().zip(&run.panels) {
            let series = &panel.series[0];
            let drawn = plot.line(&series.name).concat();
            let given = run.time_s.iter().zip(&series.values);
            let given: Vec<Point> = given
                .map(|(t, v)| (plot.x.px(t / 60.0), plot.y.px(*v)))
                .collect();
            compare_columns(&drawn, &given, 2.0 * columns);
        }
        let drawn = plots[0].line("package").concat();
        let top = drawn
            .iter()
            .map(|p| plots[0].y.value(p.1))
            .fold(0.0, f64::max);
        let pixel_w = (plots[0].y.hi - plots[0].y.lo) / (plots[0].y.from - plots[0].y.to);
        assert!(
            (top - 260.0).abs() <= ROUNDED_PX * pixel_w,
            "the spike is at {top} W"
        );
    }
}

/// Each drawn point lies between what was given within `width` px of it, and each column of that width
/// reaches as far up and down.
fn compare_columns(drawn: &[Point], given: &[Point], width: f64) {
    let ends = |points: &[Point]| {
        let mut ends: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
        for (x, y) in points {
            #[expect(clippy::cast_possible_truncation, reason = "pixels of a picture")]
            let column = (x / width).floor() as i64;
            let own = ends.entry(column).or_insert((*y, *y));
            *own = (own.0.min(*y), own.1.max(*y));
        }
        ends
    };
    let (drawn, given) = (ends(drawn), ends(given));
    for (column, own) in &drawn {
        // Columns of the reduction and of this test meet at different places: neighbours count too.
        let near: Vec<(f64, f64)> = (column - 1..=column + 1)
            .filter_map(|c| given.get(&c).copied())
            .collect();
        let lo = near.iter().map(|e| e.0).fold(f64::INFINITY, f64::min);
        let hi = near.iter().map(|e| e.1).fold(f64::NEG_INFINITY, f64::max);
        assert!(
            own.0 >= lo - 1.0 && own.1 <= hi + 1.0,
            "{column}: {own:?} in {near:?}"
        );
    }
    for (column, own) in &given {
        let near: Vec<(f64, f64)> = (column - 1..=column + 1)
            .filter_map(|c| drawn.get(&c).copied())
            .collect();
        let lo = near.iter().map(|e| e.0).fold(f64::INFINITY, f64::min);
        let hi = near.iter().map(|e| e.1).fold(f64::NEG_INFINITY, f64::max);
        assert!(
            own.0 >= lo - 1.0 && own.1 <= hi + 1.0,
            "{column}: {own:?} not in {near:?}"
        );
    }
}

/// Curves are drawn through every one of their points, on straight axes and on a logarithmic one.
#[test]
fn curves_pass_through_their_points() {
    let (capacity, impedance) = (samples::capacity(8), samples::impedance());
    let cases: [(&dyn Chart, Vec<&settlepoint_draw::Curve>); 2] = [
        (&capacity, capacity.rooms.iter().collect()),
        (&impedance, impedance.curves.iter().collect()),
    ];
    for (chart, curves) in cases {
        let svg = chart.draw(&look()).svg;
        let document = Document::parse(&svg).expect("an SVG");
        let plot = &plots(&document)[0];
        for curve in curves {
            let drawn = plot.line(&curve.name).concat();
            assert_eq!(drawn.len(), curve.xs.len(), "{}", curve.name);
            for ((x, y), at) in curve.xs.iter().zip(&curve.ys).zip(drawn) {
                let off = (at.0 - plot.x.px(*x)).hypot(at.1 - plot.y.px(y.value));
                assert!(
                    off <= 1.5 * ROUNDED_PX,
                    "{}: {x}, {}: {off} px",
                    curve.name,
                    y.value
                );
            }
        }
    }
}

#[test]
fn bars_end_at_the_bounds() {
    let held_out = samples::held_out();
    let svg = held_out.draw(&look()).svg;
    let document = Document::parse(&svg).expect("an SVG");
    for (plot, panel) in plots(&document).iter().zip(&held_out.panels) {
        let points = plot.of_class("point");
        assert_eq!(points.len(), panel.points.len());
        for (node, point) in points.iter().zip(&panel.points) {
            assert_eq!(node.attribute("data-label"), Some(point.label.as_str()));
            let bars = node
                .descendants()
                .filter(|n| n.attribute("class") == Some("interval"));
            let bar = bars
                .filter_map(|n| n.attribute("d"))
                .map(path)
                .next()
                .expect("a bar");
            let ends = plot.values(&bar[0]);
            let Ranged { lo, hi, .. } = point.predicted;
            let pixel = (plot.y.hi - plot.y.lo) / (plot.y.from - plot.y.to);
            let slack = ROUNDED_PX * pixel.abs();
            assert!(
                (ends[0].1 - lo).abs() <= slack && (ends[1].1 - hi).abs() <= slack,
                "{ends:?}"
            );
        }
    }
}

/// The frontier of the trade-off by its definition: a setting is on it if none costs as little or less
/// and gives more.
#[test]
fn the_frontier_joins_what_nothing_beats() {
    let chart = samples::trade_off(18);
    let svg = chart.draw(&look()).svg;
    let document = Document::parse(&svg).expect("an SVG");
    for (place, plot) in plots(&document).iter().enumerate() {
        let all: Vec<Point> = chart
            .points
            .iter()
            .filter_map(|p| Some((p.costs[place]?.value, p.work.value)))
            .collect();
        let unbeaten: Vec<&Point> = all
            .iter()
            .filter(|a| !all.iter().any(|b| b.0 <= a.0 && b.1 > a.1))
            .collect();
        let corners = plot.line("frontier").concat();
        let on = |point: &Point| {
            let at = (plot.x.px(point.0), plot.y.px(point.1));
            corners
                .iter()
                .any(|c| (c.0 - at.0).hypot(c.1 - at.1) <= 2.0 * ROUNDED_PX)
        };
        assert!(unbeaten.len() >= 9);
        assert!(unbeaten.iter().all(|p| on(p)));
        let beaten = all.iter().filter(|p| !unbeaten.contains(p));
        assert!(beaten.clone().count() >= 1 && beaten.clone().all(|p| !on(p)));
    }
}

/// Along an iso line the quantity has its level: the sample's closed form is evaluated there.
#[test]
fn iso_lines_lie_where_the_temperature_is_theirs() {
    let map = samples::map();
    let svg = map.draw(&look()).svg;
    let document = Document::parse(&svg).expect("an SVG");
    let plot = &plots(&document)[0];
    let lines = plot.of_class("trace");
    let settled = |room: f64, w: f64| room + 2.0 + 0.38 * w + 0.0004 * w * w;
    let mut levels = 0;
    for line in lines {
        let name = line.attribute("data-name").expect("a name");
        let Some(level) = name.strip_suffix(" °C").and_then(|t| t.parse::<f64>().ok()) else {
            continue;
        };
        levels += 1;
        for piece in path(line.attribute("d").expect("a path")) {
            for (room, w) in plot.values(&piece) {
                // A cell is 5 W high, over which the square bends by 0.0004 * 5^2 / 8 K; 0.05 px are
                // below 0.02 K here.
                let off = settled(room, w) - level;
                assert!(
                    off.abs() < 0.03,
                    "{level} °C at {room}, {w}: off by {off} K"
                );
            }
        }
    }
    assert!(levels >= 5, "{levels} lines");
}

#[test]
fn forest_rows_read_back_as_ratios() {
    let forest = samples::forest(5);
    let svg = forest.draw(&look()).svg;
    let document = Document::parse(&svg).expect("an SVG");
    let plot = document
        .descendants()
        .find(|n| n.attribute("class") == Some("plot"))
        .expect("a plot");
    let x = Axis::of(plot, 'x');
    let points = plot
        .descendants()
        .filter(|n| n.attribute("class") == Some("point"));
    let mut seen = 0;
    for (node, row) in points.zip(&forest.rows) {
        let bars = node
            .descendants()
            .filter(|n| n.attribute("class") == Some("interval"));
        let bar = bars
            .filter_map(|n| n.attribute("d"))
            .map(path)
            .next()
            .expect("a bar");
        let slack = ROUNDED_PX * (x.hi - x.lo) / (x.to - x.from);
        assert!((x.value(bar[0][0].0) - row.ratio.lo).abs() <= slack);
        assert!((x.value(bar[0][1].0) - row.ratio.hi).abs() <= slack);
        seen += 1;
    }
    assert_eq!(seen, forest.rows.len());
}
