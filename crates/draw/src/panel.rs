//! An area with two axes: shades, bands, lines, rules and marks, with their labels.

use crate::canvas::{Canvas, Stroke, Text, base_line, escaped, line_height};
use crate::font::{Weight, width};
use crate::frame::{Flow, Key, Shape, Type, flow, mark};
use crate::geometry::{Point, Rect};
use crate::label::{Label, Obstacles, Placed, around, place};
use crate::number::exact;
use crate::reduce::{Breaks, Keep, band, pieces};
use crate::scale::{Ends, Range, Scale};
use crate::{Look, Ranged};

/// Radius of a mark, px.
const RADIUS: f64 = 5.0;
/// Columns of a series on a page, where half the detail is enough to see every spike.
const PAGE_COLUMNS: f64 = 1200.0;

/// An axis to be.
#[derive(Clone, Debug)]
pub(crate) struct Axis {
    pub(crate) title: String,
    pub(crate) range: Range,
    pub(crate) ends: Ends,
}

impl Axis {
    pub(crate) fn new(title: &str, range: Range, ends: Ends) -> Self {
        Self {
            title: title.to_owned(),
            range,
            ends,
        }
    }
}

/// A tinted stretch of x.
#[derive(Clone, Debug)]
pub(crate) struct Shade {
    pub(crate) from: f64,
    pub(crate) to: f64,
    pub(crate) label: String,
    pub(crate) colour: &'static str,
    pub(crate) opacity: f64,
}

/// A band around a line.
#[derive(Clone, Debug)]
pub(crate) struct Band {
    pub(crate) xs: Vec<f64>,
    pub(crate) lo: Vec<f64>,
    pub(crate) hi: Vec<f64>,
    pub(crate) colour: &'static str,
}

/// A line.
#[derive(Clone, Debug)]
pub(crate) struct Line {
    pub(crate) name: String,
    pub(crate) xs: Vec<f64>,
    pub(crate) ys: Vec<f64>,
    pub(crate) colour: &'static str,
    pub(crate) dash: &'static str,
    pub(crate) width: f64,
    pub(crate) breaks: Breaks,
}

/// Polygons of one colour, together one shape without seams.
#[derive(Clone, Debug)]
pub(crate) struct Area {
    pub(crate) polygons: Vec<Vec<Point>>,
    pub(crate) colour: &'static str,
}

/// A line of any form, with a label on it.
#[derive(Clone, Debug)]
pub(crate) struct Trace {
    pub(crate) name: String,
    /// Blank for none.
    pub(crate) label: String,
    pub(crate) pieces: Vec<Vec<Point>>,
    pub(crate) colour: &'static str,
    pub(crate) label_colour: &'static str,
    pub(crate) dash: &'static str,
    pub(crate) width: f64,
}

/// A straight line across the plot: a limit, a bound, a reference.
#[derive(Clone, Debug)]
pub(crate) struct Rule {
    pub(crate) at: f64,
    pub(crate) upright: bool,
    pub(crate) label: String,
    pub(crate) colour: &'static str,
    pub(crate) dash: &'static str,
}

/// A point with intervals.
#[derive(Clone, Debug)]
pub(crate) struct Mark {
    pub(crate) x: Ranged,
    pub(crate) y: Ranged,
    pub(crate) shape: Shape,
    pub(crate) filled: bool,
    pub(crate) colour: &'static str,
    pub(crate) label: String,
    /// Whether the label is written beside it; one that is not stands in tooltip and table.
    pub(crate) named: bool,
    /// Blank for none; shown while the pointer is on it.
    pub(crate) tooltip: String,
    pub(crate) priority: i32,
    /// Ringed, for what is recommended.
    pub(crate) ringed: bool,
}

/// An area with axes, to be drawn.
#[derive(Clone, Debug)]
pub(crate) struct Panel {
    /// Name of what y shows, for scripts.
    pub(crate) name: String,
    pub(crate) unit: String,
    pub(crate) heading: String,
    pub(crate) keys: Vec<Key>,
    pub(crate) x: Axis,
    pub(crate) y: Axis,
    pub(crate) areas: Vec<Area>,
    pub(crate) traces: Vec<Trace>,
    pub(crate) shades: Vec<Shade>,
    pub(crate) bands: Vec<Band>,
    pub(crate) lines: Vec<Line>,
    pub(crate) rules: Vec<Rule>,
    pub(crate) marks: Vec<Mark>,
}

impl Panel {
    /// A panel with a heading "name, unit" and nothing in it.
    pub(crate) fn new(name: &str, unit: &str, x: Axis, ends: Ends) -> Self {
        Self {
            name: name.to_owned(),
            unit: unit.to_owned(),
            heading: with_unit(name, unit),
            keys: Vec::new(),
            x,
            y: Axis::new(name, Range::NONE, ends),
            areas: Vec::new(),
            traces: Vec::new(),
            shades: Vec::new(),
            bands: Vec::new(),
            lines: Vec::new(),
            rules: Vec::new(),
            marks: Vec::new(),
        }
    }

    /// Keys, unless they would leave too little of the plot in an area of this size.
    fn keys_shown(&self, height: f64, kind: Type, width: f64) -> &[Key] {
        let head = flow(&self.heading, &self.keys, kind, width).height;
        if height - head - foot_height(kind) < 2.0 * LEAST_PLOT {
            &[]
        } else {
            &self.keys
        }
    }

    /// Widens the y axis to hold all that is in it.
    pub(crate) fn fit_y(&mut self) {
        let range = &mut self.y.range;
        for band in &self.bands {
            band.lo
                .iter()
                .chain(&band.hi)
                .for_each(|v| range.include(*v));
        }
        for line in &self.lines {
            line.ys.iter().for_each(|v| range.include(*v));
        }
        for mark in &self.marks {
            range.include(mark.y.lo);
            range.include(mark.y.hi);
        }
        for rule in self.rules.iter().filter(|r| !r.upright) {
            range.include(rule.at);
        }
    }

    /// Widens the x axis to hold all that is in it.
    pub(crate) fn fit_x(&mut self) {
        let range = &mut self.x.range;
        for line in &self.lines {
            line.xs.iter().for_each(|v| range.include(*v));
        }
        for mark in &self.marks {
            range.include(mark.x.lo);
            range.include(mark.x.hi);
        }
        for rule in self.rules.iter().filter(|r| r.upright) {
            range.include(rule.at);
        }
    }
}

/// "Power, W".
pub(crate) fn with_unit(name: &str, unit: &str) -> String {
    if unit.is_empty() {
        name.to_owned()
    } else {
        format!("{name}, {unit}")
    }
}

/// Margins of plots that stand under each other.
#[derive(Clone, Copy, Debug)]
struct Margins {
    left: f64,
    right: f64,
}

/// Least height of a plot, px: two ticks and what lies between.
const LEAST_PLOT: f64 = 40.0;

/// Space that x labels and title take.
fn foot_height(kind: Type) -> f64 {
    8.0 + 2.0 * (line_height(kind.text) + 4.0)
}

/// Draws panels under each other with one x axis; `strip` px are left free above the first. Gives
/// the plots.
pub(crate) fn stacked(
    canvas: &mut Canvas<'_>,
    panels: &[Panel],
    area: Rect,
    least_left: f64,
) -> Vec<Rect> {
    let kind = Type::of(canvas.look);
    let gap = 8.0;
    // Heads begin at the left margin, which depends on the ticks, these on the height, this on the
    // heads: the widest margin that there may be gives the heads.
    let guess = margins(panels, area.height, kind, least_left, area.width);
    let keyed = area.height >= foot_height(kind) + panels.len() as f64 * (LEAST_PLOT + 40.0);
    let heads: Vec<(&[Key], Flow)> = panels
        .iter()
        .map(|p| {
            let keys = if keyed { p.keys.as_slice() } else { &[] };
            (keys, flow(&p.heading, keys, kind, area.width - guess.left))
        })
        .collect();
    // As many as have room; the others stand in the table.
    let height = |n: usize| {
        let heads: f64 = heads[..n].iter().map(|(_, f)| f.height).sum();
        let gaps = gap * (n.max(1) as f64 - 1.0);
        (area.height - foot_height(kind) - heads - gaps) / n.max(1) as f64
    };
    let mut shown = panels.len();
    while shown > 1 && height(shown) < LEAST_PLOT {
        shown -= 1;
    }
    for left_out in &panels[shown..] {
        canvas.leave_out(&left_out.heading);
    }
    let (panels, height) = (&panels[..shown], height(shown).max(LEAST_PLOT));
    let margins = Margins {
        right: margins(panels, height, kind, guess.left, area.width).right,
        ..guess
    };
    let mut top = area.y;
    let mut plots = Vec::new();
    for (i, (panel, (keys, head))) in panels.iter().zip(&heads).enumerate() {
        head.draw(canvas, keys, area.x + margins.left, top);
        top += head.height;
        let plot = Rect::new(
            area.x + margins.left,
            top,
            (area.width - margins.left - margins.right).max(10.0),
            height,
        );
        body(canvas, panel, plot, i + 1 == panels.len());
        plots.push(plot);
        top += height + gap;
    }
    plots
}

/// The widest y labels on the left, half the last x label on the right.
fn margins(panels: &[Panel], height: f64, kind: Type, least_left: f64, room: f64) -> Margins {
    let left = panels
        .iter()
        .map(|p| Scale::vertical(p.y.range, p.y.ends, height, 0.0).label_width(kind.text) + 9.0)
        .fold(least_left, f64::max)
        .min(room / 2.0);
    let right = panels.last().map_or(0.0, |p| {
        let scale = Scale::horizontal(p.x.range, p.x.ends, (0.0, room - left), kind.text);
        let last = scale.ticks.last().copied().unwrap_or(0.0);
        let half = width(&scale.label(last), kind.text, Weight::Regular) / 2.0;
        (half - (room - left - scale.at(last))).max(0.0)
    });
    Margins {
        left,
        right: right.min(room / 4.0),
    }
}

/// Draws panels beside each other, in as many columns as have `least_width`.
pub(crate) fn beside(canvas: &mut Canvas<'_>, panels: &[Panel], area: Rect, least_width: f64) {
    if panels.is_empty() {
        return;
    }
    let gap = 28.0;
    let mut columns = 1_usize;
    while columns < panels.len()
        && (area.width - gap * columns as f64) / (columns as f64 + 1.0) >= least_width
    {
        columns += 1;
    }
    let kind = Type::of(canvas.look);
    let least = LEAST_PLOT + foot_height(kind) + line_height(kind.text) + 10.0;
    let mut rows = panels.len().div_ceil(columns);
    while rows > 1 && area.height / (rows as f64) < least + 8.0 {
        rows -= 1;
    }
    let shown = panels.len().min(rows * columns);
    for left_out in &panels[shown..] {
        canvas.leave_out(&left_out.heading);
    }
    let panels = &panels[..shown];
    let columns = panels.len().div_ceil(rows);
    let (n, m) = (columns as f64, rows as f64);
    let width = (area.width - gap * (n - 1.0)) / n;
    let height = (area.height - 8.0 * (m - 1.0)) / m;
    for (row, line) in panels.chunks(columns).enumerate() {
        // Plots in one row begin at one height.
        let head = line
            .iter()
            .map(|p| flow(&p.heading, p.keys_shown(height, kind, width), kind, width).height)
            .fold(0.0, f64::max);
        for (column, panel) in line.iter().enumerate() {
            let cell = Rect::new(
                area.x + column as f64 * (width + gap),
                area.y + row as f64 * (height + 8.0),
                width,
                height,
            );
            one(canvas, panel, cell, head);
        }
    }
}

/// Draws one panel with its own axes in an area, the head at least so high.
fn one(canvas: &mut Canvas<'_>, panel: &Panel, area: Rect, head: f64) {
    let kind = Type::of(canvas.look);
    let keys = panel.keys_shown(area.height, kind, area.width);
    let flow = flow(&panel.heading, keys, kind, area.width);
    // The highest tick label reaches above the plot.
    let head = head.max(flow.height) + 6.0;
    let height = (area.height - head - foot_height(kind)).max(LEAST_PLOT);
    let margins = margins(std::slice::from_ref(panel), height, kind, 0.0, area.width);
    flow.draw(canvas, keys, area.x, area.y);
    let plot = Rect::new(
        area.x + margins.left,
        area.y + head,
        (area.width - margins.left - margins.right).max(10.0),
        height,
    );
    body(canvas, panel, plot, true);
}

/// A panel on the picture.
struct Drawn<'a, 'b> {
    panel: &'a Panel,
    plot: Rect,
    x: Scale,
    y: Scale,
    kind: Type,
    canvas: &'a mut Canvas<'b>,
}

fn body(canvas: &mut Canvas<'_>, panel: &Panel, plot: Rect, foot: bool) {
    let kind = Type::of(canvas.look);
    canvas.plot(plot);
    let x = Scale::horizontal(
        panel.x.range,
        panel.x.ends,
        (plot.x, plot.right()),
        kind.text,
    );
    let y = Scale::vertical(panel.y.range, panel.y.ends, plot.bottom(), plot.y);
    canvas.open(&attributes(panel, plot, &x, &y));
    let mut drawn = Drawn {
        panel,
        plot,
        x,
        y,
        kind,
        canvas,
    };
    drawn.areas();
    drawn.shades();
    drawn.grid();
    drawn.bands();
    drawn.rules();
    let lines = drawn.lines();
    let labels = drawn.placed(lines);
    drawn.traces(&labels);
    drawn.marks();
    drawn.labels(&labels);
    if foot {
        drawn.foot();
    }
    canvas.close();
}

fn attributes(panel: &Panel, plot: Rect, x: &Scale, y: &Scale) -> String {
    format!(
        r#"class="plot" data-name="{}" data-unit="{}" data-x-lo="{}" data-x-hi="{}" data-x-from="{}" data-x-to="{}" data-y-lo="{}" data-y-hi="{}" data-y-from="{}" data-y-to="{}"{}"#,
        escaped(&panel.name),
        escaped(&panel.unit),
        exact(x.lo),
        exact(x.hi),
        exact(plot.x),
        exact(plot.right()),
        exact(y.lo),
        exact(y.hi),
        exact(plot.bottom()),
        exact(plot.y),
        if x.log { r#" data-x-log="true""# } else { "" }
    )
}

/// Columns to which series are reduced, and what is kept of each.
pub(crate) fn detail(look: &Look, plot_width: f64) -> (f64, Keep) {
    match look.columns {
        Some(columns) => (f64::from(columns), Keep::Two),
        None if look.theme.is_page() => (PAGE_COLUMNS.min(2.0 * plot_width), Keep::Two),
        // Files are often enlarged by two.
        None => (plot_width.ceil(), Keep::Four),
    }
}

impl Drawn<'_, '_> {
    fn on_picture(&self, points: &[Point]) -> Vec<Point> {
        points
            .iter()
            .map(|p| (self.x.at(p.0), self.y.at(p.1)))
            .collect()
    }

    fn areas(&mut self) {
        for area in &self.panel.areas {
            let polygons: Vec<Vec<Point>> =
                area.polygons.iter().map(|p| self.on_picture(p)).collect();
            self.canvas
                .shapes(&polygons, area.colour, r#"class="area""#);
        }
    }

    /// Lines with a gap where their own label stands.
    fn traces(&mut self, labels: &Labels) {
        for trace in &self.panel.traces {
            let mut pieces: Vec<Vec<Point>> =
                trace.pieces.iter().map(|p| self.on_picture(p)).collect();
            let own = labels
                .rect_of(&trace.label)
                .filter(|_| !trace.label.is_empty());
            if let Some(rect) = own {
                let gap = rect.grown(2.0);
                pieces = pieces.iter().flat_map(|p| gap.outside(p)).collect();
            }
            let more = format!(r#"class="trace" data-name="{}""#, escaped(&trace.name));
            let stroke = Stroke::new(trace.colour, trace.width).dashed(trace.dash);
            self.canvas.path(&pieces, stroke, &more);
        }
    }

    /// On the longest piece of a line, in the middle first.
    fn trace_label(&self, trace: &Trace) -> Option<Label> {
        let longest = trace.pieces.iter().max_by_key(|p| p.len())?;
        let points = self.on_picture(longest);
        let last = points.len().checked_sub(1)?;
        let places = [10, 6, 14, 3, 17, 8, 12, 1, 19]
            .map(|twentieth| (points[last * twentieth / 20], None))
            .to_vec();
        Some(Label {
            text: trace.label.clone(),
            places,
            size: self.kind.small,
            priority: 300,
        })
    }
    fn shades(&mut self) {
        for shade in &self.panel.shades {
            let (from, to) = (self.x.within(shade.from), self.x.within(shade.to));
            if to > from {
                let rect = Rect::new(from, self.plot.y, to - from, self.plot.height);
                let more = format!(r#"class="shade" fill-opacity="{}""#, shade.opacity);
                self.canvas.rect(rect, shade.colour, &more);
            }
        }
    }

    fn grid(&mut self) {
        let theme = self.canvas.look.theme;
        let (plot, size) = (self.plot, self.kind.text);
        // A map has lines of its own.
        let lined = self.panel.areas.is_empty();
        for &tick in &self.y.ticks {
            let y = self.y.at(tick);
            let stroke = Stroke::new(theme.grid, 1.0);
            if lined {
                self.canvas.line((plot.x, y), (plot.right(), y), stroke, "");
            }
            let label = self.y.label(tick);
            self.canvas
                .text(Text::new(&label, plot.x - 8.0, y + 0.35 * size, size, theme.muted).end());
        }
        for &tick in self.x.ticks.iter().filter(|_| lined) {
            let x = self.x.at(tick);
            let stroke = Stroke::new(theme.grid, 1.0);
            self.canvas
                .line((x, plot.y), (x, plot.bottom()), stroke, "");
        }
        let axis = Stroke::new(theme.muted, 1.2);
        let y = plot.bottom();
        self.canvas.line((plot.x, y), (plot.right(), y), axis, "");
        for (ticks, length) in [(&self.x.ticks, 5.0), (&self.x.minor, 3.0)] {
            for &tick in ticks {
                let x = self.x.at(tick);
                self.canvas
                    .line((x, y), (x, y + length), Stroke::new(theme.muted, 1.0), "");
            }
        }
    }

    fn bands(&mut self) {
        let (columns, _) = detail(self.canvas.look, self.plot.width);
        for one in &self.panel.bands {
            let edges = band(&one.xs, &one.lo, &one.hi, (self.x.lo, self.x.hi), columns);
            let edges = || edges.iter().filter(|e| self.x.holds(e.0));
            let upper = edges().map(|e| (self.x.at(e.0), self.y.within(e.2)));
            let lower = edges().rev().map(|e| (self.x.at(e.0), self.y.within(e.1)));
            let outline: Vec<Point> = upper.chain(lower).collect();
            self.canvas
                .shape(&outline, one.colour, r#"class="band" fill-opacity="0.18""#);
        }
    }

    fn rules(&mut self) {
        for rule in &self.panel.rules {
            let Some((from, to)) = self.rule_ends(rule) else {
                continue;
            };
            let stroke = Stroke::new(rule.colour, 1.5).dashed(rule.dash);
            self.canvas.open(&format!(
                r#"class="rule" data-label="{}" data-value="{}""#,
                escaped(&rule.label),
                exact(rule.at)
            ));
            self.canvas.line(from, to, stroke, "");
            self.canvas.close();
        }
    }

    fn rule_ends(&self, rule: &Rule) -> Option<(Point, Point)> {
        let plot = self.plot;
        if rule.upright {
            let x = self.x.at(rule.at);
            return self
                .x
                .holds(rule.at)
                .then_some(((x, plot.y), (x, plot.bottom())));
        }
        let y = self.y.at(rule.at);
        self.y
            .holds(rule.at)
            .then_some(((plot.x, y), (plot.right(), y)))
    }

    /// Draws the lines and gives them as obstacles.
    fn lines(&mut self) -> Vec<Vec<Point>> {
        let (columns, keep) = detail(self.canvas.look, self.plot.width);
        let mut drawn = Vec::new();
        for line in &self.panel.lines {
            let ends = (self.x.lo, self.x.hi);
            let pieces: Vec<Vec<Point>> =
                pieces(&line.xs, &line.ys, ends, columns, (keep, line.breaks))
                    .into_iter()
                    .map(|piece| {
                        piece
                            .into_iter()
                            .filter(|p| self.x.holds(p.0))
                            .map(|p| (self.x.at(p.0), self.y.within(p.1)))
                            .collect()
                    })
                    .collect();
            let more = format!(r#"class="series" data-name="{}""#, escaped(&line.name));
            let stroke = Stroke::new(line.colour, line.width).dashed(line.dash);
            self.canvas.path(&pieces, stroke, &more);
            drawn.extend(pieces);
        }
        drawn
    }

    fn marks(&mut self) {
        for one in &self.panel.marks {
            let at = (self.x.at(one.x.value), self.y.at(one.y.value));
            self.canvas.open(&format!(
                r#"class="point" data-label="{}""#,
                escaped(&one.label)
            ));
            if !one.tooltip.is_empty() {
                self.canvas.tooltip(&one.tooltip);
            }
            for bar in self.bars(one, at) {
                self.canvas
                    .path(&bar, Stroke::new(one.colour, 1.3), r#"class="interval""#);
            }
            if one.ringed {
                let halo = Stroke::new(one.colour, 1.6);
                ring(self.canvas, at, RADIUS + 4.5, halo);
            }
            mark(self.canvas, one.shape, at, RADIUS, one.colour, one.filled);
            self.canvas.close();
        }
    }

    /// Interval bars with their end strokes.
    fn bars(&self, mark: &Mark, at: Point) -> Vec<Vec<Vec<Point>>> {
        let mut bars = Vec::new();
        if mark.x.has_interval() {
            let (a, b) = (self.x.within(mark.x.lo), self.x.within(mark.x.hi));
            bars.push(vec![
                vec![(a, at.1), (b, at.1)],
                vec![(a, at.1 - 3.0), (a, at.1 + 3.0)],
                vec![(b, at.1 - 3.0), (b, at.1 + 3.0)],
            ]);
        }
        if mark.y.has_interval() {
            let (a, b) = (self.y.within(mark.y.lo), self.y.within(mark.y.hi));
            bars.push(vec![
                vec![(at.0, a), (at.0, b)],
                vec![(at.0 - 3.0, a), (at.0 + 3.0, a)],
                vec![(at.0 - 3.0, b), (at.0 + 3.0, b)],
            ]);
        }
        bars
    }

    /// Labels with their places.
    fn placed(&self, lines: Vec<Vec<Point>>) -> Labels {
        let size = self.kind.small;
        let mut labels = Labels::default();
        let theme = self.canvas.look.theme;
        for rule in self.panel.rules.iter().filter(|r| !r.label.is_empty()) {
            if self.rule_ends(rule).is_some() {
                labels.add(self.rule_label(rule), rule.colour);
            }
        }
        for shade in self.panel.shades.iter().filter(|s| !s.label.is_empty()) {
            labels.add(self.shade_label(shade), theme.muted);
        }
        for trace in self.panel.traces.iter().filter(|t| !t.label.is_empty()) {
            if let Some(label) = self.trace_label(trace) {
                labels.add(label, trace.label_colour);
            }
        }
        for one in self.panel.marks.iter().filter(|m| m.named) {
            let at = (self.x.at(one.x.value), self.y.at(one.y.value));
            let radius = if one.ringed { RADIUS + 5.0 } else { RADIUS };
            let label = Label {
                places: around(at, radius, &one.label, size),
                text: one.label.clone(),
                size,
                priority: one.priority,
            };
            labels.add(label, theme.ink);
        }
        let obstacles = self.obstacles(lines);
        labels.placed = place(&labels.all, &obstacles, self.plot.grown(-2.0));
        labels
    }

    fn labels(&mut self, labels: &Labels) {
        let size = self.kind.small;
        for own in &labels.placed {
            if let Some(to) = own.leader {
                self.leader(own.rect, to);
            }
            let label = &labels.all[own.label];
            let y = base_line(own.rect.y, size);
            let text = Text::new(&label.text, own.rect.x, y, size, labels.colours[own.label]);
            self.canvas.text(text.with_halo().class("label"));
        }
        for (i, label) in labels.all.iter().enumerate() {
            if labels.placed.iter().all(|p| p.label != i) {
                self.canvas.leave_out(&label.text);
            }
        }
    }

    fn obstacles(&self, mut lines: Vec<Vec<Point>>) -> Obstacles {
        let mut marks = Vec::new();
        let mut soft = Vec::new();
        for one in &self.panel.marks {
            let at = (self.x.at(one.x.value), self.y.at(one.y.value));
            let reach = if one.ringed {
                RADIUS + 5.0
            } else {
                RADIUS + 1.0
            };
            marks.push(Rect::new(at.0, at.1, 0.0, 0.0).grown(reach));
            for bar in self.bars(one, at) {
                if let Some([from, to]) = bar.first().map(Vec::as_slice) {
                    let (x, y) = (from.0.min(to.0), from.1.min(to.1));
                    let (w, h) = ((to.0 - from.0).abs(), (to.1 - from.1).abs());
                    soft.push(Rect::new(x, y, w, h).grown(2.0));
                }
            }
        }
        let traces = self.panel.traces.iter().flat_map(|t| &t.pieces);
        lines.extend(traces.map(|piece| self.on_picture(piece)));
        let rules = self.panel.rules.iter().filter_map(|r| self.rule_ends(r));
        lines.extend(rules.map(|(from, to)| vec![from, to]));
        Obstacles { marks, soft, lines }
    }

    /// Above or below its line, from the right to the left; beside an upright one, from the top
    /// down.
    fn rule_label(&self, rule: &Rule) -> Label {
        let size = self.kind.small;
        let room = self.plot.width - 12.0;
        let text = crate::font::fitted(&rule.label, size, Weight::Regular, room)
            .unwrap_or_else(|| rule.label.clone());
        let (w, h) = (width(&text, size, Weight::Regular), line_height(size));
        let mut places = Vec::new();
        for step in 0..12 {
            let share = f64::from(step) / 11.0;
            for side in [-1.0, 1.0] {
                places.push(if rule.upright {
                    let y = self.plot.y + 4.0 + h / 2.0 + share * (self.plot.height - h - 8.0);
                    // To the right first.
                    (self.x.at(rule.at) - side * (w / 2.0 + 5.0), y)
                } else {
                    let x =
                        self.plot.right() - 5.0 - w / 2.0 - share * (self.plot.width - w - 10.0);
                    (x, self.y.at(rule.at) + side * (h / 2.0 + 2.5))
                });
            }
        }
        Label {
            text,
            places: places.into_iter().map(|p| (p, None)).collect(),
            size,
            priority: 1000,
        }
    }

    /// In the middle of its stretch, or beside one that is narrower than the words.
    fn shade_label(&self, shade: &Shade) -> Label {
        let size = self.kind.small;
        let (from, to) = (self.x.within(shade.from), self.x.within(shade.to));
        let text = crate::font::fitted(&shade.label, size, Weight::Regular, self.plot.width - 12.0)
            .unwrap_or_else(|| shade.label.clone());
        let (w, h) = (width(&text, size, Weight::Regular), line_height(size));
        let (left, right) = (
            self.plot.x + w / 2.0 + 4.0,
            self.plot.right() - w / 2.0 - 4.0,
        );
        let middle = f64::midpoint(from, to);
        let beside = [from - w / 2.0 - 6.0, to + w / 2.0 + 6.0];
        let mut columns: Vec<f64> = Vec::new();
        if to - from > w + 6.0 {
            columns.push(middle);
        } else {
            columns.extend(beside.into_iter().filter(|x| (left..=right).contains(x)));
        }
        // Better over its edge than nowhere.
        columns.push(middle.min(right).max(left));
        let places = columns
            .iter()
            .flat_map(|x| (0..8).map(move |step| (*x, f64::from(step) / 7.0)))
            .map(|(x, share)| {
                // Curves rise: the lower end is the free one.
                let y = self.plot.bottom() - 4.0 - h / 2.0 - share * (self.plot.height - h - 8.0);
                ((x, y), None)
            })
            .collect();
        Label {
            text,
            places,
            size,
            priority: 900,
        }
    }

    fn leader(&mut self, rect: Rect, to: Point) {
        let end = rect.nearest(to);
        let (dx, dy) = (end.0 - to.0, end.1 - to.1);
        let length = dx.hypot(dy).max(1e-6);
        let start = (
            to.0 + dx / length * (RADIUS + 2.0),
            to.1 + dy / length * (RADIUS + 2.0),
        );
        let stroke = Stroke::new(self.canvas.look.theme.muted, 1.0);
        self.canvas.line(start, end, stroke, "");
    }

    fn foot(&mut self) {
        let theme = self.canvas.look.theme;
        let size = self.kind.text;
        let y = base_line(self.plot.bottom() + 9.0, size);
        for &tick in &self.x.ticks {
            let label = self.x.label(tick);
            self.canvas
                .text(Text::new(&label, self.x.at(tick), y, size, theme.muted).middle());
        }
        let middle = self.plot.x + self.plot.width / 2.0;
        let text = Text::new(
            &self.panel.x.title,
            middle,
            y + line_height(size) + 3.0,
            size,
            theme.ink,
        );
        self.canvas.fitted(text.middle(), self.plot.width);
    }
}

/// Labels of a panel.
#[derive(Default)]
struct Labels {
    all: Vec<Label>,
    colours: Vec<&'static str>,
    placed: Vec<Placed>,
}

impl Labels {
    fn add(&mut self, label: Label, colour: &'static str) {
        self.all.push(label);
        self.colours.push(colour);
    }

    fn rect_of(&self, text: &str) -> Option<Rect> {
        let own = self.all.iter().position(|l| l.text == text)?;
        let placed = self.placed.iter().find(|p| p.label == own)?;
        Some(placed.rect)
    }
}

/// A circle without filling.
fn ring(canvas: &mut Canvas<'_>, (x, y): Point, radius: f64, stroke: Stroke<'_>) {
    use crate::number::coordinate as c;
    canvas.raw(&format!(
        r#"<circle cx="{}" cy="{}" r="{}" fill="none" stroke="{}" stroke-width="{}"/>"#,
        c(x),
        c(y),
        c(radius),
        stroke.colour,
        c(stroke.width)
    ));
}
