//! Tests and examples built but not run by cargo, and where they lie.

use std::path::PathBuf;
use std::process::Command;

use anyhow::{Context, Result};
use serde_json::Value;

use crate::process::cargo;

/// Builds tests or examples, given as cargo takes them.
///
/// The whole workspace is named and everything is built as tests are, so that libraries are shared
/// with every other test.
pub(crate) fn build(targets: &[&str]) -> Result<Command> {
    let mut command = cargo(&[
        "test",
        "--workspace",
        "--no-run",
        "--message-format",
        "json-render-diagnostics",
    ])?;
    command.args(targets);
    Ok(command)
}

/// The same, and optimised where that is asked for: worth its long build where what runs, runs long.
pub(crate) fn build_for_long(targets: &[&str], optimised: bool) -> Result<Command> {
    let mut command = build(targets)?;
    if optimised {
        command.arg("--release");
    }
    Ok(command)
}

/// Whether `--release` comes first, and what follows.
pub(crate) fn optimised(arguments: &[String]) -> (bool, &[String]) {
    match arguments {
        [first, rest @ ..] if first == "--release" => (true, rest),
        all => (false, all),
    }
}

/// The executable of that target among cargo's messages.
pub(crate) fn path(messages: &str, target: &str) -> Result<PathBuf> {
    messages
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok())
        .filter(|message| message["target"]["name"] == target)
        .find_map(|message| message["executable"].as_str().map(PathBuf::from))
        .with_context(|| format!("cargo names no executable of `{target}`"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_optimised_build_is_asked_for_first() {
        let words = |text: &str| -> Vec<String> { text.split(' ').map(str::to_owned).collect() };
        let all = words("--release 8");
        assert_eq!(optimised(&all), (true, &all[1..]));
        let all = words("8 --release");
        assert_eq!(optimised(&all), (false, &all[..]));
    }

    #[test]
    fn an_executable_is_found_among_messages() {
        let text = "{\"target\":{\"name\":\"other\"},\"executable\":\"/x\"}\nnoise\n\
                    {\"target\":{\"name\":\"engine\"},\"executable\":\"/t/engine-1\"}\n";
        assert_eq!(path(text, "engine").unwrap(), PathBuf::from("/t/engine-1"));
        let error = path("{}", "engine").unwrap_err().to_string();
        assert!(error.contains("`engine`"), "{error}");
    }
}
