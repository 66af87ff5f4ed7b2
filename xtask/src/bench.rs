//! What the program does against the same work by named peers, each group in its own file.
//!
//! All contenders of a group take turns in one run on one machine, so that only ratios are read off it.

mod assess;
mod engine;
mod import;
mod read;
mod tally;

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context, Result};
use tally::Tally;

use crate::process::{self, cargo};

/// Rounds when none are asked for; odd, so that the median is one of the runs.
const ROUNDS: usize = 5;

/// A group of contenders: its name on the command line, what runs it.
type Group = (&'static str, fn(&Place, usize, &mut Tally) -> Result<()>);

/// Every group, in the order in which they run.
const GROUPS: [Group; 4] = [
    ("engine", engine::run),
    ("import", import::run),
    ("read", read::run),
    ("assess", assess::run),
];

/// Packages whose versions stand over the table at the end.
const PEERS: [&str; 6] = ["numpy", "scipy", "cantera", "pandas", "polars", "emcee"];

/// Where the benchmark keeps what it makes, and the interpreter of its Python environment.
struct Place {
    home: PathBuf,
    python: PathBuf,
}

/// Runs the groups asked for, `[GROUP...] [ROUNDS]`, without a group all of them, and ends with one table.
///
/// `live [SECONDS]` is no contest and runs only when asked for, alone.
pub(crate) fn run(arguments: &[String]) -> Result<()> {
    if let Some(("live", rest)) = arguments.split_first().map(|(a, b)| (a.as_str(), b)) {
        return live(rest);
    }
    let mut rounds = ROUNDS;
    let mut wanted = Vec::new();
    for text in arguments {
        if let Some(group) = GROUPS.iter().find(|(name, _)| name == text) {
            wanted.push(*group);
        } else {
            rounds = text.parse().ok().filter(|n| *n >= 3).with_context(|| {
                let names = GROUPS.map(|(name, _)| name).join(", ");
                format!("`bench` takes groups ({names}) and rounds (3 or more), got `{text}`")
            })?;
        }
    }
    if wanted.is_empty() {
        wanted.extend(GROUPS);
    }
    let home = process::target_dir()?.join("bench");
    std::fs::create_dir_all(&home)?;
    let python = python(&home)?;
    let place = Place { home, python };
    print_machine()?;
    let mut tally = Tally::default();
    for (name, group) in wanted {
        println!("\n## {name}\n");
        tally.begin(name);
        if let Err(error) = group(&place, rounds, &mut tally) {
            println!("{error:#}");
            tally.no_answer();
        }
    }
    println!("\n## all\n");
    print_machine()?;
    println!("{}", versions(&place.python, &PEERS)?);
    println!("{}", load());
    tally.finish()
}

/// Delay, processor time and memory of a live session; fails when a budget is not kept.
fn live(arguments: &[String]) -> Result<()> {
    print_machine()?;
    let mut command = cargo(&[
        "run",
        "--release",
        "--quiet",
        "--package",
        "evenpull-live",
        "--example",
        "follow_board",
        "--",
    ])?;
    process::run(command.args(arguments))
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

/// Prints processor, compiler and the installed versions of the peers.
fn print_machine() -> Result<()> {
    let cpu = std::fs::read_to_string("/proc/cpuinfo")
        .ok()
        .and_then(|text| {
            let line = text.lines().find(|line| line.starts_with("model name"))?;
            Some(line.split_once(':')?.1.trim().to_owned())
        })
        .unwrap_or_else(|| "processor not known".to_owned());
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    println!("{cpu}, {cores} cores, {}", std::env::consts::OS);
    println!(
        "{}",
        process::capture(Command::new("rustc").arg("--version"))?.trim()
    );
    Ok(())
}

/// What else the machine does; times taken beside other work are not to be believed.
fn load() -> String {
    let text = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let minute = text.split(' ').next().filter(|word| !word.is_empty());
    format!(
        "load over the last minute, this run included: {}",
        minute.unwrap_or("not known")
    )
}

/// One line with the versions of Python and of these packages.
fn versions(python: &Path, packages: &[&str]) -> Result<String> {
    let script = "import sys; from importlib.metadata import version; \
                  print('python', sys.version.split()[0], \
                  *(f'· {name} {version(name)}' for name in sys.argv[1:]))";
    let line = process::capture(Command::new(python).args(["-c", script]).args(packages))?;
    Ok(line.trim().to_owned())
}

/// Middle of an odd number of values.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// A path as an argument.
fn text(path: &Path) -> Result<String> {
    path.to_str()
        .map(str::to_owned)
        .context("a path that is not text")
}
