//! Open-loop prediction of a log's temperature from its power, and how it compares.

use settlepoint_stats::DMatrix;

use super::basis::Basis;
use super::fit::{NetworkFit, Z_90};
use super::input::Drive;
use super::{NetworkError, NetworkInput};

/// Length of the means by which a prediction is judged, s.
const MEAN_S: f64 = 10.0;

/// A predicted temperature at one row, or the mean over a stretch, with its 90 % band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Predicted {
    /// Time of the row, or middle of the stretch, s.
    pub time_s: f64,
    /// Temperature, °C.
    pub temp_c: f64,
    /// Lower end of the 90 % band, °C.
    pub lo_c: f64,
    /// Upper end of the 90 % band, °C.
    pub hi_c: f64,
    /// What was measured, °C, if it was.
    pub measured_c: Option<f64>,
}

/// How a prediction fared on rows that the fit did not see.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeldOut {
    /// Root mean square error, K.
    pub rmse_k: f64,
    /// Mean of predicted minus measured, K.
    pub bias_k: f64,
    /// Largest error in size, K.
    pub max_k: f64,
    /// Rows compared.
    pub samples: usize,
    /// Root mean square error of means over 10 s, K.
    pub rmse_10s_k: f64,
    /// Means over 10 s inside their 90 % band.
    pub in_90_10s: usize,
    /// Means over 10 s compared.
    pub means_10s: usize,
    /// Mean width of those bands, K.
    pub band_10s_k: f64,
}

/// Everything that a band needs at each row.
struct Path {
    drive: Drive,
    predicted: Vec<f64>,
    jacobian: Vec<Vec<f64>>,
}

impl NetworkFit {
    fn path(&self, input: &NetworkInput) -> Result<Path, NetworkError> {
        let drive = input.whole_drive(self.fan)?;
        let basis = Basis::new(&drive, self.shape, &self.solution.ln_tau);
        let predicted = basis.predict(&self.solution.beta);
        let mut nonlinear = basis.nonlinear_columns(self.shape, &self.solution.beta);
        let mut jacobian = basis.columns;
        jacobian.append(&mut nonlinear);
        Ok(Path {
            drive,
            predicted,
            jacobian,
        })
    }

    /// The temperature at every row from the power alone, from the first row on. The bands are
    /// for single readings: parameters, noise, and the model's own error as a share of the rise.
    ///
    /// # Errors
    /// Columns missing or of different length.
    pub fn predict(&self, input: &NetworkInput) -> Result<Vec<Predicted>, NetworkError> {
        let path = self.path(input)?;
        Ok((0..path.drive.len())
            .map(|row| self.over(&path, row, row + 1))
            .collect())
    }

    /// The same for means over 10 s, from `from_s` on; stretches without a reading are left out.
    ///
    /// # Errors
    /// Columns missing or of different length.
    pub fn predict_10s(
        &self,
        input: &NetworkInput,
        from_s: f64,
    ) -> Result<Vec<Predicted>, NetworkError> {
        let path = self.path(input)?;
        Ok(stretches(&path.drive.time_s, from_s)
            .into_iter()
            .map(|(from, to)| self.over(&path, from, to))
            .collect())
    }

    /// Compares the prediction with the rows after `fit_until_s`; none if there is no such row.
    ///
    /// # Errors
    /// Columns missing or of different length.
    pub fn held_out(
        &self,
        input: &NetworkInput,
        fit_until_s: f64,
    ) -> Result<Option<HeldOut>, NetworkError> {
        let path = self.path(input)?;
        let first = path.drive.time_s.partition_point(|&t| t <= fit_until_s);
        let errors: Vec<f64> = (first..path.drive.len())
            .map(|i| path.predicted[i] - path.drive.temp[i])
            .filter(|e| !e.is_nan())
            .collect();
        if errors.is_empty() {
            return Ok(None);
        }
        let means: Vec<Predicted> = stretches(&path.drive.time_s, fit_until_s)
            .into_iter()
            .map(|(from, to)| self.over(&path, from, to))
            .collect();
        Ok(Some(HeldOut::of(&errors, &means)))
    }

    /// Mean over the rows `from..to` with its band. Rows without a reading count only if there is
    /// none with one.
    fn over(&self, path: &Path, from: usize, to: usize) -> Predicted {
        let drive = &path.drive;
        let mut rows: Vec<usize> = (from..to).filter(|&i| !drive.temp[i].is_nan()).collect();
        let measured = !rows.is_empty();
        if !measured {
            rows = (from..to).collect();
        }
        let mean = |of: &dyn Fn(usize) -> f64| {
            rows.iter().map(|&i| of(i)).sum::<f64>() / rows.len().max(1) as f64
        };
        let temp_c = mean(&|i| path.predicted[i] + drive.room_c[i]);
        let reference = self.solution.beta[self.shape.reference()];
        let rise_k = mean(&|i| path.predicted[i] - reference);
        let gradient: Vec<f64> = path
            .jacobian
            .iter()
            .map(|column| mean(&|i| column[i]))
            .collect();
        let span_s = drive.time_s[to - 1] - drive.time_s[from];
        let noise = if rows.len() > 1 {
            self.noise.variance_of_mean(span_s, rows.len())
        } else {
            self.noise.sigma_k().powi(2)
        };
        let own = self.discrepancy_share * rise_k;
        let pulses = self.pulse_variance_k2(drive, &rows, span_s, mean(&|i| drive.scatter_w2[i]));
        let sd = (quadratic(&self.covariance, &gradient) + noise + own * own + pulses)
            .max(0.0)
            .sqrt();
        Predicted {
            time_s: 0.5 * (drive.time_s[from] + drive.time_s[to - 1]),
            temp_c,
            lo_c: temp_c - Z_90 * sd,
            hi_c: temp_c + Z_90 * sd,
            measured_c: measured.then(|| mean(&|i| drive.temp[i] + drive.room_c[i])),
        }
    }
}

impl NetworkFit {
    /// Variance of the predicted mean over `span_s` seconds that comes of single power readings of
    /// variance `scatter_w2`, taken as independent: what a load that pulses between readings does.
    ///
    /// A stage passes `(1 - a)(1 - b) / (1 - a b)` of white power to its product with another, a
    /// and b their decays over a step; over a stretch of many steps only the share of its response
    /// that completes within the stretch counts, and the mean of the power is known the better.
    fn pulse_variance_k2(
        &self,
        drive: &Drive,
        rows: &[usize],
        span_s: f64,
        scatter_w2: f64,
    ) -> f64 {
        if scatter_w2 <= 0.0 {
            return 0.0;
        }
        let taus_s: Vec<f64> = self.taus_s();
        let resistances = &self.solution.beta[..self.shape.stages];
        if rows.len() > 1 {
            let complete: f64 = resistances
                .iter()
                .zip(&taus_s)
                .map(|(r, tau_s)| {
                    let x = tau_s / span_s.max(f64::MIN_POSITIVE);
                    r * (1.0 - x * (1.0 - (-1.0 / x).exp()))
                })
                .sum();
            return complete * complete * scatter_w2 / rows.len() as f64;
        }
        let step_s = drive.median_step_s();
        let decay = |tau_s: f64| (-step_s / tau_s).exp();
        let mut gain = 0.0;
        for (r, tau_r) in resistances.iter().zip(&taus_s) {
            for (q, tau_q) in resistances.iter().zip(&taus_s) {
                let (a, b) = (decay(*tau_r), decay(*tau_q));
                gain += r * q * (1.0 - a) * (1.0 - b) / (1.0 - a * b);
            }
        }
        gain * scatter_w2
    }

    /// Time constants of the stages, a sensor's lag added, s.
    fn taus_s(&self) -> Vec<f64> {
        let poles = self.shape.poles();
        let lag_s = self.solution.ln_tau.get(poles).map_or(0.0, |l| l.exp());
        self.solution.ln_tau[..self.shape.stages]
            .iter()
            .map(|l| l.exp() + lag_s)
            .collect()
    }
}

impl HeldOut {
    fn of(errors: &[f64], means: &[Predicted]) -> Self {
        let n = errors.len() as f64;
        let compared: Vec<(&Predicted, f64)> = means
            .iter()
            .filter_map(|m| m.measured_c.map(|c| (m, c)))
            .collect();
        let count = compared.len().max(1) as f64;
        let squares: f64 = compared.iter().map(|(m, c)| (m.temp_c - c).powi(2)).sum();
        Self {
            rmse_k: (errors.iter().map(|e| e * e).sum::<f64>() / n).sqrt(),
            bias_k: errors.iter().sum::<f64>() / n,
            max_k: errors.iter().fold(0.0, |a: f64, e| a.max(e.abs())),
            samples: errors.len(),
            rmse_10s_k: (squares / count).sqrt(),
            in_90_10s: compared
                .iter()
                .filter(|(m, c)| (m.lo_c..=m.hi_c).contains(c))
                .count(),
            means_10s: compared.len(),
            band_10s_k: compared.iter().map(|(m, _)| m.hi_c - m.lo_c).sum::<f64>() / count,
        }
    }
}

/// Row ranges of consecutive 10 s after `from_s`.
fn stretches(time_s: &[f64], from_s: f64) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let mut from = time_s.partition_point(|&t| t <= from_s);
    let start_s = if from_s.is_finite() {
        from_s
    } else {
        time_s.first().copied().unwrap_or(0.0)
    };
    while from < time_s.len() {
        let whole = ((time_s[from] - start_s) / MEAN_S).floor();
        let end_s = start_s + (whole + 1.0) * MEAN_S;
        let to = time_s.partition_point(|&t| t < end_s).max(from + 1);
        out.push((from, to));
        from = to;
    }
    out
}

fn quadratic(matrix: &DMatrix<f64>, gradient: &[f64]) -> f64 {
    let mut sum = 0.0;
    for (i, a) in gradient.iter().enumerate() {
        for (j, b) in gradient.iter().enumerate() {
            sum += a * b * matrix[(i, j)];
        }
    }
    sum
}
