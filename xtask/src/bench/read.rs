//! `evenpull read` on one hour of two channels at 2 kHz, against the same work in Python.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use anyhow::{Context, Result, bail};
use serde_json::Value;
use wait4::Wait4;

use super::tally::Tally;
use super::{Place, median, text, versions};
use crate::process::{self, cargo};
use crate::trace_file;

/// How far each contender's refill rate may lie from what the recording was made with [-].
const RATE_TOLERANCE: f64 = 0.02;
/// Goals: times faster than pandas, times faster than polars, peak memory [MB].
const GOALS: (f64, f64, f64) = (10.0, 2.0, 150.0);

/// One program that takes part.
struct Contender {
    name: &'static str,
    program: PathBuf,
    arguments: Vec<String>,
    runs: Vec<Run>,
}

/// Wall time [s], peak resident memory [MB].
struct Run {
    wall_s: f64,
    peak_mb: f64,
}

/// Makes the recording, then measures.
pub(super) fn run(place: &Place, rounds: usize, tally: &mut Tally) -> Result<()> {
    let recording = recording(&place.home)?;
    process::run(&mut cargo(&[
        "build",
        "--release",
        "--quiet",
        "--package",
        "evenpull-cli",
        "--bin",
        "evenpull",
    ])?)?;
    let mut contenders = contenders(&recording, &place.python)?;
    println!(
        "{}",
        versions(&place.python, &["numpy", "pandas", "polars"])?
    );
    println!(
        "{} rows, 2 channels, {:.0} MB",
        trace_file::ROWS,
        std::fs::metadata(&recording)?.len() as f64 / 1e6
    );
    for contender in &contenders {
        check_answer(contender)?;
    }
    for round in 1..=rounds {
        for contender in &mut contenders {
            let run = measure(contender)?;
            eprintln!(
                "round {round}: {:<10} {:7.3} s {:7.0} MB",
                contender.name, run.wall_s, run.peak_mb
            );
            contender.runs.push(run);
        }
    }
    print_table(&contenders, tally)
}

/// The recording of an hour, made where it is not there yet.
pub(super) fn recording(home: &Path) -> Result<PathBuf> {
    let path = home.join("hour.csv");
    if !path.is_file() {
        eprintln!("making {} ({} rows)", path.display(), trace_file::ROWS);
        trace_file::write(&path, trace_file::ROWS)?;
    }
    Ok(path)
}

fn contenders(recording: &Path, python: &Path) -> Result<Vec<Contender>> {
    let root = process::root()?;
    let recording = text(recording)?;
    let profile = text(&root.join("examples/jobs/healthy/profile.toml"))?;
    let own = ["read", &recording, "--profile", &profile, "--json"]
        .map(str::to_owned)
        .to_vec();
    let peer = |script: &str| -> Result<Vec<String>> {
        let ambient = trace_file::AMBIENT_KPA.to_string();
        Ok(vec![
            text(&root.join("bench").join(script))?,
            recording.clone(),
            ambient,
        ])
    };
    let contender = |name, program: &Path, arguments| Contender {
        name,
        program: program.to_path_buf(),
        arguments,
        runs: Vec::new(),
    };
    Ok(vec![
        contender(
            "evenpull",
            &process::target_dir()?.join("release").join("evenpull"),
            own,
        ),
        contender("pandas", python, peer("with_pandas.py")?),
        contender("polars", python, peer("with_polars.py")?),
    ])
}

/// A fast wrong answer is worth nothing: every contender must find what the recording holds.
fn check_answer(contender: &Contender) -> Result<()> {
    let output = Command::new(&contender.program)
        .args(&contender.arguments)
        .stdin(Stdio::null())
        .output()?;
    if !matches!(output.status.code(), Some(0 | 1)) {
        bail!(
            "{} failed: {}\n{}",
            contender.name,
            output.status,
            String::from_utf8_lossy(&output.stderr)
        );
    }
    let answer: Value = serde_json::from_slice(&output.stdout)
        .with_context(|| format!("{} did not answer in JSON", contender.name))?;
    for (body, rate_per_s, _) in trace_file::BODIES {
        let channel = answer["channels"]
            .as_array()
            .and_then(|channels| channels.iter().find(|channel| channel["body"] == body))
            .with_context(|| format!("{} has no body `{body}`", contender.name))?;
        let found = channel["refill_rate_per_s"]["value"]
            .as_f64()
            .context("no refill rate")?;
        eprintln!(
            "{:<10} {body:<6} refill {found:.4} /s, put in {rate_per_s} /s",
            contender.name
        );
        if (found / rate_per_s - 1.0).abs() > RATE_TOLERANCE {
            bail!(
                "{}: refill rate of `{body}` is {found} /s, put in {rate_per_s} /s",
                contender.name
            );
        }
    }
    Ok(())
}

fn measure(contender: &Contender) -> Result<Run> {
    let start = Instant::now();
    let child = Command::new(&contender.program)
        .args(&contender.arguments)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()?;
    let used = child.wait4()?;
    let wall_s = start.elapsed().as_secs_f64();
    Ok(Run {
        wall_s,
        peak_mb: used.rusage.maxrss as f64 / 1e6,
    })
}

fn print_table(contenders: &[Contender], tally: &mut Tally) -> Result<()> {
    let own_s = contenders
        .first()
        .map(|own| middle(own, |run| run.wall_s))
        .context("nothing measured")?;
    let own_mb = contenders
        .first()
        .map(|own| middle(own, |run| run.peak_mb))
        .context("nothing measured")?;
    println!(
        "\n{:<10} {:>10} {:>18} {:>10} {:>8}",
        "", "median s", "least to most s", "peak MB", "ratio"
    );
    for contender in contenders {
        let wall = contender.runs.iter().map(|run| run.wall_s);
        let (least, most) = wall.fold((f64::INFINITY, 0.0_f64), |(least, most), s| {
            (least.min(s), most.max(s))
        });
        let median_s = middle(contender, |run| run.wall_s);
        let peak = middle(contender, |run| run.peak_mb);
        let ratio = median_s / own_s;
        println!(
            "{:<10} {median_s:>10.3} {least:>9.3} {most:>8.3} {peak:>10.0} {ratio:>8.1}",
            contender.name
        );
        let goal = match contender.name {
            "pandas" => GOALS.0,
            "polars" => GOALS.1,
            _ => continue,
        };
        tally.at_least(
            format!("times faster than the {} script", contender.name),
            ratio,
            goal,
        );
    }
    tally.at_most("MB at the peak", own_mb, GOALS.2);
    Ok(())
}

fn middle(contender: &Contender, of: impl Fn(&Run) -> f64) -> f64 {
    median(contender.runs.iter().map(of).collect())
}
