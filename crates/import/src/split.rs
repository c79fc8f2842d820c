//! Lines to cells.

use memchr::memchr;

/// What stands between cells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Delimiter {
    /// One byte: comma, semicolon, tab or pipe.
    Byte(u8),
    /// Runs of blanks and tabs.
    Blanks,
    /// Runs of two or more blanks (names may hold single ones).
    WideBlanks,
    /// Runs of blanks and tabs, where the first so many pieces are one time stamp
    /// (`Wed Oct 28 06:59:09 2020`).
    StampBlanks(usize),
}

impl Delimiter {
    /// The candidates, those that are never part of a number first.
    pub(crate) const ALL: [Self; 5] = [
        Self::Byte(b';'),
        Self::Byte(b'\t'),
        Self::Byte(b'|'),
        Self::Byte(b','),
        Self::Blanks,
    ];

    /// A readable name.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Byte(b',') => "comma",
            Self::Byte(b';') => "semicolon",
            Self::Byte(b'\t') => "tab",
            Self::Byte(b'|') => "pipe",
            Self::Byte(_) => "byte",
            Self::Blanks | Self::StampBlanks(_) => "blanks",
            Self::WideBlanks => "wide_blanks",
        }
    }
}

/// Splits a line into cells, quotes removed where they enclose a whole cell.
///
/// Blanks around cells are kept for a single-byte delimiter; leading and trailing runs of blanks
/// count for nothing when blanks delimit.
pub(crate) fn split<'a>(line: &'a [u8], delimiter: Delimiter, cells: &mut Vec<&'a [u8]>) {
    cells.clear();
    match delimiter {
        Delimiter::Byte(byte) => split_byte(line, byte, cells),
        Delimiter::Blanks => split_blanks(line, 1, cells),
        Delimiter::WideBlanks => split_blanks(line, 2, cells),
        Delimiter::StampBlanks(pieces) => {
            split_blanks(line, 1, cells);
            join_first(line, pieces, cells);
        }
    }
}

fn split_byte<'a>(line: &'a [u8], delimiter: u8, cells: &mut Vec<&'a [u8]>) {
    let mut pos = 0;
    loop {
        let blanks = line[pos..].iter().take_while(|b| **b == b' ').count();
        let first = line.get(pos + blanks).copied();
        let end = match first {
            Some(quote @ (b'"' | b'\'')) => quoted_end(line, pos + blanks, quote, delimiter),
            _ => None,
        };
        let end = end.unwrap_or_else(|| {
            memchr(delimiter, &line[pos..]).map_or(line.len(), |offset| pos + offset)
        });
        cells.push(&line[pos..end]);
        if end >= line.len() {
            return;
        }
        pos = end + 1;
    }
}

/// End of the cell that opens with `quote` at `open`, if the quote closes before a delimiter.
fn quoted_end(line: &[u8], open: usize, quote: u8, delimiter: u8) -> Option<usize> {
    let mut pos = open + 1;
    loop {
        pos += memchr(quote, &line[pos..])? + 1;
        if line.get(pos) == Some(&quote) {
            pos += 1;
            continue;
        }
        let rest = pos + line[pos..].iter().take_while(|b| **b == b' ').count();
        match line.get(rest) {
            None => return Some(line.len()),
            Some(byte) if *byte == delimiter => return Some(rest),
            Some(_) => return None,
        }
    }
}

/// Makes one cell of the first `pieces`, with what stands between them.
fn join_first<'a>(line: &'a [u8], pieces: usize, cells: &mut Vec<&'a [u8]>) {
    if pieces < 2 || cells.len() < pieces {
        return;
    }
    let start = line
        .iter()
        .take_while(|b| matches!(b, b' ' | b'\t'))
        .count();
    let mut end = start;
    for cell in &cells[..pieces] {
        end += line[end..]
            .iter()
            .take_while(|b| matches!(b, b' ' | b'\t'))
            .count()
            + cell.len();
    }
    cells.drain(1..pieces);
    cells[0] = &line[start..end];
}

fn split_blanks<'a>(line: &'a [u8], least: usize, cells: &mut Vec<&'a [u8]>) {
    let is_blank = |b: u8| b == b' ' || b == b'\t';
    let mut pos = line.iter().take_while(|b| is_blank(**b)).count();
    while pos < line.len() {
        let quote = line[pos];
        let mut end = match quote {
            b'"' | b'\'' => memchr(quote, &line[pos + 1..]).map_or(pos, |o| pos + o + 2),
            _ => pos,
        };
        let mut run;
        loop {
            end += line[end..].iter().take_while(|b| !is_blank(**b)).count();
            run = line[end..].iter().take_while(|b| is_blank(**b)).count();
            if run >= least || end + run >= line.len() || line[end] == b'\t' {
                break;
            }
            end += run;
        }
        cells.push(&line[pos..end]);
        pos = end + run;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(line: &str, delimiter: Delimiter) -> Vec<String> {
        let mut out = Vec::new();
        split(line.as_bytes(), delimiter, &mut out);
        out.iter()
            .map(|c| String::from_utf8(crate::number::trim(c).to_vec()).unwrap())
            .collect()
    }

    #[test]
    fn quotes_hide_delimiters() {
        assert_eq!(cells("\"a,b\",c", Delimiter::Byte(b',')), ["a,b", "c"]);
        assert_eq!(
            cells("'a,b' , \"1,5\"", Delimiter::Byte(b',')),
            ["a,b", "1,5"]
        );
        assert_eq!(cells("it's,5", Delimiter::Byte(b',')), ["it's", "5"]);
        assert_eq!(cells("'tis,5", Delimiter::Byte(b',')), ["'tis", "5"]);
    }

    #[test]
    fn runs_of_blanks() {
        assert_eq!(cells("  1 2.5\t 3  ", Delimiter::Blanks), ["1", "2.5", "3"]);
        assert_eq!(
            cells("Fan speed  CPU temp   x", Delimiter::WideBlanks),
            ["Fan speed", "CPU temp", "x"]
        );
        assert_eq!(
            cells(
                " Wed  Oct 28 06:59:09 2020  45 33 ",
                Delimiter::StampBlanks(5)
            ),
            ["Wed  Oct 28 06:59:09 2020", "45", "33"]
        );
        assert_eq!(cells("\"a b\" c", Delimiter::Blanks), ["a b", "c"]);
    }
}
