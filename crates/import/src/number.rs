//! Numbers as people and programs write them.

/// How numbers of one column are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub(crate) struct Style {
    /// The decimal mark is a comma; full stops are thousands marks then.
    pub(crate) decimal_comma: bool,
    /// A comma stands between thousands (never together with `decimal_comma`).
    pub(crate) comma_groups: bool,
    /// A full stop stands between thousands.
    pub(crate) dot_groups: bool,
}

/// Powers of ten that a double holds exactly.
const POW10: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// Reads a plain decimal such as `-12.75` at `pos`; returns it with the position behind it.
///
/// Only forms that come out correctly rounded by one division are taken (Clinger 1990: mantissa
/// up to 2^53, power of ten up to 22); anything else is `None` and goes the general way.
#[inline]
pub(crate) fn plain_decimal(bytes: &[u8], mut pos: usize) -> Option<(f64, usize)> {
    let negative = bytes.get(pos) == Some(&b'-');
    if negative {
        pos += 1;
    }
    let start = pos;
    let mut mantissa: u64 = 0;
    while let Some(digit) = bytes
        .get(pos)
        .map(|b| b.wrapping_sub(b'0'))
        .filter(|d| *d < 10)
    {
        mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
        pos += 1;
    }
    let whole = pos - start;
    let mut fraction = 0;
    if bytes.get(pos) == Some(&b'.') {
        pos += 1;
        let first = pos;
        while let Some(digit) = bytes
            .get(pos)
            .map(|b| b.wrapping_sub(b'0'))
            .filter(|d| *d < 10)
        {
            mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
            pos += 1;
        }
        fraction = pos - first;
    }
    // 15 digits stay below 2^53, so the mantissa is exact.
    if whole + fraction == 0 || whole + fraction > 15 {
        return None;
    }
    let value = mantissa as f64 / POW10[fraction];
    Some((if negative { -value } else { value }, pos))
}

/// Removes blanks of every kind, NUL bytes and one pair of quotes from both ends.
pub(crate) fn trim(mut cell: &[u8]) -> &[u8] {
    loop {
        let before = cell.len();
        cell = trim_blanks(cell);
        if cell.len() >= 2
            && (cell[0] == b'"' || cell[0] == b'\'')
            && cell[cell.len() - 1] == cell[0]
        {
            cell = &cell[1..cell.len() - 1];
        }
        if cell.len() == before {
            return cell;
        }
    }
}

fn trim_blanks(mut cell: &[u8]) -> &[u8] {
    loop {
        cell = match cell {
            // The multi-byte ones are the no-break space and the narrow one in UTF-8.
            [b' ' | b'\t' | b'\r' | b'\n' | 0, rest @ ..]
            | [rest @ .., b' ' | b'\t' | b'\r' | b'\n' | 0]
            | [0xC2, 0xA0, rest @ ..]
            | [rest @ .., 0xC2, 0xA0]
            | [0xE2, 0x80, 0xAF, rest @ ..]
            | [rest @ .., 0xE2, 0x80, 0xAF] => rest,
            _ => return cell,
        };
    }
}

/// Words that stand for "no reading".
const MISSING: [&str; 38] = [
    "-",
    "--",
    "---",
    "n/a",
    "na",
    "n.a.",
    "nan",
    "-nan",
    "nan(ind)",
    "-nan(ind)",
    "null",
    "nil",
    "none",
    "?",
    "??",
    "*",
    ".",
    "#n/a",
    "#na",
    "#nv",
    "#wert!",
    "#value!",
    "1.#qnan",
    "-1.#ind",
    "1.#ind",
    "k.a.",
    "k. a.",
    "n.v.",
    "n/v",
    "n/d",
    "nd",
    "s/d",
    "\u{2014}",
    "\u{2013}",
    "\u{2026}",
    "無",
    "无",
    "н/д",
];

/// Whether the cell says that there is no reading.
pub(crate) fn is_missing(cell: &[u8]) -> bool {
    if cell.is_empty() {
        return true;
    }
    if cell.len() > 10 {
        return false;
    }
    std::str::from_utf8(cell).is_ok_and(|text| {
        MISSING.iter().any(|m| text.eq_ignore_ascii_case(m)) || is_cyrillic_na(text)
    })
}

fn is_cyrillic_na(text: &str) -> bool {
    text.eq_ignore_ascii_case("н/д") || text == "Н/Д"
}

/// A number with what stands behind it (its unit, usually).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Written<'a> {
    pub(crate) value: f64,
    pub(crate) suffix: &'a [u8],
}

/// Reads a cell as a number in the given style, with an optional suffix.
pub(crate) fn parse(cell: &[u8], style: Style) -> Option<Written<'_>> {
    let cell = trim(cell);
    let (cell, accounting) = match cell {
        // Negative in brackets, as spreadsheets write it.
        [b'(', inner @ .., b')'] if inner.first().is_some_and(u8::is_ascii_digit) => (inner, true),
        _ => (cell, false),
    };
    let mut digits = [0_u8; 64];
    let (len, used) = normalise(cell, style, &mut digits)?;
    let value: f64 = fast_float2::parse(&digits[..len]).ok()?;
    let suffix = trim(&cell[used..]);
    if suffix
        .first()
        .is_some_and(|b| b.is_ascii_digit() || matches!(b, b':' | b',' | b'.' | b'+'))
    {
        return None;
    }
    Some(Written {
        value: if accounting { -value } else { value },
        suffix,
    })
}

/// Copies the number at the start of `cell` into `out` with a full stop as decimal mark and no
/// thousands marks; returns the length there and the bytes used of `cell`.
fn normalise(cell: &[u8], style: Style, out: &mut [u8; 64]) -> Option<(usize, usize)> {
    let decimal = if style.decimal_comma { b',' } else { b'.' };
    let (mut pos, mut len) = sign(cell, out);
    let whole_start = len;
    let mut group = 0_usize;
    let mut grouped = false;
    while let Some(&byte) = cell.get(pos) {
        if byte.is_ascii_digit() {
            *out.get_mut(len)? = byte;
            len += 1;
            group += 1;
            pos += 1;
        } else if let Some(width) = group_mark(&cell[pos..], style) {
            // A thousands mark stands behind one to three digits first, three after that, and
            // before exactly three.
            let after = &cell[pos + width..];
            let three = after.iter().take_while(|b| b.is_ascii_digit()).count() == 3;
            if !three || group == 0 || group > 3 || (grouped && group != 3) {
                break;
            }
            grouped = true;
            group = 0;
            pos += width;
        } else {
            break;
        }
    }
    let whole = len - whole_start;
    let mut fraction = 0;
    if cell.get(pos) == Some(&decimal) {
        *out.get_mut(len)? = b'.';
        len += 1;
        pos += 1;
        while let Some(byte) = cell.get(pos).filter(|b| b.is_ascii_digit()) {
            *out.get_mut(len)? = *byte;
            len += 1;
            pos += 1;
            fraction += 1;
        }
    }
    if whole + fraction == 0 {
        return None;
    }
    exponent(cell, pos, out, len)
}

fn sign(cell: &[u8], out: &mut [u8; 64]) -> (usize, usize) {
    match cell {
        [b'-', ..] => {
            out[0] = b'-';
            (1, 1)
        }
        [b'+', ..] => (1, 0),
        // The typographic minus.
        [0xE2, 0x88, 0x92, ..] => {
            out[0] = b'-';
            (3, 1)
        }
        _ => (0, 0),
    }
}

/// Width in bytes of a thousands mark at the start of `rest`, if one stands there.
fn group_mark(rest: &[u8], style: Style) -> Option<usize> {
    match rest {
        [b',', ..] if style.comma_groups && !style.decimal_comma => Some(1),
        [b'.', ..] if style.dot_groups || style.decimal_comma => Some(1),
        [b' ' | b'\'' | b'_', ..] => Some(1),
        [0xC2, 0xA0, ..] => Some(2),
        // Narrow no-break space, thin space, typographic apostrophe.
        [0xE2, 0x80, 0xAF | 0x89 | 0x99, ..] => Some(3),
        _ => None,
    }
}

fn exponent(cell: &[u8], pos: usize, out: &mut [u8; 64], len: usize) -> Option<(usize, usize)> {
    let Some(b'e' | b'E') = cell.get(pos) else {
        return Some((len, pos));
    };
    let signed = matches!(cell.get(pos + 1), Some(b'+' | b'-'));
    let first = pos + 1 + usize::from(signed);
    let digits = cell[first.min(cell.len())..]
        .iter()
        .take_while(|b| b.is_ascii_digit())
        .count();
    if digits == 0 || digits > 4 {
        return Some((len, pos));
    }
    let text = &cell[pos..first + digits];
    out.get_mut(len..len + text.len())?.copy_from_slice(text);
    Some((len + text.len(), first + digits))
}

/// Reads a whole number exactly, up to 38 digits.
pub(crate) fn parse_integer(cell: &[u8]) -> Option<i128> {
    let (negative, digits) = match cell {
        [b'-', rest @ ..] => (true, rest),
        _ => (false, cell),
    };
    if digits.is_empty() || digits.len() > 38 {
        return None;
    }
    let value = digits.iter().try_fold(0_i128, |sum, byte| {
        byte.is_ascii_digit()
            .then(|| sum * 10 + i128::from(byte - b'0'))
    })?;
    Some(if negative { -value } else { value })
}

/// Words for yes and no, on and off, in the languages whose headers are known.
const TRUE: [&str; 19] = [
    "true",
    "on",
    "yes",
    "ja",
    "an",
    "ein",
    "wahr",
    "oui",
    "vrai",
    "si",
    "sí",
    "sim",
    "verdadero",
    "verdadeiro",
    "вкл",
    "да",
    "是",
    "开",
    "オン",
];
const FALSE: [&str; 18] = [
    "false", "off", "no", "nein", "aus", "falsch", "non", "faux", "nao", "não", "falso", "apagado",
    "spento", "выкл", "нет", "否", "关", "オフ",
];

/// Reads a yes or no.
pub(crate) fn parse_switch(cell: &[u8]) -> Option<bool> {
    let text = std::str::from_utf8(trim(cell)).ok()?;
    if text.len() > 12 || text.is_empty() {
        return None;
    }
    let text = text.to_lowercase();
    if TRUE.contains(&text.as_str()) {
        return Some(true);
    }
    FALSE.contains(&text.as_str()).then_some(false)
}

#[cfg(test)]
mod tests {
    use super::*;

    const DOT: Style = Style {
        decimal_comma: false,
        comma_groups: false,
        dot_groups: false,
    };
    const COMMA: Style = Style {
        decimal_comma: true,
        comma_groups: false,
        dot_groups: false,
    };
    const ENGLISH: Style = Style {
        decimal_comma: false,
        comma_groups: true,
        dot_groups: false,
    };

    fn value(text: &str, style: Style) -> Option<f64> {
        parse(text.as_bytes(), style).map(|w| w.value)
    }

    #[test]
    fn decimal_and_thousands_marks_by_style() {
        assert_eq!(value("1.234,5", COMMA), Some(1234.5));
        assert_eq!(value("1,234.5", ENGLISH), Some(1234.5));
        assert_eq!(value("1 234,5", COMMA), Some(1234.5));
        assert_eq!(value("1'234.5", DOT), Some(1234.5));
        assert_eq!(value("1\u{a0}234\u{202f}567", DOT), Some(1_234_567.0));
        assert_eq!(value("\u{2212}3.5", DOT), Some(-3.5));
        assert_eq!(value("(3.5)", DOT), Some(-3.5));
        assert_eq!(value("1,5", DOT), None);
        assert_eq!(value("12,34.5", ENGLISH), None);
    }

    #[test]
    fn suffixes_are_split_off() {
        let written = parse("45.5 °C".as_bytes(), DOT).unwrap();
        assert_eq!((written.value, written.suffix), (45.5, "°C".as_bytes()));
        assert_eq!(parse(b"12:30", DOT), None);
        assert_eq!(parse(b"2025-01-01", DOT).map(|w| w.suffix.len()), Some(6));
    }

    #[test]
    fn the_short_path_rounds_as_the_library_does() {
        for text in ["0.1", "-12.75", "999999999999.999", "5", "34.1999"] {
            let (value, end) = plain_decimal(text.as_bytes(), 0).unwrap();
            assert_eq!((value, end), (text.parse::<f64>().unwrap(), text.len()));
        }
        assert_eq!(plain_decimal(b"1234567890123456", 0), None);
        assert_eq!(plain_decimal(b"-", 0), None);
    }

    #[test]
    fn nineteen_digits_stay_exact() {
        assert_eq!(
            parse_integer(b"1682912554273107499"),
            Some(1_682_912_554_273_107_499)
        );
        assert_eq!(parse_integer(b"1.5"), None);
    }

    #[test]
    fn missing_and_switches() {
        assert!(
            ["", "-", "N/A", "nan", "Н/Д"]
                .iter()
                .all(|m| is_missing(m.as_bytes()))
        );
        assert!(!is_missing(b"0"));
        assert_eq!(parse_switch(b"True"), Some(true));
        assert_eq!(parse_switch("não".as_bytes()), Some(false));
        assert_eq!(parse_switch(b"1"), None);
    }
}
