//! A family of single numbers: mean, spread between machines, and the next machine.
//!
//! `y_j ~ N(u_j, s_j^2)`, `u_j ~ N(mu, tau^2)`, `mu ~ N(m0, s0^2)`, tau half-normal, integrated on a grid.

/// Grid of the spread over its scale.
const GRID: usize = 24;

/// Most of the scale that the grid reaches; a half-normal leaves 0.003 beyond.
const REACH: f64 = 3.0;

/// What a family of numbers says, in their unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shrunk {
    /// Mean of the family.
    pub mean: f64,
    /// Its standard deviation.
    pub mean_sd: f64,
    /// Spread between machines, root of its mean square.
    pub spread: f64,
    /// Standard deviation of the next machine.
    pub next_sd: f64,
    /// Machines.
    pub machines: usize,
}

/// The family of `values`, each with its own error above 0; `None` without any.
///
/// `m0`, `s0`: what is known of the family's mean before; `scale`: of the spread between machines.
pub fn shrunk(values: &[(f64, f64)], m0: f64, s0: f64, scale: f64) -> Option<Shrunk> {
    if values.is_empty() {
        return None;
    }
    let (mut sum, mut first, mut second, mut inside, mut squares) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let cases: Vec<(f64, f64, f64, f64)> = (0..GRID)
        .map(|i| {
            let z = REACH * (i as f64 + 0.5) / GRID as f64;
            let tau2 = (z * scale).powi(2);
            let (mut precision, mut pull) = (s0.powi(-2), m0 * s0.powi(-2));
            let mut ln = -0.5 * z * z - s0.ln();
            let mut misfit = m0 * m0 / (s0 * s0);
            for (y, s) in values {
                let w = 1.0 / (s * s + tau2);
                precision += w;
                pull += w * y;
                misfit += w * y * y;
                ln += 0.5 * w.ln();
            }
            let mean = pull / precision;
            ln += -0.5 * precision.ln() - 0.5 * (misfit - pull * mean);
            (ln, mean, 1.0 / precision, tau2)
        })
        .collect();
    let top = cases.iter().map(|c| c.0).fold(f64::NEG_INFINITY, f64::max);
    for (ln, mean, var, tau2) in cases {
        let w = (ln - top).exp();
        sum += w;
        first += w * mean;
        second += w * mean * mean;
        inside += w * var;
        squares += w * tau2;
    }
    let mean = first / sum;
    let of_mean = (second / sum - mean * mean).max(0.0) + inside / sum;
    let spread2 = squares / sum;
    Some(Shrunk {
        mean,
        mean_sd: of_mean.sqrt(),
        spread: spread2.sqrt(),
        next_sd: (of_mean + spread2).sqrt(),
        machines: values.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Eight schools, non-centred reference draws of posteriordb: mu 4.41 +-3.31, tau 3.60 (mean), where mu
    /// is normal with 5 and tau half-Cauchy with 5. The prior of tau here is half-normal; of the scale 6 its
    /// median is that of the half-Cauchy's of 4, so mu has to agree within a tenth of its spread.
    #[test]
    fn val_eight_schools() {
        let y = [28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0];
        let s = [15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0];
        let values: Vec<(f64, f64)> = y.into_iter().zip(s).collect();
        let found = shrunk(&values, 0.0, 5.0, 6.0).unwrap();
        assert!((found.mean - 4.41).abs() < 0.35, "{found:?}");
        assert!((found.mean_sd - 3.31).abs() < 0.35, "{found:?}");
    }

    #[test]
    fn three_machines_already_narrow_the_next() {
        let wide = shrunk(&[(0.3, 0.05)], 0.0, 1.0, 0.5).unwrap();
        let three = shrunk(&[(0.3, 0.05), (0.33, 0.05), (0.28, 0.05)], 0.0, 1.0, 0.5).unwrap();
        assert!(three.next_sd < 0.5 * wide.next_sd, "{wide:?} {three:?}");
        assert!((three.mean - 0.3).abs() < 0.05);
        assert!(shrunk(&[], 0.0, 1.0, 0.5).is_none());
    }
}
