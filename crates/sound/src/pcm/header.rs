//! The headers of the RIFF family: WAV (RIFF/WAVE), its 64-bit forms RF64 and BW64 (EBU Tech 3306,
//! ITU-R BS.2088) and W64, whose chunks are named by GUIDs and sized in 64 bits.
//!
//! Own code, because the cases that matter here are the wrong ones: recorders that died before they
//! wrote the length, lengths that overflowed 32 bits, zero channels. General readers refuse such
//! files without a word on what to do, or read none of the 64-bit forms.

use std::io::{Read, Seek, SeekFrom};

use crate::SoundError;

/// Which of the forms.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Container {
    /// RIFF/WAVE.
    Wav,
    /// RF64 or BW64.
    Rf64,
    /// W64.
    W64,
}

/// How samples are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// 8-bit integers with an offset of 128.
    Unsigned8,
    /// 16-bit integers.
    Signed16,
    /// 24-bit integers.
    Signed24,
    /// 32-bit integers, also those with fewer valid bits.
    Signed32,
    /// 32-bit floating point.
    Float32,
    /// 64-bit floating point.
    Float64,
}

impl Encoding {
    /// Bytes of a sample.
    pub const fn bytes(self) -> usize {
        match self {
            Self::Unsigned8 => 1,
            Self::Signed16 => 2,
            Self::Signed24 => 3,
            Self::Signed32 | Self::Float32 => 4,
            Self::Float64 => 8,
        }
    }

    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Unsigned8 => "8-bit integer",
            Self::Signed16 => "16-bit integer",
            Self::Signed24 => "24-bit integer",
            Self::Signed32 => "32-bit integer",
            Self::Float32 => "32-bit float",
            Self::Float64 => "64-bit float",
        }
    }

    /// One step as a share of full scale.
    pub const fn step(self) -> f64 {
        match self {
            Self::Unsigned8 => 1.0 / 128.0,
            Self::Signed16 => 1.0 / 32_768.0,
            Self::Signed24 => 1.0 / 8_388_608.0,
            Self::Signed32 => 1.0 / 2_147_483_648.0,
            Self::Float32 | Self::Float64 => 0.0,
        }
    }
}

/// What the header says, with the place of the samples.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Header {
    pub(crate) container: Container,
    pub(crate) encoding: Encoding,
    pub(crate) channels: usize,
    pub(crate) rate_hz: u32,
    /// First byte of the samples.
    pub(crate) data_start: u64,
    /// Bytes of samples as the header has it; `None` if it does not know.
    pub(crate) data_bytes: Option<u64>,
}

/// GUIDs of W64 differ from each other in their first four bytes, which are the chunk's name in
/// lower case. `riff` has a tail of its own.
const W64_RIFF: [u8; 16] = [
    0x72, 0x69, 0x66, 0x66, 0x2E, 0x91, 0xCF, 0x11, 0xA5, 0xD6, 0x28, 0xDB, 0x04, 0xC1, 0x00, 0x00,
];
const W64_TAIL: [u8; 12] = [
    0xF3, 0xAC, 0xD3, 0x11, 0x8C, 0xD1, 0x00, 0xC0, 0x4F, 0x8E, 0xDB, 0x8A,
];

/// Chunks looked at before giving up: real files have a handful.
const MAX_CHUNKS: usize = 1000;

pub(crate) fn read(bytes: &mut (impl Read + Seek + ?Sized)) -> Result<Header, SoundError> {
    let file_bytes = bytes.seek(SeekFrom::End(0))?;
    bytes.seek(SeekFrom::Start(0))?;
    let mut first = [0; 16];
    let got = fill(bytes, &mut first)?;
    let first = &first[..got];
    if first.is_empty() {
        return Err(SoundError::format(
            "the file is empty",
            "record again, or copy the file again from the recorder",
        ));
    }
    if first == W64_RIFF {
        return w64(bytes, file_bytes);
    }
    let container = match first.get(..4) {
        Some(b"RIFF") => Container::Wav,
        Some(b"RF64" | b"BW64") => Container::Rf64,
        Some(b"RIFX") => {
            return Err(SoundError::format(
                "a WAV file in big-endian order (RIFX)",
                "save it as an ordinary WAV file (PCM)",
            ));
        }
        _ => return Err(not_wav(first)),
    };
    if first.len() < 12 {
        return Err(truncated_header());
    }
    if &first[8..12] != b"WAVE" {
        return Err(SoundError::format(
            format!("a RIFF file that holds {}, not sound", name(&first[8..12])),
            "give a WAV file",
        ));
    }
    riff(bytes, file_bytes, container)
}

/// A chunk: where its content begins and how long it is.
struct Chunk {
    id: [u8; 4],
    start: u64,
    bytes: u64,
}

fn riff(
    bytes: &mut (impl Read + Seek + ?Sized),
    file_bytes: u64,
    container: Container,
) -> Result<Header, SoundError> {
    let mut place = 12;
    let mut long_data = None;
    let mut format = None;
    for _ in 0..MAX_CHUNKS {
        let Some(chunk) = riff_chunk(bytes, place)? else {
            break;
        };
        match &chunk.id {
            b"ds64" if container == Container::Rf64 => {
                let mut sizes = [0; 16];
                if fill(bytes, &mut sizes)? == 16 {
                    long_data = Some(le64(&sizes[8..16]));
                }
            }
            b"fmt " => format = Some(read_format(bytes, chunk.bytes)?),
            b"data" => {
                let Some(format) = format else {
                    return Err(SoundError::header(
                        "the samples come before their description (no 'fmt ' chunk)",
                        "save the file again as WAV (PCM)",
                    ));
                };
                let unknown = chunk.bytes == 0xFFFF_FFFF || chunk.bytes == 0;
                let data_bytes = if unknown {
                    long_data
                } else {
                    Some(chunk.bytes)
                };
                return finish(container, format, chunk.start, data_bytes);
            }
            _ => {}
        }
        place = chunk.start + chunk.bytes + (chunk.bytes & 1);
        if place >= file_bytes {
            break;
        }
    }
    Err(no_samples(format.is_some()))
}

fn riff_chunk(
    bytes: &mut (impl Read + Seek + ?Sized),
    place: u64,
) -> Result<Option<Chunk>, SoundError> {
    bytes.seek(SeekFrom::Start(place))?;
    let mut head = [0; 8];
    if fill(bytes, &mut head)? < 8 {
        return Ok(None);
    }
    let id = [head[0], head[1], head[2], head[3]];
    Ok(Some(Chunk {
        id,
        start: place + 8,
        bytes: u64::from(le32(&head[4..8])),
    }))
}

fn w64(bytes: &mut (impl Read + Seek + ?Sized), file_bytes: u64) -> Result<Header, SoundError> {
    // 16 bytes of GUID, 8 of size, 16 of the GUID "wave".
    let mut place = 40;
    let mut format = None;
    for _ in 0..MAX_CHUNKS {
        bytes.seek(SeekFrom::Start(place))?;
        let mut head = [0; 24];
        if fill(bytes, &mut head)? < 24 {
            break;
        }
        let size = le64(&head[16..24]);
        let start = place + 24;
        // Sizes of W64 include the 24 bytes of their own head.
        let content = size.saturating_sub(24);
        let ours = head[4..16] == W64_TAIL;
        match (&head[..4], ours) {
            (b"fmt ", true) => format = Some(read_format(bytes, content)?),
            (b"data", true) => {
                let Some(format) = format else { break };
                let known = (content > 0 && size != u64::MAX).then_some(content);
                return finish(Container::W64, format, start, known);
            }
            _ => {}
        }
        let next = (place.saturating_add(size.max(24))).saturating_add(7) & !7;
        if next >= file_bytes {
            break;
        }
        place = next;
    }
    Err(no_samples(format.is_some()))
}

/// The fields of a `fmt ` chunk.
#[derive(Clone, Copy)]
struct RawFormat {
    tag: u16,
    channels: u16,
    rate_hz: u32,
    frame_bytes: u16,
    bits: u16,
}

fn read_format(bytes: &mut (impl Read + ?Sized), size: u64) -> Result<RawFormat, SoundError> {
    let mut field = [0; 40];
    let want = usize::try_from(size.min(40)).unwrap_or(40);
    let got = fill(bytes, &mut field[..want])?;
    if got < 16 {
        return Err(truncated_header());
    }
    let mut tag = le16(&field[0..2]);
    // An extensible format holds the plain tag in the first bytes of its GUID.
    if tag == 0xFFFE && got >= 26 {
        tag = le16(&field[24..26]);
    }
    Ok(RawFormat {
        tag,
        channels: le16(&field[2..4]),
        rate_hz: le32(&field[4..8]),
        frame_bytes: le16(&field[12..14]),
        bits: le16(&field[14..16]),
    })
}

fn finish(
    container: Container,
    raw: RawFormat,
    data_start: u64,
    data_bytes: Option<u64>,
) -> Result<Header, SoundError> {
    const AGAIN: &str = "save the recording again as WAV (PCM), from the program that made it";
    if raw.channels == 0 {
        return Err(SoundError::header("the header says 0 channels", AGAIN));
    }
    if !(1..=1_000_000).contains(&raw.rate_hz) {
        let what = format!("the header says {} samples a second", raw.rate_hz);
        return Err(SoundError::header(what, AGAIN));
    }
    if !(8_000..=192_000).contains(&raw.rate_hz) {
        let what = format!("{} samples a second", raw.rate_hz);
        let remedy = "record with 8000 to 192000 samples a second; 48000 is best";
        return Err(SoundError::header(what, remedy));
    }
    let encoding = encoding(raw)?;
    let frame = encoding.bytes() * usize::from(raw.channels);
    if usize::from(raw.frame_bytes) != frame {
        let what = format!(
            "the header says {} bytes a frame, but {} channels of {} take {frame}",
            raw.frame_bytes,
            raw.channels,
            encoding.words()
        );
        return Err(SoundError::header(what, AGAIN));
    }
    Ok(Header {
        container,
        encoding,
        channels: usize::from(raw.channels),
        rate_hz: raw.rate_hz,
        data_start,
        data_bytes,
    })
}

fn encoding(raw: RawFormat) -> Result<Encoding, SoundError> {
    // The room a sample takes says how to read it; fewer valid bits stand at the upper end.
    let room = raw
        .frame_bytes
        .checked_div(raw.channels)
        .map_or(0, |b| 8 * b);
    match (raw.tag, room, raw.bits) {
        (1, 8, 1..=8) => Ok(Encoding::Unsigned8),
        (1, 16, 9..=16) => Ok(Encoding::Signed16),
        (1, 24, 17..=24) => Ok(Encoding::Signed24),
        (1, 32, 17..=32) => Ok(Encoding::Signed32),
        (3, 32, 32) => Ok(Encoding::Float32),
        (3, 64, 64) => Ok(Encoding::Float64),
        (1 | 3, _, bits) => Err(SoundError::header(
            format!("{bits} bits a sample in {room} bits of room"),
            "save as PCM with 16, 24 or 32 bits or as 32-bit float",
        )),
        (tag, ..) => Err(SoundError::format(
            format!("a WAV file with compressed sound (format {tag:#06x})"),
            "save as PCM; compression for speech changes levels",
        )),
    }
}

fn no_samples(has_format: bool) -> SoundError {
    if has_format {
        SoundError::header(
            "the file ends before its samples begin (no 'data' chunk)",
            "copy the file again from the recorder; it was cut off",
        )
    } else {
        truncated_header()
    }
}

fn truncated_header() -> SoundError {
    SoundError::header(
        "the file ends within its header",
        "copy the file again from the recorder; it was cut off",
    )
}

/// Says what a file is that was taken for a WAV file.
/// First bytes of other kinds of files: mark, where it stands, what it is, whether it is one of the
/// compressed formats of phones that symphonia reads.
const KINDS: [(&[u8], usize, &str, bool); 17] = [
    (b"fLaC", 0, "a FLAC file", true),
    (b"OggS", 0, "an Ogg file", true),
    (b"ID3", 0, "an MP3 file", true),
    (b"\xFF\xFB", 0, "an MP3 file", true),
    (b"\xFF\xFA", 0, "an MP3 file", true),
    (b"\xFF\xF3", 0, "an MP3 file", true),
    (b"\xFF\xF1", 0, "an AAC file (ADTS)", true),
    (b"\xFF\xF9", 0, "an AAC file (ADTS)", true),
    (b"ftyp", 4, "an MP4 file (M4A, phone recording)", true),
    (b"#!AMR", 0, "an AMR file (speech coding)", false),
    (b"FORM", 0, "an AIFF file", false),
    (b"caff", 0, "a CAF file", false),
    (b"PK\x03\x04", 0, "a ZIP archive", false),
    (b"%PDF", 0, "a PDF document", false),
    (b"\x89PNG", 0, "a picture", false),
    (b"SQLite f", 0, "a database", false),
    (b"<", 0, "a page or XML text", false),
];

fn kind_of(first: &[u8]) -> Option<(&'static str, bool)> {
    KINDS
        .iter()
        .find(|(mark, at, ..)| first.get(*at..*at + mark.len()) == Some(*mark))
        .map(|&(.., words, compressed)| (words, compressed))
}

/// Whether the first bytes are those of a compressed format of phones.
pub(crate) fn is_compressed(first: &[u8]) -> bool {
    kind_of(first).is_some_and(|k| k.1)
}

/// What to say of such a file where it is not read.
#[cfg(not(feature = "phone-formats"))]
pub(crate) fn not_built_in(first: &[u8]) -> SoundError {
    let words = kind_of(first).map_or("a compressed file", |k| k.0);
    SoundError::format(
        format!("this is {words}, which this build does not read"),
        "set the recorder to WAV (PCM), convert the file to WAV, or build with `--features \
         phone-formats`",
    )
}

fn not_wav(first: &[u8]) -> SoundError {
    let words = match kind_of(first) {
        Some((words, _)) => words.to_owned(),
        None => format!("neither RIFF nor W64: the first bytes are {}", name(first)),
    };
    SoundError::format(
        format!("this is not a WAV file but {words}"),
        "give a WAV file, or set the recorder to WAV (PCM)",
    )
}

/// Bytes as people can read them.
fn name(bytes: &[u8]) -> String {
    let shown: String = bytes
        .iter()
        .take(8)
        .map(|&b| {
            if b.is_ascii_graphic() {
                char::from(b).to_string()
            } else {
                format!("\\x{b:02x}")
            }
        })
        .collect();
    format!("'{shown}'")
}

/// Reads until the buffer is full or the file ends; says how much there was.
pub(crate) fn fill(bytes: &mut (impl Read + ?Sized), buffer: &mut [u8]) -> std::io::Result<usize> {
    let mut have = 0;
    while have < buffer.len() {
        match bytes.read(&mut buffer[have..]) {
            Ok(0) => break,
            Ok(n) => have += n,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(have)
}

fn le16(b: &[u8]) -> u16 {
    u16::from_le_bytes([b[0], b[1]])
}

fn le32(b: &[u8]) -> u32 {
    u32::from_le_bytes([b[0], b[1], b[2], b[3]])
}

fn le64(b: &[u8]) -> u64 {
    u64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7]])
}
