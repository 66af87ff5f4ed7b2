//! Prints how the assessment's intervals and probabilities fare on machines drawn at random.
//!
//! `calibrate [JOBS] [--practice JOBS] [--next JOBS] [--wrong]`; see `docs/calibration.md`.

use std::process::ExitCode;

use evenpull_validation::calibration::{self, Tally};

/// Jobs without an argument.
const JOBS: u64 = 1_000;

/// Jobs of the practice engine without an argument.
const PRACTICE: u64 = 64;

struct Wanted {
    jobs: u64,
    practice: u64,
    next: u64,
    wrong: bool,
}

fn wanted(mut arguments: impl Iterator<Item = String>) -> Result<Wanted, String> {
    let mut wanted = Wanted {
        jobs: JOBS,
        practice: PRACTICE,
        next: 0,
        wrong: false,
    };
    let number = |text: &str| {
        text.parse()
            .map_err(|_| format!("`{text}` is not a number of jobs"))
    };
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--wrong" => wanted.wrong = true,
            "--practice" => {
                let given = arguments.next().unwrap_or_default();
                wanted.practice = number(&given)?;
            }
            "--next" => {
                let given = arguments.next().unwrap_or_default();
                wanted.next = number(&given)?;
            }
            other => wanted.jobs = number(other)?,
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
fn show_next(jobs: u64) {
    println!(
        "{}",
        calibration::choice_table(&calibration::run_choices(0..jobs))
    );
}

fn main() -> ExitCode {
    let wanted = match wanted(std::env::args().skip(1)) {
        Ok(wanted) => wanted,
        Err(message) => {
            eprintln!(
                "calibrate: {message}; calibrate [JOBS] [--practice JOBS] [--next JOBS] [--wrong]"
            );
            return ExitCode::from(2);
        }
    };
    let drawn = calibration::run(0..wanted.jobs);
    let title = format!("{} jobs drawn at the level of through-areas", wanted.jobs);
    show(&title, &drawn, wanted.wrong);
    if wanted.next > 0 {
        show_next(wanted.next);
    }
    match calibration::run_practice(wanted.practice) {
        Ok(tally) => {
            let title = format!("{} jobs of the practice engine", wanted.practice);
            show(&title, &tally, wanted.wrong);
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("calibrate: {error}");
            ExitCode::FAILURE
        }
    }
}
