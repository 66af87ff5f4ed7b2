//! The analysis from outside, on recordings made from the refill law.

mod laws;
mod refusals;
mod synthetic;
