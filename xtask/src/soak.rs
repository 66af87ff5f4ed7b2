//! `cargo xtask soak`: a day at the bench, faster than the clock.

use std::process::Command;

use anyhow::{Result, bail};

use crate::{executables, process};

/// `cargo xtask soak [HOURS]`: see `hardness/examples/soak`.
pub(crate) fn run(arguments: &[String]) -> Result<()> {
    if arguments.len() > 1 {
        bail!("write `cargo xtask soak [HOURS]`");
    }
    let messages = process::capture(&mut executables::build(&["--example", "soak"])?)?;
    process::run(Command::new(executables::path(&messages, "soak")?).args(arguments))
}
