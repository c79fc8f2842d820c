//! Bytes to blocks of whole lines in UTF-8 (or single-byte text), whatever the encoding.

use std::io::Read;

use encoding_rs::{Decoder, GBK, SHIFT_JIS, UTF_16BE, UTF_16LE, WINDOWS_1251, WINDOWS_1252};

use crate::error::ImportError;

/// Bytes asked for at a time: large enough for two threads, small beside any file that matters.
const BLOCK: usize = 8 << 20;

/// How the text was encoded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Encoding {
    /// UTF-8, with or without byte order mark.
    Utf8,
    /// UTF-16, low byte first.
    Utf16Le,
    /// UTF-16, high byte first.
    Utf16Be,
    /// Windows-1252, of which ISO 8859-1 text is a part.
    Windows1252,
    /// Windows-1251, Cyrillic.
    Windows1251,
    /// Shift JIS, Japanese.
    ShiftJis,
    /// GBK, Chinese.
    Gbk,
}

impl Encoding {
    /// The name in the registry of character sets.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Utf8 => "utf-8",
            Self::Utf16Le => "utf-16le",
            Self::Utf16Be => "utf-16be",
            Self::Windows1252 => "windows-1252",
            Self::Windows1251 => "windows-1251",
            Self::ShiftJis => "shift_jis",
            Self::Gbk => "gbk",
        }
    }
}

/// How lines end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum LineEnd {
    /// Line feed.
    Lf,
    /// Carriage return and line feed.
    CrLf,
    /// Carriage return alone.
    Cr,
}

impl LineEnd {
    /// A readable token.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Lf => "lf",
            Self::CrLf => "crlf",
            Self::Cr => "cr",
        }
    }

    /// The byte at which lines are cut.
    pub(crate) const fn byte(self) -> u8 {
        match self {
            Self::Cr => b'\r',
            _ => b'\n',
        }
    }
}

/// A reader that hands out blocks that end at a line's end.
pub(crate) struct Blocks<R> {
    reader: R,
    decoder: Option<Decoder>,
    raw: Vec<u8>,
    buffer: Vec<u8>,
    handed_out: usize,
    at_end: bool,
    line_end: LineEnd,
    encoding: Encoding,
    /// Bytes read from the source so far.
    pub(crate) bytes_read: u64,
}

impl<R: Read> Blocks<R> {
    /// Reads the first block, and from it the encoding and the line ends.
    pub(crate) fn open(reader: R) -> Result<Self, ImportError> {
        let mut blocks = Self {
            reader,
            decoder: None,
            raw: Vec::new(),
            buffer: Vec::new(),
            handed_out: 0,
            at_end: false,
            line_end: LineEnd::Lf,
            encoding: Encoding::Utf8,
            bytes_read: 0,
        };
        blocks.read_raw()?;
        let (encoding, mark) = detect_encoding(&blocks.raw);
        blocks.encoding = encoding;
        blocks.raw.drain(..mark);
        blocks.decoder = match encoding {
            Encoding::Utf16Le => Some(UTF_16LE.new_decoder_without_bom_handling()),
            Encoding::Utf16Be => Some(UTF_16BE.new_decoder_without_bom_handling()),
            Encoding::Windows1251 => Some(WINDOWS_1251.new_decoder_without_bom_handling()),
            Encoding::ShiftJis => Some(SHIFT_JIS.new_decoder_without_bom_handling()),
            Encoding::Gbk => Some(GBK.new_decoder_without_bom_handling()),
            _ => None,
        };
        if let Some(what) = packed(&blocks.raw) {
            return Err(ImportError::NotText { what });
        }
        blocks.take_raw();
        if is_binary(&blocks.buffer) {
            return Err(ImportError::NotText {
                what: "the bytes are binary data",
            });
        }
        blocks.line_end = detect_line_end(&blocks.buffer);
        Ok(blocks)
    }

    pub(crate) fn encoding(&self) -> Encoding {
        self.encoding
    }

    pub(crate) fn line_end(&self) -> LineEnd {
        self.line_end
    }

    /// The text of the first block, before anything was handed out.
    pub(crate) fn first(&self) -> &[u8] {
        &self.buffer
    }

    /// The next block, whole lines or at the end the rest, and whether it is the last. `None` when
    /// all was handed out.
    pub(crate) fn next_block(&mut self) -> Result<Option<(&[u8], bool)>, ImportError> {
        self.buffer.drain(..self.handed_out);
        self.handed_out = 0;
        loop {
            let cut = if self.at_end {
                self.buffer.len()
            } else {
                memchr::memrchr(self.line_end.byte(), &self.buffer).map_or(0, |i| i + 1)
            };
            if cut > 0 {
                self.handed_out = cut;
                let last = self.at_end && cut == self.buffer.len();
                return Ok(Some((&self.buffer[..cut], last)));
            }
            if self.at_end {
                return Ok(None);
            }
            self.read_raw()?;
            self.take_raw();
        }
    }

    fn read_raw(&mut self) -> Result<(), ImportError> {
        let kept = self.raw.len();
        self.raw.reserve(BLOCK);
        let got = (&mut self.reader)
            .take(BLOCK as u64)
            .read_to_end(&mut self.raw)
            .map_err(|e| ImportError::Read {
                message: e.to_string(),
            })?;
        debug_assert_eq!(kept + got, self.raw.len());
        self.bytes_read += got as u64;
        self.at_end = got < BLOCK;
        Ok(())
    }

    /// Moves what was read to the text buffer, decoding where needed.
    fn take_raw(&mut self) {
        let Some(decoder) = &mut self.decoder else {
            if self.buffer.is_empty() {
                std::mem::swap(&mut self.buffer, &mut self.raw);
            } else {
                self.buffer.extend_from_slice(&self.raw);
            }
            self.raw.clear();
            return;
        };
        let room = decoder
            .max_utf8_buffer_length(self.raw.len())
            .unwrap_or(self.raw.len() * 3 + 4);
        let start = self.buffer.len();
        self.buffer.resize(start + room, 0);
        let (_, _, written, _) =
            decoder.decode_to_utf8(&self.raw, &mut self.buffer[start..], self.at_end);
        self.buffer.truncate(start + written);
        self.raw.clear();
    }
}

/// What a file is that begins with the mark of a packed or database format (RFC 1952, the zip
/// application note, the SQLite file format), in which no log can be read.
fn packed(raw: &[u8]) -> Option<&'static str> {
    const MARKS: [(&[u8], &str); 3] = [
        (
            b"\x1f\x8b",
            "the file is compressed (gzip; unpack it first)",
        ),
        (
            b"PK\x03\x04",
            "the file is a zip archive or a spreadsheet workbook",
        ),
        (b"SQLite format 3\0", "the file is a database"),
    ];
    let found = MARKS.iter().find(|(mark, _)| raw.starts_with(mark));
    found.map(|(_, what)| *what)
}

/// Bytes at the beginning by which binary data are told from text.
const LOOKED_AT: usize = 1 << 16;
/// Share of control and invalid characters from which bytes are no text. Bytes at random have
/// 11 %; a log has none, or a few where a disk or a cable failed.
const BINARY_SHARE: f64 = 0.05;

/// Whether the beginning is no text. NUL bytes do not count: a power loss leaves them in logs.
fn is_binary(text: &[u8]) -> bool {
    let head = &text[..text.len().min(LOOKED_AT)];
    let valid = match std::str::from_utf8(head) {
        Ok(text) => Some(text),
        // A character cut by the end of the piece is no error.
        Err(e) if e.error_len().is_none() => std::str::from_utf8(&head[..e.valid_up_to()]).ok(),
        Err(_) => None,
    };
    let (odd, all) = match valid {
        Some(text) => shares(text.chars().filter(|c| *c != '\0').map(is_odd)),
        None => shares(
            head.iter()
                .filter(|b| **b != 0)
                .map(|b| b.is_ascii() && is_odd(char::from(*b))),
        ),
    };
    odd as f64 > BINARY_SHARE * all as f64
}

/// How many are odd, and how many there are.
fn shares(odd: impl Iterator<Item = bool>) -> (usize, usize) {
    odd.fold((0, 0), |(odd, all), this| {
        (odd + usize::from(this), all + 1)
    })
}

/// Control characters that no text holds, what stands for invalid ones, and characters for private
/// use. Tabs, line ends, form feeds and the escapes of coloured terminals do occur in logs.
fn is_odd(c: char) -> bool {
    let usual = matches!(c, '\t' | '\n' | '\r' | '\u{b}' | '\u{c}' | '\u{1b}');
    (c.is_control() && !usual)
        || c == char::REPLACEMENT_CHARACTER
        || matches!(c, '\u{e000}'..='\u{f8ff}')
}

/// The encoding and the length of the byte order mark.
fn detect_encoding(raw: &[u8]) -> (Encoding, usize) {
    match raw {
        [0xEF, 0xBB, 0xBF, ..] => return (Encoding::Utf8, 3),
        [0xFF, 0xFE, ..] => return (Encoding::Utf16Le, 2),
        [0xFE, 0xFF, ..] => return (Encoding::Utf16Be, 2),
        _ => {}
    }
    let sample = &raw[..raw.len().min(4096)];
    let zeros = |parity: usize| {
        sample
            .iter()
            .skip(parity)
            .step_by(2)
            .filter(|b| **b == 0)
            .count()
    };
    let (even, odd, half) = (zeros(0), zeros(1), sample.len() / 2);
    // Latin text in UTF-16 has a zero in nearly every other place and hardly any elsewhere.
    if half >= 2 && odd * 2 > half && even * 8 < half {
        return (Encoding::Utf16Le, 0);
    }
    if half >= 2 && even * 2 > half && odd * 8 < half {
        return (Encoding::Utf16Be, 0);
    }
    match std::str::from_utf8(raw) {
        Err(e) if e.error_len().is_some() => (legacy_encoding(raw), 0),
        // A character cut by the end of the block is no error.
        _ => (Encoding::Utf8, 0),
    }
}

/// Which of the older encodings makes the most words known to headers out of the first lines;
/// Windows-1252 where none does.
fn legacy_encoding(raw: &[u8]) -> Encoding {
    let head = &raw[..raw.len().min(8192)];
    let head = &head[..memchr::memrchr(b'\n', head).unwrap_or(head.len())];
    let mut best = (0, Encoding::Windows1252);
    for (encoding, table) in [
        (Encoding::Windows1252, WINDOWS_1252),
        (Encoding::Windows1251, WINDOWS_1251),
        (Encoding::ShiftJis, SHIFT_JIS),
        (Encoding::Gbk, GBK),
    ] {
        let (text, faulty) = table.decode_without_bom_handling(head);
        let words: usize = text
            .split(['\n', '\r', ',', ';', '\t', '|'])
            .filter(|cell| !cell.is_ascii())
            .take(400)
            .map(|cell| crate::words::concepts(cell).len())
            .sum();
        if !faulty && words > best.0 {
            best = (words, encoding);
        }
    }
    best.1
}

fn detect_line_end(text: &[u8]) -> LineEnd {
    match memchr::memchr(b'\n', text) {
        Some(at) if at > 0 && text[at - 1] == b'\r' => LineEnd::CrLf,
        None if memchr::memchr(b'\r', text).is_some() => LineEnd::Cr,
        _ => LineEnd::Lf,
    }
}

/// Text of a cell for people: UTF-8 where it is valid, Windows-1252 otherwise.
pub(crate) fn to_text(bytes: &[u8]) -> String {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(_) => WINDOWS_1252
            .decode_without_bom_handling(bytes)
            .0
            .into_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(bytes: &[u8]) -> (Encoding, LineEnd, Vec<u8>) {
        let mut blocks = Blocks::open(bytes).unwrap();
        let (encoding, end) = (blocks.encoding(), blocks.line_end());
        let mut text = Vec::new();
        while let Some((block, _)) = blocks.next_block().unwrap() {
            text.extend_from_slice(block);
        }
        (encoding, end, text)
    }

    #[test]
    fn utf16_without_mark_is_seen() {
        let le: Vec<u8> = "t,°C\r\n1,2\r\n"
            .encode_utf16()
            .flat_map(u16::to_le_bytes)
            .collect();
        assert_eq!(
            all(&le),
            (Encoding::Utf16Le, LineEnd::CrLf, "t,°C\r\n1,2\r\n".into())
        );
        let be: Vec<u8> = "t,°C\r\n1,2\r\n"
            .encode_utf16()
            .flat_map(u16::to_be_bytes)
            .collect();
        assert_eq!(all(&be).0, Encoding::Utf16Be);
    }

    #[test]
    fn single_byte_text_and_carriage_returns() {
        assert_eq!(
            all(b"t,\xB0C\r1,2\r"),
            (
                Encoding::Windows1252,
                LineEnd::Cr,
                b"t,\xB0C\r1,2\r".to_vec()
            )
        );
        assert_eq!(to_text(b"\xB0C"), "°C");
    }

    #[test]
    fn a_long_file_comes_in_whole_lines() {
        let text = "12.5,33.25\n".repeat(BLOCK / 8);
        let mut blocks = Blocks::open(text.as_bytes()).unwrap();
        let mut total = 0;
        while let Some((block, _)) = blocks.next_block().unwrap() {
            assert_eq!(block.last(), Some(&b'\n'));
            total += block.len();
        }
        assert_eq!(total, text.len());
    }
}
