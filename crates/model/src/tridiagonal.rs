//! Eigenvalues and eigenvectors of a small symmetric tridiagonal matrix.

/// Eigen-decomposition `S = V diag(values) Vᵀ` of a symmetric tridiagonal matrix.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Eigen<const N: usize> {
    /// Eigenvalues, not sorted; entries from `n` on are 0.
    pub(crate) values: [f64; N],
    /// `vectors[i][k]`: component `i` of eigenvector `k`.
    pub(crate) vectors: [[f64; N]; N],
}

/// More sweeps than any 8 × 8 matrix needs; the method converges cubically.
const MAX_SWEEPS: usize = 60;

/// Implicit QL with Wilkinson shifts (Bowdler, Martin, Reinsch and Wilkinson, "The QR and QL
/// algorithms for symmetric matrices", Numerische Mathematik 11, 1968, procedure tql2).
///
/// `diagonal` and `off` (between `i` and `i + 1`) hold the leading `n` and `n - 1` entries.
pub(crate) fn eigen<const N: usize>(diagonal: [f64; N], off: [f64; N], n: usize) -> Eigen<N> {
    let (mut d, mut e) = (diagonal, off);
    let mut v = [[0.0; N]; N];
    for (i, row) in v.iter_mut().enumerate() {
        row[i] = 1.0;
    }
    if n > 0 {
        e[n - 1] = 0.0;
    }
    for l in 0..n {
        for _ in 0..MAX_SWEEPS {
            let m = first_split(&d, &e, l, n);
            if m == l {
                break;
            }
            sweep(&mut d, &mut e, &mut v, l, m);
        }
    }
    Eigen {
        values: d,
        vectors: v,
    }
}

/// The first index from `l` on whose coupling to the next is negligible.
fn first_split<const N: usize>(d: &[f64; N], e: &[f64; N], l: usize, n: usize) -> usize {
    (l..n - 1)
        .find(|&m| e[m].abs() <= f64::EPSILON * (d[m].abs() + d[m + 1].abs()))
        .unwrap_or(n - 1)
}

/// One QL sweep over the block `l..=m`.
fn sweep<const N: usize>(
    d: &mut [f64; N],
    e: &mut [f64; N],
    v: &mut [[f64; N]; N],
    l: usize,
    m: usize,
) {
    let g = (d[l + 1] - d[l]) / (2.0 * e[l]);
    let r = (g * g + 1.0).sqrt();
    let mut g = d[m] - d[l] + e[l] / (g + r.copysign(g));
    let (mut s, mut c, mut p) = (1.0, 1.0, 0.0);
    for i in (l..m).rev() {
        let (f, b) = (s * e[i], c * e[i]);
        let r = (f * f + g * g).sqrt();
        e[i + 1] = r;
        if r <= 0.0 {
            d[i + 1] -= p;
            e[m] = 0.0;
            return;
        }
        let inv = 1.0 / r;
        s = f * inv;
        c = g * inv;
        let g1 = d[i + 1] - p;
        let r = (d[i] - g1) * s + 2.0 * c * b;
        p = s * r;
        d[i + 1] = g1 + p;
        g = c * r - b;
        for row in v.iter_mut() {
            let (lo, hi) = (row[i], row[i + 1]);
            row[i + 1] = s * lo + c * hi;
            row[i] = c * lo - s * hi;
        }
    }
    d[l] -= p;
    e[l] = g;
    e[m] = 0.0;
}
