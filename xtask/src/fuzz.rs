//! `cargo xtask fuzz`: an engine looks, by coverage, for inputs that break a law.
//!
//! The engine is libFuzzer. Its counters are put in by the compiler with plain code generation
//! flags, so the stable toolchain does. Only the crates of the workspace get them, through this
//! program as cargo's wrapper for those crates: everything else is used as it is already built.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::Instant;

use anyhow::{Context, Result, bail};

use crate::{executables, process};

/// Set where cargo calls this program in place of the compiler.
const WRAPPED: &str = "EVENPULL_FUZZ_COMPILE";
/// Its value where the build is optimised.
const OPTIMISED: &str = "optimised";
/// Seconds for each target when none are given.
const SECONDS: u64 = 10;
/// Longest that one input may take on a busy machine [s].
const LIMIT_S: u32 = 10;
/// Most memory of the whole engine [MB]; a target that reads a large photo takes a quarter of it.
const LIMIT_MB: u32 = 1024;
/// Longest input tried [bytes].
const LONGEST: u32 = 16_384;

/// What lets the engine see which parts of the code an input reaches, and what it compares.
const COUNTERS: [&str; 6] = [
    "-Cpasses=sancov-module",
    "-Cllvm-args=-sanitizer-coverage-level=4",
    "-Cllvm-args=-sanitizer-coverage-inline-8bit-counters",
    "-Cllvm-args=-sanitizer-coverage-pc-table",
    "-Cllvm-args=-sanitizer-coverage-trace-compares",
    "-Cllvm-args=-simplifycfg-branch-fold-threshold=0",
];

/// What an optimised build leaves out and an input may break all the same.
const CHECKS: [&str; 2] = ["-Coverflow-checks=on", "-Cdebug-assertions=on"];

/// Whether cargo called this program to compile a crate with counters.
pub(crate) fn is_compiler() -> bool {
    std::env::var_os(WRAPPED).is_some()
}

/// Compiles as cargo asks, with counters in libraries and in the engine itself.
pub(crate) fn compile() -> ExitCode {
    let arguments: Vec<OsString> = std::env::args_os().skip(1).collect();
    let Some((compiler, rest)) = arguments.split_first() else {
        return ExitCode::FAILURE;
    };
    let mut command = Command::new(compiler);
    command.args(rest);
    let names = |word: &str| rest.iter().any(|argument| argument == word);
    let optimised = std::env::var_os(WRAPPED).is_some_and(|how| how == OPTIMISED);
    // Optimised, the engine is put together from what the libraries were translated to, and the counters
    // would go into all of it a second time.
    if names("lib") || names("engine") && !optimised {
        command.args(COUNTERS);
    }
    if names("lib") && optimised {
        command.args(CHECKS);
    }
    match command.status() {
        Ok(status) if status.success() => ExitCode::SUCCESS,
        Ok(_) => ExitCode::FAILURE,
        Err(error) => {
            eprintln!("cannot start the compiler: {error}");
            ExitCode::FAILURE
        }
    }
}

/// What became of one target.
struct Outcome {
    target: String,
    executions: u64,
    seconds: f64,
    peak_mb: u64,
    findings: usize,
}

/// `cargo xtask fuzz [--release] [TARGET] [SECONDS]`.
pub(crate) fn run(arguments: &[String]) -> Result<()> {
    let (optimised, arguments) = executables::optimised(arguments);
    let (targets, seconds) = asked(arguments, &targets()?)?;
    let engine = built(optimised)?;
    let mut outcomes = Vec::new();
    for target in targets {
        outcomes.push(one(&engine, target, seconds)?);
    }
    println!("\ntarget       executions  per second  seconds  peak MB  findings");
    for o in &outcomes {
        println!(
            "{:<12} {:>10}  {:>10.0}  {:>7.0}  {:>7}  {:>8}",
            o.target,
            o.executions,
            o.executions as f64 / o.seconds,
            o.seconds,
            o.peak_mb,
            o.findings
        );
    }
    let found: usize = outcomes.iter().map(|o| o.findings).sum();
    if found > 0 {
        bail!(
            "{found} inputs break a law; they lie in target/fuzz/TARGET/findings. Mend the fault and \
             keep the input as hardness/corpus/TARGET/found-WHAT"
        );
    }
    Ok(())
}

/// The targets: those that have a corpus.
fn targets() -> Result<Vec<String>> {
    let folder = process::root()?.join("hardness").join("corpus");
    let mut names = Vec::new();
    for entry in
        std::fs::read_dir(&folder).with_context(|| format!("cannot list {}", folder.display()))?
    {
        names.push(entry?.file_name().to_string_lossy().into_owned());
    }
    names.sort();
    Ok(names)
}

fn asked(arguments: &[String], known: &[String]) -> Result<(Vec<String>, u64)> {
    let (name, seconds) = match arguments {
        [] => (None, None),
        [one] if one.parse::<u64>().is_ok() => (None, Some(one)),
        [name] => (Some(name), None),
        [name, seconds] => (Some(name), Some(seconds)),
        _ => bail!("write `cargo xtask fuzz [--release] [TARGET] [SECONDS]`"),
    };
    let seconds = match seconds.map(|text| text.parse::<u64>()) {
        None => SECONDS,
        Some(Ok(seconds)) if seconds > 0 => seconds,
        Some(_) => bail!("SECONDS is a whole number above 0"),
    };
    match name {
        None => Ok((known.to_vec(), seconds)),
        Some(name) if known.contains(name) => Ok((vec![name.clone()], seconds)),
        Some(name) => bail!("no target `{name}`; there are {}", known.join(", ")),
    }
}

/// The engine with all targets; optimised it runs more inputs in a second, and takes long to build.
fn built(optimised: bool) -> Result<PathBuf> {
    if process::find(&["c++", "g++", "clang++"]).is_none() {
        bail!("the engine is built with a C++ compiler: install g++ or clang");
    }
    let own = std::env::current_exe().context("where this program lies")?;
    // A copy: cargo builds this program anew under its own name where its sources change.
    let wrapper = process::target_dir()?.join("fuzz").join("compile");
    let wrapper = wrapper.with_extension(std::env::consts::EXE_EXTENSION);
    if std::fs::read(&wrapper).ok() != std::fs::read(&own).ok() {
        std::fs::create_dir_all(wrapper.parent().unwrap_or(Path::new(".")))?;
        std::fs::copy(&own, &wrapper).context("the compiler's wrapper")?;
    }
    let targets = ["--test", "engine", "--features", "evenpull-hardness/engine"];
    let mut build = executables::build_for_long(&targets, optimised)?;
    build
        .env("RUSTC_WORKSPACE_WRAPPER", &wrapper)
        .env(WRAPPED, if optimised { OPTIMISED } else { "1" });
    executables::path(&process::capture(&mut build)?, "engine")
}

/// Runs the engine on one target; what it found stays for the next run.
fn one(engine: &Path, target: String, seconds: u64) -> Result<Outcome> {
    let folder = process::target_dir()?.join("fuzz").join(&target);
    let (grown, findings) = (folder.join("corpus"), folder.join("findings"));
    for made in [&grown, &findings] {
        std::fs::create_dir_all(made)?;
    }
    let before = files_in(&findings)?;
    eprintln!("\n== {target}, {seconds} s");
    let log = folder.join("log.txt");
    let out = std::fs::File::create(&log)?;
    let start = Instant::now();
    let mut command = Command::new(engine);
    command
        .env("EVENPULL_FUZZ", &target)
        .arg(format!("-max_total_time={seconds}"))
        .arg(format!("-timeout={LIMIT_S}"))
        .arg(format!("-rss_limit_mb={LIMIT_MB}"))
        .arg(format!("-max_len={LONGEST}"))
        .arg(format!("-artifact_prefix={}/", findings.display()))
        .arg("-print_final_stats=1")
        .arg(&grown)
        .arg(
            process::root()?
                .join("hardness")
                .join("corpus")
                .join(&target),
        )
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(out);
    // Databases wait for the disk; what only lives in memory does not.
    let memory = Path::new("/dev/shm");
    if memory.is_dir() {
        command.env("TMPDIR", memory);
    }
    let status = command.status().context("the engine")?;
    let seconds = start.elapsed().as_secs_f64();
    let text = String::from_utf8_lossy(&std::fs::read(&log)?).into_owned();
    let findings = files_in(&findings)? - before;
    if findings > 0 || !status.success() {
        let lines: Vec<&str> = text.lines().collect();
        let tail = lines[lines.len().saturating_sub(40)..].join("\n");
        eprintln!("{tail}\nthe whole of it: {}", log.display());
    }
    if !status.success() && findings == 0 {
        bail!("the engine failed on `{target}`: {status}");
    }
    Ok(Outcome {
        executions: stat(&text, "number_of_executed_units"),
        peak_mb: stat(&text, "peak_rss_mb"),
        target,
        seconds,
        findings,
    })
}

/// A number of the engine's last report.
fn stat(text: &str, name: &str) -> u64 {
    let key = format!("stat::{name}:");
    text.lines()
        .find_map(|line| line.strip_prefix(&key)?.trim().parse().ok())
        .unwrap_or(0)
}

fn files_in(folder: &Path) -> Result<usize> {
    Ok(std::fs::read_dir(folder)?.count())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(text: &str) -> Vec<String> {
        text.split_whitespace().map(str::to_owned).collect()
    }

    #[test]
    fn target_and_seconds_may_be_left_out() {
        let known = words("form photo");
        assert_eq!(asked(&[], &known).unwrap(), (known.clone(), SECONDS));
        assert_eq!(asked(&words("7"), &known).unwrap(), (known.clone(), 7));
        assert_eq!(
            asked(&words("photo 9"), &known).unwrap(),
            (words("photo"), 9)
        );
        let error = asked(&words("phto"), &known).unwrap_err().to_string();
        assert!(error.contains("form, photo"), "{error}");
        assert!(asked(&words("photo 0"), &known).is_err());
    }

    #[test]
    fn the_report_of_the_engine_is_read() {
        let text = "Done 12\nstat::number_of_executed_units: 4711\nstat::peak_rss_mb:  99\n";
        assert_eq!(stat(text, "number_of_executed_units"), 4711);
        assert_eq!(stat(text, "peak_rss_mb"), 99);
        assert_eq!(stat(text, "other"), 0);
    }
}
