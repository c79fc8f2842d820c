use std::io::SeekFrom;

use super::header::{self, Container, Header, fill};
use super::{Block, Bytes, Format, Oddity, Source, samples};
use crate::SoundError;

/// A PCM or floating-point file of the RIFF family.
pub struct Wav<R> {
    bytes: R,
    header: Header,
    format: Format,
    /// Bytes of samples that are really there, as far as promised.
    data_bytes: u64,
    file_bytes: u64,
    /// Whether what follows the promised end of the samples can only be more samples.
    short: bool,
    place: u64,
    frame: u64,
    buffer: Vec<u8>,
}

impl<R: Bytes> Wav<R> {
    /// Reads the header.
    ///
    /// # Errors
    /// [`SoundError::Format`] if it is another kind of file, [`SoundError::Header`] if its
    /// description of itself cannot be right, [`SoundError::Io`].
    pub fn open(mut bytes: R) -> Result<Self, SoundError> {
        let header = header::read(&mut bytes)?;
        let file_bytes = bytes.seek(SeekFrom::End(0))?;
        let there = file_bytes.saturating_sub(header.data_start);
        let short = follows_no_chunk(&mut bytes, &header, file_bytes)?;
        let data_bytes = match header.data_bytes {
            Some(promised) if !short => promised.min(there),
            _ => there,
        };
        let frame_bytes = (header.encoding.bytes() * header.channels) as u64;
        if data_bytes < frame_bytes {
            return Err(SoundError::header(
                "the file holds no samples",
                "record again, or copy the file again from the recorder",
            ));
        }
        let format = Format {
            rate_hz: f64::from(header.rate_hz),
            channels: header.channels,
            encoding: header.encoding.words().to_owned(),
            lossy: false,
            step: header.encoding.step(),
            promised_frames: header.data_bytes.map(|b| b / frame_bytes),
        };
        let mut wav = Self {
            bytes,
            header,
            format,
            data_bytes: data_bytes / frame_bytes * frame_bytes,
            file_bytes,
            short,
            place: 0,
            frame: 0,
            buffer: Vec::new(),
        };
        wav.rewind()?;
        Ok(wav)
    }

    /// Which form of the family.
    pub fn container(&self) -> Container {
        self.header.container
    }

    /// Frames that are there.
    pub fn frames(&self) -> u64 {
        self.data_bytes / self.frame_bytes()
    }

    fn frame_bytes(&self) -> u64 {
        (self.header.encoding.bytes() * self.header.channels) as u64
    }

    fn check(&self, block: &Block) -> Result<(), SoundError> {
        for (p, pair) in block.pairs.iter().enumerate() {
            // Adding up is quick and any sample that is no number shows in the sum.
            let sum: f64 = pair.iter().map(|[a, b]| a + b).sum();
            if sum.is_finite() {
                continue;
            }
            let bad = pair
                .iter()
                .position(|[a, b]| !(a.is_finite() && b.is_finite()));
            if let Some(at) = bad {
                let frame = self.frame + at as u64;
                return Err(SoundError::NotANumber {
                    frame,
                    time_s: frame as f64 / self.format.rate_hz,
                    channel: 2 * p + 1 + usize::from(pair[at][0].is_finite()),
                });
            }
        }
        Ok(())
    }
}

impl<R: Bytes> Source for Wav<R> {
    fn format(&self) -> &Format {
        &self.format
    }

    fn read(&mut self, block: &mut Block, frames: usize) -> Result<(), SoundError> {
        block.reset(self.header.channels);
        let left = self.data_bytes - self.place;
        let want = left.min(frames as u64 * self.frame_bytes());
        self.buffer.resize(usize::try_from(want).unwrap_or(0), 0);
        let got = fill(&mut self.bytes, &mut self.buffer)?;
        let bytes = &self.buffer[..got];
        samples::append(bytes, self.header.encoding, self.header.channels, block);
        if self.format.step == 0.0 {
            self.check(block)?;
        }
        self.place += got as u64;
        self.frame += block.frames() as u64;
        Ok(())
    }

    fn rewind(&mut self) -> Result<(), SoundError> {
        self.bytes.seek(SeekFrom::Start(self.header.data_start))?;
        (self.place, self.frame) = (0, 0);
        Ok(())
    }

    fn oddities(&self) -> Vec<Oddity> {
        let seconds = |bytes: u64| (bytes / self.frame_bytes()) as f64 / self.format.rate_hz;
        let there = self.file_bytes - self.header.data_start;
        match self.header.data_bytes {
            None => vec![Oddity {
                rule: "length_not_written",
                evidence: format!(
                    "the header does not know its length; {:.1} s of samples are there",
                    seconds(self.data_bytes)
                ),
                remedy: "the recorder may have stopped early; check the end of the recording"
                    .into(),
            }],
            Some(promised) if promised > there => vec![Oddity {
                rule: "cut_off",
                evidence: format!(
                    "the header promises {:.1} s, {:.1} s are there",
                    seconds(promised),
                    seconds(self.data_bytes)
                ),
                remedy: "copy the file again if the rest matters; what is there was used".into(),
            }],
            Some(promised) if self.short => vec![Oddity {
                rule: "length_too_small",
                evidence: format!(
                    "the header promises {:.1} s, but sound goes on to {:.1} s",
                    seconds(promised),
                    seconds(self.data_bytes)
                ),
                remedy: "all of it was used; check that the recording is the one you mean".into(),
            }],
            Some(_) => Vec::new(),
        }
    }
}

/// Whether the bytes after the promised samples begin no chunk: a header whose length was never
/// brought up to date, or did not fit 32 bits.
fn follows_no_chunk(
    bytes: &mut impl Bytes,
    header: &Header,
    file_bytes: u64,
) -> Result<bool, SoundError> {
    let Some(promised) = header.data_bytes else {
        return Ok(false);
    };
    let end = header.data_start.saturating_add(promised);
    if header.container == Container::W64 || end.saturating_add(16) > file_bytes {
        return Ok(false);
    }
    // An odd length is followed by a byte of padding, which some programs forget.
    for start in [end, end + (promised & 1)] {
        bytes.seek(SeekFrom::Start(start))?;
        let mut id = [0; 4];
        fill(bytes, &mut id)?;
        let printable = |b: &u8| b.is_ascii_graphic() || *b == b' ';
        if id.iter().all(printable) || id == [0; 4] {
            return Ok(false);
        }
    }
    Ok(true)
}
