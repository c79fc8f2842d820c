//! Singular value decomposition of a small square matrix by one-sided Jacobi rotations.
//!
//! Chosen because it cannot fail to converge in practice and keeps the relative accuracy of small
//! singular values of column-scaled matrices: J. Demmel and K. Veselić, "Jacobi's method is more
//! accurate than QR", SIAM J. Matrix Anal. Appl. 13 (1992) 1204-1245.

use nalgebra::DMatrix;

/// `a = u diag(s) v^T`; `s` falls. Columns of `u` that belong to a zero singular value are zero.
pub(super) struct JacobiSvd {
    pub(super) u: DMatrix<f64>,
    pub(super) s: Vec<f64>,
    pub(super) v: DMatrix<f64>,
}

/// Quadratic convergence sets in after a few sweeps; ten are the most seen for n below 100.
const MAX_SWEEPS: usize = 40;

/// Decomposes a finite matrix with at least as many rows as columns.
pub(super) fn jacobi_svd(a: DMatrix<f64>) -> JacobiSvd {
    let n = a.ncols();
    let mut u = a;
    let mut v = DMatrix::identity(n, n);
    for _ in 0..MAX_SWEEPS {
        let mut rotated = false;
        for p in 0..n {
            for q in p + 1..n {
                rotated |= orthogonalise(&mut u, &mut v, p, q);
            }
        }
        if !rotated {
            break;
        }
    }
    sorted(&u, &v)
}

/// Makes columns p and q of `u` orthogonal; true if a rotation was needed.
fn orthogonalise(u: &mut DMatrix<f64>, v: &mut DMatrix<f64>, p: usize, q: usize) -> bool {
    let alpha = u.column(p).norm_squared();
    let beta = u.column(q).norm_squared();
    let gamma = u.column(p).dot(&u.column(q));
    if gamma.abs() <= f64::EPSILON * (alpha * beta).sqrt() {
        return false;
    }
    let zeta = (beta - alpha) / (2.0 * gamma);
    let tangent = zeta.signum() / (zeta.abs() + zeta.hypot(1.0));
    let cosine = 1.0 / tangent.hypot(1.0);
    rotate(u, p, q, cosine, cosine * tangent);
    rotate(v, p, q, cosine, cosine * tangent);
    true
}

fn rotate(matrix: &mut DMatrix<f64>, p: usize, q: usize, cosine: f64, sine: f64) {
    for i in 0..matrix.nrows() {
        let (x, y) = (matrix[(i, p)], matrix[(i, q)]);
        matrix[(i, p)] = cosine * x - sine * y;
        matrix[(i, q)] = sine * x + cosine * y;
    }
}

fn sorted(u: &DMatrix<f64>, v: &DMatrix<f64>) -> JacobiSvd {
    let norms: Vec<f64> = u.column_iter().map(|column| column.norm()).collect();
    let mut order: Vec<usize> = (0..norms.len()).collect();
    order.sort_by(|&i, &j| norms[j].total_cmp(&norms[i]));
    let mut left = u.select_columns(&order);
    let s: Vec<f64> = order.iter().map(|&i| norms[i]).collect();
    for (mut column, &norm) in left.column_iter_mut().zip(&s) {
        if norm > 0.0 {
            column /= norm;
        }
    }
    JacobiSvd {
        u: left,
        s,
        v: v.select_columns(&order),
    }
}
