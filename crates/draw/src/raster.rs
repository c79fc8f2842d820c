//! SVG to PNG, and text to paths.

use std::borrow::Cow;
use std::collections::BTreeSet;
use std::fmt;
use std::sync::Arc;

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::fontdb::Database;
use resvg::usvg::{Options, Tree, WriteOptions};
use skrifa::{FontRef, MetadataProvider as _};

use crate::Picture;
use crate::font::{BOLD_TTF, FAMILY, REGULAR_TTF, STAND_IN};

/// Largest side of a PNG, px: twice the widest screens that are sold.
const LARGEST_PX: u32 = 16_384;

/// Why a picture cannot be made.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum DrawError {
    /// A size that is nothing or too much.
    Size {
        /// Width asked for, px.
        width_px: u32,
        /// Height asked for, px.
        height_px: u32,
    },
    /// A picture drawn with [`crate::PAGE`], whose colours only a browser knows.
    PageTheme,
    /// The renderer refused; its words.
    Render(String),
}

impl fmt::Display for DrawError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Size {
                width_px,
                height_px,
            } => write!(
                f,
                "a picture of {width_px} x {height_px} px cannot be made; give sides from 1 to {LARGEST_PX}"
            ),
            Self::PageTheme => f.write_str(
                "the colours of a page are known to browsers only; draw with the light or dark theme",
            ),
            Self::Render(why) => write!(f, "the picture cannot be rendered: {why}"),
        }
    }
}

impl std::error::Error for DrawError {}

/// The fonts that text is drawn with: the bundled typeface, and others for signs that it lacks.
#[derive(Clone, Debug)]
pub struct Fonts {
    database: Arc<Database>,
}

impl Default for Fonts {
    fn default() -> Self {
        Self::bundled()
    }
}

impl Fonts {
    /// The bundled typeface alone: the same picture on every machine.
    pub fn bundled() -> Self {
        let mut database = Database::new();
        database.load_font_data(REGULAR_TTF.to_vec());
        database.load_font_data(BOLD_TTF.to_vec());
        database.set_sans_serif_family(FAMILY);
        Self {
            database: Arc::new(database),
        }
    }

    /// Adds the fonts that the machine has.
    #[must_use]
    pub fn with_system(mut self) -> Self {
        Arc::make_mut(&mut self.database).load_system_fonts();
        self
    }

    /// Fonts for a picture: the machine's as well if the bundled typeface lacks a sign.
    pub fn for_picture(picture: &Picture) -> Self {
        if picture.missing.is_empty() {
            Self::bundled()
        } else {
            Self::bundled().with_system()
        }
    }

    /// Those of the signs that no font here has; a box is drawn for each.
    pub fn lacking(&self, signs: &BTreeSet<char>) -> BTreeSet<char> {
        let mut lacking = signs.clone();
        for face in self.database.faces() {
            if lacking.is_empty() {
                break;
            }
            let _ = self.database.with_face_data(face.id, |data, index| {
                if let Ok(font) = FontRef::from_index(data, index) {
                    let map = font.charmap();
                    lacking.retain(|sign| map.map(*sign).is_none());
                }
            });
        }
        lacking
    }
}

/// The picture as PNG of exactly this size, drawn with [`Fonts::for_picture`].
///
/// # Errors
/// A size of 0 or too large, or a picture with the colours of a page.
pub fn png(picture: &Picture, width_px: u32, height_px: u32) -> Result<Vec<u8>, DrawError> {
    let sides = 1..=LARGEST_PX;
    let size = DrawError::Size {
        width_px,
        height_px,
    };
    if !(sides.contains(&width_px) && sides.contains(&height_px)) {
        return Err(size);
    }
    let tree = tree(picture)?;
    let mut pixels = Pixmap::new(width_px, height_px).ok_or(size)?;
    #[expect(
        clippy::cast_precision_loss,
        reason = "sides are far below 2^24, where single precision is exact"
    )]
    let scale = Transform::from_scale(
        width_px as f32 / tree.size().width(),
        height_px as f32 / tree.size().height(),
    );
    resvg::render(&tree, scale, &mut pixels.as_mut());
    pixels
        .encode_png()
        .map_err(|e| DrawError::Render(e.to_string()))
}

/// The picture as SVG with its text as paths: the same on any machine, whatever fonts it has.
///
/// # Errors
/// A picture with the colours of a page.
pub fn outlined(picture: &Picture) -> Result<String, DrawError> {
    let options = WriteOptions {
        coordinates_precision: 3,
        ..WriteOptions::default()
    };
    Ok(tree(picture)?.to_string(&options))
}

fn tree(picture: &Picture) -> Result<Tree, DrawError> {
    if picture.svg.contains("var(") && picture.svg.contains("var(--sp-ground)") {
        return Err(DrawError::PageTheme);
    }
    let fonts = Fonts::for_picture(picture);
    let svg = with_stand_ins(picture, &fonts);
    let options = Options {
        font_family: FAMILY.to_owned(),
        fontdb: Arc::clone(&fonts.database),
        ..Options::default()
    };
    Tree::from_str(&svg, &options).map_err(|e| DrawError::Render(e.to_string()))
}

/// The renderer leaves out signs that no font has; a box shows that something stands there.
fn with_stand_ins<'a>(picture: &'a Picture, fonts: &Fonts) -> Cow<'a, str> {
    let lacking = fonts.lacking(&picture.missing);
    if lacking.is_empty() {
        return Cow::Borrowed(&picture.svg);
    }
    let shown = |sign| {
        if lacking.contains(&sign) {
            STAND_IN
        } else {
            sign
        }
    };
    Cow::Owned(picture.svg.chars().map(shown).collect())
}
