//! Bounded least squares, a sampler, robust statistics and tails, no domain.
//!
//! [`LeastSquares`] finds the mode and its covariance; [`robust`] summarises repeated values and
//! fits lines; [`stats`] gives tails and quantiles; [`Tape`] gives exact derivatives of a formula
//! written over [`Real`]; [`Sampler`] draws from a density, [`Convergence`] says what the draws are
//! worth, [`Importance`] integrates one. No
//! I/O; random numbers come from seeds handed in.

mod convergence;
mod covariance;
mod differences;
mod error;
mod importance;
mod least_squares;
mod loss;
mod sampler;
mod solution;
mod solver;
mod tape;

pub mod robust;
pub mod stats;

pub use convergence::{Convergence, MAX_R_HAT, MIN_ESS};
pub use covariance::Covariance;
pub use error::FitError;
pub use importance::Importance;
pub use least_squares::LeastSquares;
pub use loss::Loss;
pub use sampler::{Draws, SampleError, Sampler};
pub use solution::{AtBound, Fit};
pub use tape::{Real, Tape, Var};
