//! Bounded least squares, robust statistics and tails, no domain.
//!
//! [`LeastSquares`] finds the mode and its covariance; [`robust`] summarises repeated values and
//! fits lines; [`stats`] gives tails and quantiles. No I/O, no random numbers.

mod covariance;
mod differences;
mod error;
mod least_squares;
mod loss;
mod solution;
mod solver;

pub mod robust;
pub mod stats;

pub use covariance::Covariance;
pub use error::FitError;
pub use least_squares::LeastSquares;
pub use loss::Loss;
pub use solution::{AtBound, Fit};
