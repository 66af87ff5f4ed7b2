//! How advice, baseline and cross-flow fare on practice machines, see `docs/studies.md`.

use anyhow::Result;

use crate::process::{self, cargo};

/// Runs a study of the validation package in a release build and passes its table through.
///
/// Arguments: name of the study, number of jobs, `--wrong` for a list of what went wrong.
pub(crate) fn run(arguments: &[String]) -> Result<()> {
    let mut command = cargo(&[
        "run",
        "--release",
        "--quiet",
        "--package",
        "evenpull-validation",
        "--example",
        "study",
        "--",
    ])?;
    process::run(command.args(arguments))
}
