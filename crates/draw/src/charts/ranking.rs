//! A table of runs or settings with a bar below each number.

use crate::canvas::{Canvas, Stroke, Text, base_line, escaped, line_height};
use crate::font::{Weight, fitted, width, wrapped};
use crate::frame::{Type, headed};
use crate::geometry::Rect;
use crate::{Chart, Look, Picture, Table, plain};

/// A column of numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct RankingColumn {
    /// What: "Settled".
    pub name: String,
    /// Unit.
    pub unit: String,
    /// Decimals shown.
    pub decimals: usize,
    /// Where bars begin: 0, or for a temperature the room's.
    pub bars_from: f64,
}

/// A row.
#[derive(Clone, Debug, PartialEq)]
pub struct RankingRow {
    /// The run or setting.
    pub label: String,
    /// A second, quieter line: workload and limits.
    pub note: String,
    /// One value a column.
    pub values: Vec<Option<f64>>,
    /// Recommended: set in bold.
    pub chosen: bool,
}

/// Rows in the order of their rank.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ranking {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// Columns; those that have no room are left out from the right.
    pub columns: Vec<RankingColumn>,
    /// Rows.
    pub rows: Vec<RankingRow>,
}

impl Chart for Ranking {
    fn name(&self) -> &'static str {
        "ranking"
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
        Drawing::new(self, area, Type::of(look)).draw(&mut canvas);
        canvas.finish()
    }

    fn table(&self) -> Table {
        let mut header = vec!["of".to_owned(), "note".to_owned()];
        header.extend(
            self.columns
                .iter()
                .map(|c| crate::panel::with_unit(&c.name, &c.unit)),
        );
        let rows = self.rows.iter().map(|row| {
            let mut cells = vec![row.label.clone(), row.note.clone()];
            let numbers = self.columns.iter().zip(&row.values);
            cells.extend(numbers.map(|(c, v)| number(*v, c)));
            cells
        });
        Table {
            header,
            rows: rows.collect(),
        }
    }
}

fn number(value: Option<f64>, column: &RankingColumn) -> String {
    value.map_or_else(|| "–".to_owned(), |v| plain(v, column.decimals))
}

/// Where things are.
struct Drawing<'a> {
    chart: &'a Ranking,
    area: Rect,
    kind: Type,
    labels: f64,
    columns: usize,
    column: f64,
    head: f64,
    row: f64,
    /// Space above and below what stands in a row.
    rim: f64,
    /// Height of a bar.
    bar: f64,
    shown: usize,
    notes: bool,
}

/// Rows are at most this many times as high as they must be.
const MOST_SPREAD: f64 = 3.4;
/// Heights of a bar, px: least, and most.
const BAR: (f64, f64) = (4.0, 9.0);

/// Gap between columns, px.
const GAP: f64 = 14.0;

impl<'a> Drawing<'a> {
    fn new(chart: &'a Ranking, area: Rect, kind: Type) -> Self {
        let least = chart
            .columns
            .iter()
            .enumerate()
            .map(|(i, c)| least_width(chart, i, c, kind))
            .fold(40.0, f64::max);
        let labels = chart
            .rows
            .iter()
            .map(|r| {
                let label = width(&r.label, kind.text, Weight::Bold);
                label.max(width(&r.note, kind.small, Weight::Regular))
            })
            .fold(60.0, f64::max)
            .min(0.36 * area.width);
        let mut columns = 0;
        while columns < chart.columns.len()
            && labels + (columns as f64 + 1.0) * (least + GAP) <= area.width
        {
            columns += 1;
        }
        let column = (area.width - labels) / (columns.max(1) as f64) - GAP;
        let head = 2.0 * line_height(kind.small) + 8.0;
        let below = area.height - head;
        let notes = chart.rows.iter().any(|r| !r.note.is_empty());
        let plain = line_height(kind.text) + 9.0;
        let tall = plain + line_height(kind.small);
        let n = chart.rows.len().max(1);
        let notes = notes && below / (n as f64) >= tall;
        let least_row = if notes { tall } else { plain };
        let mut shown = n.min(chart.rows.len());
        while shown > 1 && below / (shown as f64) < least_row {
            shown -= 1;
        }
        if shown < chart.rows.len() && shown > 1 {
            shown -= 1;
        }
        let rows = shown as f64 + if shown < chart.rows.len() { 1.0 } else { 0.0 };
        let row = (below / rows.max(1.0)).min(least_row * MOST_SPREAD);
        Self {
            chart,
            area,
            kind,
            labels,
            columns,
            column,
            head,
            row,
            bar: (BAR.0 + 0.1 * (row - least_row)).clamp(BAR.0, BAR.1),
            rim: 0.4 * (row - least_row).max(0.0),
            shown,
            notes,
        }
    }

    fn draw(&self, canvas: &mut Canvas<'_>) {
        let theme = canvas.look.theme;
        for i in 0..self.columns {
            self.heading(canvas, i);
        }
        let line = self.area.y + self.head - 3.0;
        let stroke = Stroke::new(theme.muted, 1.2);
        canvas.line((self.area.x, line), (self.area.right(), line), stroke, "");
        for (i, row) in self.chart.rows.iter().take(self.shown).enumerate() {
            self.row(canvas, i, row);
        }
        let hidden = self.chart.rows.len() - self.shown;
        if hidden > 0 {
            let top = self.area.y + self.head + self.shown as f64 * self.row;
            let more = format!("and {hidden} more, in the table");
            let y = base_line(top + 3.0, self.kind.small);
            let text = Text::new(&more, self.area.x, y, self.kind.small, theme.muted);
            canvas.fitted(text, self.area.width);
        }
    }

    /// Right end of a column.
    fn right(&self, column: usize) -> f64 {
        self.area.x + self.labels + (column as f64 + 1.0) * (self.column + GAP)
    }

    fn heading(&self, canvas: &mut Canvas<'_>, place: usize) {
        let theme = canvas.look.theme;
        let column = &self.chart.columns[place];
        let size = self.kind.small;
        let lines = if column.unit.is_empty() {
            wrapped(&column.name, size, Weight::Regular, self.column, 2)
        } else {
            let cut = |text: &str| fitted(text, size, Weight::Regular, self.column);
            [cut(&column.name), cut(&column.unit)]
                .into_iter()
                .flatten()
                .collect()
        };
        // The last line stands on the rule.
        let mut top = self.area.y + self.head - 7.0 - line_height(size) * lines.len() as f64;
        for line in &lines {
            let y = base_line(top, size);
            canvas.text(Text::new(line, self.right(place), y, size, theme.muted).end());
            top += line_height(size);
        }
    }

    fn row(&self, canvas: &mut Canvas<'_>, place: usize, row: &RankingRow) {
        let theme = canvas.look.theme;
        let top = self.area.y + self.head + place as f64 * self.row + self.rim;
        canvas.open(&format!(
            r#"class="row" data-label="{}""#,
            escaped(&row.label)
        ));
        let colour = if row.chosen { theme.chosen } else { theme.ink };
        let y = base_line(top + 3.0, self.kind.text);
        let label = Text::new(&row.label, self.area.x, y, self.kind.text, colour);
        canvas.fitted(if row.chosen { label.bold() } else { label }, self.labels);
        if self.notes {
            let y = base_line(top + 4.0 + line_height(self.kind.text), self.kind.small);
            let note = Text::new(&row.note, self.area.x, y, self.kind.small, theme.muted);
            canvas.fitted(note, self.labels);
        }
        for i in 0..self.columns {
            let value = row.values.get(i).copied().flatten();
            self.cell(canvas, i, top, value.filter(|v| v.is_finite()), row.chosen);
        }
        if place + 1 < self.shown {
            let y = top - self.rim + self.row - 2.0;
            let stroke = Stroke::new(theme.grid, 1.0);
            canvas.line((self.area.x, y), (self.area.right(), y), stroke, "");
        }
        canvas.close();
    }

    /// A number, and below it a bar from the column's origin.
    fn cell(
        &self,
        canvas: &mut Canvas<'_>,
        place: usize,
        top: f64,
        value: Option<f64>,
        chosen: bool,
    ) {
        let theme = canvas.look.theme;
        let column = &self.chart.columns[place];
        let right = self.right(place);
        let y = base_line(top + 3.0, self.kind.text);
        let text = number(value, column);
        let colour = if value.is_some() {
            theme.ink
        } else {
            theme.muted
        };
        let shown = Text::new(&text, right, y, self.kind.text, colour).end();
        canvas.fitted(if chosen { shown.bold() } else { shown }, self.column);
        let Some(value) = value else { return };
        let most = self
            .chart
            .rows
            .iter()
            .filter_map(|r| r.values.get(place).copied().flatten())
            .filter(|v| v.is_finite())
            .map(|v| (v - column.bars_from).abs())
            .fold(0.0, f64::max);
        if most > 0.0 {
            let length = self.column * ((value - column.bars_from).abs() / most);
            let bar = Rect::new(
                right - length,
                top + 5.0 + line_height(self.kind.text),
                length,
                self.bar,
            );
            let colour = if chosen {
                theme.chosen
            } else {
                theme.series(0)
            };
            canvas.rect(bar, colour, r#"class="bar""#);
        }
    }
}

/// The widest number of a column, or its unit.
fn least_width(chart: &Ranking, place: usize, column: &RankingColumn, kind: Type) -> f64 {
    let unit = width(&column.unit, kind.small, Weight::Regular);
    chart
        .rows
        .iter()
        .map(|r| number(r.values.get(place).copied().flatten(), column))
        .map(|t| width(&t, kind.text, Weight::Bold))
        .fold(unit, f64::max)
}
