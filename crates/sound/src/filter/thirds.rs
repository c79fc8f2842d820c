//! One-third-octave bands (IEC 61260-1:2014, base ten) by filters that run at the lowest rate that
//! still carries their band: every octave down, the rate is halved.
//!
//! Each band is a Butterworth filter with its edges where the standard has them. Order 3 is class 1
//! on paper, and its flanks are those of the filters of ISO 532-1 (18 dB at the next band), on which
//! the loudness of tones rests. The bilinear transform thins the lower flank of bands near half the
//! rate; those have order 4.

use super::fir::Halver;
use super::weighting::{exact_hz, nominal_hz};
use crate::pcm::Pair;

/// A band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Steps from 1 kHz.
    pub index: i32,
    /// Nominal mid-band frequency, Hz (ISO 266).
    pub nominal_hz: f64,
    /// Exact mid-band frequency, Hz.
    pub exact_hz: f64,
}

impl Band {
    /// Band `index`, 0 for 1 kHz.
    pub fn new(index: i32) -> Self {
        Self {
            index,
            nominal_hz: nominal_hz(index),
            exact_hz: exact_hz(index),
        }
    }

    /// Lower and upper edge, Hz.
    pub fn edges_hz(self) -> (f64, f64) {
        let half = 10.0_f64.powf(0.05);
        (self.exact_hz / half, self.exact_hz * half)
    }
}

/// Levels or energies of bands, in the order of [`bands`].
pub type Bands = Vec<f64>;

/// Lowest and highest band: 20 Hz and 20 kHz.
const LOWEST: i32 = -17;
const HIGHEST: i32 = 13;

/// Highest band edge as a share of the sampling rate: beyond, recorders cut.
const TOP_SHARE: f64 = 0.48;

/// Highest band edge as a share of the rate at which a band is filtered, but for the first stage.
const STAGE_SHARE: f64 = 0.24;

/// Highest band edge as a share of the rate for order 3.
const THIRD_ORDER_SHARE: f64 = 0.2401;

/// The bands from 20 Hz that a sampling rate carries, lowest first.
pub fn bands(rate_hz: f64) -> Vec<Band> {
    (LOWEST..=HIGHEST)
        .map(Band::new)
        .filter(|b| b.edges_hz().1 <= TOP_SHARE * rate_hz)
        .collect()
}

/// Coefficients of one band: `(1 - z⁻²) / (1 + a1 z⁻¹ + a2 z⁻²)` as often as its order says, and the
/// gain that makes the whole 1 at mid-band.
#[derive(Clone, Debug)]
struct BandFilter {
    /// a1 and a2 of each section.
    sections: Vec<(f64, f64)>,
    gain: f64,
}

impl BandFilter {
    /// Edges as shares of the rate.
    fn butterworth(lower: f64, upper: f64, order: usize) -> Self {
        use std::f64::consts::PI;
        let (lo, hi) = ((PI * lower).tan(), (PI * upper).tan());
        let (width, centre_squared) = (hi - lo, hi * lo);
        let centre = 2.0 * centre_squared.sqrt().atan();
        let mut filter = Self {
            sections: Vec::new(),
            gain: 1.0,
        };
        // Poles of the low-pass prototype in the upper half plane, and the real one of an odd order,
        // whose two band poles are a pair already.
        for k in 0..order.div_ceil(2) {
            let angle = PI * (2 * k + 1 + order) as f64 / (2 * order) as f64;
            let real = 2 * k + 1 == order;
            let half = Complex(
                0.5 * width * angle.cos(),
                if real { 0.0 } else { 0.5 * width * angle.sin() },
            );
            let root = half.times(half).plus(Complex(-centre_squared, 0.0)).root();
            for sign in if real { &[1.0][..] } else { &[1.0, -1.0] } {
                let s = half.plus(Complex(sign * root.0, sign * root.1));
                let z = Complex(1.0 + s.0, s.1).over(Complex(1.0 - s.0, -s.1));
                let (a1, a2) = (-2.0 * z.0, z.0 * z.0 + z.1 * z.1);
                filter.gain *= denominator(a1, a2, centre) / (2.0 * centre.sin());
                filter.sections.push((a1, a2));
            }
        }
        filter
    }
}

/// Magnitude of `1 + a1 e^-jw + a2 e^-2jw`.
fn denominator(a1: f64, a2: f64, w: f64) -> f64 {
    let real = 1.0 + a1 * w.cos() + a2 * (2.0 * w).cos();
    real.hypot(a1 * w.sin() + a2 * (2.0 * w).sin())
}

/// As little of complex numbers as poles need.
#[derive(Clone, Copy)]
struct Complex(f64, f64);

impl Complex {
    fn plus(self, o: Self) -> Self {
        Self(self.0 + o.0, self.1 + o.1)
    }

    fn times(self, o: Self) -> Self {
        Self(self.0 * o.0 - self.1 * o.1, self.0 * o.1 + self.1 * o.0)
    }

    fn over(self, o: Self) -> Self {
        let d = o.0 * o.0 + o.1 * o.1;
        let n = self.times(Self(o.0, -o.1));
        Self(n.0 / d, n.1 / d)
    }

    fn root(self) -> Self {
        let r = self.0.hypot(self.1);
        let re = (0.5 * (r + self.0)).max(0.0).sqrt();
        let im = (0.5 * (r - self.0)).max(0.0).sqrt();
        Self(re, if self.1 < 0.0 { -im } else { im })
    }
}

/// Lanes side by side: two bands, two channels each.
const LANES: usize = 4;
type Lanes = [f64; LANES];

#[derive(Clone, Copy, Debug, Default)]
struct Section {
    a1: Lanes,
    a2: Lanes,
    x1: Lanes,
    x2: Lanes,
    y1: Lanes,
    y2: Lanes,
}

impl Section {
    /// Runs over the samples; `output` takes each result and the place its input had.
    #[inline(always)]
    #[expect(
        clippy::inline_always,
        reason = "the two callers differ in what they do with a sample, and the loop must hold its \
                  state in registers"
    )]
    fn run(&mut self, samples: &mut [Lanes], mut output: impl FnMut(&mut Lanes, Lanes)) {
        let Self {
            a1,
            a2,
            mut x1,
            mut x2,
            mut y1,
            mut y2,
        } = *self;
        for sample in samples {
            let x = *sample;
            let mut y = [0.0; LANES];
            for i in 0..LANES {
                let forward = (x[i] - x2[i]) - a2[i] * y2[i];
                y[i] = forward - a1[i] * y1[i];
            }
            (x2, x1, y2, y1) = (x1, x, y1, y);
            output(sample, y);
        }
        (self.x1, self.x2, self.y1, self.y2) = (x1, x2, y1, y2);
    }
}

/// Two bands of one stage.
#[derive(Clone, Debug)]
struct Group {
    sections: Vec<Section>,
    /// Places of the two bands; none for padding.
    places: [Option<usize>; 2],
    gains: [f64; 2],
    buffer: Vec<Lanes>,
}

impl Group {
    /// At most two bands: place, and edges as shares of the rate.
    fn new(bands: &[(usize, (f64, f64))]) -> Self {
        let third = bands.iter().all(|(_, edges)| edges.1 <= THIRD_ORDER_SHARE);
        let order = if third { 3 } else { 4 };
        let mut group = Self {
            sections: vec![Section::default(); order],
            places: [None; 2],
            gains: [0.0; 2],
            buffer: Vec::new(),
        };
        for (k, &(place, (lower, upper))) in bands.iter().enumerate() {
            let filter = BandFilter::butterworth(lower, upper, order);
            group.places[k] = Some(place);
            group.gains[k] = filter.gain * filter.gain;
            for (section, (a1, a2)) in group.sections.iter_mut().zip(filter.sections) {
                section.a1[2 * k..2 * k + 2].fill(a1);
                section.a2[2 * k..2 * k + 2].fill(a2);
            }
        }
        group
    }

    /// Adds the sums of squares of both channels to the bands' places.
    fn run(&mut self, block: &[Pair], weight: f64, sums: &mut [Pair]) {
        let Some((last, before)) = self.sections.split_last_mut() else {
            return;
        };
        self.buffer.clear();
        self.buffer.extend(block.iter().map(|&[l, r]| [l, r, l, r]));
        for section in before {
            section.run(&mut self.buffer, |out, y| *out = y);
        }
        let mut sum = [0.0; LANES];
        last.run(&mut self.buffer, |_, y| {
            for i in 0..LANES {
                sum[i] += y[i] * y[i];
            }
        });
        for (k, (place, gain)) in self.places.iter().zip(self.gains).enumerate() {
            if let Some(place) = place {
                sums[*place][0] += weight * gain * sum[2 * k];
                sums[*place][1] += weight * gain * sum[2 * k + 1];
            }
        }
    }
}

/// Bands that are filtered at one rate.
#[derive(Clone, Debug)]
struct Stage {
    groups: Vec<Group>,
    /// To the next stage.
    halver: Option<Halver>,
    next: Vec<Pair>,
}

/// The filters of all bands for a pair of channels.
#[derive(Clone, Debug)]
pub(crate) struct Thirds {
    stages: Vec<Stage>,
}

impl Thirds {
    pub(crate) fn new(rate_hz: f64) -> Self {
        let mut of_stage: Vec<Vec<(usize, (f64, f64))>> = Vec::new();
        for (place, band) in bands(rate_hz).iter().enumerate() {
            let (lower_hz, upper_hz) = band.edges_hz();
            let mut stage = 0;
            let mut rate = rate_hz;
            while upper_hz <= STAGE_SHARE * 0.5 * rate {
                rate *= 0.5;
                stage += 1;
            }
            if of_stage.len() <= stage {
                of_stage.resize_with(stage + 1, Vec::new);
            }
            of_stage[stage].push((place, (lower_hz / rate, upper_hz / rate)));
        }
        let last = of_stage.len() - 1;
        let stages = of_stage
            .iter()
            .enumerate()
            .map(|(i, bands)| Stage {
                groups: bands.chunks(2).map(Group::new).collect(),
                // 7 odd taps and this shape: more than 80 dB from 0.38 of the rate on, what folds onto bands
                // below 0.12, and flat to 1e-4 there.
                halver: (i < last).then(|| Halver::new(7, 8.0)),
                next: Vec::new(),
            })
            .collect();
        Self { stages }
    }

    /// Adds the energies (sums of squares over frames) of both channels to `sums`, one entry a band.
    pub(crate) fn run(&mut self, block: &[Pair], sums: &mut [Pair]) {
        let mut weight = 1.0;
        let mut input = block;
        for stage in &mut self.stages {
            for group in &mut stage.groups {
                group.run(input, weight, sums);
            }
            let Some(halver) = &mut stage.halver else {
                break;
            };
            stage.next.clear();
            halver.run(input, &mut stage.next);
            input = &stage.next;
            weight *= 2.0;
        }
    }
}
