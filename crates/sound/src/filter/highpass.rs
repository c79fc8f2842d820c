use crate::pcm::Pair;

/// A high-pass section with a double zero at 0 Hz:
/// `H(z) = g (1 - z⁻¹)² / (1 + a1 z⁻¹ + a2 z⁻²)`.
#[derive(Clone, Debug)]
pub(crate) struct Highpass {
    gain: f64,
    a1: f64,
    a2: f64,
    x1: Pair,
    x2: Pair,
    y1: Pair,
    y2: Pair,
}

impl Highpass {
    /// Two real poles, by the bilinear transform; a gain of 1 far above them.
    pub(crate) fn two_poles(first_hz: f64, second_hz: f64, rate_hz: f64) -> Self {
        let pole = |hz: f64| {
            let k = (std::f64::consts::PI * hz / rate_hz).tan();
            (1.0 - k) / (1.0 + k)
        };
        let (p, q) = (pole(first_hz), pole(second_hz));
        Self::new(0.25 * (1.0 + p) * (1.0 + q), -(p + q), p * q)
    }

    /// Second-order Butterworth, by the bilinear transform.
    pub(crate) fn butterworth(edge_hz: f64, rate_hz: f64) -> Self {
        let k = (std::f64::consts::PI * edge_hz / rate_hz).tan();
        let norm = 1.0 + std::f64::consts::SQRT_2 * k + k * k;
        Self::new(
            1.0 / norm,
            2.0 * (k * k - 1.0) / norm,
            (1.0 - std::f64::consts::SQRT_2 * k + k * k) / norm,
        )
    }

    fn new(gain: f64, a1: f64, a2: f64) -> Self {
        let zero = [0.0; 2];
        Self {
            gain,
            a1,
            a2,
            x1: zero,
            x2: zero,
            y1: zero,
            y2: zero,
        }
    }

    /// Filters in place.
    pub(crate) fn run(&mut self, block: &mut [Pair]) {
        let (g, a1, a2) = (self.gain, self.a1, self.a2);
        let (mut x1, mut x2, mut y1, mut y2) = (self.x1, self.x2, self.y1, self.y2);
        for sample in block {
            let x = *sample;
            let mut y = [0.0; 2];
            for i in 0..2 {
                let forward = g * ((x[i] - x1[i]) - (x1[i] - x2[i])) - a2 * y2[i];
                y[i] = forward - a1 * y1[i];
            }
            (x2, x1, y2, y1) = (x1, x, y1, y);
            *sample = y;
        }
        (self.x1, self.x2, self.y1, self.y2) = (x1, x2, y1, y2);
    }

    /// Magnitude at a frequency given as a share of the sampling rate.
    pub(crate) fn magnitude(&self, share: f64) -> f64 {
        let w = 2.0 * std::f64::consts::PI * share;
        let real = 1.0 + self.a1 * w.cos() + self.a2 * (2.0 * w).cos();
        let imaginary = self.a1 * w.sin() + self.a2 * (2.0 * w).sin();
        let zero = 2.0 * (0.5 * w).sin();
        self.gain * zero * zero / real.hypot(imaginary)
    }
}
