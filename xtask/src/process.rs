//! Running other programs, and where things lie.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail};

/// The root of the workspace, from what cargo tells a program that it runs.
pub(crate) fn root() -> Result<PathBuf> {
    let own = std::env::var_os("CARGO_MANIFEST_DIR")
        .context("not started by cargo: run `cargo xtask COMMAND`")?;
    let own = PathBuf::from(own);
    Ok(own.parent().map_or_else(|| own.clone(), Path::to_path_buf))
}

/// Everything made and not kept goes under here.
pub(crate) fn target_dir() -> Result<PathBuf> {
    match std::env::var_os("CARGO_TARGET_DIR") {
        Some(dir) => Ok(root()?.join(dir)),
        None => Ok(root()?.join("target")),
    }
}

/// Cargo with its first arguments, started at the workspace root.
pub(crate) fn cargo(arguments: &[&str]) -> Result<Command> {
    let program = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut command = Command::new(program);
    command.args(arguments).current_dir(root()?);
    Ok(command)
}

/// Runs to the end with the output passed through; a failure names the command.
pub(crate) fn run(command: &mut Command) -> Result<()> {
    let shown = shown(command);
    eprintln!("$ {shown}");
    let status = command
        .stdin(Stdio::null())
        .status()
        .with_context(|| format!("cannot start `{shown}`"))?;
    if !status.success() {
        bail!("`{shown}` failed: {status}");
    }
    Ok(())
}

/// Runs to the end and returns what came on standard output.
pub(crate) fn capture(command: &mut Command) -> Result<String> {
    let shown = shown(command);
    let output = command
        .stdin(Stdio::null())
        .stderr(Stdio::inherit())
        .output()
        .with_context(|| format!("cannot start `{shown}`"))?;
    if !output.status.success() {
        bail!("`{shown}` failed: {}", output.status);
    }
    String::from_utf8(output.stdout).with_context(|| format!("`{shown}` did not print text"))
}

/// The first of these programs that the search path holds.
pub(crate) fn find(programs: &[&str]) -> Option<PathBuf> {
    let path = std::env::var_os("PATH")?;
    std::env::split_paths(&path)
        .flat_map(|dir| programs.iter().map(move |program| dir.join(program)))
        .find(|candidate| candidate.is_file())
}

/// Whether this is a run where nothing may be skipped (`CI` set to `true` or `1`).
pub(crate) fn strict() -> bool {
    std::env::var("CI").is_ok_and(|value| value == "true" || value == "1")
}

fn shown(command: &Command) -> String {
    let program = Path::new(command.get_program());
    let name = program.file_name().unwrap_or(command.get_program());
    std::iter::once(name)
        .chain(command.get_args())
        .map(OsStr::to_string_lossy)
        .collect::<Vec<_>>()
        .join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failing_program_is_named_with_its_arguments() {
        let error = run(Command::new("false").arg("--with").arg("this")).unwrap_err();
        assert!(
            error.to_string().starts_with("`false --with this` failed"),
            "{error}"
        );
    }

    #[test]
    fn a_missing_program_is_an_error_not_a_panic() {
        let error = run(&mut Command::new("no-such-program-here")).unwrap_err();
        assert!(
            error.to_string().contains("no-such-program-here"),
            "{error}"
        );
    }

    #[test]
    fn capture_returns_standard_output() {
        assert_eq!(capture(Command::new("echo").arg("7")).unwrap(), "7\n");
    }
}
