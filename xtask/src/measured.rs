//! Long measurements of the answers: examples of the validation package, see `docs/calibration.md`
//! and `docs/studies.md`.

use anyhow::Result;

use crate::process::{self, cargo};

/// Runs one of those examples in a release build and passes its table through.
///
/// Arguments of `calibrate`: number of drawn jobs, `--practice` and `--next` with a number of jobs,
/// `--wrong` for a list of what went wrong. Of `study`: name of the study, number of jobs, `--wrong`.
pub(crate) fn run(example: &str, arguments: &[String]) -> Result<()> {
    let mut command = cargo(&[
        "run",
        "--release",
        "--quiet",
        "--package",
        "evenpull-validation",
        "--example",
        example,
        "--",
    ])?;
    process::run(command.args(arguments))
}
