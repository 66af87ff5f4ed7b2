//! How the assessment's intervals and probabilities fare, see `docs/calibration.md`.

use anyhow::Result;

use crate::process::{self, cargo};

/// Runs the calibration of the validation package in a release build and passes its table through.
///
/// Arguments: number of drawn jobs, `--practice` with a number of practice jobs, `--wrong`.
pub(crate) fn run(arguments: &[String]) -> Result<()> {
    let mut command = cargo(&[
        "run",
        "--release",
        "--quiet",
        "--package",
        "evenpull-validation",
        "--example",
        "calibrate",
        "--",
    ])?;
    process::run(command.args(arguments))
}
