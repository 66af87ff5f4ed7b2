//! `cargo xtask soak`: a day at the bench, faster than the clock.

use std::process::Command;

use anyhow::{Result, bail};

use crate::{executables, process};

/// `cargo xtask soak [--release] [HOURS]`: see `hardness/examples/soak`.
pub(crate) fn run(arguments: &[String]) -> Result<()> {
    let (optimised, arguments) = executables::optimised(arguments);
    if arguments.len() > 1 {
        bail!("write `cargo xtask soak [--release] [HOURS]`");
    }
    let mut build = executables::build_for_long(&["--example", "soak"], optimised)?;
    let messages = process::capture(&mut build)?;
    process::run(Command::new(executables::path(&messages, "soak")?).args(arguments))
}
