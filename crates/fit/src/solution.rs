//! A fitted model and how far to trust it.

use crate::covariance::Covariance;

/// Where a parameter ended relative to its bounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AtBound {
    /// Inside.
    Free,
    /// Held by its lower bound: the data want it lower.
    Lower,
    /// Held by its upper bound: the data want it higher.
    Upper,
    /// Lower and upper bound are equal.
    Fixed,
}

/// A fitted model.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Parameters, in the caller's order and units.
    pub params: Vec<f64>,
    /// Residuals at the parameters, unweighted.
    pub residuals: Vec<f64>,
    /// `sum r^2`; chi-square when the residuals are in units of their standard deviation.
    pub chi2: f64,
    /// `sum rho(r)`, what was minimised; equals `chi2` for the squared loss.
    pub objective: f64,
    /// Residuals less determined directions.
    pub dof: usize,
    /// Covariance for residuals of unit variance; robust weights applied.
    pub covariance: Covariance,
    /// One per parameter.
    pub at_bound: Vec<AtBound>,
    /// Steps taken by the solver.
    pub iterations: u64,
    /// Calls of the residual function, those for differences included.
    pub evaluations: u64,
    /// Length of the step still to be gained, in standard deviations of the parameters (the
    /// relative offset of `bates1981`) [-]; `converged` when below 1e-4.
    pub relative_offset: f64,
    /// True when the step still to be gained is negligible.
    pub converged: bool,
}

impl Fit {
    /// Standard deviation of parameter `index` if the residuals have unit variance.
    ///
    /// # Panics
    /// If `index` is past the last parameter.
    pub fn sd(&self, index: usize) -> f64 {
        self.covariance.sd(index).expect("index of a parameter")
    }

    /// Variance of the residuals `chi2 / dof`; `None` without degrees of freedom.
    pub fn residual_variance(&self) -> Option<f64> {
        (self.dof > 0).then(|| self.chi2 / self.dof as f64)
    }

    /// Standard deviation of parameter `index` with the residuals' own scatter as their unit.
    ///
    /// `None` without degrees of freedom.
    ///
    /// # Panics
    /// If `index` is past the last parameter.
    pub fn scaled_sd(&self, index: usize) -> Option<f64> {
        Some(self.sd(index) * self.residual_variance()?.sqrt())
    }
}
