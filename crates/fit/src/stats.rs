//! Tails and quantiles, as thin covers over a statistics library.

use statrs::distribution::{ChiSquared, ContinuousCDF, Normal, StudentsT};

/// Probability that a standard normal value is at most `z` [-].
pub fn normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Standard normal quantile of probability `p` [-]; `None` unless `0 < p < 1`.
pub fn normal_quantile(p: f64) -> Option<f64> {
    (p > 0.0 && p < 1.0).then(|| Normal::standard().inverse_cdf(p))
}

/// Probability that chi-square with `dof` degrees of freedom exceeds `x` [-].
///
/// `None` for `dof` of zero or `x` that is negative or no number.
pub fn chi2_tail(x: f64, dof: usize) -> Option<f64> {
    if x.is_nan() || x < 0.0 {
        return None;
    }
    ChiSquared::new(dof as f64).ok().map(|d| d.sf(x))
}

/// Quantile of Student's t with `dof` degrees of freedom at probability `p` [-].
///
/// `None` unless `0 < p < 1` and `dof` is positive.
pub fn student_quantile(p: f64, dof: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0) {
        return None;
    }
    StudentsT::new(0.0, 1.0, dof).ok().map(|d| d.inverse_cdf(p))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Printed tables: z of 95 % 1.6449, chi-square 5 % at 10 dof 18.307, t of 95 % at 5 dof
    /// 2.0150 (from memory, half a digit of each).
    #[test]
    fn val_printed_tables() {
        assert!((normal_quantile(0.95).unwrap() - 1.6449).abs() < 0.5e-4);
        assert!((normal_cdf(1.6449) - 0.95).abs() < 1e-5);
        assert!((chi2_tail(18.307, 10).unwrap() - 0.05).abs() < 1e-5);
        assert!((student_quantile(0.95, 5.0).unwrap() - 2.0150).abs() < 0.5e-4);
    }

    #[test]
    fn outside_is_none() {
        assert_eq!(normal_quantile(0.0), None);
        assert_eq!(normal_quantile(f64::NAN), None);
        assert_eq!(chi2_tail(-1.0, 3), None);
        assert_eq!(chi2_tail(1.0, 0), None);
        assert_eq!(student_quantile(0.5, 0.0), None);
    }
}
