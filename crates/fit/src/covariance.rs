//! Covariance `(J'J)^-1` at a solution, with an honest account of its rank.

use nalgebra::{DMatrix, DVector};

/// Singular value, relative to the largest, below which a direction counts as undetermined.
///
/// Columns are brought to unit length first, so this measures how alike they are: at 1e-7 the
/// differences' own error (about 1e-10) would still leave three digits of the variance.
const RANK_CUTOFF: f64 = 1e-7;

/// Share of an undetermined direction above which a parameter is called undetermined itself.
const SHARE_CUTOFF: f64 = 1e-6;

/// Covariance of the parameters for residuals of unit variance.
#[derive(Debug, Clone, PartialEq)]
pub struct Covariance {
    matrix: DMatrix<f64>,
    rank: usize,
    free: usize,
    undetermined: Vec<bool>,
    condition: f64,
}

impl Covariance {
    /// Covariance from a row-major Jacobian of `rows` by `held.len()`; parameters with `held` set
    /// are taken as exact.
    pub(crate) fn from_jacobian(jacobian: &[f64], rows: usize, held: &[bool]) -> Self {
        let n = held.len();
        let free: Vec<usize> = (0..n).filter(|&k| !held[k]).collect();
        let mut out = Self {
            matrix: DMatrix::zeros(n, n),
            rank: 0,
            free: free.len(),
            undetermined: vec![false; n],
            condition: 1.0,
        };
        if free.is_empty() || rows == 0 {
            return out;
        }
        let lengths: Vec<f64> = free
            .iter()
            .map(|&k| column_length(jacobian, n, k))
            .collect();
        let scaled = DMatrix::from_fn(rows, free.len(), |i, j| {
            if lengths[j] > 0.0 {
                jacobian[i * n + free[j]] / lengths[j]
            } else {
                0.0
            }
        });
        // R of a QR carries all of J'J and is small; squaring J would lose half the digits.
        let small = if rows > free.len() {
            scaled.qr().r()
        } else {
            scaled
        };
        let svd = small.svd(false, true);
        let v_t = svd.v_t.expect("the right singular vectors were asked for");
        out.fill(&free, &lengths, &svd.singular_values, &v_t);
        out
    }

    fn fill(&mut self, free: &[usize], lengths: &[f64], sigma: &DVector<f64>, v_t: &DMatrix<f64>) {
        let largest = sigma.max();
        let determined = |s: f64| s > RANK_CUTOFF * largest && s > 0.0;
        self.rank = sigma.iter().filter(|&&s| determined(s)).count();
        let smallest = sigma.min();
        self.condition = if smallest > 0.0 {
            largest / smallest
        } else {
            f64::INFINITY
        };
        for (a, &ka) in free.iter().enumerate() {
            let mut spanned = 0.0;
            for (d, &s) in sigma.iter().enumerate() {
                if determined(s) {
                    spanned += v_t[(d, a)] * v_t[(d, a)];
                }
            }
            self.undetermined[ka] = lengths[a] <= 0.0 || 1.0 - spanned > SHARE_CUTOFF;
            for (b, &kb) in free.iter().enumerate() {
                if lengths[a] <= 0.0 || lengths[b] <= 0.0 {
                    continue;
                }
                let sum: f64 = sigma
                    .iter()
                    .enumerate()
                    .filter(|(_, s)| determined(**s))
                    .map(|(d, s)| v_t[(d, a)] * v_t[(d, b)] / (s * s))
                    .sum();
                self.matrix[(ka, kb)] = sum / (lengths[a] * lengths[b]);
            }
        }
        for (k, &lost) in self.undetermined.iter().enumerate() {
            if lost {
                self.matrix[(k, k)] = f64::INFINITY;
            }
        }
    }

    /// Covariance matrix, parameters by parameters, in products of their units.
    ///
    /// Rows and columns of held parameters are zero; an undetermined parameter has an infinite
    /// variance on the diagonal, and its covariances are those of the determined directions only.
    pub fn matrix(&self) -> &DMatrix<f64> {
        &self.matrix
    }

    /// Standard deviation of parameter `index`, in its unit; infinite when undetermined, zero when
    /// held. `None` past the last parameter.
    pub fn sd(&self, index: usize) -> Option<f64> {
        (index < self.matrix.nrows()).then(|| self.matrix[(index, index)].max(0.0).sqrt())
    }

    /// Number of directions the data determine.
    pub fn rank(&self) -> usize {
        self.rank
    }

    /// Number of parameters that are neither fixed nor at a bound.
    pub fn free(&self) -> usize {
        self.free
    }

    /// True when every free parameter is determined.
    pub fn is_full_rank(&self) -> bool {
        self.rank == self.free
    }

    /// One flag per parameter: does the data leave a direction open that contains it?
    pub fn undetermined(&self) -> &[bool] {
        &self.undetermined
    }

    /// Largest over smallest singular value of the Jacobian with columns of unit length.
    pub fn condition(&self) -> f64 {
        self.condition
    }
}

/// Length of column `k` of a row-major matrix with `n` columns.
pub(crate) fn column_length(jacobian: &[f64], n: usize, k: usize) -> f64 {
    jacobian
        .iter()
        .skip(k)
        .step_by(n)
        .map(|v| v * v)
        .sum::<f64>()
        .sqrt()
}

/// Gauss-Newton step of the free parameters and the part of the residual it explains.
///
/// Returns (`delta`, sum of squares of the residual's part in the column space of the Jacobian).
pub(crate) fn gauss_newton(
    jacobian: &[f64],
    rows: usize,
    held: &[bool],
    r: &[f64],
) -> (Vec<f64>, f64) {
    let n = held.len();
    let free: Vec<usize> = (0..n).filter(|&k| !held[k]).collect();
    let mut delta = vec![0.0; n];
    if free.is_empty() {
        return (delta, 0.0);
    }
    let lengths: Vec<f64> = free
        .iter()
        .map(|&k| column_length(jacobian, n, k).max(f64::MIN_POSITIVE))
        .collect();
    let scaled = DMatrix::from_fn(rows, free.len(), |i, j| {
        jacobian[i * n + free[j]] / lengths[j]
    });
    let svd = scaled.svd(true, true);
    let (u, v_t) = (
        svd.u.expect("the left singular vectors were asked for"),
        svd.v_t.expect("the right singular vectors were asked for"),
    );
    let largest = svd.singular_values.max();
    let r = DVector::from_column_slice(r);
    let mut explained = 0.0;
    for (d, &s) in svd.singular_values.iter().enumerate() {
        if s <= RANK_CUTOFF * largest || s <= 0.0 {
            continue;
        }
        let along = u.column(d).dot(&r);
        explained += along * along;
        for (j, &k) in free.iter().enumerate() {
            delta[k] -= along / s * v_t[(d, j)] / lengths[j];
        }
    }
    (delta, explained)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Straight line through x = 0, 1, 2, 3: the textbook covariance.
    #[test]
    fn straight_line_covariance() {
        let j: Vec<f64> = (0..4).flat_map(|i| [1.0, f64::from(i)]).collect();
        let c = Covariance::from_jacobian(&j, 4, &[false, false]);
        // n = 4, Sx = 6, Sxx = 14, determinant 20.
        for ((a, b), want) in [((0, 0), 0.7), ((1, 1), 0.2), ((0, 1), -0.3)] {
            assert!((c.matrix()[(a, b)] - want).abs() < 1e-12);
        }
        assert!(c.is_full_rank());
    }

    #[test]
    fn equal_columns_are_undetermined_and_the_third_is_not() {
        let j = [1.0, 1.0, 0.0, 1.0, 1.0, 0.0, 0.0, 0.0, 1.0];
        let c = Covariance::from_jacobian(&j, 3, &[false; 3]);
        assert_eq!(c.rank(), 2);
        assert_eq!(c.undetermined(), &[true, true, false]);
        assert_eq!(c.sd(0), Some(f64::INFINITY));
        assert!((c.sd(2).unwrap() - 1.0).abs() < 1e-12);
        assert_eq!(c.sd(3), None);
    }

    #[test]
    fn held_parameters_have_no_variance() {
        let j = [1.0, 1.0, 1.0, 1.0];
        let c = Covariance::from_jacobian(&j, 2, &[false, true]);
        assert!((c.matrix()[(0, 0)] - 0.5).abs() < 1e-12);
        assert_eq!(c.sd(1), Some(0.0));
        assert_eq!((c.rank(), c.free()), (1, 1));
    }
}
