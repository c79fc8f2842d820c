//! The meter: one pass over the samples.

use crate::SoundError;
use crate::filter::{Thirds, Weighted, WeightingFilter, bands};
use crate::level::db;
use crate::measure::track::{Segment, Track};
use crate::pcm::{Block, Format, Oddity, Pair, Source};

/// Stretches a second.
const SEGMENTS_PER_S: f64 = 8.0;
/// Frames handled at once, about: what the fastest memory holds with all that is made of them.
const CHUNK: f64 = 800.0;
/// Time constants of fast and slow, s: IEC 61672-1:2013, 5.8.
const FAST_S: f64 = 0.125;
const SLOW_S: f64 = 1.0;

/// One channel over the whole recording.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Channel {
    /// Mean of the samples: the offset of the converter, share of full scale.
    pub offset: f64,
    /// Mean square of the unweighted signal, twice (a sine of full scale has 1).
    pub z: f64,
    /// Highest absolute sample.
    pub peak: f64,
}

/// A recording as measured.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// What the file says of itself.
    pub format: Format,
    /// What was odd about the file.
    pub oddities: Vec<Oddity>,
    /// Frames read.
    pub frames: u64,
    /// Mean over the channels that carry sound, stretch by stretch.
    pub track: Track,
    /// Every channel.
    pub channels: Vec<Channel>,
}

impl Recording {
    /// Length, s.
    pub fn duration_s(&self) -> f64 {
        self.frames as f64 / self.format.rate_hz
    }

    /// Channels that carry sound: not more than 40 dB below the loudest, of which less would not
    /// show in the mean.
    pub fn live_channels(&self) -> Vec<bool> {
        let loudest = self.channels.iter().map(|c| c.z).fold(0.0, f64::max);
        self.channels
            .iter()
            .map(|c| c.z > 0.0 && c.z >= 1e-4 * loudest)
            .collect()
    }

    /// Difference between the loudest and the quietest channel that carries sound, dB.
    pub fn channel_difference_db(&self) -> f64 {
        let live = self.live_channels();
        let of = || {
            self.channels
                .iter()
                .zip(&live)
                .filter(|(_, l)| **l)
                .map(|(c, _)| c.z)
        };
        db(of().fold(0.0, f64::max)) - db(of().fold(f64::INFINITY, f64::min))
    }
}

/// Reads a recording from front to back and measures it.
///
/// # Errors
/// Those of reading, and [`SoundError::TooShort`] below an eighth of a second.
pub fn measure(source: &mut dyn Source) -> Result<Recording, SoundError> {
    let format = source.format().clone();
    let mut meter = Meter::new(&format)?;
    let mut block = Block::default();
    loop {
        source.read(&mut block, meter.next_chunk())?;
        if block.frames() == 0 {
            break;
        }
        meter.take(&block);
    }
    meter.finish(format, source.oddities())
}

/// The filters and sums of a pair of channels.
struct PairMeter {
    weighting: WeightingFilter,
    thirds: Thirds,
    weighted: Weighted,
    /// Band energies of the stretch at hand.
    sums: Vec<Pair>,
    last: Pair,
    run: [u32; 2],
    loudest: Pair,
    totals: [Channel; 2],
}

/// Sums over the stretch at hand.
#[derive(Default)]
struct Running {
    a: f64,
    c: f64,
    z: f64,
    fast_max: f64,
    slow_max: f64,
    peak: f64,
    clipped: u32,
}

struct Meter {
    rate_hz: f64,
    channels: usize,
    segment_frames: usize,
    chunk: usize,
    /// Frames of the stretch at hand.
    have: usize,
    frames: u64,
    pairs: Vec<PairMeter>,
    running: Running,
    fast: f64,
    slow: f64,
    /// A-weighted energy of every frame of the chunk, over all channels.
    energy: Vec<f64>,
    track: Track,
}

impl Meter {
    fn new(format: &Format) -> Result<Self, SoundError> {
        let rate_hz = format.rate_hz;
        let bands = bands(rate_hz);
        let segment_frames = (rate_hz / SEGMENTS_PER_S).round() as usize;
        let parts = (segment_frames as f64 / CHUNK).round().max(1.0) as usize;
        let weighting = WeightingFilter::new(rate_hz)?;
        let pair = || PairMeter {
            weighting: weighting.clone(),
            thirds: Thirds::new(rate_hz),
            weighted: Weighted::default(),
            sums: vec![[0.0; 2]; bands.len()],
            last: [0.0; 2],
            run: [0; 2],
            loudest: [0.0; 2],
            totals: [Channel::default(); 2],
        };
        Ok(Self {
            rate_hz,
            channels: format.channels,
            segment_frames,
            chunk: segment_frames.div_ceil(parts),
            have: 0,
            frames: 0,
            pairs: (0..format.channels.div_ceil(2)).map(|_| pair()).collect(),
            running: Running::default(),
            fast: 0.0,
            slow: 0.0,
            energy: Vec::new(),
            track: Track::new(bands),
        })
    }

    /// Frames to read next: chunks end where stretches end.
    fn next_chunk(&self) -> usize {
        self.chunk.min(self.segment_frames - self.have)
    }

    fn take(&mut self, block: &Block) {
        let frames = block.frames();
        self.energy.clear();
        self.energy.resize(frames, 0.0);
        // Twice the mean over channels: a sine of full scale in all of them has 1.
        let norm = 2.0 / self.channels as f64;
        for (pair, samples) in self.pairs.iter_mut().zip(&block.pairs) {
            pair.take(samples, norm, &mut self.energy, &mut self.running);
        }
        self.average();
        self.have += frames;
        self.frames += frames as u64;
        if self.have == self.segment_frames {
            self.close();
        }
    }

    /// Exponential averages, exact from frame to frame.
    fn average(&mut self) {
        let share = |tau_s: f64| -(-1.0 / (self.rate_hz * tau_s)).exp_m1();
        let (fast_share, slow_share) = (share(FAST_S), share(SLOW_S));
        let (mut fast, mut slow) = (self.fast, self.slow);
        let (mut fast_max, mut slow_max) = (self.running.fast_max, self.running.slow_max);
        let mut sum = 0.0;
        for &e in &self.energy {
            sum += e;
            fast += fast_share * (e - fast);
            slow += slow_share * (e - slow);
            fast_max = if fast > fast_max { fast } else { fast_max };
            slow_max = if slow > slow_max { slow } else { slow_max };
        }
        (self.fast, self.slow) = (fast, slow);
        self.running.a += sum;
        (self.running.fast_max, self.running.slow_max) = (fast_max, slow_max);
    }

    /// Ends the stretch at hand.
    fn close(&mut self) {
        let frames = self.have as f64;
        let running = std::mem::take(&mut self.running);
        let norm = 2.0 / (self.channels as f64 * frames);
        let mut energies = vec![0.0; self.track.bands.len()];
        for pair in &mut self.pairs {
            for (energy, sum) in energies.iter_mut().zip(&mut pair.sums) {
                *energy += norm * (sum[0] + sum[1]);
                *sum = [0.0; 2];
            }
        }
        let segment = Segment {
            duration_s: frames / self.rate_hz,
            a: running.a / frames,
            c: running.c / frames,
            z: running.z / frames,
            fast: self.fast,
            fast_max: running.fast_max,
            slow_max: running.slow_max,
            peak: running.peak,
            clipped: running.clipped,
        };
        self.track.push(segment, &energies);
        self.have = 0;
    }

    fn finish(mut self, format: Format, oddities: Vec<Oddity>) -> Result<Recording, SoundError> {
        if self.frames < self.segment_frames as u64 {
            return Err(SoundError::TooShort {
                have_s: self.frames as f64 / self.rate_hz,
                need_s: 10.0,
                purpose: "any level",
            });
        }
        if self.have > 0 {
            self.close();
        }
        let frames = self.frames as f64;
        let channels: Vec<Channel> = self
            .pairs
            .iter()
            .flat_map(|p| p.totals)
            .take(self.channels)
            .map(|t| Channel {
                offset: t.offset / frames,
                z: 2.0 * t.z / frames,
                peak: t.peak,
            })
            .collect();
        let mut recording = Recording {
            format,
            oddities,
            frames: self.frames,
            track: self.track,
            channels,
        };
        let live = recording.live_channels().iter().filter(|l| **l).count();
        if live > 0 {
            recording
                .track
                .scale(recording.channels.len() as f64 / live as f64);
        }
        Ok(recording)
    }
}

impl PairMeter {
    fn take(&mut self, samples: &[Pair], norm: f64, energy: &mut [f64], running: &mut Running) {
        self.watch(samples, running);
        self.weighting.run(samples, &mut self.weighted);
        let gain = norm * self.weighting.a_energy_gain();
        for (e, a) in energy.iter_mut().zip(&self.weighted.a) {
            *e += gain * (a[0] * a[0] + a[1] * a[1]);
        }
        let c = squares(&self.weighted.c);
        running.c += norm * (c[0] + c[1]);
        let z = squares(&self.weighted.z);
        running.z += norm * (z[0] + z[1]);
        for (total, z) in self.totals.iter_mut().zip(z) {
            total.z += z;
        }
        self.thirds.run(samples, &mut self.sums);
    }

    /// Peaks, offsets and clipping.
    fn watch(&mut self, samples: &[Pair], running: &mut Running) {
        let (mut peak, mut sum) = ([0.0; 2], [0.0; 2]);
        for x in samples {
            for i in 0..2 {
                let size = x[i].abs();
                peak[i] = if size > peak[i] { size } else { peak[i] };
                sum[i] += x[i];
            }
        }
        for i in 0..2 {
            let total = &mut self.totals[i];
            total.peak = total.peak.max(peak[i]);
            total.offset += sum[i];
            running.peak = running.peak.max(peak[i]);
            if peak[i] >= CLIP_LEAST && peak[i] >= CLIP_FROM * self.loudest[i] {
                self.loudest[i] = self.loudest[i].max(peak[i]);
                running.clipped += self.flat_tops(samples, i);
            } else {
                self.run[i] = 0;
            }
        }
    }

    /// Samples in runs of at least [`CLIP_RUN`] that stay at the highest value seen.
    fn flat_tops(&mut self, samples: &[Pair], i: usize) -> u32 {
        let top = CLIP_FROM * self.loudest[i];
        let (mut last, mut run, mut count) = (self.last[i], self.run[i], 0);
        for x in samples {
            let x = x[i];
            run = if x.abs() >= top && (x - last).abs() <= CLIP_FLAT * x.abs() {
                run + 1
            } else {
                0
            };
            count += match run + 1 {
                CLIP_RUN => CLIP_RUN,
                n if n > CLIP_RUN => 1,
                _ => 0,
            };
            last = x;
        }
        (self.last[i], self.run[i]) = (last, run);
        count
    }
}

/// Share of the highest value so far from which samples count as "at the top".
const CLIP_FROM: f64 = 0.99;
/// Share of full scale below which nothing counts as clipped: converters clip at the top, and a quiet
/// recording stays on one of its few steps for longer than this.
const CLIP_LEAST: f64 = 0.5;
/// Relative change from sample to sample that still counts as flat.
const CLIP_FLAT: f64 = 1e-4;
/// Samples in a row that stay at the top before it counts as clipping: the top of a sine of 50 Hz at
/// 48 kHz is that flat for five. A judgement.
const CLIP_RUN: u32 = 6;

fn squares(samples: &[Pair]) -> Pair {
    let mut sum = [0.0; 2];
    for x in samples {
        sum[0] += x[0] * x[0];
        sum[1] += x[1] * x[1];
    }
    sum
}
