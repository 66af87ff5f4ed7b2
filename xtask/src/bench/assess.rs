//! The whole of `evenpull assess` on one job, against draws of the same posterior by scipy and emcee.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use anyhow::{Context, Result, bail};
use serde_json::Value;

use super::tally::Tally;
use super::{Place, median, text, versions};
use crate::process::{self, cargo};

/// Times faster than the peer at equal effective draws.
const GOAL: f64 = 20.0;

/// Longest that the whole command may take [s].
const BUDGET_S: f64 = 1.5;

/// What the peer needs for one hypothesis.
struct Peer {
    name: String,
    mode_s: f64,
    burn_in_s: f64,
    per_effective_s: f64,
    tau: f64,
    long_enough: bool,
}

impl Peer {
    fn of(line: &str) -> Result<Self> {
        let v: Value = serde_json::from_str(line).context("the peer did not answer in JSON")?;
        let number = |key: &str| v[key].as_f64().with_context(|| format!("no `{key}`"));
        Ok(Self {
            name: v["name"].as_str().unwrap_or_default().to_owned(),
            mode_s: number("mode_s")?,
            burn_in_s: number("burn_in_s")?,
            per_effective_s: number("per_effective_s")?,
            tau: number("tau")?,
            long_enough: v["long_enough"].as_bool().unwrap_or(false),
        })
    }

    fn whole_s(&self, effective: f64) -> f64 {
        self.mode_s + self.burn_in_s + self.per_effective_s * effective
    }
}

/// Builds, measures in turns, prints ratios.
pub(super) fn run(place: &Place, rounds: usize, tally: &mut Tally) -> Result<()> {
    let job = text(&process::root()?.join("examples/jobs/worn-spindle"))?;
    process::run(&mut cargo(&[
        "build",
        "--release",
        "--quiet",
        "--package",
        "evenpull-cli",
        "--bin",
        "evenpull",
    ])?)?;
    let numbers = process::capture(&mut cargo(&[
        "run",
        "--release",
        "--quiet",
        "--package",
        "evenpull-validation",
        "--example",
        "plain_posterior",
        "--",
        &job,
    ])?)?;
    let case = place.home.join("posterior.json");
    std::fs::write(&case, numbers)?;
    println!("{}", versions(&place.python, &["numpy", "scipy", "emcee"])?);
    let own = process::target_dir()?.join("release").join("evenpull");
    let (mut walls, mut effective) = (Vec::new(), f64::NAN);
    let (mut ratios, mut peers) = (Vec::new(), Vec::new());
    // A run of the peer takes minutes, so it takes part in three rounds at most.
    let turns = rounds.min(3);
    for round in 1..=turns {
        let (wall_s, ess, hypotheses) = assess(&own, &job)?;
        let found = draw(place, &case)?;
        if found.len() != hypotheses {
            eprintln!(
                "{} hypotheses count here, {hypotheses} in the answer",
                found.len()
            );
        }
        let peer_s: f64 = found.iter().map(|p| p.whole_s(ess)).sum();
        eprintln!(
            "round {round}: evenpull {wall_s:.3} s, scipy and emcee {peer_s:.1} s for {ess:.0} effective draws"
        );
        walls.push(wall_s);
        ratios.push(peer_s / wall_s);
        (effective, peers) = (ess, found);
    }
    // The command alone is quick, so its own time is that of all rounds asked for.
    for _ in turns..rounds {
        walls.push(assess(&own, &job)?.0);
    }
    report(&walls, &ratios, effective, &peers, tally);
    Ok(())
}

/// Time of the whole command on the clock [s], its least effective draws, hypotheses drawn from by chains.
fn assess(program: &Path, job: &str) -> Result<(f64, f64, usize)> {
    let start = Instant::now();
    let output = Command::new(program)
        .args(["assess", job, "--json"])
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .output()?;
    let wall_s = start.elapsed().as_secs_f64();
    let answer: Value = serde_json::from_slice(&output.stdout).context("no answer in JSON")?;
    if answer["causes"][0]["code"] != "spindle-wear" {
        bail!(
            "a fast wrong answer is worth nothing: {}",
            answer["causes"][0]
        );
    }
    let sampling = &answer["sampling"];
    let ess = sampling["least_ess"].as_f64().context("no chains")?;
    let hypotheses = sampling["hypotheses"].as_u64().unwrap_or(0) as usize;
    Ok((wall_s, ess, hypotheses))
}

fn draw(place: &Place, case: &Path) -> Result<Vec<Peer>> {
    let script = process::root()?.join("bench").join("posterior_emcee.py");
    let out = process::capture(Command::new(&place.python).arg(&script).arg(case))?;
    out.lines().map(Peer::of).collect()
}

fn report(walls: &[f64], ratios: &[f64], effective: f64, peers: &[Peer], tally: &mut Tally) {
    let own_s = median(walls.to_vec());
    println!("\nevenpull assess, whole: {own_s:.3} s; least effective draws {effective:.0}");
    println!(
        "{:<28} {:>8} {:>10} {:>12} {:>14}",
        "scipy and emcee", "mode s", "burn-in s", "tau (steps)", "ms/effective"
    );
    for p in peers {
        println!(
            "{:<28} {:>8.2} {:>10.1} {:>12.0} {:>14.2}{}",
            p.name,
            p.mode_s,
            p.burn_in_s,
            p.tau,
            1e3 * p.per_effective_s,
            if p.long_enough {
                ""
            } else {
                "  (chain shorter than 50 tau: tau is too small)"
            }
        );
    }
    let ratio = median(ratios.to_vec());
    tally.at_least("times faster than scipy and emcee", ratio, GOAL);
    tally.at_most("s for the whole command", own_s, BUDGET_S);
}
