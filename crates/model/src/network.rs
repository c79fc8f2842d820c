//! Thermal networks in Foster and Cauer form, their conversion and their responses.
//!
//! *Foster form*: a sum of first-order terms, `Zth(t) = Σ R_i (1 - exp(-t / tau_i))`, the thermal
//! impedance of JESD51-14 and the form in which data sheets give it. Its elements are no places.
//! *Cauer form*: a ladder in which power enters node 1, each node has a heat capacity to the air
//! and a resistance to the next node, the last one to the air. Its nodes are places, so only here
//! may one element (the last resistance, with the fan) be changed.
//!
//! Both describe the same driving-point impedance. In the coordinates `sqrt(C_i) x_i` the ladder's
//! matrix is symmetric and tridiagonal (a Jacobi matrix), the Foster rates `1 / tau_i` are its
//! eigenvalues and the Foster terms' weights the squared first components of its eigenvectors;
//! Foster to Cauer is the inverse eigenvalue problem, solved by the Lanczos process (Gragg and
//! Harwood, "The numerically stable reconstruction of Jacobi matrices from spectral data", Numer.
//! Math. 44, 1984; same result as Cauer's continued fraction, without its cancellation).
#![expect(
    clippy::needless_range_loop,
    reason = "matrix algebra reads better with its indices"
)]

use crate::tridiagonal::{Eigen, eigen};

/// Most elements of a network.
pub const MAX_ELEMENTS: usize = 8;

type Values = [f64; MAX_ELEMENTS];

/// Why a network cannot be.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum NetworkError {
    /// No element, more than [`MAX_ELEMENTS`], or lists of different length.
    Elements {
        /// Length of the first list.
        first: usize,
        /// Length of the second list.
        second: usize,
    },
    /// An element is not a finite number above 0.
    NotPositive {
        /// Its place, from 0.
        index: usize,
        /// Its value.
        value: f64,
    },
    /// Two Foster terms have the same time constant.
    EqualTimeConstants {
        /// The time constant, s.
        tau_s: f64,
    },
    /// Times of a log fall, or lists of samples differ in length.
    Samples {
        /// The sample, from 0.
        index: usize,
    },
}

impl std::fmt::Display for NetworkError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Elements { first, second } => write!(
                f,
                "lists of {first} and {second} elements: give two lists of the same length, 1 to {MAX_ELEMENTS}"
            ),
            Self::NotPositive { index, value } => {
                write!(f, "element {} is {value}: give a number above 0", index + 1)
            }
            Self::EqualTimeConstants { tau_s } => write!(
                f,
                "two terms with a time constant of {tau_s} s: add their resistances to one term"
            ),
            Self::Samples { index } => write!(
                f,
                "sample {} has no partner or a time below the one before it: sort the samples and give one power for each time",
                index + 1
            ),
        }
    }
}

impl std::error::Error for NetworkError {}

fn pair(first: &[f64], second: &[f64]) -> Result<(Values, Values), NetworkError> {
    let n = first.len();
    if n == 0 || n > MAX_ELEMENTS || second.len() != n {
        return Err(NetworkError::Elements {
            first: n,
            second: second.len(),
        });
    }
    let mut out = ([0.0; MAX_ELEMENTS], [0.0; MAX_ELEMENTS]);
    for (list, target) in [(first, &mut out.0), (second, &mut out.1)] {
        for (index, &value) in list.iter().enumerate() {
            if !(value > 0.0 && value.is_finite()) {
                return Err(NetworkError::NotPositive { index, value });
            }
            target[index] = value;
        }
    }
    Ok(out)
}

/// A network in Foster form.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Foster {
    n: usize,
    r: Values,
    tau: Values,
}

impl Foster {
    /// From resistances (K/W) and time constants (s), 1 to 8 of each, in any order.
    ///
    /// # Errors
    /// Lists of unequal length, values not above 0.
    pub fn new(
        resistances_k_per_w: &[f64],
        time_constants_s: &[f64],
    ) -> Result<Self, NetworkError> {
        let (r, tau) = pair(resistances_k_per_w, time_constants_s)?;
        Ok(Self {
            n: resistances_k_per_w.len(),
            r,
            tau,
        })
    }

    /// Resistances, K/W.
    pub fn resistances_k_per_w(&self) -> &[f64] {
        &self.r[..self.n]
    }

    /// Time constants, s, in the order of the resistances.
    pub fn time_constants_s(&self) -> &[f64] {
        &self.tau[..self.n]
    }

    /// Thermal impedance at a time after a step of power, K/W: `Σ R_i (1 - exp(-t / tau_i))`.
    pub fn zth_k_per_w(&self, time_s: f64) -> f64 {
        (0..self.n)
            .map(|i| -self.r[i] * (-time_s / self.tau[i]).exp_m1())
            .sum()
    }

    /// The same network as a ladder.
    ///
    /// ```
    /// # use settlepoint_model::Foster;
    /// let ladder = Foster::new(&[0.08, 0.12, 0.15], &[0.05, 4.0, 120.0])?.to_cauer()?;
    /// assert!((ladder.resistances_k_per_w()[0] - 0.083_136_005_5).abs() < 1e-9);
    /// # Ok::<(), settlepoint_model::NetworkError>(())
    /// ```
    ///
    /// # Errors
    /// Two terms with the same time constant: they are one term.
    pub fn to_cauer(&self) -> Result<Cauer, NetworkError> {
        let (alpha, beta, weight) = self.jacobi()?;
        let n = self.n;
        let mut cauer = Cauer {
            n,
            r: [0.0; MAX_ELEMENTS],
            c: [0.0; MAX_ELEMENTS],
        };
        cauer.c[0] = 1.0 / weight;
        let mut inner = 0.0;
        for i in 0..n {
            let outer = alpha[i] * cauer.c[i] - inner;
            cauer.r[i] = 1.0 / outer;
            if i + 1 < n {
                cauer.c[i + 1] = (outer / beta[i]).powi(2) / cauer.c[i];
            }
            inner = outer;
        }
        Ok(cauer)
    }

    /// Jacobi matrix (diagonal, off-diagonal) of the ladder and the sum of `1 / C_i`: Lanczos on
    /// the diagonal matrix of rates, started from the square roots of the weights, with full
    /// re-orthogonalisation.
    fn jacobi(&self) -> Result<(Values, Values, f64), NetworkError> {
        let n = self.n;
        let rate = |i: usize| 1.0 / self.tau[i];
        let weight: f64 = (0..n).map(|i| self.r[i] * rate(i)).sum();
        let mut basis = [[0.0; MAX_ELEMENTS]; MAX_ELEMENTS];
        for i in 0..n {
            basis[0][i] = (self.r[i] * rate(i) / weight).sqrt();
        }
        let (mut alpha, mut beta) = ([0.0; MAX_ELEMENTS], [0.0; MAX_ELEMENTS]);
        for k in 0..n {
            let mut next = [0.0; MAX_ELEMENTS];
            for i in 0..n {
                next[i] = rate(i) * basis[k][i];
                alpha[k] += basis[k][i] * next[i];
            }
            if k + 1 == n {
                break;
            }
            for _ in 0..2 {
                for j in 0..=k {
                    let dot: f64 = (0..n).map(|i| basis[j][i] * next[i]).sum();
                    for i in 0..n {
                        next[i] -= dot * basis[j][i];
                    }
                }
            }
            beta[k] = next.iter().map(|v| v * v).sum::<f64>().sqrt();
            if beta[k] <= 1e-14 * alpha[0] {
                return Err(self.equal_time_constants());
            }
            for i in 0..n {
                basis[k + 1][i] = next[i] / beta[k];
            }
        }
        Ok((alpha, beta, weight))
    }

    fn equal_time_constants(&self) -> NetworkError {
        let mut tau = self.tau;
        let sorted = &mut tau[..self.n];
        sorted.sort_by(f64::total_cmp);
        let ratio = |i: &usize| sorted[i + 1] / sorted[*i];
        let closest = (0..self.n - 1)
            .min_by(|a, b| ratio(a).total_cmp(&ratio(b)))
            .unwrap_or(0);
        NetworkError::EqualTimeConstants {
            tau_s: sorted[closest],
        }
    }
}

/// A network in Cauer form: a ladder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cauer {
    n: usize,
    r: Values,
    c: Values,
}

impl Cauer {
    /// From resistances (K/W, node 1 to 2, 2 to 3, … the last to the air) and capacities (J/K), 1
    /// to 8 of each.
    ///
    /// # Errors
    /// Lists of unequal length, values not above 0.
    pub fn new(
        resistances_k_per_w: &[f64],
        capacities_j_per_k: &[f64],
    ) -> Result<Self, NetworkError> {
        let (r, c) = pair(resistances_k_per_w, capacities_j_per_k)?;
        Ok(Self {
            n: resistances_k_per_w.len(),
            r,
            c,
        })
    }

    /// Resistances, K/W, the last one to the air.
    pub fn resistances_k_per_w(&self) -> &[f64] {
        &self.r[..self.n]
    }

    /// Capacities, J/K.
    pub fn capacities_j_per_k(&self) -> &[f64] {
        &self.c[..self.n]
    }

    /// The same ladder with another resistance to the air.
    ///
    /// # Errors
    /// A resistance not above 0.
    pub fn with_last_resistance(mut self, resistance_k_per_w: f64) -> Result<Self, NetworkError> {
        if !(resistance_k_per_w > 0.0 && resistance_k_per_w.is_finite()) {
            let index = self.n - 1;
            return Err(NetworkError::NotPositive {
                index,
                value: resistance_k_per_w,
            });
        }
        self.r[self.n - 1] = resistance_k_per_w;
        Ok(self)
    }

    fn eigen(&self) -> Eigen<MAX_ELEMENTS> {
        let (mut diagonal, mut off) = ([0.0; MAX_ELEMENTS], [0.0; MAX_ELEMENTS]);
        let mut inner = 0.0;
        for i in 0..self.n {
            let outer = 1.0 / self.r[i];
            diagonal[i] = (inner + outer) / self.c[i];
            if i + 1 < self.n {
                off[i] = -outer / (self.c[i] * self.c[i + 1]).sqrt();
            }
            inner = outer;
        }
        eigen(diagonal, off, self.n)
    }

    /// The same network in Foster form, time constants rising.
    pub fn to_foster(&self) -> Foster {
        let eigen = self.eigen();
        let mut order: Vec<usize> = (0..self.n).collect();
        order.sort_by(|a, b| eigen.values[*b].total_cmp(&eigen.values[*a]));
        let (mut r, mut tau) = ([0.0; MAX_ELEMENTS], [0.0; MAX_ELEMENTS]);
        for (place, &k) in order.iter().enumerate() {
            tau[place] = 1.0 / eigen.values[k];
            r[place] = eigen.vectors[0][k].powi(2) / self.c[0] * tau[place];
        }
        Foster { n: self.n, r, tau }
    }

    /// Settled rise of each node at a power, K.
    pub fn settled_rises_k(&self, power_w: f64) -> Vec<f64> {
        (0..self.n)
            .map(|i| power_w * self.r[i..self.n].iter().sum::<f64>())
            .collect()
    }

    /// Moves the nodes' rises over the air (K) on by `dt_s` at a constant power: exact.
    ///
    /// # Errors
    /// Another number of rises than nodes.
    pub fn advance(
        &self,
        rises_k: &mut [f64],
        power_w: f64,
        dt_s: f64,
    ) -> Result<(), NetworkError> {
        if rises_k.len() != self.n {
            return Err(NetworkError::Elements {
                first: self.n,
                second: rises_k.len(),
            });
        }
        let eigen = self.eigen();
        let start: Values = std::array::from_fn(|i| rises_k.get(i).copied().unwrap_or(0.0));
        rises_k.fill(0.0);
        for k in 0..self.n {
            let v = |i: usize| eigen.vectors[i][k];
            let lambda = eigen.values[k];
            let loss = -(-lambda * dt_s).exp_m1();
            let modal: f64 = (0..self.n)
                .map(|i| v(i) * self.c[i].sqrt() * start[i])
                .sum();
            let driven = v(0) / self.c[0].sqrt() * power_w / lambda;
            let after = modal * (1.0 - loss) + driven * loss;
            for (i, rise) in rises_k.iter_mut().enumerate() {
                *rise += v(i) / self.c[i].sqrt() * after;
            }
        }
        Ok(())
    }
}

/// Where a Foster bank starts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FosterStart<'a> {
    /// Settled at this power.
    SettledAt {
        /// Watts.
        power_w: f64,
    },
    /// Each term's rise, K.
    Rises(&'a [f64]),
}

/// Rise over the air at each sample of a log, K, as the response of a Foster network to a logged
/// power: a bank of first-order filters, exact for power constant between samples.
///
/// `power_w[i]` is the mean over the time from sample `i - 1` to sample `i`, as an energy counter
/// gives it; `power_w[0]` is not used. Times may be irregular and may repeat. A missing (NaN) power
/// takes the last one known.
///
/// # Errors
/// Lists of unequal length, elements not above 0, times that fall.
pub fn foster_response(
    resistances_k_per_w: &[f64],
    time_constants_s: &[f64],
    times_s: &[f64],
    power_w: &[f64],
    start: FosterStart<'_>,
) -> Result<Vec<f64>, NetworkError> {
    let foster = Foster::new(resistances_k_per_w, time_constants_s)?;
    let mut rises = starting_rises(&foster, start)?;
    if power_w.len() != times_s.len() {
        return Err(NetworkError::Samples {
            index: power_w.len().min(times_s.len()),
        });
    }
    if let Some(index) = (0..times_s.len())
        .find(|&i| !times_s[i].is_finite() || (i > 0 && times_s[i] < times_s[i - 1]))
    {
        return Err(NetworkError::Samples { index });
    }
    let mut loss = [0.0; MAX_ELEMENTS];
    let (mut last_dt, mut power) = (f64::NAN, start_power(&foster, start));
    let mut out = Vec::with_capacity(times_s.len());
    for (i, (&time, &sample)) in times_s.iter().zip(power_w).enumerate() {
        if i > 0 {
            let dt = time - times_s[i - 1];
            if dt.to_bits() != last_dt.to_bits() {
                for k in 0..foster.n {
                    loss[k] = -(-dt / foster.tau[k]).exp_m1();
                }
                last_dt = dt;
            }
            power = if sample.is_nan() { power } else { sample };
            for k in 0..foster.n {
                rises[k] += loss[k] * (foster.r[k] * power - rises[k]);
            }
        }
        out.push(rises[..foster.n].iter().sum());
    }
    Ok(out)
}

fn starting_rises(foster: &Foster, start: FosterStart<'_>) -> Result<Values, NetworkError> {
    match start {
        FosterStart::SettledAt { power_w } => Ok(foster.r.map(|r| r * power_w)),
        FosterStart::Rises(rises) if rises.len() == foster.n => Ok(std::array::from_fn(|i| {
            rises.get(i).copied().unwrap_or(0.0)
        })),
        FosterStart::Rises(rises) => Err(NetworkError::Elements {
            first: foster.n,
            second: rises.len(),
        }),
    }
}

/// Power that holds the start: what a missing first reading is taken as.
fn start_power(foster: &Foster, start: FosterStart<'_>) -> f64 {
    match start {
        FosterStart::SettledAt { power_w } => power_w,
        FosterStart::Rises(rises) => {
            rises.iter().sum::<f64>() / foster.resistances_k_per_w().iter().sum::<f64>()
        }
    }
}
