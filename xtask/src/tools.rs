//! Programs that only `ci` needs, built into the target folder when the machine has none.

use std::path::PathBuf;

use anyhow::{Context, Result, bail};

use crate::process;

/// Tool and the version to build where it is missing.
const VERSIONS: [(&str, &str); 2] = [("cargo-deny", "0.20.2"), ("cargo-machete", "0.9.2")];

/// Path of the tool, built first if need be (some minutes, once).
pub(crate) fn installed(tool: &str) -> Result<PathBuf> {
    let home = process::target_dir()?.join("tools");
    let own = home.join("bin").join(tool);
    if own.is_file() {
        return Ok(own);
    }
    if let Some(path) = process::find(&[tool]) {
        return Ok(path);
    }
    let (_, version) = VERSIONS
        .iter()
        .find(|(name, _)| *name == tool)
        .with_context(|| format!("no version set for `{tool}`"))?;
    let home = home
        .to_str()
        .context("the target folder's path is not text")?
        .to_owned();
    process::run(&mut process::cargo(&[
        "install",
        "--quiet",
        "--locked",
        "--root",
        &home,
        "--version",
        version,
        tool,
    ])?)
    .with_context(|| {
        format!("`{tool}` is missing and could not be built: `cargo install --locked {tool}`")
    })?;
    if !own.is_file() {
        bail!("`{tool}` was built but is not at {}", own.display());
    }
    Ok(own)
}
