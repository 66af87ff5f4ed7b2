//! Runs the binary and looks at standard output, standard error and exit code.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod assess;
mod bad_files;
mod bad_jobs;
mod documents;
mod guide;
mod listen;
mod practice;
mod profile;
mod program;
mod read;
mod records;
mod reference;
mod serve;
