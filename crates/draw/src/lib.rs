//! Charts: plain values in, SVG and PNG out.
//!
//! Each chart is a plain struct of numbers and names that [draws](Chart::draw) itself in a [`Look`]
//! (size and colours) and gives the same numbers as a [table](Chart::table). One writer makes the
//! picture for pages, reports and files, so they cannot disagree; [`png`] and [`outlined`] turn it
//! into pixels, or text into paths.
//!
//! ```
//! use settlepoint_draw::{Chart, LIGHT, Look, RunOverTime, RunPanel, RunSeries, png};
//!
//! let chart = RunOverTime {
//!     title: "125 W".into(),
//!     time_s: vec![0.0, 1.0, 2.0],
//!     panels: vec![RunPanel {
//!         name: "Power".into(),
//!         unit: "W".into(),
//!         series: vec![RunSeries {
//!             name: "package".into(),
//!             values: vec![17.0, 125.0, 124.8],
//!             band: None,
//!         }],
//!         limits: vec![],
//!     }],
//!     ..RunOverTime::default()
//! };
//! let picture = chart.draw(&Look::new(960.0, 540.0, &LIGHT));
//! assert!(picture.svg.starts_with("<svg"));
//! let bytes = png(&picture, 1920, 1080)?;
//! assert_eq!(&bytes[1..4], b"PNG");
//! # Ok::<(), settlepoint_draw::DrawError>(())
//! ```
//!
//! # Markup that scripts rely on
//!
//! The picture is `svg[data-chart]`. Each area with axes is a `g.plot` with `data-name`,
//! `data-unit`, the ends of its axes as values (`data-x-lo`, `data-x-hi`, `data-y-lo`, `data-y-hi`)
//! and as pixels (`data-x-from`, `data-x-to`, `data-y-from`, `data-y-to`), and `data-x-log` where x
//! is logarithmic. Lines are `path.series[data-name]` inside of it, their data relative after each
//! `M`, so that a read-out needs no second copy of the numbers. Points are `g.point[data-label]`,
//! phases `g.phase[data-phase]`, limits `g.rule[data-label]`. There are no ids.

mod canvas;
mod charts;
mod contour;
mod font;
mod frame;
mod geometry;
mod label;
mod number;
mod panel;
mod raster;
mod reduce;
mod scale;
mod theme;

use std::collections::BTreeSet;

pub use charts::*;
pub use font::{BOLD_TTF, BOLD_WOFF2, FAMILY, REGULAR_TTF, REGULAR_WOFF2};
pub use geometry::Rect;
pub use number::{plain, short, signed};
pub use raster::{DrawError, Fonts, outlined, png};
pub use theme::{DARK, LIGHT, PAGE, Theme};

/// Size, colours and detail of a picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// Width, px: text keeps its size, so a wider picture has more room, not larger letters.
    pub width: f64,
    /// Height, px.
    pub height: f64,
    /// Colours.
    pub theme: &'static Theme,
    /// Whether title and subtitle are part of the picture; a page has its own.
    pub titled: bool,
    /// Columns to which long series are reduced, lowest and highest of each, for what is redrawn
    /// while a slider moves; `None` for one a pixel with all that can be seen.
    pub columns: Option<u32>,
}

/// Least width and height, px: below, not even the axes have room.
pub const LEAST_SIZE: (f64, f64) = (240.0, 180.0);

impl Look {
    /// A picture with its title and full detail, at least [`LEAST_SIZE`] large.
    pub fn new(width: f64, height: f64, theme: &'static Theme) -> Self {
        Self {
            width: width.max(LEAST_SIZE.0),
            height: height.max(LEAST_SIZE.1),
            theme,
            titled: true,
            columns: None,
        }
    }

    /// For a file of so many pixels: large ones are drawn as 1280 x 720 and scaled, so that letters
    /// are readable on a slide; small ones as they are.
    pub fn for_pixels(width_px: u32, height_px: u32, theme: &'static Theme) -> Self {
        let (width, height) = (f64::from(width_px), f64::from(height_px));
        let scale = (width / 1280.0).min(height / 720.0).max(1.0);
        Self::new(width / scale, height / scale, theme)
    }

    /// Without title and subtitle.
    #[must_use]
    pub fn untitled(self) -> Self {
        Self {
            titled: false,
            ..self
        }
    }

    /// With long series reduced to this many columns.
    #[must_use]
    pub fn reduced_to(self, columns: u32) -> Self {
        Self {
            columns: Some(columns.max(1)),
            ..self
        }
    }
}

/// A drawn chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// The SVG, one element.
    pub svg: String,
    /// Width, px.
    pub width: f64,
    /// Height, px.
    pub height: f64,
    /// Every text with its box, as reckoned from the bundled typeface.
    pub texts: Vec<TextBox>,
    /// Areas in which only text of class `label` may lie.
    pub plots: Vec<Rect>,
    /// Signs that the bundled typeface lacks: browsers take them from another, [`png`] from the
    /// machine's, if it has one.
    pub missing: BTreeSet<char>,
    /// Labels of points for which there was no room; they stand in the table.
    pub left_out: Vec<String>,
}

/// A line of text in a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct TextBox {
    /// The text, as shown.
    pub text: String,
    /// Its box.
    pub rect: Rect,
    /// Its class; `label` for text that may lie in a plot.
    pub class: String,
}

/// A value with its interval; `lo` and `hi` equal it where there is none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ranged {
    /// Central value.
    pub value: f64,
    /// Lower end.
    pub lo: f64,
    /// Upper end.
    pub hi: f64,
}

impl Ranged {
    /// A value without an interval.
    pub const fn exact(value: f64) -> Self {
        Self {
            value,
            lo: value,
            hi: value,
        }
    }

    fn has_interval(&self) -> bool {
        self.hi > self.lo
    }

    /// "81.2 (79.9 to 82.6)" with this many decimals.
    pub fn text(&self, decimals: usize) -> String {
        if self.has_interval() {
            format!(
                "{} ({} to {})",
                plain(self.value, decimals),
                plain(self.lo, decimals),
                plain(self.hi, decimals)
            )
        } else {
            plain(self.value, decimals)
        }
    }
}

/// The numbers of a chart as a table, for readers who cannot or would rather not see it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Table {
    /// Names of the columns, with units.
    pub header: Vec<String>,
    /// Rows, each as long as the header.
    pub rows: Vec<Vec<String>>,
}

impl Table {
    pub(crate) fn new(header: &[&str]) -> Self {
        Self {
            header: header.iter().map(|&h| h.to_owned()).collect(),
            rows: Vec::new(),
        }
    }
}

/// What every chart can do.
pub trait Chart {
    /// Its name: the value of `data-chart`.
    fn name(&self) -> &'static str;
    /// Its title.
    fn title(&self) -> &str;
    /// The line below the title; may be blank.
    fn subtitle(&self) -> &str;
    /// Draws it.
    fn draw(&self, look: &Look) -> Picture;
    /// Its numbers. Long series are cut to some two hundred rows.
    fn table(&self) -> Table;
}
