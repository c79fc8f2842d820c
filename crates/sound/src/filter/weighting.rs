//! Frequency weightings A, C and Z (IEC 61672-1:2013, 5.5 and annex E).
//!
//! The low poles (20.6, 107.7 and 737.9 Hz) are recursive sections. The double pole at 12.2 kHz lies
//! where the bilinear transform bends the frequency axis most, so it is a symmetric filter instead,
//! fitted to the formula divided by what the sections really do. The error at every nominal
//! frequency is below 0.02 dB from 8 to 192 kHz (measured in the tests).

use settlepoint_stats::linear::LinearSystem;

use super::{Highpass, Symmetric};
use crate::SoundError;
use crate::pcm::Pair;

/// A frequency weighting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weighting {
    /// Nearly the ear's own at low levels.
    A,
    /// Nearly flat, falling below 31.5 Hz and above 8 kHz.
    C,
    /// Flat.
    Z,
}

/// Poles of the A weighting, Hz, with more digits than annex E of IEC 61672-1:2013 prints (20.60,
/// 107.7, 737.9, 12194): from its definitions. C is 3 dB down (half the power) at 10^1.5 and 10^3.9 Hz
/// relative to 1 kHz, which gives f1 and f4; f2 and f3 are (3 -+ sqrt 5)/2 times 10^2.45 Hz. Evaluated
/// with 40 digits.
const F1_HZ: f64 = 20.598_997_057_568_145;
const F2_HZ: f64 = 107.652_648_643_046_27;
const F3_HZ: f64 = 737.862_230_736_289_9;
const F4_HZ: f64 = 12_194.217_147_998_012;

/// C weighting in dB at a frequency, 0 at 1 kHz: annex E, formula (E.1).
pub fn c_weighting_db(hz: f64) -> f64 {
    20.0 * (c_shape(hz) / c_shape(1000.0)).log10()
}

/// A weighting in dB at a frequency, 0 at 1 kHz: annex E, formula (E.6).
pub fn a_weighting_db(hz: f64) -> f64 {
    c_weighting_db(hz) + 20.0 * (a_over_c(hz) / a_over_c(1000.0)).log10()
}

fn c_shape(hz: f64) -> f64 {
    let f = hz * hz;
    f * F4_HZ * F4_HZ / ((f + F1_HZ * F1_HZ) * (f + F4_HZ * F4_HZ))
}

fn a_over_c(hz: f64) -> f64 {
    let f = hz * hz;
    f / ((f + F2_HZ * F2_HZ) * (f + F3_HZ * F3_HZ)).sqrt()
}

/// Exact frequency of band `index` (0 is 1 kHz) of the one-third-octave series, base ten:
/// IEC 61260-1:2014, 5.2.
pub(crate) fn exact_hz(index: i32) -> f64 {
    1000.0 * 10.0_f64.powf(0.1 * f64::from(index))
}

/// The nominal frequency of band `index` (0 is 1 kHz): ISO 266.
pub fn nominal_hz(index: i32) -> f64 {
    const DECADE: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];
    let step = usize::try_from(index.rem_euclid(10)).unwrap_or(0);
    let value = DECADE[step] * 10.0_f64.powi(3 + index.div_euclid(10));
    // 31.5 and 63 are exact, 3.15 kHz stays: the table has no other digits.
    (value * 100.0).round() / 100.0
}

/// A, C and Z weighted samples of a pair of channels.
#[derive(Clone, Debug)]
pub(crate) struct WeightingFilter {
    high_end: Symmetric,
    c: Highpass,
    bend: Symmetric,
    a: Highpass,
    a_gain: f64,
    z: Highpass,
}

/// The three weighted forms of a block.
#[derive(Clone, Debug, Default)]
pub(crate) struct Weighted {
    pub(crate) a: Vec<Pair>,
    pub(crate) c: Vec<Pair>,
    pub(crate) z: Vec<Pair>,
}

/// Edge of the section that takes an offset out of the Z weighting, Hz: 0.007 dB at 10 Hz.
const OFFSET_EDGE_HZ: f64 = 2.0;

impl WeightingFilter {
    pub(crate) fn new(rate_hz: f64) -> Result<Self, SoundError> {
        let c = Highpass::two_poles(F1_HZ, F1_HZ, rate_hz);
        let a = Highpass::two_poles(F2_HZ, F3_HZ, rate_hz);
        let ideal_c = |hz: f64| c_shape(hz) / c_shape(1000.0);
        // Coefficients shrink as exp(-2 pi f4/rate) a step: as many as bring that to 1e-11, and never
        // fewer than 48 kHz needs.
        let taps = (rate_hz / 3000.0).ceil().clamp(16.0, 64.0);
        let high_end = fit(rate_hz, taps as usize, |share| {
            ideal_c(share * rate_hz) / c.magnitude(share)
        })?;
        let bend = fit(rate_hz, if rate_hz < 30_000.0 { 8 } else { 4 }, |share| {
            a_over_c(share * rate_hz) / a.magnitude(share)
        })?;
        Ok(Self {
            high_end,
            c,
            bend,
            a,
            a_gain: 1.0 / a_over_c(1000.0),
            z: Highpass::butterworth(OFFSET_EDGE_HZ, rate_hz),
        })
    }

    pub(crate) fn run(&mut self, block: &[Pair], out: &mut Weighted) {
        out.z.clear();
        out.z.extend_from_slice(block);
        self.z.run(&mut out.z);
        out.c.clear();
        self.high_end.run(block, &mut out.c);
        self.c.run(&mut out.c);
        out.a.clear();
        self.bend.run(&out.c, &mut out.a);
        self.a.run(&mut out.a);
    }

    /// What is to be multiplied to squares of the A-weighted samples.
    pub(crate) fn a_energy_gain(&self) -> f64 {
        self.a_gain * self.a_gain
    }

    /// The response as designed, dB.
    #[cfg(test)]
    pub(crate) fn response_db(&self, weighting: Weighting, share: f64) -> f64 {
        let c = self.high_end.amplitude(share) * self.c.magnitude(share);
        let gain = match weighting {
            Weighting::A => c * self.bend.amplitude(share) * self.a.magnitude(share) * self.a_gain,
            Weighting::C => c,
            Weighting::Z => self.z.magnitude(share),
        };
        20.0 * gain.abs().log10()
    }
}

/// Share of the sampling rate up to which a weighting is fitted: converters pass little above it.
const FITTED_SHARE: f64 = 0.46;

/// The symmetric filter whose amplitude has the least relative error against a wanted one.
fn fit(rate_hz: f64, taps: usize, wanted: impl Fn(f64) -> f64) -> Result<Symmetric, SoundError> {
    const POINTS: u32 = 1200;
    let mut model = LinearSystem::new(taps + 1);
    let from = 1.0 / rate_hz;
    for i in 0..=POINTS {
        let share = from + (FITTED_SHARE - from) * f64::from(i) / f64::from(POINTS);
        let goal = wanted(share);
        let row: Vec<f64> = (0..=taps)
            .map(|k| {
                let twice = if k == 0 { 1.0 } else { 2.0 };
                twice * (2.0 * std::f64::consts::PI * share * k as f64).cos() / goal
            })
            .collect();
        model.observe(&row, 1.0, 1.0);
    }
    let solved = model.solve().map_err(|_| SoundError::Range {
        what: "sampling rate in Hz",
        value: rate_hz,
        expected: "8000 to 192000",
    })?;
    Ok(Symmetric::new(solved.params))
}
