//! The import of a recording against the least it has to do: a scan in C of the same file, mapped into
//! memory, that turns every number into a double and keeps nothing.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use anyhow::{Context, Result, bail};
use serde_json::Value;
use wait4::Wait4;

use super::tally::Tally;
use super::{Place, median, read, text};
use crate::process::{self, cargo};

/// Longest that the import may take over the scan [-].
const GOAL: f64 = 2.0;
/// How far the sums of both may lie apart [-]: pressures are kept in single precision, 6e-8 each.
const SUM_TOLERANCE: f64 = 1e-6;

/// Clock and processor time of one run [s].
struct Run {
    clock_s: f64,
    processor_s: f64,
}

/// Builds both, sees that they add up to the same, and measures in turns.
pub(super) fn run(place: &Place, rounds: usize, tally: &mut Tally) -> Result<()> {
    let recording = read::recording(&place.home)?;
    process::run(&mut cargo(&[
        "build",
        "--release",
        "--quiet",
        "--package",
        "evenpull-trace",
        "--example",
        "import",
    ])?)?;
    let own = process::target_dir()?.join("release/examples/import");
    let scan = scan(&place.home)?;
    let (mine, least) = (answer(&own, &recording)?, answer(&scan, &recording)?);
    if mine.0 != least.0 || (mine.1 / least.1 - 1.0).abs() > SUM_TOLERANCE {
        bail!("import found {mine:?} as count and sum, the scan {least:?}");
    }
    let mut runs: [Vec<Run>; 2] = [Vec::new(), Vec::new()];
    for _ in 0..rounds {
        for (program, kept) in [&own, &scan].into_iter().zip(&mut runs) {
            kept.push(measure(program, &recording)?);
        }
    }
    let megabytes = std::fs::metadata(&recording)?.len() as f64 / 1e6;
    println!(
        "{:<10} {:>10} {:>14} {:>10}",
        "", "clock s", "processor s", "MB/s"
    );
    let middle = |runs: &[Run], of: fn(&Run) -> f64| median(runs.iter().map(of).collect());
    let times = runs.map(|runs| {
        [
            middle(&runs, |run| run.clock_s),
            middle(&runs, |run| run.processor_s),
        ]
    });
    for (name, [clock_s, processor_s]) in ["evenpull", "scan in C"].into_iter().zip(times) {
        println!(
            "{name:<10} {clock_s:>10.3} {processor_s:>14.3} {:>10.0}",
            megabytes / clock_s
        );
    }
    let [own, scan] = times;
    tally.at_most("times the scan in C, clock", own[0] / scan[0], GOAL);
    tally.at_most("times the scan in C, processor", own[1] / scan[1], GOAL);
    Ok(())
}

/// The scan, built by the C compiler that the program itself needs.
fn scan(home: &Path) -> Result<PathBuf> {
    let compiler = process::find(&["cc", "gcc", "clang"]).context("missing: a C compiler")?;
    let program = home.join("scan");
    process::run(
        Command::new(compiler)
            .args(["-O3", "-Wall", "-Werror", "-o"])
            .arg(&program)
            .arg(process::root()?.join("bench/scan.c")),
    )?;
    Ok(program)
}

/// Count and sum of the numbers as a program finds them.
fn answer(program: &Path, recording: &Path) -> Result<(u64, f64)> {
    let out = process::capture(Command::new(program).arg(text(recording)?))?;
    let answer: Value = serde_json::from_str(&out).context("no answer in JSON")?;
    let count = answer["numbers"].as_u64().context("no `numbers`")?;
    Ok((count, answer["sum"].as_f64().context("no `sum`")?))
}

fn measure(program: &Path, recording: &Path) -> Result<Run> {
    let start = Instant::now();
    let child = Command::new(program)
        .arg(recording)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .spawn()?;
    let used = child.wait4()?.rusage;
    Ok(Run {
        clock_s: start.elapsed().as_secs_f64(),
        processor_s: (used.utime + used.stime).as_secs_f64(),
    })
}
