//! Narrow-band spectra: P. D. Welch's mean of windowed blocks (IEEE Trans. Audio Electroacoust. AU-15
//! (1967) 70-73) with a Hann window and half overlap, in a second pass over the file.

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

use crate::SoundError;
use crate::level::db;
use crate::measure::Recording;
use crate::pcm::{Block, Source};

/// Wanted distance of lines, Hz: below 2 % of the lowest tone that is judged (89 Hz).
const LINE_HZ: f64 = 1.5;

/// A narrow-band spectrum of energies.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    /// Distance of lines, Hz.
    pub line_hz: f64,
    /// Energy of each line from 0 Hz on; over any stretch of lines they add up to the energy there, as
    /// [`crate::measure::Segment`] has it.
    pub energies: Vec<f64>,
    /// Blocks averaged.
    pub blocks: usize,
}

impl Spectrum {
    /// Energy between two frequencies, with the lines at the ends in part.
    pub fn band(&self, from_hz: f64, to_hz: f64) -> f64 {
        let at = |hz: f64| (hz / self.line_hz + 0.5).clamp(0.0, self.energies.len() as f64);
        let (from, to) = (at(from_hz), at(to_hz));
        if to <= from {
            return 0.0;
        }
        let (first, last) = (from.floor() as usize, to.floor() as usize);
        let of = |i: usize| self.energies.get(i).copied().unwrap_or(0.0);
        if first == last {
            return of(first) * (to - from);
        }
        let inner: f64 = self.energies[first + 1..last].iter().sum();
        of(first) * ((first + 1) as f64 - from) + inner + of(last) * (to - last as f64)
    }

    /// Line levels, dB: (frequency Hz, dB).
    pub fn levels(&self) -> impl Iterator<Item = (f64, f64)> {
        let lines = self.energies.iter().enumerate();
        lines.map(|(i, &e)| (i as f64 * self.line_hz, db(e)))
    }

    /// Multiplies by a gain in dB at each frequency: a calibration, a microphone's response.
    pub fn equalise(&mut self, change_db: impl Fn(f64) -> f64) {
        for (i, e) in self.energies.iter_mut().enumerate() {
            *e *= crate::level::energy(change_db(i as f64 * self.line_hz));
        }
    }
}

/// Spectra of groups of stretches: `group_of` says to which of `groups` a stretch of the recording's
/// track belongs, if to any. A block counts if all the stretches it lies in belong to one group.
///
/// # Errors
/// Those of reading.
pub fn spectra(
    source: &mut dyn Source,
    recording: &Recording,
    groups: usize,
    group_of: impl Fn(usize) -> Option<usize>,
) -> Result<Vec<Spectrum>, SoundError> {
    source.rewind()?;
    let rate_hz = recording.format.rate_hz;
    let mut reader = Reader::new(rate_hz, &recording.live_channels(), groups);
    let ends: Vec<f64> = recording
        .track
        .starts_s()
        .iter()
        .zip(recording.track.segments())
        .map(|(start, s)| start + s.duration_s)
        .collect();
    let at = |time_s: f64| {
        ends.partition_point(|&e| e <= time_s + 1e-9)
            .min(ends.len() - 1)
    };
    let group = |from_s: f64, to_s: f64| {
        let first = group_of(at(from_s))?;
        (at(from_s)..=at(to_s - 1e-6))
            .all(|i| group_of(i) == Some(first))
            .then_some(first)
    };
    let mut block = Block::default();
    loop {
        source.read(&mut block, reader.hop)?;
        if block.frames() == 0 {
            return Ok(reader.finish());
        }
        reader.take(&block, &group);
    }
}

struct Reader {
    rate_hz: f64,
    hop: usize,
    window: Vec<f64>,
    transform: Arc<dyn RealToComplex<f64>>,
    /// (pair, side) of every channel used, with its last samples.
    channels: Vec<(usize, usize, Vec<f64>)>,
    work: Vec<f64>,
    lines: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    sums: Vec<Vec<f64>>,
    blocks: Vec<usize>,
    /// Frames read so far.
    frames: usize,
}

impl Reader {
    fn new(rate_hz: f64, live: &[bool], groups: usize) -> Self {
        let length = 2_usize.pow((rate_hz / LINE_HZ).log2().round() as u32);
        let turn = 2.0 * std::f64::consts::PI / length as f64;
        let window: Vec<f64> = (0..length)
            .map(|i| 0.5 - 0.5 * (turn * i as f64).cos())
            .collect();
        let transform = RealFftPlanner::new().plan_fft_forward(length);
        Self {
            rate_hz,
            hop: length / 2,
            lines: transform.make_output_vec(),
            scratch: transform.make_scratch_vec(),
            work: vec![0.0; length],
            channels: live
                .iter()
                .enumerate()
                .filter(|(_, l)| **l)
                .map(|(i, _)| (i / 2, i % 2, vec![0.0; length]))
                .collect(),
            sums: vec![vec![0.0; length / 2 + 1]; groups],
            blocks: vec![0; groups],
            window,
            transform,
            frames: 0,
        }
    }

    fn take(&mut self, block: &Block, group: &impl Fn(f64, f64) -> Option<usize>) {
        let got = block.frames();
        for (pair, side, samples) in &mut self.channels {
            samples.copy_within(got.., 0);
            let start = samples.len() - got;
            for (kept, new) in samples[start..].iter_mut().zip(&block.pairs[*pair]) {
                *kept = new[*side];
            }
        }
        self.frames += got;
        let length = self.window.len();
        if got < self.hop || self.frames < length {
            return;
        }
        let (from, to) = (self.frames - length, self.frames);
        let Some(g) = group(from as f64 / self.rate_hz, to as f64 / self.rate_hz) else {
            return;
        };
        self.blocks[g] += 1;
        for c in 0..self.channels.len() {
            self.add(c, g);
        }
    }

    fn add(&mut self, channel: usize, group: usize) {
        let samples = &self.channels[channel].2;
        for ((w, x), shape) in self.work.iter_mut().zip(samples).zip(&self.window) {
            *w = x * shape;
        }
        // The lengths are the plan's own, which is all that can go wrong.
        let done =
            self.transform
                .process_with_scratch(&mut self.work, &mut self.lines, &mut self.scratch);
        if done.is_ok() {
            for (sum, line) in self.sums[group].iter_mut().zip(&self.lines) {
                *sum += line.norm_sqr();
            }
        }
    }

    fn finish(self) -> Vec<Spectrum> {
        let length = self.window.len() as f64;
        let power: f64 = self.window.iter().map(|w| w * w).sum();
        let channels = self.channels.len().max(1) as f64;
        let last = self.window.len() / 2;
        self.sums
            .into_iter()
            .zip(self.blocks)
            .map(|(sums, blocks)| {
                // Parseval: two sides, and twice, since a sine of full scale has energy 1.
                let norm = 4.0 / (length * power * channels * blocks.max(1) as f64);
                let sided = |i: usize| if i == 0 || i == last { 0.5 } else { 1.0 };
                Spectrum {
                    line_hz: self.rate_hz / length,
                    energies: sums
                        .iter()
                        .enumerate()
                        .map(|(i, s)| sided(i) * norm * s)
                        .collect(),
                    blocks,
                }
            })
            .collect()
    }
}
