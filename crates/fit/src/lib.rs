//! Bounded least squares, robust statistics and tails, no domain.
//!
//! [`LeastSquares`] finds the mode and its covariance; [`robust`] summarises repeated values and
//! fits lines; [`stats`] gives tails and quantiles; [`Tape`] gives exact derivatives of a formula
//! written over [`Real`]. No I/O, no random numbers.

mod covariance;
mod differences;
mod error;
mod least_squares;
mod loss;
mod solution;
mod solver;
mod tape;

pub mod robust;
pub mod stats;

pub use covariance::Covariance;
pub use error::FitError;
pub use least_squares::LeastSquares;
pub use loss::Loss;
pub use solution::{AtBound, Fit};
pub use tape::{Real, Tape, Var};
