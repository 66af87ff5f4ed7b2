//! How residuals count: squared or robust.

/// How a residual counts, `rho(r)` in `sum rho / 2`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Loss {
    /// `r^2`.
    Square,
    /// `r^2` up to `scale`, straight beyond.
    Huber {
        /// Residual at which the loss turns straight, > 0, in the residuals' unit.
        scale: f64,
    },
    /// `2 s^2 (sqrt(1 + (r/s)^2) - 1)`: Huber's behaviour without the corner.
    SoftL1 {
        /// Residual s around which the loss turns straight, > 0, in the residuals' unit.
        scale: f64,
    },
}

impl Loss {
    pub(crate) fn scale(self) -> f64 {
        match self {
            Self::Square => 1.0,
            Self::Huber { scale } | Self::SoftL1 { scale } => scale,
        }
    }

    /// `rho(r)`.
    pub(crate) fn value(self, r: f64) -> f64 {
        match self {
            Self::Square => r * r,
            Self::Huber { scale } if r.abs() > scale => scale * (2.0 * r.abs() - scale),
            Self::Huber { .. } => r * r,
            Self::SoftL1 { scale } => {
                let z = (r / scale) * (r / scale);
                2.0 * r * r / ((1.0 + z).sqrt() + 1.0)
            }
        }
    }

    /// Weight `rho'(r) / (2 r)` in the normal equations [-].
    pub fn weight(self, r: f64) -> f64 {
        match self {
            Self::Square => 1.0,
            Self::Huber { scale } => (scale / r.abs()).min(1.0),
            Self::SoftL1 { scale } => 1.0 / (1.0 + (r / scale) * (r / scale)).sqrt(),
        }
    }
}
