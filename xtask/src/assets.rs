//! Shell completions and manual pages, written by an example of the command-line crate.
//!
//! An example and not a link: otherwise every command here would wait for the whole program to build.

use anyhow::Result;

use crate::process::{self, cargo};

/// Writes completions and manual pages to `assets` under the target folder.
pub(crate) fn write() -> Result<()> {
    let out = process::target_dir()?.join("assets");
    std::fs::create_dir_all(&out)?;
    process::run(
        cargo(&[
            "run",
            "--quiet",
            "--package",
            "evenpull-cli",
            "--example",
            "assets",
            "--",
        ])?
        .arg(&out),
    )
}
