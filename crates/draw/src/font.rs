//! Widths of the bundled typeface.

use std::collections::HashMap;
use std::sync::LazyLock;

use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, MetadataProvider as _};

/// Regular face, TrueType: a subset of Noto Sans, licence OFL 1.1 (`assets/OFL.txt`).
pub const REGULAR_TTF: &[u8] = include_bytes!("../assets/NotoSans-Regular-sub.ttf");
/// Bold face, TrueType.
pub const BOLD_TTF: &[u8] = include_bytes!("../assets/NotoSans-Bold-sub.ttf");
/// Regular face for pages and reports, WOFF2: with it, text has the width that was reckoned here.
pub const REGULAR_WOFF2: &[u8] = include_bytes!("../assets/NotoSans-Regular-sub.woff2");
/// Bold face for pages and reports, WOFF2.
pub const BOLD_WOFF2: &[u8] = include_bytes!("../assets/NotoSans-Bold-sub.woff2");
/// Name of the typeface.
pub const FAMILY: &str = "Noto Sans";
/// Stands for a sign that no font has.
pub(crate) const STAND_IN: char = '■';
/// Advance of a sign that the bundled face lacks, em: that of an ideograph, the widest there is.
const MISSING_EM: f64 = 1.0;

/// Weight of text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Weight {
    Regular,
    Bold,
}

static REGULAR: LazyLock<HashMap<char, f64>> = LazyLock::new(|| advances(REGULAR_TTF));
static BOLD: LazyLock<HashMap<char, f64>> = LazyLock::new(|| advances(BOLD_TTF));

/// Advance of each sign of a face, em.
fn advances(face: &[u8]) -> HashMap<char, f64> {
    let Ok(font) = FontRef::new(face) else {
        return HashMap::new();
    };
    let metrics = font.glyph_metrics(Size::new(1.0), LocationRef::default());
    font.charmap()
        .mappings()
        .filter_map(|(code, glyph)| {
            let advance = metrics.advance_width(glyph)?;
            Some((char::from_u32(code)?, f64::from(advance)))
        })
        .collect()
}

/// Marks and joiners that stand on the sign before them.
fn is_combining(sign: char) -> bool {
    matches!(u32::from(sign), 0x0300..=0x036f | 0x200b..=0x200f | 0xfe00..=0xfe0f)
}

/// Width of a line of text, px. Kerning is left out; it narrows a label by less than a pixel.
pub(crate) fn width(text: &str, size: f64, weight: Weight) -> f64 {
    let face = match weight {
        Weight::Regular => &REGULAR,
        Weight::Bold => &BOLD,
    };
    let em = |sign: char| match face.get(&sign) {
        Some(em) => *em,
        None if is_combining(sign) => 0.0,
        None => MISSING_EM,
    };
    size * text.chars().map(em).sum::<f64>()
}

/// Signs that the bundled face lacks.
pub(crate) fn missing(text: &str) -> impl Iterator<Item = char> + '_ {
    text.chars()
        .filter(|sign| !sign.is_control() && !REGULAR.contains_key(sign))
}

/// The text if it fits, else as much of it as fits with an ellipsis; `None` if not even two signs
/// and the ellipsis do.
pub(crate) fn fitted(text: &str, size: f64, weight: Weight, room: f64) -> Option<String> {
    if width(text, size, weight) <= room {
        return Some(text.to_owned());
    }
    let signs: Vec<char> = text.chars().collect();
    (2..signs.len()).rev().find_map(|kept| {
        let start: String = signs[..kept].iter().collect();
        let short = format!("{}…", start.trim_end());
        (width(&short, size, weight) <= room).then_some(short)
    })
}

/// Breaks text into at most `lines` lines that fit; what is left over ends in an ellipsis.
pub(crate) fn wrapped(
    text: &str,
    size: f64,
    weight: Weight,
    room: f64,
    lines: usize,
) -> Vec<String> {
    let mut done: Vec<String> = Vec::new();
    let mut line = String::new();
    let mut words = text.split_whitespace().peekable();
    while let Some(word) = words.next() {
        let longer = if line.is_empty() {
            word.to_owned()
        } else {
            format!("{line} {word}")
        };
        if line.is_empty() || width(&longer, size, weight) <= room {
            line = longer;
        } else if done.len() + 1 < lines {
            done.push(std::mem::replace(&mut line, word.to_owned()));
        } else {
            line = longer;
            for rest in words.by_ref() {
                line = format!("{line} {rest}");
            }
        }
    }
    if !line.is_empty() {
        done.push(line);
    }
    done.iter()
        .take(lines)
        .filter_map(|l| fitted(l, size, weight, room))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_have_one_width() {
        let one = width("1", 100.0, Weight::Regular);
        for figure in "0123456789".chars() {
            let own = width(&figure.to_string(), 100.0, Weight::Regular);
            assert!((own - one).abs() < 1e-9, "{figure}");
        }
        // 0.572 em, Noto Sans' table of advances.
        assert!((one - 57.2).abs() < 0.1, "{one}");
    }

    #[test]
    fn long_text_is_cut_and_wrapped_within_its_room() {
        let text = "a very long name of a workload that nobody would choose";
        let short = fitted(text, 12.0, Weight::Bold, 90.0).expect("room for a part");
        assert!(short.ends_with('…') && width(&short, 12.0, Weight::Bold) <= 90.0);
        let lines = wrapped(text, 12.0, Weight::Regular, 130.0, 2);
        assert_eq!(lines.len(), 2);
        assert!(
            lines
                .iter()
                .all(|l| width(l, 12.0, Weight::Regular) <= 130.0)
        );
        assert_eq!(fitted("abcdef", 12.0, Weight::Regular, 5.0), None);
    }

    #[test]
    fn signs_that_are_missing_are_named() {
        let found: Vec<char> = missing("空冷 Tower °C").collect();
        assert_eq!(found, ['空', '冷']);
    }
}
