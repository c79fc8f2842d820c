//! The SVG writer: escaped text with known boxes, paths with one decimal.

use std::collections::BTreeSet;

use crate::font::{self, FAMILY, Weight};
use crate::geometry::{Point, Rect};
use crate::number::coordinate;
use crate::{Look, Picture, TextBox};

/// Height of a text box over the size of the text: ascenders and descenders of Latin.
const LINE: f64 = 1.05;
/// Share of it above the base line.
const ABOVE: f64 = 0.80;

/// Where the given point lies in a line of text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Anchor {
    Start,
    Middle,
    End,
}

/// A line of text to be written.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Text<'a> {
    words: &'a str,
    at: Point,
    size: f64,
    weight: Weight,
    anchor: Anchor,
    fill: &'a str,
    class: &'a str,
    halo: bool,
}

impl<'a> Text<'a> {
    /// Text that starts at a point on its base line.
    pub(crate) fn new(words: &'a str, x: f64, y: f64, size: f64, fill: &'a str) -> Self {
        Self {
            words,
            at: (x, y),
            size,
            weight: Weight::Regular,
            anchor: Anchor::Start,
            fill,
            class: "",
            halo: false,
        }
    }

    pub(crate) fn bold(mut self) -> Self {
        self.weight = Weight::Bold;
        self
    }

    pub(crate) fn middle(mut self) -> Self {
        self.anchor = Anchor::Middle;
        self
    }

    pub(crate) fn end(mut self) -> Self {
        self.anchor = Anchor::End;
        self
    }

    /// Over lines and bands: a rim in the colour of the ground keeps it readable.
    pub(crate) fn with_halo(mut self) -> Self {
        self.halo = true;
        self
    }

    pub(crate) fn class(mut self, class: &'a str) -> Self {
        self.class = class;
        self
    }

    fn rect(&self) -> Rect {
        let width = font::width(self.words, self.size, self.weight);
        let left = match self.anchor {
            Anchor::Start => self.at.0,
            Anchor::Middle => self.at.0 - width / 2.0,
            Anchor::End => self.at.0 - width,
        };
        text_rect(left, self.at.1, width, self.size)
    }
}

/// Box of a line of text that starts at `left` on the base line `y`.
fn text_rect(left: f64, y: f64, width: f64, size: f64) -> Rect {
    Rect::new(left, y - ABOVE * size, width, LINE * size)
}

/// Height of a line's box.
pub(crate) fn line_height(size: f64) -> f64 {
    LINE * size
}

/// Base line of text whose box begins at `top`.
pub(crate) fn base_line(top: f64, size: f64) -> f64 {
    top + ABOVE * size
}

/// How an outline is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stroke<'a> {
    pub(crate) colour: &'a str,
    pub(crate) width: f64,
    /// Dashes and gaps; blank for a whole line.
    pub(crate) dash: &'a str,
}

impl<'a> Stroke<'a> {
    pub(crate) fn new(colour: &'a str, width: f64) -> Self {
        Self {
            colour,
            width,
            dash: "",
        }
    }

    pub(crate) fn dashed(mut self, dash: &'a str) -> Self {
        self.dash = dash;
        self
    }

    fn attributes(&self) -> String {
        let dash = if self.dash.is_empty() {
            String::new()
        } else {
            format!(r#" stroke-dasharray="{}""#, self.dash)
        };
        format!(
            r#"stroke="{}" stroke-width="{}"{dash}"#,
            self.colour,
            coordinate(self.width)
        )
    }
}

/// A picture in the making.
pub(crate) struct Canvas<'a> {
    pub(crate) look: &'a Look,
    body: String,
    texts: Vec<TextBox>,
    plots: Vec<Rect>,
    missing: BTreeSet<char>,
    left_out: Vec<String>,
    name: &'static str,
    title: String,
}

impl<'a> Canvas<'a> {
    /// An empty picture of a chart with this name and title.
    pub(crate) fn new(look: &'a Look, name: &'static str, title: &str) -> Self {
        Self {
            look,
            body: String::with_capacity(1 << 14),
            texts: Vec::new(),
            plots: Vec::new(),
            missing: BTreeSet::new(),
            left_out: Vec::new(),
            name,
            title: title.to_owned(),
        }
    }

    /// Area of the whole picture.
    pub(crate) fn area(&self) -> Rect {
        Rect::new(0.0, 0.0, self.look.width, self.look.height)
    }

    pub(crate) fn raw(&mut self, markup: &str) {
        self.body.push_str(markup);
    }

    /// Opens a group with these attributes, escaped by the caller.
    pub(crate) fn open(&mut self, attributes: &str) {
        self.body += &format!("<g {attributes}>");
    }

    pub(crate) fn close(&mut self) {
        self.body.push_str("</g>");
    }

    /// A read-out that browsers show for the group it stands in.
    pub(crate) fn tooltip(&mut self, text: &str) {
        self.body += &format!("<title>{}</title>", escaped(text));
    }

    pub(crate) fn text(&mut self, text: Text<'_>) -> Rect {
        let rect = text.rect();
        self.missing.extend(font::missing(text.words));
        let anchor = match text.anchor {
            Anchor::Start => "",
            Anchor::Middle => r#" text-anchor="middle""#,
            Anchor::End => r#" text-anchor="end""#,
        };
        let weight = match text.weight {
            Weight::Regular => "",
            Weight::Bold => r#" font-weight="700""#,
        };
        let class = if text.class.is_empty() {
            String::new()
        } else {
            format!(r#" class="{}""#, text.class)
        };
        let halo = if text.halo {
            format!(
                r#" paint-order="stroke" stroke="{}" stroke-width="3" stroke-linejoin="round""#,
                self.look.theme.ground
            )
        } else {
            String::new()
        };
        self.body += &format!(
            r#"<text x="{}" y="{}" font-size="{}"{weight}{anchor}{class} fill="{}"{halo}>{}</text>"#,
            coordinate(text.at.0),
            coordinate(text.at.1),
            coordinate(text.size),
            text.fill,
            escaped(text.words)
        );
        self.texts.push(TextBox {
            text: text.words.to_owned(),
            rect,
            class: text.class.to_owned(),
        });
        rect
    }

    /// Text cut to `room`; gives its box, or `None` if not even a part of it fits.
    pub(crate) fn fitted(&mut self, text: Text<'_>, room: f64) -> Option<Rect> {
        let short = font::fitted(text.words, text.size, text.weight, room)?;
        if short == text.words {
            return Some(self.text(text));
        }
        self.open("");
        self.tooltip(text.words);
        let rect = self.text(Text {
            words: &short,
            ..text
        });
        self.close();
        Some(rect)
    }

    /// A filled rectangle with further attributes.
    pub(crate) fn rect(&mut self, rect: Rect, fill: &str, more: &str) {
        self.body += &format!(
            r#"<rect x="{}" y="{}" width="{}" height="{}" fill="{fill}" {more}/>"#,
            coordinate(rect.x),
            coordinate(rect.y),
            coordinate(rect.width),
            coordinate(rect.height)
        );
    }

    /// A straight line.
    pub(crate) fn line(&mut self, from: Point, to: Point, stroke: Stroke<'_>, more: &str) {
        self.body += &format!(
            r#"<path d="M{} {}L{} {}" fill="none" {} {more}/>"#,
            coordinate(from.0),
            coordinate(from.1),
            coordinate(to.0),
            coordinate(to.1),
            stroke.attributes()
        );
    }

    /// Lines through the points of each piece.
    pub(crate) fn path(&mut self, pieces: &[Vec<Point>], stroke: Stroke<'_>, more: &str) {
        let mut data = String::new();
        for piece in pieces {
            write_path(&mut data, piece);
        }
        if data.is_empty() {
            return;
        }
        self.body += &format!(
            r#"<path d="{data}" fill="none" stroke-linejoin="{}" stroke-linecap="round" {} {more}/>"#,
            // Round joins cost a third of the painting time on long series.
            if self.look.columns.is_some() {
                "bevel"
            } else {
                "round"
            },
            stroke.attributes()
        );
    }

    /// A filled shape.
    pub(crate) fn shape(&mut self, points: &[Point], fill: &str, more: &str) {
        let mut data = String::new();
        write_path(&mut data, points);
        if !data.is_empty() {
            self.body += &format!(r#"<path d="{data}z" fill="{fill}" {more}/>"#);
        }
    }

    /// Several filled shapes as one path, so that no seam shows where they touch.
    pub(crate) fn shapes(&mut self, polygons: &[Vec<Point>], fill: &str, more: &str) {
        let mut data = String::new();
        for polygon in polygons {
            write_path(&mut data, polygon);
            data.push('z');
        }
        if !data.is_empty() {
            self.body += &format!(r#"<path d="{data}" fill="{fill}" {more}/>"#);
        }
    }

    /// Reports an area in which no text but labels of data may lie.
    pub(crate) fn plot(&mut self, rect: Rect) {
        self.plots.push(rect);
    }

    /// Reports a label for which there was no room.
    pub(crate) fn leave_out(&mut self, label: &str) {
        self.left_out.push(label.to_owned());
    }

    pub(crate) fn finish(self) -> Picture {
        let Look { width, height, .. } = *self.look;
        let (w, h) = (coordinate(width), coordinate(height));
        let title = escaped(&self.title);
        let svg = format!(
            r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}" font-family="'{FAMILY}',sans-serif" role="img" aria-label="{title}" data-chart="{}"><title>{title}</title><rect class="ground" width="{w}" height="{h}" fill="{}"/>{}</svg>"#,
            self.name, self.look.theme.ground, self.body
        );
        Picture {
            svg,
            width,
            height,
            texts: self.texts,
            plots: self.plots,
            missing: self.missing,
            left_out: self.left_out,
        }
    }
}

/// Text for XML: markup escaped, control characters (which XML 1.0 forbids) as spaces.
pub(crate) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for sign in text.chars() {
        match sign {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\u{fffe}' | '\u{ffff}' => out.push(' '),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// Tenths of a pixel.
#[expect(
    clippy::cast_possible_truncation,
    reason = "pictures are at most some thousand px wide; the cast saturates"
)]
fn tenths(value: f64) -> i64 {
    (value * 10.0).round() as i64
}

/// Adds a piece of path: a start, then steps from each point to the next, in tenths, so that
/// rounding does not add up.
fn write_path(data: &mut String, points: &[Point]) {
    let Some((first, rest)) = points.split_first() else {
        return;
    };
    let (mut x, mut y) = (tenths(first.0), tenths(first.1));
    data.push('M');
    push_tenths(data, x);
    data.push(' ');
    push_tenths(data, y);
    data.push('l');
    if rest.is_empty() {
        // A lone reading is a dot.
        data.push_str("0 0");
    }
    for (i, point) in rest.iter().enumerate() {
        let (to_x, to_y) = (tenths(point.0), tenths(point.1));
        if i > 0 {
            data.push(' ');
        }
        push_tenths(data, to_x - x);
        if to_y >= y {
            data.push(' ');
        }
        push_tenths(data, to_y - y);
        (x, y) = (to_x, to_y);
    }
}

fn push_tenths(data: &mut String, tenths: i64) {
    if tenths < 0 {
        data.push('-');
    }
    let size = tenths.unsigned_abs();
    let (whole, part) = (size / 10, size % 10);
    if whole > 0 || part == 0 {
        data.push_str(&whole.to_string());
    }
    if part > 0 {
        data.push('.');
        data.push_str(&part.to_string());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_are_short_and_do_not_drift() {
        let mut data = String::new();
        write_path(&mut data, &[(1.04, 2.0), (1.56, 1.0), (1.56, 4.25)]);
        assert_eq!(data, "M1 2l.6-1 0 3.3");
    }

    #[test]
    fn markup_in_names_is_text() {
        assert_eq!(
            escaped("\"><script>&\u{7}"),
            "&quot;&gt;&lt;script&gt;&amp; "
        );
    }
}
