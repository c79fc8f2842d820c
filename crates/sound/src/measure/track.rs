//! What is kept of a recording: energies of stretches of an eighth of a second, of longer ones where
//! the recording is long, so that the memory taken does not grow with it.

use crate::filter::{Band, Bands, a_weighting_db, c_weighting_db};
use crate::level::{db, energy};

/// Stretches kept at most; beyond, neighbours are joined in pairs. 34 minutes of eighths of a second.
const MOST: usize = 16_384;

/// A stretch of a recording. Energies are mean squares over the stretch, twice, so that a sine of
/// full scale has 1.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Segment {
    /// Length, s.
    pub duration_s: f64,
    /// A-weighted energy.
    pub a: f64,
    /// C-weighted energy.
    pub c: f64,
    /// Unweighted energy, offset taken out.
    pub z: f64,
    /// A-weighted energy with time weighting fast (125 ms) at the end of the stretch.
    pub fast: f64,
    /// The highest of that within the stretch.
    pub fast_max: f64,
    /// The highest with time weighting slow (1 s) within the stretch.
    pub slow_max: f64,
    /// Highest absolute sample.
    pub peak: f64,
    /// Samples in runs that stand at the highest value, as clipping leaves them.
    pub clipped: u32,
}

impl Segment {
    /// Both one after the other.
    fn joined(self, next: Self) -> Self {
        let duration_s = self.duration_s + next.duration_s;
        let mean = |a: f64, b: f64| (a * self.duration_s + b * next.duration_s) / duration_s;
        Self {
            duration_s,
            a: mean(self.a, next.a),
            c: mean(self.c, next.c),
            z: mean(self.z, next.z),
            fast: next.fast,
            fast_max: self.fast_max.max(next.fast_max),
            slow_max: self.slow_max.max(next.slow_max),
            peak: self.peak.max(next.peak),
            clipped: self.clipped + next.clipped,
        }
    }
}

/// The stretches of a recording in order.
#[derive(Clone, Debug, PartialEq)]
pub struct Track {
    /// The one-third-octave bands.
    pub bands: Vec<Band>,
    segments: Vec<Segment>,
    /// Band energies of all segments, one after the other.
    energies: Vec<f32>,
    /// Segments as measured that make one kept.
    joined: u32,
    pending: u32,
}

/// Levels over a recording, dB.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    /// Equivalent level, A-weighted.
    pub laeq_db: f64,
    /// Equivalent level, C-weighted.
    pub lceq_db: f64,
    /// Equivalent level, unweighted.
    pub lzeq_db: f64,
    /// A-weighted fast level exceeded in 10 % of the time.
    pub la10_db: f64,
    /// The same for 50 %.
    pub la50_db: f64,
    /// The same for 90 %.
    pub la90_db: f64,
    /// Highest A-weighted level, fast.
    pub lafmax_db: f64,
    /// Highest A-weighted level, slow.
    pub lasmax_db: f64,
}

/// Time that filters and averages take to settle, s; left out of bands and percentiles of recordings
/// that are long enough to spare it. The lowest band (20 Hz, 4.6 Hz wide) rings for half as long.
const SETTLING_S: f64 = 1.0;

impl Track {
    pub(crate) fn new(bands: Vec<Band>) -> Self {
        Self {
            bands,
            segments: Vec::new(),
            energies: Vec::new(),
            joined: 1,
            pending: 0,
        }
    }

    pub(crate) fn push(&mut self, segment: Segment, energies: &[f64]) {
        let narrow = energies.iter().map(|&e| e as f32);
        let many = self.bands.len();
        if self.pending > 0
            && let Some(last) = self.segments.last_mut()
        {
            let before = last.duration_s;
            *last = last.joined(segment);
            let share = (before / last.duration_s) as f32;
            let at = self.energies.len() - many;
            for (kept, new) in self.energies[at..].iter_mut().zip(narrow) {
                *kept = share * *kept + (1.0 - share) * new;
            }
        } else {
            if self.segments.len() >= MOST {
                self.halve();
            }
            self.segments.push(segment);
            self.energies.extend(narrow);
        }
        self.pending = (self.pending + 1) % self.joined;
    }

    /// Joins neighbours; there is an even number of them.
    fn halve(&mut self) {
        let many = self.bands.len();
        let pairs = self.segments.len() / 2;
        for i in 0..pairs {
            let (a, b) = (self.segments[2 * i], self.segments[2 * i + 1]);
            let both = a.joined(b);
            let share = (a.duration_s / both.duration_s) as f32;
            self.segments[i] = both;
            for k in 0..many {
                let (x, y) = (
                    self.energies[2 * i * many + k],
                    self.energies[(2 * i + 1) * many + k],
                );
                self.energies[i * many + k] = share * x + (1.0 - share) * y;
            }
        }
        self.segments.truncate(pairs);
        self.energies.truncate(pairs * many);
        self.joined *= 2;
    }

    /// The stretches.
    pub fn segments(&self) -> &[Segment] {
        &self.segments
    }

    /// Energies of the bands in stretch `i`, in the order of [`Self::bands`].
    pub fn energies(&self, i: usize) -> &[f32] {
        let many = self.bands.len();
        &self.energies[i * many..(i + 1) * many]
    }

    /// Start of every stretch, s.
    pub fn starts_s(&self) -> Vec<f64> {
        let mut at = 0.0;
        self.segments
            .iter()
            .map(|s| {
                let start = at;
                at += s.duration_s;
                start
            })
            .collect()
    }

    /// Length, s.
    pub fn duration_s(&self) -> f64 {
        self.segments.iter().map(|s| s.duration_s).sum()
    }

    /// Multiplies all energies: a calibration, or channels that were silent.
    pub(crate) fn scale(&mut self, factor: f64) {
        for s in &mut self.segments {
            for e in [
                &mut s.a,
                &mut s.c,
                &mut s.z,
                &mut s.fast,
                &mut s.fast_max,
                &mut s.slow_max,
            ] {
                *e *= factor;
            }
        }
        for e in &mut self.energies {
            *e = (f64::from(*e) * factor) as f32;
        }
    }

    /// Changes band levels by so many dB at each mid-band frequency, and the weighted energies by what
    /// that changes in the weighted sum of the bands.
    pub(crate) fn equalise(&mut self, change_db: impl Fn(f64) -> f64) {
        let gains: Vec<f64> = self
            .bands
            .iter()
            .map(|b| energy(change_db(b.exact_hz)))
            .collect();
        let weights = |f: fn(f64) -> f64| -> Vec<f64> {
            self.bands.iter().map(|b| energy(f(b.exact_hz))).collect()
        };
        let (a, c) = (weights(a_weighting_db), weights(c_weighting_db));
        let many = self.bands.len();
        for (segment, energies) in self
            .segments
            .iter_mut()
            .zip(self.energies.chunks_exact_mut(many))
        {
            let ratio = |weights: Option<&[f64]>| {
                let sum = |gain: &dyn Fn(usize) -> f64| -> f64 {
                    (0..many)
                        .map(|i| weights.map_or(1.0, |w| w[i]) * gain(i) * f64::from(energies[i]))
                        .sum()
                };
                let before = sum(&|_| 1.0);
                if before > 0.0 {
                    sum(&|i| gains[i]) / before
                } else {
                    1.0
                }
            };
            let a_ratio = ratio(Some(&a));
            segment.c *= ratio(Some(&c));
            segment.z *= ratio(None);
            for e in [
                &mut segment.a,
                &mut segment.fast,
                &mut segment.fast_max,
                &mut segment.slow_max,
            ] {
                *e *= a_ratio;
            }
            for (e, gain) in energies.iter_mut().zip(&gains) {
                *e = (f64::from(*e) * gain) as f32;
            }
        }
    }

    /// Stretches of `keep` (all if it is empty), with the first second left out if `settled` and the
    /// rest is at least four times as long.
    fn kept<'a>(
        &'a self,
        keep: &'a [bool],
        settled: bool,
    ) -> impl Iterator<Item = (usize, &'a Segment)> {
        let spare = settled && self.duration_s() >= 5.0 * SETTLING_S;
        let mut end_s = 0.0;
        self.segments.iter().enumerate().filter(move |(i, s)| {
            end_s += s.duration_s;
            let early = spare && end_s <= SETTLING_S + 1e-9;
            !early && keep.get(*i).copied().unwrap_or(true)
        })
    }

    /// Levels over the stretches that `keep` marks; over all of them if it is empty.
    pub fn levels(&self, keep: &[bool]) -> Levels {
        let (mut a, mut c, mut z, mut time_s) = (0.0, 0.0, 0.0, 0.0);
        let (mut fast_max, mut slow_max) = (0.0_f64, 0.0_f64);
        for (_, s) in self.kept(keep, false) {
            a += s.a * s.duration_s;
            c += s.c * s.duration_s;
            z += s.z * s.duration_s;
            time_s += s.duration_s;
            fast_max = fast_max.max(s.fast_max);
            slow_max = slow_max.max(s.slow_max);
        }
        let fast: Vec<f64> = self.kept(keep, true).map(|(_, s)| db(s.fast)).collect();
        // Exceeded in 10 % of the time is the quantile at 90 %.
        let exceeded = |share: f64| quantile(&fast, 1.0 - share);
        Levels {
            laeq_db: db(a / time_s),
            lceq_db: db(c / time_s),
            lzeq_db: db(z / time_s),
            la10_db: exceeded(0.1),
            la50_db: exceeded(0.5),
            la90_db: exceeded(0.9),
            lafmax_db: db(fast_max),
            lasmax_db: db(slow_max),
        }
    }

    /// Band levels in dB over the stretches that `keep` marks; over all of them if it is empty.
    pub fn band_levels(&self, keep: &[bool]) -> Bands {
        let mut sums = vec![0.0; self.bands.len()];
        let mut time_s = 0.0;
        for (i, s) in self.kept(keep, true) {
            time_s += s.duration_s;
            for (sum, &e) in sums.iter_mut().zip(self.energies(i)) {
                *sum += f64::from(e) * s.duration_s;
            }
        }
        sums.into_iter().map(|e| db(e / time_s)).collect()
    }
}

/// Quantile of values that may hold minus infinity (digital silence).
fn quantile(values: &[f64], fraction: f64) -> f64 {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
    sorted.sort_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else {
        return f64::NAN;
    };
    let at = fraction * last as f64;
    let low = at.floor();
    let (a, b) = (sorted[low as usize], sorted[at.ceil() as usize]);
    if a.is_finite() {
        a + (at - low) * (b - a)
    } else {
        a.min(b)
    }
}
