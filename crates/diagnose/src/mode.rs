//! The mode of one hypothesis, found fast because dozens are compared.
//!
//! Damped Gauss-Newton steps on the residuals, clipped at the bounds; parameters that a bound holds
//! are left out of a step. The problems are nearly linear, so a handful of steps do. Where they do
//! not, the trust-region solver of `evenpull-fit` takes over.

use nalgebra::{Cholesky, DMatrix, DVector};

use evenpull_fit::LeastSquares;

use crate::posterior::Channel;

/// Gain in chi-square below which a mode counts as found.
const SETTLED: f64 = 1e-4;

/// Most steps before the slower solver is asked.
const STEPS: usize = 60;

/// Most times the damping is raised within one step.
const TRIES: usize = 14;

/// Residual function of the free parameters; each residual carries its channel.
pub(crate) type ResidualFn<'a> = dyn Fn(&[f64], &mut Vec<(Channel, f64)>) + 'a;

/// A bounded least-squares problem over the free parameters of a hypothesis.
pub(crate) struct Problem<'a> {
    pub(crate) residuals: &'a ResidualFn<'a>,
    pub(crate) lo: Vec<f64>,
    pub(crate) hi: Vec<f64>,
    /// Steps for differences, one per parameter.
    pub(crate) steps: Vec<f64>,
}

impl Problem<'_> {
    fn cost(&self, x: &[f64], rows: &mut Vec<(Channel, f64)>) -> f64 {
        (self.residuals)(x, rows);
        rows.iter().map(|(_, r)| r * r).sum()
    }

    /// `J'J` and `J'r` by forward differences; the steps are small against every curvature here.
    pub(crate) fn slopes(&self, x: &[f64]) -> (DMatrix<f64>, DVector<f64>) {
        let (mut at, mut up) = (Vec::new(), Vec::new());
        (self.residuals)(x, &mut at);
        let here = DVector::from_iterator(at.len(), at.iter().map(|(_, r)| *r));
        let mut jacobian = DMatrix::zeros(here.len(), x.len());
        let mut p = x.to_vec();
        for (k, h) in self.steps.iter().enumerate() {
            p[k] = x[k] + h;
            (self.residuals)(&p, &mut up);
            p[k] = x[k];
            for (row, (a, b)) in up.iter().zip(&at).enumerate() {
                jacobian[(row, k)] = (a.1 - b.1) / h;
            }
        }
        (jacobian.tr_mul(&jacobian), jacobian.tr_mul(&here))
    }

    /// Gauss-Newton from `start`: the best point found and whether it settled there.
    pub(crate) fn climb(&self, start: &[f64]) -> (Vec<f64>, bool) {
        let mut rows = Vec::new();
        let mut x = start.to_vec();
        let mut cost = self.cost(&x, &mut rows);
        let mut damping = 1e-6;
        for _ in 0..STEPS {
            let (h, g) = self.slopes(&x);
            let held =
                |k: usize| (x[k] <= self.lo[k] && g[k] > 0.0) || (x[k] >= self.hi[k] && g[k] < 0.0);
            let free: Vec<usize> = (0..x.len()).filter(|&k| !held(k)).collect();
            let (mut moved, mut gain) = (false, 0.0);
            for _ in 0..TRIES {
                let Some(step) = newton(&h, &g, &free, damping) else {
                    damping *= 10.0;
                    continue;
                };
                let mut trial = x.clone();
                for (d, &k) in step.iter().zip(&free) {
                    trial[k] = (x[k] + d).clamp(self.lo[k], self.hi[k]);
                }
                let there = self.cost(&trial, &mut rows);
                if there <= cost {
                    gain = cost - there;
                    (x, cost, moved) = (trial, there, true);
                    damping = (damping * 0.2).max(1e-9);
                    break;
                }
                damping *= 5.0;
            }
            // A small gain under strong damping is a short step, not the end.
            if !moved || (gain < SETTLED && damping < 1e-2) {
                // No step downhill from a point with a slope left: a corner of the linkage law.
                let left: f64 = free
                    .iter()
                    .map(|&k| g[k] * g[k] / h[(k, k)].max(1e-300))
                    .sum();
                return (x, moved || left < 1e-3);
            }
        }
        (x, false)
    }

    /// The slower, surer search.
    pub(crate) fn search(&self, start: &[f64]) -> Option<Vec<f64>> {
        let mut rows = Vec::new();
        (self.residuals)(start, &mut rows);
        let found = LeastSquares::new(rows.len(), start)
            .bounds(&self.lo, &self.hi)
            .scale(&self.steps.iter().map(|h| 1e4 * h).collect::<Vec<_>>())
            .solve(|x, out| {
                (self.residuals)(x, &mut rows);
                for (o, (_, r)) in out.iter_mut().zip(&rows) {
                    *o = *r;
                }
            })
            .ok()?;
        Some(found.params)
    }
}

/// Damped step over the free parameters.
fn newton(
    h: &DMatrix<f64>,
    g: &DVector<f64>,
    free: &[usize],
    damping: f64,
) -> Option<DVector<f64>> {
    let n = free.len();
    let reduced = DMatrix::from_fn(n, n, |i, j| {
        h[(free[i], free[j])] * if i == j { 1.0 + damping } else { 1.0 }
    });
    let right = DVector::from_fn(n, |i, _| -g[free[i]]);
    Some(Cholesky::new(reduced)?.solve(&right))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Residuals of a valley that bends, with its least at (1, 1) where the bounds allow it.
    fn valley(x: &[f64], out: &mut Vec<(Channel, f64)>) {
        out.clear();
        out.push((Channel::Level, 10.0 * (x[1] - x[0] * x[0])));
        out.push((Channel::Level, 1.0 - x[0]));
    }

    fn problem(hi: f64) -> Problem<'static> {
        Problem {
            residuals: &valley,
            lo: vec![-5.0, -5.0],
            hi: vec![hi, 5.0],
            steps: vec![1e-5, 1e-5],
        }
    }

    #[test]
    fn climbs_to_the_inner_least() {
        let (x, settled) = problem(5.0).climb(&[-1.2, 1.0]);
        assert!(settled);
        assert!(
            (x[0] - 1.0).abs() < 1e-4 && (x[1] - 1.0).abs() < 1e-4,
            "{x:?}"
        );
    }

    #[test]
    fn stops_at_a_bound_where_the_surer_solver_stops() {
        let problem = problem(0.5);
        let (x, settled) = problem.climb(&[-1.2, 1.0]);
        let sure = problem.search(&[-1.2, 1.0]).unwrap();
        assert!(settled);
        assert!(
            (x[0] - 0.5).abs() < 1e-9 && (x[1] - 0.25).abs() < 1e-4,
            "{x:?}"
        );
        assert!(
            (x[0] - sure[0]).abs() < 1e-4 && (x[1] - sure[1]).abs() < 1e-4,
            "{sure:?}"
        );
    }
}
