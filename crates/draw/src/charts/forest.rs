//! A forest plot: ratios with intervals, one row a comparison, and the band that counts as the same.

use crate::canvas::{Canvas, Stroke, Text, base_line, escaped, line_height};
use crate::font::{Weight, width};
use crate::frame::{Key, Shape, Swatch, Type, headed, keyed, mark};
use crate::geometry::Rect;
use crate::scale::{Ends, Range, Scale};
use crate::{Chart, Look, Picture, Ranged, Table, plain, signed};

/// One comparison.
#[derive(Clone, Debug, PartialEq)]
pub struct ForestRow {
    /// What is compared.
    pub label: String,
    /// Work of the other over that of the base.
    pub ratio: Ranged,
    /// In words: "slower".
    pub verdict: String,
    /// All workloads together: drawn as a diamond, after a line.
    pub whole: bool,
}

/// Comparisons with a common base.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Forest {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// Difference that does not matter, as a share (0.01 for 1 %).
    pub margin: Option<f64>,
    /// Rows, from the top.
    pub rows: Vec<ForestRow>,
}

/// Heights of a row, px: least, and most.
const ROW: (f64, f64) = (16.0, 120.0);

impl Chart for Forest {
    fn name(&self) -> &'static str {
        "forest"
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
        let kind = Type::of(look);
        let foot = 2.0 * line_height(kind.text) + 14.0;
        let below = Rect::new(
            below.x,
            below.y,
            below.width,
            (below.height - foot).max(1.0),
        );
        Drawing::new(self, below, kind, look).draw(&mut canvas);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut table = Table::new(&["compared", "change, %", "from", "to", "verdict"]);
        for row in &self.rows {
            let change = |ratio: f64| signed(100.0 * (ratio - 1.0), 2);
            table.rows.push(vec![
                row.label.clone(),
                change(row.ratio.value),
                change(row.ratio.lo),
                change(row.ratio.hi),
                row.verdict.clone(),
            ]);
        }
        table
    }
}

impl Forest {
    fn keys(&self, look: &Look) -> Vec<Key> {
        let mut keys = Vec::new();
        if let Some(margin) = self.margin {
            let words = format!("the same, within {} %", percent(100.0 * margin));
            keys.push(Key::new(words, look.theme.series(2), Swatch::Area));
        }
        keys
    }
}

/// Where things are.
struct Drawing<'a> {
    chart: &'a Forest,
    area: Rect,
    kind: Type,
    /// Rows that have room.
    shown: usize,
    row: f64,
    labels: f64,
    words: f64,
    plot: Rect,
    x: Scale,
}

impl<'a> Drawing<'a> {
    fn new(chart: &'a Forest, area: Rect, kind: Type, look: &Look) -> Self {
        let labels = chart
            .rows
            .iter()
            .map(|r| width(&r.label, kind.text, Weight::Bold))
            .fold(0.0, f64::max)
            .min(0.3 * area.width);
        // On a phone the words go and stay in the table.
        let words = if look.width < 620.0 {
            0.0
        } else {
            chart
                .rows
                .iter()
                .map(|r| width(&words(r), kind.text, Weight::Regular))
                .fold(0.0, f64::max)
                .min(0.36 * area.width)
        };
        let n = chart.rows.len().max(1);
        let mut shown = n;
        while shown > 1 && area.height / (shown as f64) < ROW.0 {
            shown -= 1;
        }
        // One line is left for "and so many more".
        if shown < n && shown > 1 {
            shown -= 1;
        }
        let rows = shown as f64 + if shown < n { 1.0 } else { 0.0 };
        let row = (area.height / rows).clamp(1.0, ROW.1);
        let gap = 14.0;
        let left = area.x + labels + gap;
        let right = area.right() - if words > 0.0 { words + gap } else { 12.0 };
        let plot = Rect::new(left, area.y, (right - left).max(20.0), row * rows);
        let x = Scale::horizontal(range(chart), Ends::Round, (plot.x, plot.right()), kind.text);
        Self {
            chart,
            area,
            kind,
            shown,
            row,
            labels,
            words,
            plot,
            x,
        }
    }

    fn draw(&self, canvas: &mut Canvas<'_>) {
        canvas.plot(self.plot);
        canvas.open(&format!(
            r#"class="plot" data-name="ratio" data-x-lo="{}" data-x-hi="{}" data-x-from="{}" data-x-to="{}""#,
            self.x.lo,
            self.x.hi,
            self.plot.x,
            self.plot.right()
        ));
        self.ground(canvas);
        for (i, row) in self.chart.rows.iter().take(self.shown).enumerate() {
            self.one(canvas, i, row);
        }
        canvas.close();
        if self.shown < self.chart.rows.len() {
            let more = format!(
                "and {} more, in the table",
                self.chart.rows.len() - self.shown
            );
            let y = self.base(self.shown);
            let muted = canvas.look.theme.muted;
            let text = Text::new(&more, self.area.x, y, self.kind.small, muted);
            canvas.fitted(text, self.plot.x - self.area.x - 8.0);
        }
    }

    fn base(&self, row: usize) -> f64 {
        let top = self.plot.y + row as f64 * self.row;
        base_line(
            top + (self.row - line_height(self.kind.text)) / 2.0,
            self.kind.text,
        )
    }

    fn ground(&self, canvas: &mut Canvas<'_>) {
        let theme = canvas.look.theme;
        let plot = self.plot;
        if let Some(margin) = self.chart.margin {
            // Ratios: the band is symmetric in their logarithm.
            let (from, to) = (
                self.x.within(1.0 / (1.0 + margin)),
                self.x.within(1.0 + margin),
            );
            let band = Rect::new(from, plot.y, (to - from).max(0.0), plot.height);
            canvas.rect(band, theme.series(2), r#"class="same" fill-opacity="0.16""#);
        }
        let foot = base_line(plot.bottom() + 8.0, self.kind.text);
        for &tick in &self.x.ticks {
            let x = self.x.at(tick);
            let stroke = Stroke::new(theme.grid, 1.0);
            canvas.line((x, plot.y), (x, plot.bottom()), stroke, "");
            let label = signed(100.0 * (tick - 1.0), decimals(&self.x));
            canvas.text(Text::new(&label, x, foot, self.kind.text, theme.muted).middle());
        }
        let one = self.x.at(1.0);
        let stroke = Stroke::new(theme.ink, 1.2);
        canvas.line((one, plot.y), (one, plot.bottom()), stroke, "");
        let axis = Stroke::new(theme.muted, 1.2);
        canvas.line(
            (plot.x, plot.bottom()),
            (plot.right(), plot.bottom()),
            axis,
            "",
        );
        let y = foot + line_height(self.kind.text) + 3.0;
        let middle = plot.x + plot.width / 2.0;
        let text = Text::new("Change of work, %", middle, y, self.kind.text, theme.ink);
        canvas.fitted(text.middle(), plot.width);
    }

    fn one(&self, canvas: &mut Canvas<'_>, place: usize, row: &ForestRow) {
        let theme = canvas.look.theme;
        let y = self.plot.y + (place as f64 + 0.5) * self.row;
        if row.whole && place > 0 {
            let line = y - self.row / 2.0;
            let stroke = Stroke::new(theme.muted, 0.8);
            canvas.line((self.area.x, line), (self.area.right(), line), stroke, "");
        }
        let label = Text::new(
            &row.label,
            self.area.x,
            self.base(place),
            self.kind.text,
            theme.ink,
        );
        canvas.fitted(if row.whole { label.bold() } else { label }, self.labels);
        canvas.open(&format!(
            r#"class="point" data-label="{}""#,
            escaped(&row.label)
        ));
        canvas.tooltip(&format!("{}: {}", row.label, words(row)));
        if row.ratio.value.is_finite() {
            let colour = theme.series(0);
            let (lo, hi) = (self.x.within(row.ratio.lo), self.x.within(row.ratio.hi));
            if row.ratio.has_interval() {
                let bar = [vec![(lo, y), (hi, y)]];
                canvas.path(&bar, Stroke::new(colour, 2.2), r#"class="interval""#);
            }
            let shape = if row.whole {
                Shape::Diamond
            } else {
                Shape::Square
            };
            let radius = (self.row / 4.0).clamp(2.5, 6.0);
            mark(
                canvas,
                shape,
                (self.x.within(row.ratio.value), y),
                radius,
                colour,
                true,
            );
        }
        canvas.close();
        if self.words > 0.0 {
            let words = words(row);
            let x = self.plot.right() + 14.0;
            let text = Text::new(&words, x, self.base(place), self.kind.text, theme.ink);
            canvas.fitted(text, self.words);
        }
    }
}

/// A margin without zeros at the end.
fn percent(value: f64) -> String {
    plain(value, crate::number::decimals_of(value).min(2))
}

/// Change with its interval, and the verdict.
fn words(row: &ForestRow) -> String {
    let change = |ratio: f64| signed(100.0 * (ratio - 1.0), 1);
    if !row.ratio.value.is_finite() {
        return row.verdict.clone();
    }
    if !row.ratio.has_interval() {
        return format!("{} %  {}", change(row.ratio.value), row.verdict);
    }
    format!(
        "{} % ({} to {})  {}",
        change(row.ratio.value),
        change(row.ratio.lo),
        change(row.ratio.hi),
        row.verdict
    )
}

/// All intervals, 1 and the band.
fn range(chart: &Forest) -> Range {
    let mut range = Range::of([1.0]);
    for row in &chart.rows {
        for end in [row.ratio.lo, row.ratio.value, row.ratio.hi] {
            // An interval without end would leave nothing of the others.
            range.include(end.clamp(0.2, 5.0));
        }
    }
    if let Some(margin) = chart.margin {
        range.include(1.0 + margin);
        range.include(1.0 / (1.0 + margin));
    }
    range
}

/// Decimals of percent that the ticks need.
fn decimals(scale: &Scale) -> usize {
    let step = scale.ticks.windows(2).map(|w| w[1] - w[0]).next();
    crate::number::decimals_of(100.0 * step.unwrap_or(0.01)).min(2)
}
