//! The engine model on the published motored four-stroke, against the same equations elsewhere.
//!
//! Equal accuracy: each contender runs at every setting of its list, and takes part at the fastest
//! of those whose runner pressures stay within the same error of the published points.

use std::path::PathBuf;
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail};
use serde_json::Value;

use super::tally::Tally;
use super::{Place, median, text, versions};
use crate::process::{self, cargo};

/// Largest relative errors at the published angles at which the contenders are compared [-].
const ERRORS: [f64; 2] = [1e-3, 1e-4];

/// One program that takes part.
struct Contender {
    name: &'static str,
    /// What its settings are.
    dial: &'static str,
    program: PathBuf,
    script: Option<String>,
    settings: &'static [&'static str],
    /// How many times faster than it the engine model shall be [-].
    goal: Option<f64>,
}

/// Relative error at the published angles [-], processor time of one run [s].
#[derive(Clone, Copy)]
struct Run {
    error: f64,
    seconds: f64,
}

/// One contender at one setting.
struct Chosen<'a> {
    contender: &'a Contender,
    setting: &'static str,
    error: f64,
    seconds: Vec<f64>,
}

/// Measures at both errors.
pub(super) fn run(place: &Place, rounds: usize, tally: &mut Tally) -> Result<()> {
    process::run(&mut cargo(&[
        "build",
        "--release",
        "--quiet",
        "--package",
        "evenpull-validation",
        "--example",
        "motored",
    ])?)?;
    let contenders = contenders(place)?;
    println!(
        "{}",
        versions(&place.python, &["numpy", "scipy", "cantera"])?
    );
    let ladders = contenders.iter().map(ladder).collect::<Result<Vec<_>>>()?;
    for error in ERRORS {
        let mut chosen = Vec::new();
        for (contender, ladder) in contenders.iter().zip(&ladders) {
            chosen.push(choose(contender, ladder, error)?);
        }
        for round in 1..=rounds {
            for one in &mut chosen {
                let run = measure(one.contender, one.setting)?;
                eprintln!(
                    "round {round}: {:<10} {:8.3} ms",
                    one.contender.name,
                    run.seconds * 1e3
                );
                one.seconds.push(run.seconds);
            }
        }
        print_table(&chosen, error, tally)?;
    }
    Ok(())
}

fn contenders(place: &Place) -> Result<Vec<Contender>> {
    let scripts = process::root()?.join("bench");
    Ok(vec![
        Contender {
            name: "evenpull",
            dial: "steps per cycle",
            program: process::target_dir()?.join("release/examples/motored"),
            script: None,
            settings: &[
                "108", "144", "180", "216", "252", "288", "360", "432", "576", "720",
            ],
            goal: None,
        },
        Contender {
            name: "scipy",
            dial: "LSODA rtol",
            program: place.python.clone(),
            script: Some(text(&scripts.join("motored_scipy.py"))?),
            settings: &[
                "1e-3", "5e-4", "3e-4", "2e-4", "1e-4", "5e-5", "3e-5", "2e-5", "1e-5", "5e-6",
            ],
            goal: Some(30.0),
        },
        Contender {
            name: "cantera",
            dial: "rtol, longest step s",
            program: place.python.clone(),
            script: Some(text(&scripts.join("motored_cantera.py"))?),
            settings: &[
                "3e-5 1",
                "1e-5 1",
                "3e-6 1",
                "1e-6 1",
                "3e-7 1",
                "1e-7 1",
                "3e-5 3e-4",
                "2e-5 3e-4",
                "1e-5 3e-4",
                "2e-6 5e-4",
                "1e-6 5e-4",
                "5e-7 5e-4",
                "5e-6 2e-4",
                "2e-6 2e-4",
            ],
            goal: Some(100.0),
        },
    ])
}

/// Every setting that gives an answer, with it.
fn ladder(contender: &Contender) -> Result<Vec<(&'static str, Run)>> {
    let mut runs = Vec::new();
    for setting in contender.settings {
        let run = measure(contender, setting)?;
        eprintln!(
            "{:<10} {setting:<10} error {:.1e} {:8.3} ms",
            contender.name,
            run.error,
            run.seconds * 1e3
        );
        runs.push((*setting, run));
    }
    Ok(runs)
}

/// The fastest setting within `error`.
fn choose<'a>(
    contender: &'a Contender,
    ladder: &[(&'static str, Run)],
    error: f64,
) -> Result<Chosen<'a>> {
    let (setting, run) = ladder
        .iter()
        .filter(|(_, run)| run.error <= error)
        .min_by(|a, b| a.1.seconds.total_cmp(&b.1.seconds))
        .with_context(|| format!("{} has no setting within {error}", contender.name))?;
    Ok(Chosen {
        contender,
        setting,
        error: run.error,
        seconds: Vec::new(),
    })
}

fn measure(contender: &Contender, setting: &str) -> Result<Run> {
    let output = Command::new(&contender.program)
        .args(&contender.script)
        .args(setting.split(' '))
        .stdin(Stdio::null())
        .output()
        .with_context(|| format!("cannot start {}", contender.name))?;
    if !output.status.success() {
        bail!(
            "{} at {setting} failed: {}\n{}",
            contender.name,
            output.status,
            String::from_utf8_lossy(&output.stderr)
        );
    }
    let answer: Value = serde_json::from_slice(&output.stdout)
        .with_context(|| format!("{} did not answer in JSON", contender.name))?;
    let number = |key: &str| {
        answer[key]
            .as_f64()
            .with_context(|| format!("{} gives no `{key}`", contender.name))
    };
    Ok(Run {
        error: number("error")?,
        seconds: number("seconds")?,
    })
}

/// Prints the times at one error and counts the ratios.
fn print_table(chosen: &[Chosen<'_>], error: f64, tally: &mut Tally) -> Result<()> {
    let own_s = chosen
        .first()
        .map(|own| median(own.seconds.clone()))
        .context("nothing measured")?;
    println!(
        "\nrunner pressures within {:.2} % of the published points",
        error * 100.0
    );
    println!(
        "{:<10} {:<36} {:>8} {:>10} {:>20} {:>8}",
        "", "setting", "error", "median ms", "least to most ms", "ratio"
    );
    for one in chosen {
        let (least, most) = one
            .seconds
            .iter()
            .fold((f64::INFINITY, 0.0_f64), |(least, most), s| {
                (least.min(*s), most.max(*s))
            });
        let middle = median(one.seconds.clone());
        let ratio = middle / own_s;
        println!(
            "{:<10} {:<36} {:>8.1e} {:>10.3} {:>11.3} {:>8.3} {ratio:>8.1}",
            one.contender.name,
            format!("{} {}", one.contender.dial, one.setting),
            one.error,
            middle * 1e3,
            least * 1e3,
            most * 1e3
        );
        if let Some(goal) = one.contender.goal {
            let what = format!(
                "times faster than {}, within {:.2} %",
                one.contender.name,
                error * 100.0
            );
            tally.at_least(what, ratio, goal);
        }
    }
    Ok(())
}
