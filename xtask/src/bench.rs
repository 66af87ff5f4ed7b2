//! `evenpull read` on one hour of two channels at 2 kHz, against the same work in Python.
//!
//! All contenders take turns in one run on one machine, so that only ratios are read off it.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use anyhow::{Context, Result, bail};
use serde_json::Value;
use wait4::Wait4;

use crate::process::{self, cargo};
use crate::trace_file;

/// Rounds when none are asked for; odd, so that the median is one of the runs.
const ROUNDS: usize = 5;
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

/// Makes the recording and the Python environment, then measures; `[ROUNDS]` may be given.
pub(crate) fn run(arguments: &[String]) -> Result<()> {
    let rounds = match arguments {
        [] => ROUNDS,
        [text] => text
            .parse()
            .ok()
            .filter(|n| *n >= 3)
            .with_context(|| format!("rounds must be 3 or more, got `{text}`"))?,
        _ => bail!("`bench` takes one argument, the number of rounds"),
    };
    let home = process::target_dir()?.join("bench");
    std::fs::create_dir_all(&home)?;
    let recording = recording(&home)?;
    let python = python(&home)?;
    process::run(&mut cargo(&[
        "build",
        "--release",
        "--quiet",
        "--package",
        "evenpull-cli",
        "--bin",
        "evenpull",
    ])?)?;
    let mut contenders = contenders(&recording, &python)?;
    print_machine(&recording, &python)?;
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
    print_table(&contenders)
}

fn recording(home: &Path) -> Result<PathBuf> {
    let path = home.join("hour.csv");
    if !path.is_file() {
        eprintln!("making {} ({} rows)", path.display(), trace_file::ROWS);
        trace_file::write(&path, trace_file::ROWS)?;
    }
    Ok(path)
}

/// The interpreter of the environment under the target folder, made to the pinned versions.
fn python(home: &Path) -> Result<PathBuf> {
    let wanted = process::root()?.join("bench").join("requirements.txt");
    let venv = home.join("venv");
    let python = venv.join("bin").join("python");
    let stamp = venv.join("installed.txt");
    let pins =
        std::fs::read(&wanted).with_context(|| format!("cannot read {}", wanted.display()))?;
    if std::fs::read(&stamp).ok().as_ref() != Some(&pins) {
        let system = process::find(&["python3"])
            .context("missing: python3 (3.11 or newer) with its venv module")?;
        process::run(
            Command::new(system)
                .args(["-m", "venv", "--clear"])
                .arg(&venv),
        )
        .context("missing: python3's venv module (package python3-venv where it is split off)")?;
        process::run(
            Command::new(&python)
                .args([
                    "-m",
                    "pip",
                    "install",
                    "--quiet",
                    "--disable-pip-version-check",
                    "--only-binary",
                    ":all:",
                    "--requirement",
                ])
                .arg(&wanted),
        )?;
        std::fs::write(&stamp, pins)?;
    }
    Ok(python)
}

fn contenders(recording: &Path, python: &Path) -> Result<Vec<Contender>> {
    let root = process::root()?;
    let text = |path: &Path| {
        path.to_str()
            .map(str::to_owned)
            .context("a path that is not text")
    };
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

fn print_machine(recording: &Path, python: &Path) -> Result<()> {
    let cpu = std::fs::read_to_string("/proc/cpuinfo")
        .ok()
        .and_then(|text| {
            let line = text.lines().find(|line| line.starts_with("model name"))?;
            Some(line.split_once(':')?.1.trim().to_owned())
        })
        .unwrap_or_else(|| "processor not known".to_owned());
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let bytes = std::fs::metadata(recording)?.len();
    println!("{cpu}, {cores} cores, {}", std::env::consts::OS);
    println!(
        "{}",
        process::capture(Command::new("rustc").arg("--version"))?.trim()
    );
    let versions = "import sys, numpy, pandas, polars; print('python', sys.version.split()[0], '· numpy', numpy.__version__, '· pandas', pandas.__version__, '· polars', polars.__version__)";
    println!(
        "{}",
        process::capture(Command::new(python).args(["-c", versions]))?.trim()
    );
    println!(
        "{} rows, 2 channels, {:.0} MB",
        trace_file::ROWS,
        bytes as f64 / 1e6
    );
    Ok(())
}

fn print_table(contenders: &[Contender]) -> Result<()> {
    let own_s = contenders
        .first()
        .map(|own| median(own, |run| run.wall_s))
        .context("nothing measured")?;
    let own_mb = contenders
        .first()
        .map(|own| median(own, |run| run.peak_mb))
        .context("nothing measured")?;
    println!(
        "\n{:<10} {:>10} {:>18} {:>10} {:>8}",
        "", "median s", "least to most s", "peak MB", "ratio"
    );
    let mut missed = Vec::new();
    for contender in contenders {
        let wall = contender.runs.iter().map(|run| run.wall_s);
        let (least, most) = wall.fold((f64::INFINITY, 0.0_f64), |(least, most), s| {
            (least.min(s), most.max(s))
        });
        let median_s = median(contender, |run| run.wall_s);
        let peak = median(contender, |run| run.peak_mb);
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
        if ratio < goal {
            missed.push(format!(
                "{ratio:.1} times faster than {}, goal {goal}",
                contender.name
            ));
        }
    }
    if own_mb > GOALS.2 {
        missed.push(format!("{own_mb:.0} MB at the peak, goal {}", GOALS.2));
    }
    if missed.is_empty() {
        println!("goals met");
        Ok(())
    } else {
        bail!("goals missed: {}", missed.join("; "))
    }
}

fn median(contender: &Contender, of: impl Fn(&Run) -> f64) -> f64 {
    let mut values: Vec<f64> = contender.runs.iter().map(of).collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
