//! A writer of the records killed again and again; see `crates/store/tests/crash.rs`.

use anyhow::{Result, bail};

use crate::process::{self, cargo};

/// Kills when no number is given.
const ROUNDS: &str = "500";

/// `cargo xtask crash [ROUNDS]`.
pub(crate) fn run(arguments: &[String]) -> Result<()> {
    let rounds = match arguments {
        [] => ROUNDS,
        [n] if n.parse::<u64>().is_ok_and(|n| n > 0) => n.as_str(),
        _ => bail!("write `cargo xtask crash ROUNDS`, ROUNDS a whole number above 0"),
    };
    process::run(&mut cargo(&[
        "test",
        "--package",
        "evenpull-store",
        "--test",
        "crash",
        "--",
        rounds,
    ])?)
}
