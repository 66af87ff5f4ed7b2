//! Prints how the assessment's intervals and probabilities fare on machines drawn at random.
//!
//! `calibrate [JOBS] [--practice JOBS] [--ranks JOBS] [--next JOBS] [--laplace] [--pictures FOLDER] [--wrong]`; see
//! `docs/calibration.md`.

use std::path::PathBuf;
use std::process::ExitCode;

use evenpull_diagnose::Sampling;
use evenpull_validation::calibration::{self, Series, Tally};

const USAGE: &str = "calibrate [JOBS] [--practice JOBS] [--ranks JOBS] [--next JOBS] [--laplace] \
                     [--pictures FOLDER] [--wrong]";

struct Wanted {
    jobs: u64,
    practice: u64,
    ranks: u64,
    next: u64,
    sampling: Sampling,
    pictures: Option<PathBuf>,
    wrong: bool,
}

fn wanted(mut arguments: impl Iterator<Item = String>) -> Result<Wanted, String> {
    let mut wanted = Wanted {
        jobs: 500,
        practice: 60,
        ranks: 500,
        next: 0,
        sampling: Sampling::Full,
        pictures: None,
        wrong: false,
    };
    let number = |text: Option<String>| {
        let text = text.unwrap_or_default();
        text.parse()
            .map_err(|_| format!("`{text}` is not a number of jobs"))
    };
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--wrong" => wanted.wrong = true,
            "--laplace" => wanted.sampling = Sampling::Laplace,
            "--practice" => wanted.practice = number(arguments.next())?,
            "--ranks" => wanted.ranks = number(arguments.next())?,
            "--next" => wanted.next = number(arguments.next())?,
            "--pictures" => wanted.pictures = arguments.next().map(PathBuf::from),
            _ => wanted.jobs = number(Some(argument))?,
        }
    }
    Ok(wanted)
}

#[expect(clippy::print_stdout, reason = "the table is this program's output")]
fn show(title: &str, tally: &Tally, wrong: bool) {
    println!("{title}\n\n{}", tally.table());
    if wrong {
        println!("{}\n", tally.wrong.join("\n"));
    }
}

#[expect(clippy::print_stdout, reason = "the table is this program's output")]
fn run(wanted: &Wanted) -> Result<(), String> {
    let drawn = calibration::run(0..wanted.jobs, wanted.sampling);
    let title = format!("{} jobs drawn at the level of through-areas", wanted.jobs);
    show(&title, &drawn, wanted.wrong);
    if wanted.next > 0 {
        let choice = calibration::run_choices(0..wanted.next);
        println!("{}", calibration::choice_table(&choice));
    }
    let ranks = calibration::run_ranks(0..wanted.ranks, wanted.sampling);
    println!("{}", ranks.table());
    let practice =
        calibration::run_practice(wanted.practice, wanted.sampling).map_err(|e| e.to_string())?;
    let title = format!("{} jobs of the practice engine", wanted.practice);
    show(&title, &practice, wanted.wrong);
    let Some(folder) = &wanted.pictures else {
        return Ok(());
    };
    let series = [
        ("drawn areas", &drawn.bins[..]),
        ("practice engine", &practice.bins[..]),
        ("its own priors", &ranks.bins[..]),
    ];
    let series = series.map(|(name, bins)| Series { name, bins });
    for (name, picture) in [
        ("reliability.svg", calibration::reliability_picture(&series)),
        ("ranks.svg", calibration::ranks_picture(&ranks)),
    ] {
        let path = folder.join(name);
        std::fs::write(&path, picture).map_err(|e| format!("{}: {e}", path.display()))?;
    }
    Ok(())
}

fn main() -> ExitCode {
    let wanted = match wanted(std::env::args().skip(1)) {
        Ok(wanted) => wanted,
        Err(message) => {
            eprintln!("calibrate: {message}; {USAGE}");
            return ExitCode::from(2);
        }
    };
    match run(&wanted) {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("calibrate: {message}");
            ExitCode::FAILURE
        }
    }
}
