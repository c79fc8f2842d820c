//! The compressed formats of phones: AAC in MP4 (M4A), MP3, FLAC, Vorbis in Ogg; decoded packet by
//! packet, in constant memory.

use std::io::{Read, Seek, SeekFrom};

use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions, well_known as codec};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

use super::{Block, Bytes, Format, Oddity, Source};
use crate::SoundError;

/// Bytes with the length that the decoders ask for.
struct Sized<B> {
    bytes: B,
    length: u64,
}

impl<B: Read> Read for Sized<B> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        self.bytes.read(buffer)
    }
}

impl<B: Seek> Seek for Sized<B> {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.bytes.seek(to)
    }
}

impl<B: Bytes> MediaSource for Sized<B> {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.length)
    }
}

/// The container and the decoder of its sound.
struct Opened {
    container: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    promised_frames: Option<u64>,
    coding: (&'static str, bool),
}

/// A compressed recording.
pub(super) struct Coded {
    /// `None` only while it is opened anew, and after that has failed.
    opened: Option<Opened>,
    format: Format,
    /// Decoded samples, interleaved, and how many of them have been handed out.
    ready: Vec<f32>,
    used: usize,
    /// Packets that could not be decoded.
    damaged: u64,
    /// Frames handed out.
    frames: u64,
    ended: bool,
}

fn refused(error: &Error) -> SoundError {
    match error {
        Error::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => SoundError::header(
            "the file ends within its header",
            "copy the file again from the phone",
        ),
        Error::IoError(e) => SoundError::Io(std::io::Error::new(e.kind(), e.to_string())),
        other => SoundError::format(
            format!("a compressed recording that cannot be read ({other})"),
            "set the recorder to WAV (PCM), or convert it to WAV",
        ),
    }
}

fn no_sound() -> SoundError {
    SoundError::format(
        "a file without sound in it",
        "give a recording; a video must have a sound track",
    )
}

impl Opened {
    fn new(stream: MediaSourceStream<'static>) -> Result<Self, SoundError> {
        let container = symphonia::default::get_probe()
            .probe(
                &Hint::new(),
                stream,
                FormatOptions::default(),
                MetadataOptions::default(),
            )
            .map_err(|e| refused(&e))?;
        let (id, promised_frames, parameters) = {
            let track = container
                .default_track(TrackType::Audio)
                .ok_or_else(no_sound)?;
            let parameters = track.codec_params.as_ref().and_then(|p| p.audio());
            (
                track.id,
                track.num_frames,
                parameters.ok_or_else(no_sound)?.clone(),
            )
        };
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(&parameters, &AudioDecoderOptions::default())
            .map_err(|e| refused(&e))?;
        let coding = match parameters.codec {
            codec::CODEC_ID_AAC => ("AAC", true),
            codec::CODEC_ID_MP3 => ("MP3", true),
            codec::CODEC_ID_VORBIS => ("Vorbis", true),
            codec::CODEC_ID_FLAC => ("FLAC", false),
            _ => ("another coding", true),
        };
        Ok(Self {
            container,
            decoder,
            track: id,
            promised_frames,
            coding,
        })
    }
}

impl Coded {
    pub(super) fn open(mut bytes: impl Bytes + 'static) -> Result<Self, SoundError> {
        let length = bytes.seek(SeekFrom::End(0))?;
        bytes.seek(SeekFrom::Start(0))?;
        let source = Box::new(Sized { bytes, length });
        let opened = Opened::new(MediaSourceStream::new(
            source,
            MediaSourceStreamOptions::default(),
        ))?;
        let (encoding, lossy) = opened.coding;
        let mut coded = Self {
            format: Format {
                rate_hz: 0.0,
                channels: 0,
                encoding: encoding.to_owned(),
                lossy,
                step: 0.0,
                promised_frames: opened.promised_frames,
            },
            opened: Some(opened),
            ready: Vec::new(),
            used: 0,
            damaged: 0,
            frames: 0,
            ended: false,
        };
        // What a header says of rate and channels is not always so; the first packet is.
        coded.fill()?;
        if coded.format.rate_hz <= 0.0 || coded.format.channels == 0 {
            return Err(no_sound());
        }
        Ok(coded)
    }

    /// Decodes the next packet that holds sound.
    fn fill(&mut self) -> Result<(), SoundError> {
        let Some(opened) = &mut self.opened else {
            return Err(no_sound());
        };
        loop {
            let packet = match opened.container.next_packet() {
                Ok(Some(packet)) => packet,
                Ok(None) => break,
                Err(Error::IoError(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => break,
                Err(Error::DecodeError(_) | Error::ResetRequired) => {
                    self.damaged += 1;
                    break;
                }
                Err(e) => return Err(refused(&e)),
            };
            if packet.track_id != opened.track {
                continue;
            }
            match opened.decoder.decode(&packet) {
                Ok(decoded) if decoded.frames() > 0 => {
                    let (rate_hz, channels) = (
                        f64::from(decoded.spec().rate()),
                        decoded.spec().channels().count(),
                    );
                    if self.format.channels == 0 {
                        (self.format.rate_hz, self.format.channels) = (rate_hz, channels);
                    } else if channels != self.format.channels
                        || (rate_hz - self.format.rate_hz).abs() > 0.5
                    {
                        return Err(SoundError::format(
                            "a recording whose rate or channels change on the way",
                            "cut it there, or convert it to WAV",
                        ));
                    }
                    decoded.copy_to_vec_interleaved(&mut self.ready);
                    self.used = 0;
                    return Ok(());
                }
                Ok(_) => {}
                Err(Error::DecodeError(_)) => self.damaged += 1,
                Err(e) => return Err(refused(&e)),
            }
        }
        self.ended = true;
        self.ready.clear();
        self.used = 0;
        Ok(())
    }

    /// Appends up to so many frames of what is decoded.
    fn hand_out(&mut self, block: &mut Block, frames: usize) {
        let channels = self.format.channels;
        let left = &self.ready[self.used..];
        let take = (left.len() / channels).min(frames);
        for frame in left[..take * channels].chunks_exact(channels) {
            for (pair, samples) in block.pairs.iter_mut().zip(frame.chunks(2)) {
                let second = samples.get(1).copied().unwrap_or(0.0);
                pair.push([f64::from(samples[0]), f64::from(second)]);
            }
        }
        self.used += take * channels;
        self.frames += take as u64;
    }
}

impl Source for Coded {
    fn format(&self) -> &Format {
        &self.format
    }

    fn read(&mut self, block: &mut Block, frames: usize) -> Result<(), SoundError> {
        block.reset(self.format.channels);
        while block.frames() < frames && !self.ended {
            if self.used >= self.ready.len() {
                self.fill()?;
            }
            self.hand_out(block, frames - block.frames());
        }
        Ok(())
    }

    fn rewind(&mut self) -> Result<(), SoundError> {
        let Some(opened) = self.opened.take() else {
            return Err(no_sound());
        };
        let mut stream = opened.container.into_inner();
        stream.seek(SeekFrom::Start(0))?;
        self.opened = Some(Opened::new(stream)?);
        (self.damaged, self.frames, self.ended) = (0, 0, false);
        self.ready.clear();
        self.used = 0;
        Ok(())
    }

    fn oddities(&self) -> Vec<Oddity> {
        let mut found = Vec::new();
        if self.damaged > 0 {
            found.push(Oddity {
                rule: "damaged",
                evidence: format!("{} packets could not be decoded", self.damaged),
                remedy: "copy the file again from the phone; what could be decoded was used".into(),
            });
        }
        // A second is more than what encoders put before and after the sound.
        let missing = self.format.promised_frames.unwrap_or(0) as f64 - self.frames as f64;
        if self.ended && missing > self.format.rate_hz {
            found.push(Oddity {
                rule: "cut_off",
                evidence: format!(
                    "the header promises {:.1} s more than are there",
                    missing / self.format.rate_hz
                ),
                remedy: "copy the file again if the rest matters; what is there was used".into(),
            });
        }
        found
    }
}
