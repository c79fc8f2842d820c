use crate::pcm::Pair;

/// A symmetric filter of odd length: `y[n] = c0 x[n] + Σ c_k (x[n-k] + x[n+k])`, late by its half
/// length.
#[derive(Clone, Debug)]
pub(crate) struct Symmetric {
    /// c0, c1, ….
    coefficients: Vec<f64>,
    /// The last samples of the block before, then this block.
    window: Vec<Pair>,
}

impl Symmetric {
    pub(crate) fn new(coefficients: Vec<f64>) -> Self {
        let history = 2 * (coefficients.len() - 1);
        Self {
            coefficients,
            window: vec![[0.0; 2]; history],
        }
    }

    fn half(&self) -> usize {
        self.coefficients.len() - 1
    }

    /// Appends the filtered block to `out`.
    pub(crate) fn run(&mut self, block: &[Pair], out: &mut Vec<Pair>) {
        let (half, history) = (self.half(), 2 * self.half());
        self.window.extend_from_slice(block);
        out.extend(self.window.windows(history + 1).map(|w| {
            let c0 = self.coefficients[0];
            let mut y = [c0 * w[half][0], c0 * w[half][1]];
            let (before, after) = (w[..half].iter().rev(), &w[half + 1..]);
            for ((c, a), b) in self.coefficients[1..].iter().zip(before).zip(after) {
                y[0] += c * (a[0] + b[0]);
                y[1] += c * (a[1] + b[1]);
            }
            y
        }));
        self.window.drain(..block.len());
    }

    #[cfg(test)]
    /// Amplitude at a frequency given as a share of the sampling rate.
    pub(crate) fn amplitude(&self, share: f64) -> f64 {
        let w = 2.0 * std::f64::consts::PI * share;
        let rest = self.coefficients[1..].iter().enumerate();
        self.coefficients[0]
            + 2.0
                * rest
                    .map(|(k, c)| c * ((k + 1) as f64 * w).cos())
                    .sum::<f64>()
    }
}

/// Halves the rate with a half-band filter: every second coefficient is zero, so that an output
/// sample takes one multiplication for every four of its length.
#[derive(Clone, Debug)]
pub(crate) struct Halver {
    /// Coefficients of the odd distances 1, 3, 5, …; that of distance 0 is 1/2.
    odd: Vec<f64>,
    window: Vec<Pair>,
}

impl Halver {
    /// `taps` odd distances, under a Kaiser window of this shape.
    pub(crate) fn new(taps: usize, beta: f64) -> Self {
        let reach = (2 * taps) as f64;
        let window =
            |d: f64| bessel_i0(beta * (1.0 - (d / reach).powi(2)).sqrt()) / bessel_i0(beta);
        let raw: Vec<f64> = (0..taps)
            .map(|i| {
                let d = (2 * i + 1) as f64;
                let sign = if i % 2 == 0 { 1.0 } else { -1.0 };
                window(d) * sign / (std::f64::consts::PI * d)
            })
            .collect();
        // Exactly 1 at 0 Hz.
        let scale = 0.25 / raw.iter().sum::<f64>();
        Self {
            odd: raw.iter().map(|c| c * scale).collect(),
            window: vec![[0.0; 2]; 4 * taps - 2],
        }
    }

    /// Appends half as many samples to `out`; an odd one waits for the next block.
    pub(crate) fn run(&mut self, block: &[Pair], out: &mut Vec<Pair>) {
        let reach = 2 * self.odd.len() - 1;
        self.window.extend_from_slice(block);
        let mut at = 0;
        while let Some(w) = self.window.get(at..=at + 2 * reach) {
            let centre = w[reach];
            let mut y = [0.5 * centre[0], 0.5 * centre[1]];
            for (i, c) in self.odd.iter().enumerate() {
                let (a, b) = (w[reach - 1 - 2 * i], w[reach + 1 + 2 * i]);
                y[0] += c * (a[0] + b[0]);
                y[1] += c * (a[1] + b[1]);
            }
            out.push(y);
            at += 2;
        }
        self.window.drain(..at.min(self.window.len()));
    }
}

/// Modified Bessel function of the first kind, order 0: Abramowitz and Stegun 9.6.12.
fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..60 {
        term *= quarter / f64::from(k * k);
        sum += term;
        if term < 1e-17 * sum {
            break;
        }
    }
    sum
}
