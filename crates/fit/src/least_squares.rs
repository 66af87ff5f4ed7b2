//! Bounded nonlinear least squares: the problem, its solution and how far to trust it.
//!
//! Minimises `sum rho(r_i(x))` over a box. The solver is a trust-region-reflective method from a
//! library; this module adds scaling, derivatives by differences, restarts with fresh scaling, a
//! unit-free convergence measure and the covariance. Limits: dense, for some dozens of parameters
//! and some ten thousand residuals; finds the minimum of the basin it starts in.

use std::cell::RefCell;

use crate::covariance::{Covariance, column_length, gauss_newton};
use crate::differences;
use crate::error::FitError;
use crate::loss::Loss;
use crate::solution::{AtBound, Fit};
use crate::solver::{Model, Run};

/// A bounded least-squares problem, built step by step.
///
/// ```
/// use evenpull_fit::LeastSquares;
/// let (x, y) = ([0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 5.0, 7.0]);
/// let fit = LeastSquares::new(x.len(), &[0.0, 0.0])
///     .bounds(&[-10.0, 0.0], &[10.0, 10.0])
///     .solve(|p, r| {
///         for i in 0..x.len() {
///             r[i] = p[0] + p[1] * x[i] - y[i];
///         }
///     })?;
/// assert!((fit.params[1] - 2.0).abs() < 1e-8);
/// # Ok::<(), evenpull_fit::FitError>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct LeastSquares {
    rows: usize,
    start: Vec<f64>,
    lower: Vec<f64>,
    upper: Vec<f64>,
    scale: Option<Vec<f64>>,
    loss: Loss,
    max_iterations: u64,
}

/// Most runs of the solver: each takes the scaling afresh from where the one before ended, which
/// matters when the start was far away. A run that gains nothing is the last.
const ROUNDS: usize = 4;

/// Relative offset below which a fit counts as converged [-]: a ten-thousandth of a standard
/// deviation changes no decision.
const CONVERGED_OFFSET: f64 = 1e-4;

/// Relative step below which a fit without residual counts as converged [-].
const CONVERGED_STEP: f64 = 1e-8;

/// Relative distance from a bound within which a pushed parameter is called held [-].
const BOUND_DISTANCE: f64 = 1e-6;

impl LeastSquares {
    /// Problem with `residuals` residuals, starting at `start` (one entry per parameter).
    ///
    /// Unbounded, squared loss, at most 500 iterations a round until told otherwise.
    pub fn new(residuals: usize, start: &[f64]) -> Self {
        Self {
            rows: residuals,
            start: start.to_vec(),
            lower: vec![f64::NEG_INFINITY; start.len()],
            upper: vec![f64::INFINITY; start.len()],
            scale: None,
            loss: Loss::Square,
            max_iterations: 500,
        }
    }

    /// Bounds, one per parameter; infinite means none, equal means fixed.
    #[must_use]
    pub fn bounds(mut self, lower: &[f64], upper: &[f64]) -> Self {
        self.lower = lower.to_vec();
        self.upper = upper.to_vec();
        self
    }

    /// Typical size of each parameter, > 0, for steps near zero.
    ///
    /// Without it: the start's magnitude, else the width of the bounds, else one.
    #[must_use]
    pub fn scale(mut self, scale: &[f64]) -> Self {
        self.scale = Some(scale.to_vec());
        self
    }

    /// Loss applied to each residual.
    #[must_use]
    pub fn loss(mut self, loss: Loss) -> Self {
        self.loss = loss;
        self
    }

    /// Most iterations of the solver in each of up to four rounds.
    #[must_use]
    pub fn max_iterations(mut self, max_iterations: u64) -> Self {
        self.max_iterations = max_iterations;
        self
    }

    /// Solves with derivatives by differences.
    ///
    /// `f(params, out)` writes all residuals; it is only called inside the bounds. A value that is
    /// not finite makes the solver step back.
    ///
    /// # Errors
    /// [`FitError`] for arguments that contradict each other and a start without finite residuals.
    /// Lack of convergence is no error: see [`Fit::converged`].
    pub fn solve(&self, f: impl FnMut(&[f64], &mut [f64])) -> Result<Fit, FitError> {
        let scale = self.check()?;
        let model = ByDifferences {
            f,
            problem: self,
            scale: &scale,
            evaluations: 0,
        };
        self.run(model, &scale, |model| model.evaluations)
    }

    /// Solves with the caller's derivatives.
    ///
    /// `jacobian(params, out)` writes `d r_i / d x_k` row by row: entry `i * n + k`.
    ///
    /// # Errors
    /// As for [`LeastSquares::solve`].
    pub fn solve_with_jacobian(
        &self,
        f: impl FnMut(&[f64], &mut [f64]),
        jacobian: impl FnMut(&[f64], &mut [f64]),
    ) -> Result<Fit, FitError> {
        let scale = self.check()?;
        self.run(
            Analytic {
                f,
                jacobian,
                evaluations: 0,
            },
            &scale,
            |model| model.evaluations,
        )
    }

    /// Checks the arguments and returns the typical sizes.
    fn check(&self) -> Result<Vec<f64>, FitError> {
        let n = self.start.len();
        if n == 0 || self.rows == 0 {
            return Err(FitError::Empty {
                parameters: n,
                residuals: self.rows,
            });
        }
        let given = self.scale.as_deref().unwrap_or(&self.start);
        for (what, len) in [
            ("lower bound", self.lower.len()),
            ("upper bound", self.upper.len()),
            ("scale", given.len()),
        ] {
            if len != n {
                return Err(FitError::Length {
                    what,
                    got: len,
                    want: n,
                });
            }
        }
        let loss_scale = self.loss.scale();
        if !(loss_scale.is_finite() && loss_scale > 0.0) {
            return Err(FitError::LossScale { scale: loss_scale });
        }
        (0..n).map(|k| self.check_parameter(k)).collect()
    }

    fn check_parameter(&self, index: usize) -> Result<f64, FitError> {
        let (start, lower, upper) = (self.start[index], self.lower[index], self.upper[index]);
        if lower.is_nan() || upper.is_nan() || lower > upper || lower == f64::INFINITY {
            return Err(FitError::Bounds {
                index,
                lower,
                upper,
            });
        }
        if !(start.is_finite() && start >= lower && start <= upper) {
            return Err(FitError::Start {
                index,
                start,
                lower,
                upper,
            });
        }
        if let Some(scales) = &self.scale {
            let scale = scales[index];
            if !(scale.is_finite() && scale > 0.0) {
                return Err(FitError::Scale { index, scale });
            }
            return Ok(scale);
        }
        let width = upper - lower;
        Ok(if start != 0.0 {
            start.abs()
        } else if width.is_finite() && width > 0.0 {
            width
        } else {
            1.0
        })
    }

    fn run<M: Model>(
        &self,
        mut model: M,
        typical: &[f64],
        count: impl Fn(&M) -> u64,
    ) -> Result<Fit, FitError> {
        let n = self.start.len();
        let mut x = self.start.clone();
        let mut iterations = 0;
        let mut end = self.inspect(&mut model, &x)?;
        for _ in 0..ROUNDS {
            if end.converged && iterations > 0 {
                break;
            }
            let column_scale: Vec<f64> = (0..n)
                .map(|k| {
                    unit_step(
                        column_length(&end.jacobian, n, k),
                        end.rms,
                        x[k],
                        typical[k],
                    )
                })
                .collect();
            let ended = Run {
                model: &RefCell::new(&mut model),
                rows: self.rows,
                scale: &column_scale,
                residual_scale: end.rms.max(f64::MIN_POSITIVE),
                lower: &self.lower,
                upper: &self.upper,
                loss: self.loss,
            }
            .minimise(&x, self.max_iterations);
            iterations += ended.iterations;
            let next = self.inspect(&mut model, &ended.x)?;
            let better = next.objective < end.objective;
            if better || next.relative_offset < end.relative_offset {
                x = ended.x;
                end = next;
            }
            if !better {
                break;
            }
        }
        let snapped = self.snap(&x, &end.at_bound);
        if snapped != x {
            end = self.inspect(&mut model, &snapped)?;
            x = snapped;
        }
        Ok(end.into_fit(x, iterations, count(&model)))
    }

    /// Puts parameters held by a bound exactly on it.
    fn snap(&self, x: &[f64], at_bound: &[AtBound]) -> Vec<f64> {
        (0..x.len())
            .map(|k| match at_bound[k] {
                AtBound::Free => x[k],
                AtBound::Lower | AtBound::Fixed => self.lower[k],
                AtBound::Upper => self.upper[k],
            })
            .collect()
    }

    /// Residuals, Jacobian, bounds, covariance and what is still to be gained at `x`.
    fn inspect<M: Model>(&self, model: &mut M, x: &[f64]) -> Result<Inspection, FitError> {
        let (n, rows) = (x.len(), self.rows);
        let mut residuals = vec![0.0; rows];
        model.residuals(x, &mut residuals);
        if let Some(index) = residuals.iter().position(|r| !r.is_finite()) {
            return Err(FitError::StartResidual { index });
        }
        let mut jacobian = vec![0.0; rows * n];
        model.jacobian(x, &mut jacobian);
        if let Some(place) = jacobian.iter().position(|v| !v.is_finite()) {
            return Err(FitError::Derivative {
                residual: place / n,
                parameter: place % n,
            });
        }
        let mut weighted = residuals.clone();
        for (r, row) in weighted.iter_mut().zip(jacobian.chunks_exact_mut(n)) {
            let root = self.loss.weight(*r).sqrt();
            *r *= root;
            row.iter_mut().for_each(|v| *v *= root);
        }
        let at_bound: Vec<AtBound> = (0..n)
            .map(|k| self.at_bound(k, x[k], &jacobian, &weighted))
            .collect();
        let held: Vec<bool> = at_bound.iter().map(|&b| b != AtBound::Free).collect();
        let covariance = Covariance::from_jacobian(&jacobian, rows, &held);
        let (delta, explained) = gauss_newton(&jacobian, rows, &held, &weighted);
        let total: f64 = weighted.iter().map(|r| r * r).sum();
        let dof = rows.saturating_sub(covariance.rank());
        let unexplained = ((total - explained).max(0.0) / dof.max(1) as f64).sqrt();
        let gain = (explained / covariance.rank().max(1) as f64).sqrt();
        let relative_offset = if gain == 0.0 { 0.0 } else { gain / unexplained };
        let tiny_step = delta
            .iter()
            .zip(x)
            .all(|(d, x)| d.abs() <= CONVERGED_STEP * x.abs().max(f64::MIN_POSITIVE));
        Ok(Inspection {
            objective: residuals.iter().map(|&r| self.loss.value(r)).sum(),
            rms: (total / rows as f64).sqrt(),
            residuals,
            jacobian,
            at_bound,
            covariance,
            dof,
            relative_offset,
            converged: relative_offset <= CONVERGED_OFFSET || tiny_step,
        })
    }

    fn at_bound(&self, k: usize, x: f64, jacobian: &[f64], weighted: &[f64]) -> AtBound {
        let (lower, upper) = (self.lower[k], self.upper[k]);
        if lower == upper {
            return AtBound::Fixed;
        }
        let n = self.start.len();
        let gradient: f64 = jacobian
            .iter()
            .skip(k)
            .step_by(n)
            .zip(weighted)
            .map(|(j, r)| j * r)
            .sum();
        let span = (upper - lower).min(x.abs().max(self.start[k].abs()));
        let near = BOUND_DISTANCE * if span > 0.0 { span } else { 1.0 };
        if gradient > 0.0 && x - lower <= near {
            AtBound::Lower
        } else if gradient < 0.0 && upper - x <= near {
            AtBound::Upper
        } else {
            AtBound::Free
        }
    }
}

/// Unit of a parameter for the solver: the step that changes the residuals by their own size, but
/// not more than the parameter itself.
///
/// Without the cap a parameter that hardly matters at the start is flung where it cannot come
/// back from (NIST's MGH17 from its first start).
fn unit_step(column: f64, rms: f64, x: f64, typical: f64) -> f64 {
    // A parameter passing through zero must keep room to leave it.
    let size = x.abs().max(1e-6 * typical);
    let sensitive = rms.max(f64::MIN_POSITIVE) / column;
    // A column of zeros gives infinity and with it the parameter's size.
    sensitive.min(size)
}

/// State of the problem at one point.
struct Inspection {
    residuals: Vec<f64>,
    jacobian: Vec<f64>,
    objective: f64,
    rms: f64,
    at_bound: Vec<AtBound>,
    covariance: Covariance,
    dof: usize,
    relative_offset: f64,
    converged: bool,
}

impl Inspection {
    fn into_fit(self, params: Vec<f64>, iterations: u64, evaluations: u64) -> Fit {
        Fit {
            params,
            chi2: self.residuals.iter().map(|r| r * r).sum(),
            residuals: self.residuals,
            objective: self.objective,
            dof: self.dof,
            covariance: self.covariance,
            at_bound: self.at_bound,
            iterations,
            evaluations,
            relative_offset: self.relative_offset,
            converged: self.converged,
        }
    }
}

struct ByDifferences<'a, R> {
    f: R,
    problem: &'a LeastSquares,
    scale: &'a [f64],
    evaluations: u64,
}

impl<R: FnMut(&[f64], &mut [f64])> Model for ByDifferences<'_, R> {
    fn residuals(&mut self, x: &[f64], out: &mut [f64]) {
        self.evaluations += 1;
        (self.f)(x, out);
    }

    fn jacobian(&mut self, x: &[f64], out: &mut [f64]) {
        let p = self.problem;
        let (f, evaluations) = (&mut self.f, &mut self.evaluations);
        let mut counted = |x: &[f64], out: &mut [f64]| {
            *evaluations += 1;
            f(x, out);
        };
        differences::jacobian(&mut counted, x, &p.lower, &p.upper, self.scale, p.rows, out);
    }
}

struct Analytic<R, J> {
    f: R,
    jacobian: J,
    evaluations: u64,
}

impl<R, J> Model for Analytic<R, J>
where
    R: FnMut(&[f64], &mut [f64]),
    J: FnMut(&[f64], &mut [f64]),
{
    fn residuals(&mut self, x: &[f64], out: &mut [f64]) {
        self.evaluations += 1;
        (self.f)(x, out);
    }

    fn jacobian(&mut self, x: &[f64], out: &mut [f64]) {
        (self.jacobian)(x, out);
    }
}

#[cfg(test)]
mod tests;
