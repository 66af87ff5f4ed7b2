//! The served pages under load, and how soon a sample is on the screen.

use std::path::{Path, PathBuf};

use anyhow::{Result, bail};

use crate::browser;
use crate::process::{self, cargo};

/// Jobs that are stored, with 25 readings each.
const JOBS: &str = "2000";
/// Seconds of each part when none are given.
const SECONDS: &str = "30";

/// `cargo xtask load [SECONDS]`: see `crates/web/examples/load.rs` and `xtask/browser/delay.mjs`.
pub(crate) fn run(arguments: &[String]) -> Result<()> {
    let seconds = match arguments {
        [] => SECONDS,
        [n] if n.parse::<u64>().is_ok_and(|n| (1..=600).contains(&n)) => n.as_str(),
        _ => bail!("write `cargo xtask load SECONDS`, SECONDS from 1 to 600"),
    };
    let program = built()?;
    let folder = records()?;
    process::run(
        cargo(&[
            "run",
            "--release",
            "--quiet",
            "--package",
            "evenpull-web",
            "--example",
            "load",
            "--",
        ])?
        .args([program.as_os_str(), folder.as_os_str(), seconds.as_ref()]),
    )?;
    let board = board()?;
    browser::delay(&program, &board, seconds)
}

/// The program as it is handed out.
fn built() -> Result<PathBuf> {
    process::run(&mut cargo(&[
        "build",
        "--release",
        "--quiet",
        "--package",
        "evenpull-cli",
    ])?)?;
    release(Path::new("evenpull"))
}

/// The board that sends four channels at 5 kHz.
fn board() -> Result<PathBuf> {
    process::run(&mut cargo(&[
        "build",
        "--release",
        "--quiet",
        "--package",
        "evenpull-live",
        "--example",
        "follow_board",
    ])?)?;
    release(Path::new("examples/follow_board"))
}

fn release(name: &Path) -> Result<PathBuf> {
    let path = process::target_dir()?.join("release").join(name);
    Ok(path.with_extension(std::env::consts::EXE_EXTENSION))
}

/// Records of many years, made once.
fn records() -> Result<PathBuf> {
    let folder = process::target_dir()?.join("records-under-load");
    if folder.join("evenpull.db").exists() {
        return Ok(folder);
    }
    process::run(
        cargo(&[
            "bench",
            "--quiet",
            "--package",
            "evenpull-store",
            "--bench",
            "lists",
            "--",
            JOBS,
        ])?
        .arg(&folder),
    )?;
    Ok(folder)
}
