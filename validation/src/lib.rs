//! Checks against values from outside the project.
//!
//! [`all`] runs every comparison, [`table`] prints them. The same comparisons are the tests of
//! this package.

pub mod calibration;
mod case;
mod cases;
mod data;
pub mod motored;
pub mod study;

pub use case::{Case, Deviation, Point, table};
pub use cases::all;
