//! Samples out of files, block by block, so that a recording of any length takes the same memory.

mod header;
#[cfg(feature = "phone-formats")]
mod phone;
mod samples;
mod wav;

use std::io::{Read, Seek, SeekFrom};

pub use header::{Container, Encoding};
pub use wav::Wav;

use crate::SoundError;

/// Two channels side by side: the second is silent where their number is odd.
pub type Pair = [f64; 2];

/// What a recording says of itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Format {
    /// Frames a second, Hz.
    pub rate_hz: f64,
    /// Channels.
    pub channels: usize,
    /// How samples are written, in words: "24-bit integer", "AAC".
    pub encoding: String,
    /// Whether the encoding throws sound away.
    pub lossy: bool,
    /// One step of the samples as a share of full scale; 0 where there are no steps.
    pub step: f64,
    /// Frames that the header promises, where it does.
    pub promised_frames: Option<u64>,
}

/// Something odd about a file that can be lived with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Oddity {
    /// Token.
    pub rule: &'static str,
    /// What was seen.
    pub evidence: String,
    /// What to do.
    pub remedy: String,
}

/// Samples of all channels over a stretch, full scale 1, channels in pairs.
#[derive(Clone, Debug, Default)]
pub struct Block {
    /// One vector a pair of channels, all of the same length.
    pub pairs: Vec<Vec<Pair>>,
}

impl Block {
    /// Frames held.
    pub fn frames(&self) -> usize {
        self.pairs.first().map_or(0, Vec::len)
    }

    /// Empties it for so many channels.
    pub fn reset(&mut self, channels: usize) {
        self.pairs.resize_with(channels.div_ceil(2), Vec::new);
        for pair in &mut self.pairs {
            pair.clear();
        }
    }
}

/// A recording that is read from front to back, and again if need be.
pub trait Source {
    /// Rate, channels, encoding.
    fn format(&self) -> &Format;
    /// Reads the next frames, at most so many; none at the end.
    ///
    /// # Errors
    /// [`SoundError::Io`], [`SoundError::NotANumber`].
    fn read(&mut self, block: &mut Block, frames: usize) -> Result<(), SoundError>;
    /// Back to the first frame.
    ///
    /// # Errors
    /// [`SoundError::Io`].
    fn rewind(&mut self) -> Result<(), SoundError>;
    /// What was odd so far; complete once the end was reached.
    fn oddities(&self) -> Vec<Oddity>;
}

/// A file to read from: bytes that can be gone back to.
pub trait Bytes: Read + Seek + Send + Sync {}
impl<T: Read + Seek + Send + Sync> Bytes for T {}

/// Opens a recording of any kind that this build reads: the RIFF family always, and the compressed
/// formats of phones (AAC in MP4, MP3, FLAC, Vorbis in Ogg) with the feature `phone-formats`.
///
/// # Errors
/// [`SoundError::Format`] with what was found instead, [`SoundError::Header`], [`SoundError::Io`].
pub fn open(mut bytes: impl Bytes + 'static) -> Result<Box<dyn Source>, SoundError> {
    let mut first = [0; 16];
    let got = header::fill(&mut bytes, &mut first)?;
    bytes.seek(SeekFrom::Start(0))?;
    #[cfg(feature = "phone-formats")]
    if header::is_compressed(&first[..got]) {
        return Ok(Box::new(phone::Coded::open(bytes)?));
    }
    #[cfg(not(feature = "phone-formats"))]
    if header::is_compressed(&first[..got]) {
        return Err(header::not_built_in(&first[..got]));
    }
    Ok(Box::new(Wav::open(bytes)?))
}
