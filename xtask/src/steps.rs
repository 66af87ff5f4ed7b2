//! What each command runs, in order, and the summary at its end.

use std::time::Instant;

use anyhow::{Result, bail};

use crate::process::{self, cargo};
use crate::{assets, browser, direction, keys, links, purity, tools};

/// Named steps: all of them run, whatever an earlier one said, and the summary names each.
#[derive(Default)]
struct Steps {
    done: Vec<(&'static str, f64, Result<()>)>,
}

impl Steps {
    fn step(&mut self, name: &'static str, work: impl FnOnce() -> Result<()>) {
        eprintln!("\n== {name}");
        let start = Instant::now();
        let outcome = work();
        if let Err(error) = &outcome {
            eprintln!("{name}: {error:#}");
        }
        self.done
            .push((name, start.elapsed().as_secs_f64(), outcome));
    }

    fn finish(self) -> Result<()> {
        println!();
        for (name, seconds, outcome) in &self.done {
            let word = if outcome.is_ok() { "ok" } else { "FAILED" };
            println!("{name:<32} {word:<8} {seconds:7.1} s");
        }
        let failed: Vec<&str> = self
            .done
            .iter()
            .filter(|(.., outcome)| outcome.is_err())
            .map(|(name, ..)| *name)
            .collect();
        if !failed.is_empty() {
            bail!("failed: {}", failed.join(", "));
        }
        Ok(())
    }
}

/// Under a minute when warm: what to run before every commit.
pub(crate) fn check() -> Result<()> {
    let mut steps = Steps::default();
    check_steps(&mut steps);
    steps.finish()
}

fn check_steps(steps: &mut Steps) {
    steps.step("format", || {
        process::run(&mut cargo(&["fmt", "--all", "--check"])?)
    });
    steps.step("crate direction", direction::check);
    steps.step("pure crates and module names", purity::check);
    steps.step("keys in the reference", keys::check);
    steps.step("lints", || {
        process::run(&mut cargo(&[
            "clippy",
            "--workspace",
            "--all-targets",
            "--quiet",
            "--",
            "-D",
            "warnings",
        ])?)
    });
    steps.step("unit tests", unit_tests);
}

fn unit_tests() -> Result<()> {
    if process::find(&["cargo-nextest"]).is_some() {
        process::run(&mut cargo(&[
            "nextest",
            "run",
            "--workspace",
            "--lib",
            "--bins",
            "--no-tests=pass",
            "--status-level",
            "fail",
            "--cargo-quiet",
        ])?)
    } else {
        process::run(&mut cargo(&[
            "test",
            "--workspace",
            "--lib",
            "--bins",
            "--quiet",
        ])?)
    }
}

/// Every test there is.
pub(crate) fn test() -> Result<()> {
    let mut steps = Steps::default();
    test_steps(&mut steps);
    steps.finish()
}

fn test_steps(steps: &mut Steps) {
    // Plain cargo on purpose: it also runs the examples in the documents and prints its own totals.
    steps.step("tests of every crate", || {
        process::run(&mut cargo(&["test", "--workspace", "--no-fail-fast"])?)
    });
    steps.step("outside checks", validate);
    steps.step("pages in a browser", browser::run);
}

/// Everything, as the machine that guards the branch runs it.
pub(crate) fn ci() -> Result<()> {
    let mut steps = Steps::default();
    check_steps(&mut steps);
    steps.step("documents", doc);
    steps.step("completions and manual pages", assets::write);
    test_steps(&mut steps);
    steps.step("licences, bans, sources", || {
        let deny = tools::installed("cargo-deny")?;
        // The lists are read offline, so every package of the lock has to be there first.
        process::run(&mut cargo(&["fetch", "--quiet", "--locked"])?)?;
        process::run(
            std::process::Command::new(deny)
                .args([
                    "--offline",
                    "--workspace",
                    "check",
                    "licenses",
                    "bans",
                    "sources",
                ])
                .current_dir(process::root()?),
        )
    });
    steps.step("unused dependencies", || {
        let machete = tools::installed("cargo-machete")?;
        process::run(std::process::Command::new(machete).current_dir(process::root()?))
    });
    steps.finish()
}

/// The checks against values from outside the project, with their table.
pub(crate) fn validate() -> Result<()> {
    process::run(&mut cargo(&[
        "run",
        "--quiet",
        "--package",
        "evenpull-validation",
    ])?)
}

/// The links of every Markdown file, then the documents of every crate, warnings denied.
pub(crate) fn doc() -> Result<()> {
    links::check()?;
    process::run(cargo(&["doc", "--workspace", "--no-deps"])?.env("RUSTDOCFLAGS", "-D warnings"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn later_steps_run_after_a_failure_and_the_failed_one_is_named() {
        let mut steps = Steps::default();
        let mut ran = false;
        steps.step("first", || bail!("no"));
        steps.step("second", || {
            ran = true;
            Ok(())
        });
        let error = steps.finish().unwrap_err();
        assert!(ran);
        assert_eq!(error.to_string(), "failed: first");
    }
}
