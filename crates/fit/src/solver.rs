//! The bridge to the trust-region-reflective solver: scaling, loss and stopping.

use std::cell::RefCell;
use std::convert::Infallible;

use basin::{
    BoxBounds, ConstraintDescription, ConstraintSet, Constraints, CostFunction, DenseMatrix,
    Executor, Jacobian, LossEvaluation, LossFunction, Residual, RobustLeastSquares, SoftL1Loss,
    SquaredLoss, TrustRegionReflective,
};

use crate::loss::Loss;

/// Residuals and Jacobian as the caller wrote them, in the caller's units.
pub(crate) trait Model {
    /// Residuals at `x`.
    fn residuals(&mut self, x: &[f64], out: &mut [f64]);
    /// Row-major Jacobian at `x`.
    fn jacobian(&mut self, x: &[f64], out: &mut [f64]);
}

/// One run of the solver: everything in units of `scale`, residuals in units of `residual_scale`.
pub(crate) struct Run<'a, M> {
    pub(crate) model: &'a RefCell<&'a mut M>,
    pub(crate) rows: usize,
    pub(crate) scale: &'a [f64],
    pub(crate) residual_scale: f64,
    pub(crate) lower: &'a [f64],
    pub(crate) upper: &'a [f64],
    pub(crate) loss: Loss,
}

/// Where a run ended and after how many iterations.
pub(crate) struct RunEnd {
    pub(crate) x: Vec<f64>,
    pub(crate) iterations: u64,
}

/// The problem as the solver sees it.
struct Scaled<'r, 'a, M> {
    run: &'r Run<'a, M>,
    lower: Vec<f64>,
    upper: Vec<f64>,
}

impl<M: Model> Run<'_, M> {
    /// Minimises from `x` for at most `max_iterations`.
    pub(crate) fn minimise(&self, x: &[f64], max_iterations: u64) -> RunEnd {
        let to_scaled = |v: &[f64]| v.iter().zip(self.scale).map(|(v, s)| v / s).collect();
        let problem = Scaled {
            run: self,
            lower: to_scaled(self.lower),
            upper: to_scaled(self.upper),
        };
        let objective = RobustLeastSquares::new(problem, self.loss)
            .with_scale(self.loss.scale() / self.residual_scale);
        // Residuals start near unit size, so these are relative; the caller judges convergence by
        // the step still to be gained, so here they only have to be out of the way.
        let solver = TrustRegionReflective::new()
            .with_absolute_scaled_gradient_tolerance(1e-15)
            .with_relative_step_tolerance::<Vec<f64>, f64>(1e-13);
        let start: Vec<f64> = to_scaled(x);
        let result = Executor::from_start(objective, solver, start)
            .max_iter(max_iterations)
            .run();
        match result {
            Ok(result) => RunEnd {
                x: result
                    .best_param()
                    .iter()
                    .zip(self.scale)
                    .map(|(z, s)| z * s)
                    .collect(),
                iterations: result.iter(),
            },
            // The residuals cannot fail and the bounds were checked, so nothing was tried: the
            // caller sees no progress and judges by its own measure.
            Err(_) => RunEnd {
                x: x.to_vec(),
                iterations: 0,
            },
        }
    }
}

impl<M: Model> Scaled<'_, '_, M> {
    fn unscaled(&self, z: &[f64]) -> Vec<f64> {
        // Rounding in z * s must not step over a bound.
        z.iter()
            .zip(self.run.scale)
            .zip(self.run.lower.iter().zip(self.run.upper))
            .map(|((z, s), (lo, hi))| (z * s).clamp(*lo, *hi))
            .collect()
    }
}

impl<M: Model> Constraints for Scaled<'_, '_, M> {
    type Set = ConstraintSet<BoxBounds<Vec<f64>>>;

    fn constraints(&self) -> <Self::Set as ConstraintDescription>::Borrowed<'_> {
        ConstraintSet::new().with_bounds(BoxBounds::new(Some(&self.lower), Some(&self.upper)))
    }
}

impl<M: Model> CostFunction for Scaled<'_, '_, M> {
    type Param = Vec<f64>;
    type Output = f64;
    type Error = Infallible;

    fn cost(&self, z: &Vec<f64>) -> Result<f64, Infallible> {
        Ok(0.5 * self.residual(z)?.iter().map(|r| r * r).sum::<f64>())
    }
}

impl<M: Model> Residual for Scaled<'_, '_, M> {
    type Param = Vec<f64>;
    type Output = Vec<f64>;
    type Error = Infallible;

    fn residual(&self, z: &Vec<f64>) -> Result<Vec<f64>, Infallible> {
        let mut out = vec![0.0; self.run.rows];
        self.run
            .model
            .borrow_mut()
            .residuals(&self.unscaled(z), &mut out);
        out.iter_mut().for_each(|r| *r /= self.run.residual_scale);
        Ok(out)
    }
}

impl<M: Model> Jacobian for Scaled<'_, '_, M> {
    type Jacobian = DenseMatrix;

    fn jacobian(&self, z: &Vec<f64>) -> Result<DenseMatrix, Infallible> {
        let n = z.len();
        let mut out = vec![0.0; self.run.rows * n];
        self.run
            .model
            .borrow_mut()
            .jacobian(&self.unscaled(z), &mut out);
        for row in out.chunks_exact_mut(n) {
            for (value, scale) in row.iter_mut().zip(self.run.scale) {
                *value *= scale / self.run.residual_scale;
            }
        }
        Ok(DenseMatrix::from_row_slice(self.run.rows, n, &out))
    }
}

impl LossFunction for Loss {
    fn evaluate(&self, z: f64) -> LossEvaluation {
        match self {
            Loss::Square => SquaredLoss.evaluate(z),
            Loss::Huber { .. } => basin::HuberLoss.evaluate(z),
            Loss::SoftL1 { .. } => SoftL1Loss.evaluate(z),
        }
    }

    fn evaluate_scaled(&self, residual: f64, scale: f64) -> LossEvaluation {
        match self {
            Loss::Square => SquaredLoss.evaluate_scaled(residual, scale),
            Loss::Huber { .. } => basin::HuberLoss.evaluate_scaled(residual, scale),
            Loss::SoftL1 { .. } => SoftL1Loss.evaluate_scaled(residual, scale),
        }
    }
}
