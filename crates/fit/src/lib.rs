//! Bounded least squares, robust statistics and tails, no domain.
//!
//! [`LeastSquares`] finds the mode and its covariance; [`robust`] summarises repeated values and
//! fits lines; [`stats`] gives tails and quantiles. No I/O, no random numbers.

mod covariance;
mod differences;
mod least_squares;
mod solver;

pub mod robust;
pub mod stats;

pub use covariance::Covariance;
pub use least_squares::{AtBound, Fit, FitError, LeastSquares, Loss};
