//! The records under strain: a writer killed again and again, and lists of many years.

use anyhow::{Result, bail};

use crate::process::{self, cargo};

/// Kills when no number is given.
const ROUNDS: &str = "500";

/// `cargo xtask crash [ROUNDS]`: see `crates/store/tests/crash.rs`.
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

/// `cargo xtask lists`: see `crates/store/benches/lists.rs`.
pub(crate) fn lists() -> Result<()> {
    process::run(&mut cargo(&[
        "bench",
        "--package",
        "evenpull-store",
        "--bench",
        "lists",
    ])?)
}
