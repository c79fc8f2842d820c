//! Seeded random numbers: the same seed gives the same draws on every machine and version.
//!
//! Generator: xoshiro256++ 1.0, D. Blackman and S. Vigna, "Scrambled linear pseudorandom number
//! generators", ACM Trans. Math. Softw. 47 (2021) 36, seeded through `SplitMix64` as its authors
//! recommend. Normal draws: the polar method of G. Marsaglia and T. A. Bray, SIAM Review 6 (1964)
//! 260-264, which is exact. Not for cryptography.

use nalgebra::{Cholesky, DMatrix, DVector};

/// A stream of pseudo-random numbers.
///
/// ```
/// use settlepoint_stats::random::Random;
///
/// let mut random = Random::from_seed(7);
/// let draws: Vec<f64> = (0..1000).map(|_| random.normal()).collect();
/// let mean = draws.iter().sum::<f64>() / 1000.0;
/// assert!(mean.abs() < 0.15);
/// assert_eq!(Random::from_seed(7).next_u64(), Random::from_seed(7).next_u64());
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Random {
    state: [u64; 4],
    spare_normal: Option<f64>,
}

impl Random {
    /// A stream that depends on `seed` only.
    pub fn from_seed(seed: u64) -> Self {
        let mut split_mix = seed;
        Self::from_state(std::array::from_fn(|_| next_split_mix(&mut split_mix)))
    }

    /// A stream from a full state, which must not be all zero (that is replaced by seed 0).
    pub fn from_state(state: [u64; 4]) -> Self {
        if state == [0; 4] {
            return Self::from_seed(0);
        }
        Self {
            state,
            spare_normal: None,
        }
    }

    /// An independent stream: this one's continuation 2^128 draws ahead goes on here, and the
    /// part before it is handed out. For work that is split into parts.
    #[must_use]
    pub fn split(&mut self) -> Self {
        let part = Self::from_state(self.state);
        self.jump();
        part
    }

    /// 64 random bits.
    pub fn next_u64(&mut self) -> u64 {
        let s = &mut self.state;
        let result = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        result
    }

    /// Uniform on [0, 1), a multiple of 2^-53.
    pub fn uniform(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 * (0.5 * f64::EPSILON)
    }

    /// Uniform integer below `bound`, without bias; 0 if `bound` is 0.
    ///
    /// D. Lemire, "Fast random integer generation in an interval", ACM Trans. Model. Comput.
    /// Simul. 29 (2019) 3.
    pub fn below(&mut self, bound: u64) -> u64 {
        let threshold = bound.wrapping_neg().checked_rem(bound).unwrap_or(0);
        loop {
            let product = u128::from(self.next_u64()) * u128::from(bound);
            let (high, low) = halves(product);
            if low >= threshold {
                return high;
            }
        }
    }

    /// Puts `values` into random order (Fisher and Yates), every order equally likely.
    pub fn shuffle<T>(&mut self, values: &mut [T]) {
        for i in (1..values.len()).rev() {
            let j = self.index_below(i + 1);
            values.swap(i, j);
        }
    }

    /// Uniform index below `len`; 0 if `len` is 0.
    pub fn index_below(&mut self, len: usize) -> usize {
        usize::try_from(self.below(len as u64)).unwrap_or(0)
    }

    /// Standard normal draw.
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare_normal.take() {
            return spare;
        }
        loop {
            let (x, y) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let square = x * x + y * y;
            if square < 1.0 && square > 0.0 {
                let factor = (-2.0 * square.ln() / square).sqrt();
                self.spare_normal = Some(y * factor);
                return x * factor;
            }
        }
    }

    fn jump(&mut self) {
        let mut jumped = [0; 4];
        for word in JUMP {
            for bit in 0..64 {
                if word >> bit & 1 == 1 {
                    for (j, s) in jumped.iter_mut().zip(self.state) {
                        *j ^= s;
                    }
                }
                self.next_u64();
            }
        }
        self.state = jumped;
        self.spare_normal = None;
    }
}

/// Jump polynomial of 2^128 steps, from the authors' reference implementation (public domain).
const JUMP: [u64; 4] = [
    0x180e_c6d3_3cfd_0aba,
    0xd5a6_1266_f0c9_392c,
    0xa958_2618_e03f_c9aa,
    0x39ab_dc45_29b1_661c,
];

/// `SplitMix64`: G. Steele, D. Lea and C. Flood, OOPSLA 2014.
fn next_split_mix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let z = (*state ^ (*state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "taking the two halves of a product is the point"
)]
fn halves(product: u128) -> (u64, u64) {
    ((product >> 64) as u64, product as u64)
}

/// A multivariate normal distribution, ready to be drawn from.
#[derive(Debug, Clone)]
pub struct MultivariateNormal {
    mean: DVector<f64>,
    /// `root root^T` is the covariance.
    root: DMatrix<f64>,
}

/// A matrix is not the covariance of anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum CovarianceError {
    /// The covariance is not square or does not fit the mean.
    Shape,
    /// An entry is not finite.
    NotFinite,
    /// A combination of the quantities would have a negative variance.
    NotPositive,
}

impl std::fmt::Display for CovarianceError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Shape => "the covariance must be n x n for a mean of length n",
            Self::NotFinite => "mean and covariance must be finite; was the fit identified?",
            Self::NotPositive => {
                "some combination has a negative variance; \
                 check that the covariance is symmetric and in consistent units"
            }
        })
    }
}

impl std::error::Error for CovarianceError {}

impl MultivariateNormal {
    /// From a mean (length n) and a covariance (n x n, symmetric; the lower triangle is read).
    ///
    /// Quantities without variance stay at their mean. The covariance is brought to unit diagonal
    /// before its Cholesky factor is taken, so units do not matter; where it is singular, the
    /// factor comes from its eigenvectors.
    ///
    /// # Errors
    ///
    /// [`CovarianceError`] if shapes differ, values are not finite, or the covariance has an
    /// eigenvalue that is negative beyond rounding.
    pub fn new(mean: &[f64], covariance: &DMatrix<f64>) -> Result<Self, CovarianceError> {
        let n = mean.len();
        if covariance.shape() != (n, n) {
            return Err(CovarianceError::Shape);
        }
        if !mean.iter().chain(covariance.iter()).all(|v| v.is_finite()) {
            return Err(CovarianceError::NotFinite);
        }
        if covariance.diagonal().iter().any(|v| *v < 0.0) {
            return Err(CovarianceError::NotPositive);
        }
        let scale: Vec<f64> = covariance.diagonal().iter().map(|v| v.sqrt()).collect();
        let correlation = DMatrix::from_fn(n, n, |i, j| {
            let (row, column) = (i.max(j), i.min(j));
            let size = scale[i] * scale[j];
            if size > 0.0 {
                covariance[(row, column)] / size
            } else {
                0.0
            }
        });
        let mut root = factor(&correlation)?;
        for (mut row, d) in root.row_iter_mut().zip(&scale) {
            row *= *d;
        }
        Ok(Self {
            mean: DVector::from_column_slice(mean),
            root,
        })
    }

    /// One draw, length n.
    pub fn draw(&self, random: &mut Random) -> Vec<f64> {
        let standard = DVector::from_fn(self.root.ncols(), |_, _| random.normal());
        (&self.mean + &self.root * standard).as_slice().to_vec()
    }
}

/// Rounding of a correlation matrix of a few dozen parameters.
const NEGATIVE_EIGENVALUE: f64 = -1e-10;

fn factor(correlation: &DMatrix<f64>) -> Result<DMatrix<f64>, CovarianceError> {
    if let Some(cholesky) = Cholesky::new(correlation.clone()) {
        return Ok(cholesky.unpack());
    }
    let eigen = correlation.clone().symmetric_eigen();
    if eigen.eigenvalues.iter().any(|v| *v < NEGATIVE_EIGENVALUE) {
        return Err(CovarianceError::NotPositive);
    }
    let mut root = eigen.eigenvectors;
    for (mut column, value) in root.column_iter_mut().zip(eigen.eigenvalues.iter()) {
        column *= value.max(0.0).sqrt();
    }
    Ok(root)
}
