//! The mode of one hypothesis, found fast because dozens are compared.
//!
//! Damped Gauss-Newton steps on the residuals, clipped at the bounds; parameters that a bound holds
//! are left out of a step. The problems are nearly linear, so a handful of steps do. Where they do
//! not, the trust-region solver of `evenpull-fit` takes over.

use nalgebra::{Cholesky, DMatrix, DVector};

use evenpull_fit::{LeastSquares, Real, Tape, Var};

use crate::residuals::Rows;

/// Gain in chi-square below which a mode counts as found.
const SETTLED: f64 = 1e-4;

/// Most steps before the slower solver is asked.
const STEPS: usize = 60;

/// Steps over which a creeping search is judged, and the gain in chi-square over them that is too
/// small to tell hypotheses apart: 0.05 is a fortieth in the weight.
const CREEP: (usize, f64) = (10, 0.05);

/// Iterations of the surer search in each of its rounds; it starts where the quick one ended.
const SURER_ITERATIONS: u64 = 60;

/// Most times the damping is raised within one step.
const TRIES: usize = 14;

/// Residuals of the free parameters, written once for values and derivatives.
pub(crate) trait Formula {
    /// Residuals at `x` with their channels, always the same ones in the same order.
    fn residuals<S: Real>(&self, x: &[S], out: &mut Rows<S>);
}

/// A bounded least-squares problem over the free parameters of a hypothesis.
pub(crate) struct Problem<'a, F> {
    pub(crate) formula: &'a F,
    pub(crate) lo: Vec<f64>,
    pub(crate) hi: Vec<f64>,
    /// Size of each parameter, for the surer search.
    pub(crate) scale: Vec<f64>,
}

impl<F: Formula> Problem<'_, F> {
    fn cost(&self, x: &[f64], rows: &mut Rows<f64>) -> f64 {
        self.formula.residuals(x, rows);
        rows.iter().map(|(_, r)| r * r).sum()
    }

    /// Jacobian of the residuals, one row each, and the residuals.
    fn jacobian(&self, x: &[f64], tape: &Tape) -> (DMatrix<f64>, DVector<f64>) {
        tape.start(x.len());
        let inputs: Vec<Var<'_>> = (x.iter().enumerate())
            .map(|(i, &v)| tape.input(i, v))
            .collect();
        let mut rows = Vec::new();
        self.formula.residuals(&inputs, &mut rows);
        let here = DVector::from_iterator(rows.len(), rows.iter().map(|(_, r)| r.value()));
        // Column by column in memory, so it is filled transposed.
        let mut transposed = DMatrix::zeros(x.len(), rows.len());
        for ((_, r), mut slopes) in rows.iter().zip(transposed.column_iter_mut()) {
            tape.sweep([(*r, 1.0)], slopes.as_mut_slice());
        }
        (transposed.transpose(), here)
    }

    /// `J'J` and `J'r`.
    pub(crate) fn slopes(&self, x: &[f64], tape: &Tape) -> (DMatrix<f64>, DVector<f64>) {
        let (jacobian, here) = self.jacobian(x, tape);
        (jacobian.tr_mul(&jacobian), jacobian.tr_mul(&here))
    }

    /// Gauss-Newton from `start`: the best point found and whether it settled there.
    pub(crate) fn climb(&self, start: &[f64]) -> (Vec<f64>, bool) {
        let (mut rows, tape) = (Vec::new(), Tape::new());
        let mut x = start.to_vec();
        let mut cost = self.cost(&x, &mut rows);
        let (mut damping, mut earlier) = (1e-6, cost);
        for step in 0..STEPS {
            if step + CREEP.0 == STEPS {
                earlier = cost;
            }
            let (h, g) = self.slopes(&x, &tape);
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
        // Creeping along the rounded corner of a linkage, with next to nothing left to gain.
        (x, earlier - cost < CREEP.1)
    }

    /// The slower, surer search.
    pub(crate) fn search(&self, start: &[f64]) -> Option<Vec<f64>> {
        let mut rows = Vec::new();
        self.formula.residuals(start, &mut rows);
        let found = LeastSquares::new(rows.len(), start)
            .bounds(&self.lo, &self.hi)
            .scale(&self.scale)
            .max_iterations(SURER_ITERATIONS)
            .solve(|x, out| {
                self.formula.residuals(x, &mut rows);
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
    use crate::residuals::Channel;

    /// A valley that bends, with its least at (1, 1) where the bounds allow it.
    struct Valley;

    impl Formula for Valley {
        fn residuals<S: Real>(&self, x: &[S], out: &mut Rows<S>) {
            out.clear();
            out.push((Channel::Level, (x[1] - x[0] * x[0]) * 10.0));
            out.push((Channel::Level, -x[0] + 1.0));
        }
    }

    fn problem(hi: f64) -> Problem<'static, Valley> {
        Problem {
            formula: &Valley,
            lo: vec![-5.0, -5.0],
            hi: vec![hi, 5.0],
            scale: vec![0.1, 0.1],
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
