//! What charts of curves share: curves with bands, readings, marked values.

use crate::frame::{Key, Shape, Swatch};
use crate::panel::{Band, Line, Mark, Panel, Rule, Shade};
use crate::reduce::Breaks;
use crate::{Look, Ranged, Table, short};

/// A curve with its band.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    /// Name in the key.
    pub name: String,
    /// Rising.
    pub xs: Vec<f64>,
    /// One for each x; without intervals no band is drawn.
    pub ys: Vec<Ranged>,
}

/// Something measured, or predicted for what was measured.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Its run; blank for none.
    pub label: String,
    /// Where.
    pub x: Ranged,
    /// Value.
    pub y: Ranged,
    /// Not used in the fit: drawn hollow.
    pub held_out: bool,
}

/// A value marked on an axis: a limit, a resonance, a time constant.
#[derive(Clone, Debug, PartialEq)]
pub struct Marked {
    /// Where.
    pub value: f64,
    /// As shown.
    pub label: String,
}

/// A marked stretch of x.
#[derive(Clone, Debug, PartialEq)]
pub struct MarkedRange {
    /// From.
    pub lo: f64,
    /// To.
    pub hi: f64,
    /// As shown.
    pub label: String,
}

/// Dashes of curves, so that they differ without colour.
const DASHES: [&str; 4] = ["", "8 4", "2 4", "10 4 2 4"];

/// Adds curves with their bands; the first takes the colour of this place.
pub(super) fn add_curves(panel: &mut Panel, curves: &[Curve], look: &Look, first: usize) {
    for (i, curve) in curves.iter().enumerate() {
        let colour = look.theme.series(first + i);
        let dash = DASHES[i % DASHES.len()];
        if curve.ys.iter().any(Ranged::has_interval) {
            panel.bands.push(Band {
                xs: curve.xs.clone(),
                lo: curve.ys.iter().map(|y| y.lo).collect(),
                hi: curve.ys.iter().map(|y| y.hi).collect(),
                colour,
            });
        }
        panel.lines.push(Line {
            name: curve.name.clone(),
            xs: curve.xs.clone(),
            ys: curve.ys.iter().map(|y| y.value).collect(),
            colour,
            dash,
            width: 2.0,
            breaks: Breaks::Missing,
        });
        panel
            .keys
            .push(Key::new(&curve.name, colour, Swatch::Line(dash)));
    }
}

/// Adds readings, hollow where they were held out, with keys for both kinds.
pub(super) fn add_readings(panel: &mut Panel, readings: &[Reading], unit_x: &str, look: &Look) {
    let theme = look.theme;
    for (held_out, words) in [(false, "measured"), (true, "measured, not used in the fit")] {
        if readings.iter().any(|r| r.held_out == held_out) {
            let swatch = Swatch::Mark(Shape::Circle, !held_out);
            panel.keys.push(Key::new(words, theme.ink, swatch));
        }
    }
    for reading in readings {
        panel.marks.push(Mark {
            x: reading.x,
            y: reading.y,
            shape: Shape::Circle,
            filled: !reading.held_out,
            colour: theme.ink,
            label: reading.label.clone(),
            named: !reading.label.is_empty(),
            tooltip: format!(
                "{}: {} {unit_x}, {} {}",
                reading.label,
                short(reading.x.value),
                short(reading.y.value),
                panel.unit
            ),
            priority: 10,
            ringed: false,
        });
    }
}

/// Adds a limit: a dashed line across.
pub(super) fn add_limit(panel: &mut Panel, limit: &Marked, upright: bool, look: &Look) {
    if limit.value.is_finite() {
        panel.rules.push(Rule {
            at: limit.value,
            upright,
            label: limit.label.clone(),
            colour: look.theme.limit,
            dash: "7 4",
        });
    }
}

/// Adds a quiet line across: something to be seen, not kept.
pub(super) fn add_note(panel: &mut Panel, note: &Marked, upright: bool, look: &Look) {
    if note.value.is_finite() {
        panel.rules.push(Rule {
            at: note.value,
            upright,
            label: note.label.clone(),
            colour: look.theme.muted,
            dash: "2 3",
        });
    }
}

/// Tints a stretch of x.
pub(super) fn add_range(panel: &mut Panel, range: &MarkedRange, look: &Look) {
    if range.lo.is_finite() && range.hi.is_finite() {
        panel.shades.push(Shade {
            from: range.lo,
            to: range.hi,
            label: range.label.clone(),
            colour: look.theme.series(4),
            opacity: 0.14,
        });
    }
}

/// Curves, then readings, as rows.
pub(super) fn rows(table: &mut Table, what: &str, curves: &[Curve], readings: &[Reading]) {
    for curve in curves {
        for (x, y) in curve.xs.iter().zip(&curve.ys) {
            table.rows.push(vec![
                what.to_owned(),
                curve.name.clone(),
                short(*x),
                short(y.value),
                short(y.lo),
                short(y.hi),
            ]);
        }
    }
    for reading in readings {
        let kind = if reading.held_out {
            "measured, not used"
        } else {
            "measured"
        };
        table.rows.push(vec![
            what.to_owned(),
            format!("{} ({kind})", reading.label),
            short(reading.x.value),
            short(reading.y.value),
            short(reading.y.lo),
            short(reading.y.hi),
        ]);
    }
}

/// A table for [`rows`].
pub(super) fn table(x: &str, y: &str) -> Table {
    Table::new(&["shows", "of", x, y, "from", "to"])
}
