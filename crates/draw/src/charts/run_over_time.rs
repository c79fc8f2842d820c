//! A run over time: its phases, what held it, its series and their limits.

use crate::canvas::{Canvas, Stroke, Text, base_line, escaped, line_height};
use crate::font::{Weight, fitted, width};
use crate::frame::{Key, Swatch, Type, headed};
use crate::geometry::Rect;
use crate::number::exact;
use crate::panel::{Axis, Band, Line, Panel, Rule, stacked, with_unit};
use crate::reduce::Breaks;
use crate::scale::{Ends, Range};
use crate::{Chart, Look, Picture, Table, plain, short};

/// Kinds of phase; each has its tint.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stretch {
    /// Little power before or between loads.
    Idle,
    /// Above the limit that stays.
    Boost,
    /// At the power that stays.
    Sustained,
    /// Held by the temperature limit.
    TempLimited,
    /// Little power after a load.
    CoolDown,
    /// On the way.
    Transition,
    /// Cannot be told.
    Unknown,
}

/// What held the power.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Held {
    /// A power limit.
    Power,
    /// The temperature limit.
    Temperature,
    /// The work asks for no more.
    Demand,
    /// Something else: current, voltage.
    Other,
    /// Cannot be told.
    Unknown,
}

/// A phase.
#[derive(Clone, Debug, PartialEq)]
pub struct PhaseStretch {
    /// Start, s.
    pub from_s: f64,
    /// End, s.
    pub to_s: f64,
    /// Kind.
    pub kind: Stretch,
    /// Its name, as shown.
    pub label: String,
}

/// A stretch held by one limit.
#[derive(Clone, Debug, PartialEq)]
pub struct ActingStretch {
    /// Start, s.
    pub from_s: f64,
    /// End, s.
    pub to_s: f64,
    /// What held.
    pub held: Held,
    /// In words, as shown: "PL1 65 W".
    pub label: String,
}

/// A series of readings.
#[derive(Clone, Debug, PartialEq)]
pub struct RunSeries {
    /// Name in the key.
    pub name: String,
    /// One value for each time; NaN where missing.
    pub values: Vec<f64>,
    /// Lower and upper ends of a band, each as long as the values.
    pub band: Option<(Vec<f64>, Vec<f64>)>,
}

/// A limit or bound.
#[derive(Clone, Debug, PartialEq)]
pub struct LimitLine {
    /// Where, in the panel's unit.
    pub value: f64,
    /// As shown: "PL1 65 W".
    pub label: String,
}

/// Series that share a y axis.
#[derive(Clone, Debug, PartialEq)]
pub struct RunPanel {
    /// What it shows: "Power".
    pub name: String,
    /// Unit; may be blank.
    pub unit: String,
    /// Series.
    pub series: Vec<RunSeries>,
    /// Limits.
    pub limits: Vec<LimitLine>,
}

/// One run, measured or predicted, over time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RunOverTime {
    /// Title.
    pub title: String,
    /// Line below it.
    pub subtitle: String,
    /// Times, s, rising.
    pub time_s: Vec<f64>,
    /// Part of the time that is shown, s; all of it if `None`.
    pub shown_s: Option<(f64, f64)>,
    /// Phases, in the order of time.
    pub phases: Vec<PhaseStretch>,
    /// What held the power, in the order of time.
    pub acting: Vec<ActingStretch>,
    /// Panels, from the top.
    pub panels: Vec<RunPanel>,
}

/// A name in a strip is cut to no fewer signs.
const LEAST_SIGNS: usize = 7;
/// Rows of the table of a long run.
const TABLE_ROWS: usize = 200;

impl Chart for RunOverTime {
    fn name(&self) -> &'static str {
        "run"
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
        let strips = Strips::new(self, look);
        let panels = self.panels(look);
        let below = Rect::new(
            area.x,
            area.y + strips.height(),
            area.width,
            area.height - strips.height(),
        );
        let plots = stacked(&mut canvas, &panels, below, strips.left());
        if let Some(first) = plots.first() {
            strips.draw(&mut canvas, area.y, *first);
            self.phase_lines(&mut canvas, &plots);
        }
        canvas.finish()
    }

    fn table(&self) -> Table {
        let series = || {
            self.panels
                .iter()
                .flat_map(|p| p.series.iter().map(move |s| (p, s)))
        };
        let mut header = vec!["time, s".to_owned()];
        header.extend(series().map(|(p, s)| with_unit(&s.name, &p.unit)));
        let step = self.time_s.len().div_ceil(TABLE_ROWS).max(1);
        let row = |i: usize| {
            let mut row = vec![plain(self.time_s[i], 1)];
            row.extend(series().map(|(_, s)| s.values.get(i).map_or("–".into(), |v| short(*v))));
            row
        };
        Table {
            header,
            rows: (0..self.time_s.len()).step_by(step).map(row).collect(),
        }
    }
}

impl RunOverTime {
    /// Time shown, s.
    fn span_s(&self) -> Range {
        let (from, to) = self.shown_s.unwrap_or_else(|| {
            let range = Range::of(self.time_s.iter().copied());
            (range.lo, range.hi)
        });
        Range { lo: from, hi: to }.drawable()
    }

    /// Seconds in the unit of the axis, and its name.
    fn unit(&self) -> (f64, &'static str) {
        let span = self.span_s();
        match span.hi - span.lo {
            s if s <= 300.0 => (1.0, "Time, s"),
            s if s <= 4.0 * 3600.0 => (60.0, "Time, min"),
            _ => (3600.0, "Time, h"),
        }
    }

    fn panels(&self, look: &Look) -> Vec<Panel> {
        let (unit_s, title) = self.unit();
        let span = self.span_s();
        let times: Vec<f64> = self.time_s.iter().map(|t| t / unit_s).collect();
        let shown = Range {
            lo: span.lo / unit_s,
            hi: span.hi / unit_s,
        };
        let mut colour = 0;
        let panels = self.panels.iter().map(|own| {
            let x = Axis::new(title, shown, Ends::Exact);
            let panel = panel_of(own, x, &times, look, colour);
            colour += own.series.len();
            panel
        });
        panels.collect()
    }

    /// Fine lines through all plots where phases meet.
    fn phase_lines(&self, canvas: &mut Canvas<'_>, plots: &[Rect]) {
        let span = self.span_s();
        for phase in self.phases.iter().skip(1) {
            if phase.from_s <= span.lo || phase.from_s >= span.hi {
                continue;
            }
            for plot in plots {
                let share = (phase.from_s - span.lo) / (span.hi - span.lo);
                let x = plot.x + share * plot.width;
                let stroke = Stroke::new(canvas.look.theme.muted, 0.8).dashed("1 3");
                canvas.line((x, plot.y), (x, plot.bottom()), stroke, "");
            }
        }
    }
}

fn panel_of(own: &RunPanel, x: Axis, times: &[f64], look: &Look, first: usize) -> Panel {
    let theme = look.theme;
    let mut panel = Panel::new(&own.name, &own.unit, x, Ends::Round);
    for (i, series) in own.series.iter().enumerate() {
        let colour = theme.series(first + i);
        let dash = if i > 0 { DASHES[i % DASHES.len()] } else { "" };
        if let Some((lo, hi)) = &series.band {
            panel.bands.push(Band {
                xs: times.to_vec(),
                lo: lo.clone(),
                hi: hi.clone(),
                colour,
            });
        }
        panel.lines.push(Line {
            name: series.name.clone(),
            xs: times.to_vec(),
            ys: series.values.clone(),
            colour,
            dash,
            width: 1.6,
            breaks: Breaks::LongGaps,
        });
        // One series that bears the panel's name needs no key.
        if own.series.len() > 1 || series.name != own.name {
            panel
                .keys
                .push(Key::new(&series.name, colour, Swatch::Line(dash)));
        }
    }
    panel.rules = own
        .limits
        .iter()
        .filter(|l| l.value.is_finite())
        .map(|l| Rule {
            at: l.value,
            upright: false,
            label: l.label.clone(),
            colour: theme.limit,
            dash: "7 4",
        })
        .collect();
    fit_shown(&mut panel);
    panel
}

/// The y axis holds what is shown.
fn fit_shown(panel: &mut Panel) {
    let (lo, hi) = (panel.x.range.lo, panel.x.range.hi);
    let mut range = Range::NONE;
    let shown = |x: &f64| (lo..=hi).contains(x);
    for line in &panel.lines {
        let pairs = line.xs.iter().zip(&line.ys);
        pairs
            .filter(|(x, _)| shown(x))
            .for_each(|(_, y)| range.include(*y));
    }
    for band in &panel.bands {
        let edges = band.lo.iter().zip(&band.hi);
        for (_, (a, b)) in band.xs.iter().zip(edges).filter(|(x, _)| shown(x)) {
            range.include(*a);
            range.include(*b);
        }
    }
    panel.rules.iter().for_each(|r| range.include(r.at));
    panel.y.range = range.drawable();
    // The zero of the Celsius scale means nothing here.
    if panel.unit != "°C" && panel.unit != "°F" {
        panel.y.range = panel.y.range.with_near_zero();
    }
}

/// Dashes of further series in a panel, so that they differ without colour.
const DASHES: [&str; 4] = ["", "7 3", "2 3", "9 3 2 3"];

/// Two strips above the plots: phases, and what held the power.
struct Strips<'a> {
    chart: &'a RunOverTime,
    kind: Type,
    /// On a tiny picture the curves go first.
    shown: bool,
}

impl<'a> Strips<'a> {
    fn new(chart: &'a RunOverTime, look: &Look) -> Self {
        Self {
            chart,
            kind: Type::of(look),
            shown: look.height >= 260.0,
        }
    }

    fn row(&self) -> f64 {
        line_height(self.kind.small) + 6.0
    }

    fn rows(&self) -> f64 {
        let row = |present: bool| if present && self.shown { 1.0 } else { 0.0 };
        row(!self.chart.phases.is_empty()) + row(!self.chart.acting.is_empty())
    }

    fn height(&self) -> f64 {
        let rows = self.rows();
        if rows > 0.0 {
            rows * (self.row() + 2.0) + 8.0
        } else {
            0.0
        }
    }

    /// Room for the names of the strips.
    fn left(&self) -> f64 {
        if self.rows() > 0.0 {
            width("held by", self.kind.small, Weight::Regular) + 8.0
        } else {
            0.0
        }
    }

    fn draw(&self, canvas: &mut Canvas<'_>, mut top: f64, plot: Rect) {
        if !self.shown {
            return;
        }
        let theme = canvas.look.theme;
        if !self.chart.phases.is_empty() {
            self.name(canvas, "phase", plot.x, top);
            for phase in &self.chart.phases {
                let more = format!(
                    r#"class="phase" data-phase="{}" data-from-s="{}" data-to-s="{}""#,
                    escaped(&phase.label),
                    exact(phase.from_s),
                    exact(phase.to_s)
                );
                canvas.open(&more);
                let colour = theme.phases[phase.kind as usize];
                let own = self.patch(plot, top, phase.from_s, phase.to_s);
                self.stretch(canvas, own, colour, 0.26, &phase.label);
                canvas.close();
            }
            top += self.row() + 2.0;
        }
        if !self.chart.acting.is_empty() {
            self.name(canvas, "held by", plot.x, top);
            for acting in &self.chart.acting {
                canvas.open(&format!(
                    r#"class="acting" data-acting="{}""#,
                    escaped(&acting.label)
                ));
                let own = self.patch(plot, top, acting.from_s, acting.to_s);
                self.acting(canvas, own, acting);
                canvas.close();
            }
        }
    }

    fn name(&self, canvas: &mut Canvas<'_>, name: &str, x: f64, top: f64) {
        let y = base_line(top + 3.0, self.kind.small);
        let muted = canvas.look.theme.muted;
        canvas.text(Text::new(name, x - 8.0, y, self.kind.small, muted).end());
    }

    /// Place of a stretch of time in a strip; nothing of it may be shown.
    fn patch(&self, plot: Rect, top: f64, from_s: f64, to_s: f64) -> Option<Rect> {
        let span = self.chart.span_s();
        let at = |t: f64| plot.x + (t - span.lo) / (span.hi - span.lo) * plot.width;
        let (from, to) = (
            at(from_s.clamp(span.lo, span.hi)),
            at(to_s.clamp(span.lo, span.hi)),
        );
        (to > from).then(|| Rect::new(from, top, to - from, self.row()))
    }

    fn stretch(
        &self,
        canvas: &mut Canvas<'_>,
        patch: Option<Rect>,
        colour: &str,
        opacity: f64,
        label: &str,
    ) {
        let Some(rect) = patch else { return };
        canvas.tooltip(label);
        let inner = Rect::new(
            rect.x + 0.5,
            rect.y,
            (rect.width - 1.0).max(0.4),
            rect.height,
        );
        canvas.rect(inner, colour, &format!(r#"fill-opacity="{opacity}""#));
        self.word(canvas, rect, label);
    }

    /// What held: a line whose dashes differ by kind, and the words above it.
    fn acting(&self, canvas: &mut Canvas<'_>, patch: Option<Rect>, acting: &ActingStretch) {
        let Some(rect) = patch else { return };
        let theme = canvas.look.theme;
        canvas.tooltip(&acting.label);
        let (colour, dash) = match acting.held {
            Held::Power => (theme.ink, ""),
            Held::Temperature => (theme.limit, ""),
            Held::Demand => (theme.muted, "2 3"),
            Held::Other => (theme.ink, "6 3"),
            Held::Unknown => (theme.grid, ""),
        };
        let y = rect.bottom() - 1.0;
        let stroke = Stroke::new(colour, 2.0).dashed(dash);
        canvas.line(
            (rect.x + 1.0, y),
            ((rect.right() - 1.0).max(rect.x + 1.4), y),
            stroke,
            "",
        );
        self.word(canvas, rect, &acting.label);
    }

    fn word(&self, canvas: &mut Canvas<'_>, rect: Rect, label: &str) {
        let y = base_line(rect.y + 3.0, self.kind.small);
        let ink = canvas.look.theme.ink;
        let text = Text::new(label, rect.x + rect.width / 2.0, y, self.kind.small, ink);
        let room = rect.width - 8.0;
        let short = fitted(label, self.kind.small, Weight::Regular, room);
        // A beginning of a word or two says nothing.
        if short.is_some_and(|s| s == label || s.chars().count() > LEAST_SIGNS) {
            canvas.fitted(text.middle(), room);
        }
    }
}
