//! The columns of the linear part, and their derivatives, by exact recursion over the steps.

use super::input::Drive;

/// Which terms a model has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Shape {
    /// Foster stages, 0 to 4. With none, only the reference and a decay remain: the null model.
    pub(super) stages: usize,
    /// Whether the sensor follows with a lag of its own.
    pub(super) lag: bool,
    /// Whether the stages start away from what the first power would settle at.
    pub(super) free_start: bool,
}

impl Shape {
    /// Time constants other than the lag.
    pub(super) fn poles(self) -> usize {
        if self.free_start {
            self.stages.max(1)
        } else {
            self.stages
        }
    }

    /// Nonlinear parameters: logarithms of the stages' time constants, then of the lag.
    pub(super) fn nonlinear(self) -> usize {
        self.poles() + usize::from(self.lag)
    }

    /// Linear parameters: resistances, reference, then starting deviations of the poles and lag.
    pub(super) fn linear(self) -> usize {
        self.stages + 1 + if self.free_start { self.nonlinear() } else { 0 }
    }

    /// Place of the reference among the linear parameters.
    pub(super) fn reference(self) -> usize {
        self.stages
    }
}

/// The derivative of one linear column with respect to one nonlinear parameter.
pub(super) struct Derivative {
    pub(super) parameter: usize,
    pub(super) column: usize,
    pub(super) values: Vec<f64>,
}

/// Columns over all rows of a drive, ordered as [`Shape::linear`] says.
pub(super) struct Basis {
    pub(super) columns: Vec<Vec<f64>>,
    pub(super) derivatives: Vec<Derivative>,
}

/// Response of one stage of 1 K/W, and its derivative with respect to the logarithm of its time
/// constant.
struct Filtered {
    value: Vec<f64>,
    slope: Vec<f64>,
}

/// Exact for power that is constant within each step: x' = (p - x) / tau.
fn filter(drive: &Drive, tau_s: f64) -> Filtered {
    let n = drive.len();
    let (mut value, mut slope) = (Vec::with_capacity(n), Vec::with_capacity(n));
    let (mut x, mut dx) = (drive.start_power_w, 0.0);
    let (mut cached_step_s, mut decay) = (0.0, 1.0);
    for (&step_s, &power_w) in drive.step_s.iter().zip(&drive.power_w) {
        if (step_s - cached_step_s).abs() > 1e-9 * step_s {
            cached_step_s = step_s;
            decay = (-step_s / tau_s).exp();
        }
        dx = decay * dx + step_s / tau_s * decay * (x - power_w);
        x = decay * x + (1.0 - decay) * power_w;
        value.push(x);
        slope.push(dx);
    }
    Filtered { value, slope }
}

/// A decay from the first row, with its derivative by the logarithm of the time constant.
fn decay(drive: &Drive, tau_s: f64) -> Filtered {
    let start_s = drive.time_s.first().copied().unwrap_or(0.0);
    let value: Vec<f64> = drive
        .time_s
        .iter()
        .map(|t| (-(t - start_s) / tau_s).exp())
        .collect();
    let slope = drive
        .time_s
        .iter()
        .zip(&value)
        .map(|(t, u)| (t - start_s) / tau_s * u)
        .collect();
    Filtered { value, slope }
}

/// Lag and stage in series have no partial fractions when their time constants are equal, so the
/// lag is kept this far (in the logarithm) from each: the response changes by 1e-8 of itself.
const LAG_APART: f64 = 1e-4;

fn lag_tau_s(ln_tau: &[f64], poles: usize) -> f64 {
    let mut ln_lag = ln_tau[poles];
    while ln_tau[..poles]
        .iter()
        .any(|l| (l - ln_lag).abs() < LAG_APART)
    {
        ln_lag -= 2.1 * LAG_APART;
    }
    ln_lag.exp()
}

impl Basis {
    pub(super) fn new(drive: &Drive, shape: Shape, ln_tau: &[f64]) -> Self {
        let mut basis = Self {
            columns: Vec::with_capacity(shape.linear()),
            derivatives: Vec::with_capacity(2 * shape.linear()),
        };
        let poles = shape.poles();
        let lag_s = shape.lag.then(|| lag_tau_s(ln_tau, poles));
        basis.add_stages(drive, &ln_tau[..shape.stages], lag_s, poles);
        basis.columns.push(vec![1.0; drive.len()]);
        if shape.free_start {
            let taus = ln_tau[..poles].iter().map(|l| l.exp()).chain(lag_s);
            for (parameter, tau_s) in taus.enumerate() {
                let Filtered { value, slope } = decay(drive, tau_s);
                basis.push(parameter, value, slope);
            }
        }
        basis
    }

    fn push(&mut self, parameter: usize, value: Vec<f64>, slope: Vec<f64>) {
        let column = self.columns.len();
        self.columns.push(value);
        self.derivatives.push(Derivative {
            parameter,
            column,
            values: slope,
        });
    }

    fn add_stages(&mut self, drive: &Drive, ln_tau: &[f64], lag_s: Option<f64>, lag_at: usize) {
        let sensor = lag_s.map(|tau_s| (tau_s, filter(drive, tau_s)));
        for (parameter, l) in ln_tau.iter().enumerate() {
            let tau_s = l.exp();
            let stage = filter(drive, tau_s);
            match &sensor {
                None => self.push(parameter, stage.value, stage.slope),
                Some((lag_s, sensor)) => {
                    self.add_lagged(parameter, tau_s, &stage, lag_at, *lag_s, sensor);
                }
            }
        }
    }

    /// A stage seen through the lag: `z = (tau x - lag s) / (tau - lag)` with the stage's filter
    /// `x` and the lag's `s`.
    fn add_lagged(
        &mut self,
        parameter: usize,
        tau_s: f64,
        stage: &Filtered,
        lag_at: usize,
        lag_s: f64,
        sensor: &Filtered,
    ) {
        let apart = tau_s - lag_s;
        let value: Vec<f64> = stage
            .value
            .iter()
            .zip(&sensor.value)
            .map(|(x, s)| (tau_s * x - lag_s * s) / apart)
            .collect();
        let slope_of = |own: &Filtered, factor: f64| -> Vec<f64> {
            own.value
                .iter()
                .zip(&own.slope)
                .zip(&value)
                .map(|((x, dx), z)| factor * (x + dx - z))
                .collect()
        };
        let by_stage = slope_of(stage, tau_s / apart);
        let by_lag = slope_of(sensor, -lag_s / apart);
        let column = self.columns.len();
        self.push(parameter, value, by_stage);
        self.derivatives.push(Derivative {
            parameter: lag_at,
            column,
            values: by_lag,
        });
    }

    /// Derivatives of the prediction with respect to each nonlinear parameter.
    pub(super) fn nonlinear_columns(&self, shape: Shape, beta: &[f64]) -> Vec<Vec<f64>> {
        let rows = self.columns.first().map_or(0, Vec::len);
        let mut out = vec![vec![0.0; rows]; shape.nonlinear()];
        for derivative in &self.derivatives {
            let factor = beta[derivative.column];
            for (o, v) in out[derivative.parameter].iter_mut().zip(&derivative.values) {
                *o += factor * v;
            }
        }
        out
    }

    /// The prediction at every row.
    pub(super) fn predict(&self, beta: &[f64]) -> Vec<f64> {
        let rows = self.columns.first().map_or(0, Vec::len);
        let mut out = vec![0.0; rows];
        for (column, factor) in self.columns.iter().zip(beta) {
            for (o, v) in out.iter_mut().zip(column) {
                *o += factor * v;
            }
        }
        out
    }
}
