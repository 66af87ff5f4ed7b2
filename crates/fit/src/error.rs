//! Why a fit is refused.

/// What a fit refuses, or why it has no answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum FitError {
    /// No parameters or no residuals.
    #[error(
        "a fit needs at least one parameter and one residual, got {parameters} and {residuals}"
    )]
    Empty {
        /// Number of parameters.
        parameters: usize,
        /// Number of residuals.
        residuals: usize,
    },
    /// An argument of the wrong length.
    #[error("{what} has {got} entries, the fit has {want} parameters")]
    Length {
        /// Name of the argument.
        what: &'static str,
        /// Its length.
        got: usize,
        /// Number of parameters.
        want: usize,
    },
    /// Bounds that leave nothing, or are not numbers.
    #[error("bounds of parameter {index} must satisfy lower <= upper, got {lower} and {upper}")]
    Bounds {
        /// Parameter.
        index: usize,
        /// Lower bound as given.
        lower: f64,
        /// Upper bound as given.
        upper: f64,
    },
    /// A start that is not a number or outside the bounds.
    #[error("start of parameter {index} must be finite and within {lower} to {upper}, got {start}")]
    Start {
        /// Parameter.
        index: usize,
        /// Start as given.
        start: f64,
        /// Lower bound.
        lower: f64,
        /// Upper bound.
        upper: f64,
    },
    /// A typical size that is not positive.
    #[error("scale of parameter {index} must be finite and positive, got {scale}")]
    Scale {
        /// Parameter.
        index: usize,
        /// Scale as given.
        scale: f64,
    },
    /// A loss scale that is not positive.
    #[error("scale of the robust loss must be finite and positive, got {scale}")]
    LossScale {
        /// Scale as given.
        scale: f64,
    },
    /// The model gives no finite number at the start.
    #[error("residual {index} is not finite at the start")]
    StartResidual {
        /// First such residual.
        index: usize,
    },
    /// The model's derivative is not finite.
    #[error("derivative of residual {residual} by parameter {parameter} is not finite")]
    Derivative {
        /// Residual.
        residual: usize,
        /// Parameter.
        parameter: usize,
    },
}
