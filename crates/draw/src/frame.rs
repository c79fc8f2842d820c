//! What all charts have around their plots: sizes of type, headings, keys to colours.

use crate::Look;
use crate::canvas::{Canvas, Stroke, Text, base_line, line_height};
use crate::font::{Weight, fitted, width, wrapped};
use crate::geometry::{Point, Rect};

/// Space around everything, px.
pub(crate) const MARGIN: f64 = 16.0;

/// Sizes of type, px.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Type {
    pub(crate) title: f64,
    pub(crate) text: f64,
    pub(crate) small: f64,
}

impl Type {
    /// 12 px on a phone to 14 px on a slide.
    pub(crate) fn of(look: &Look) -> Self {
        let large = ((look.width - 360.0) / 920.0).clamp(0.0, 1.0);
        let text = 12.0 + 2.0 * large;
        Self {
            title: text * (1.25 + 0.2 * large),
            text,
            small: text - 1.0,
        }
    }
}

/// Shapes of marks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Shape {
    Circle,
    Square,
    Triangle,
    Diamond,
}

/// How a key shows its colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Swatch {
    /// A line with this dash pattern.
    Line(&'static str),
    /// A mark, filled or hollow.
    Mark(Shape, bool),
    /// A patch of band.
    Area,
}

/// One entry of a key.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Key {
    pub(crate) text: String,
    pub(crate) colour: &'static str,
    pub(crate) swatch: Swatch,
}

impl Key {
    pub(crate) fn new(text: impl Into<String>, colour: &'static str, swatch: Swatch) -> Self {
        Self {
            text: text.into(),
            colour,
            swatch,
        }
    }
}

/// Draws title and subtitle, if the look has them; gives the area below.
pub(crate) fn headed(canvas: &mut Canvas<'_>, title: &str, subtitle: &str) -> Rect {
    let whole = canvas.area();
    let (room, kind) = (whole.width - 2.0 * MARGIN, Type::of(canvas.look));
    let mut top = MARGIN - 4.0;
    if canvas.look.titled {
        let theme = canvas.look.theme;
        // A flat picture keeps its height for the plot.
        let lines = if whole.height < 320.0 { 1 } else { 2 };
        for line in wrapped(title, kind.title, Weight::Bold, room, lines) {
            let y = base_line(top, kind.title);
            canvas.text(Text::new(&line, MARGIN, y, kind.title, theme.ink).bold());
            top += line_height(kind.title) + 2.0;
        }
        // A tiny one keeps only its title.
        let lines = if whole.height < 240.0 { 0 } else { lines };
        for line in wrapped(subtitle, kind.text, Weight::Regular, room, lines) {
            let y = base_line(top, kind.text);
            canvas.text(Text::new(&line, MARGIN, y, kind.text, theme.muted));
            top += line_height(kind.text) + 2.0;
        }
        top += 4.0;
    }
    Rect::new(
        MARGIN,
        top,
        room,
        (whole.height - top - MARGIN + 6.0).max(0.0),
    )
}

/// Width of a key's swatch with the gap behind it.
const SWATCH: f64 = 22.0;
/// Gap between keys.
const BETWEEN: f64 = 18.0;

/// A heading and keys, flowed into lines.
pub(crate) struct Flow {
    /// Heading as shown, if any.
    heading: String,
    /// For each key its place and its text as shown.
    keys: Vec<(Point, String)>,
    pub(crate) height: f64,
}

/// Flows a bold heading and keys into lines of this width.
pub(crate) fn flow(heading: &str, keys: &[Key], kind: Type, room: f64) -> Flow {
    let step = line_height(kind.text) + 4.0;
    let heading = fitted(heading, kind.text, Weight::Bold, room).unwrap_or_default();
    let mut x = width(&heading, kind.text, Weight::Bold);
    if x > 0.0 {
        x += BETWEEN;
    }
    let mut y = 0.0;
    let mut placed = Vec::with_capacity(keys.len());
    for key in keys {
        let text = fitted(&key.text, kind.text, Weight::Regular, room - SWATCH).unwrap_or_default();
        let own = SWATCH + width(&text, kind.text, Weight::Regular);
        if x > 0.0 && x + own > room {
            (x, y) = (0.0, y + step);
        }
        placed.push(((x, y), text));
        x += own + BETWEEN;
    }
    let lines = !heading.is_empty() || !keys.is_empty();
    Flow {
        heading,
        keys: placed,
        height: if lines { y + step } else { 0.0 },
    }
}

/// Least height of what keys explain, px: where there is less, they give way.
const LEAST_BELOW: f64 = 130.0;

/// Draws keys across the top of an area; gives what is left below.
pub(crate) fn keyed(canvas: &mut Canvas<'_>, keys: &[Key], area: Rect) -> Rect {
    let head = flow("", keys, Type::of(canvas.look), area.width);
    if area.height - head.height < LEAST_BELOW {
        return area;
    }
    head.draw(canvas, keys, area.x, area.y);
    let used = if keys.is_empty() {
        0.0
    } else {
        head.height + 4.0
    };
    Rect::new(
        area.x,
        area.y + used,
        area.width,
        (area.height - used).max(0.0),
    )
}

impl Flow {
    /// Draws it with its upper left corner here.
    pub(crate) fn draw(&self, canvas: &mut Canvas<'_>, keys: &[Key], x: f64, top: f64) {
        let kind = Type::of(canvas.look);
        let ink = canvas.look.theme.ink;
        if !self.heading.is_empty() {
            let y = base_line(top, kind.text);
            canvas.text(Text::new(&self.heading, x, y, kind.text, ink).bold());
        }
        for (key, ((dx, dy), text)) in keys.iter().zip(&self.keys) {
            let (left, y) = (x + dx, base_line(top + dy, kind.text));
            swatch(canvas, key, (left, y - 0.33 * kind.text));
            canvas.text(Text::new(text, left + SWATCH, y, kind.text, ink));
        }
    }
}

fn swatch(canvas: &mut Canvas<'_>, key: &Key, (x, y): Point) {
    match key.swatch {
        Swatch::Line(dash) => {
            let stroke = Stroke::new(key.colour, 2.5).dashed(dash);
            canvas.line((x, y), (x + 16.0, y), stroke, "");
        }
        Swatch::Mark(shape, filled) => mark(canvas, shape, (x + 8.0, y), 5.0, key.colour, filled),
        Swatch::Area => canvas.rect(
            Rect::new(x, y - 5.0, 16.0, 10.0),
            key.colour,
            r#"fill-opacity="0.3""#,
        ),
    }
}

/// Draws a mark of this radius; a hollow one shows the ground.
pub(crate) fn mark(
    canvas: &mut Canvas<'_>,
    shape: Shape,
    (x, y): Point,
    radius: f64,
    colour: &str,
    filled: bool,
) {
    use crate::number::coordinate as c;
    let fill = if filled {
        colour
    } else {
        canvas.look.theme.ground
    };
    let paint = format!(r#"fill="{fill}" stroke="{colour}" stroke-width="1.8""#);
    let r = radius;
    let corners: &[Point] = match shape {
        Shape::Circle => {
            let (x, y, r) = (c(x), c(y), c(r));
            canvas.raw(&format!(r#"<circle cx="{x}" cy="{y}" r="{r}" {paint}/>"#));
            return;
        }
        Shape::Square => &[(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)],
        Shape::Triangle => &[(0.0, -1.1), (1.05, 0.8), (-1.05, 0.8)],
        Shape::Diamond => &[(0.0, -1.2), (1.2, 0.0), (0.0, 1.2), (-1.2, 0.0)],
    };
    let data: Vec<String> = corners
        .iter()
        .map(|(dx, dy)| format!("{} {}", c(x + r * dx), c(y + r * dy)))
        .collect();
    canvas.raw(&format!(r#"<path d="M{}z" {paint}/>"#, data.join("L")));
}
