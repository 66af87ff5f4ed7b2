//! Prints how the advice fares on practice machines; `study advice|baseline|cross-flow|years [JOBS] [--wrong]`.
//! The years take `[--draw N]`, another shop, and `[--hard]`, one whose machines wear harder.

use std::process::ExitCode;

use evenpull_validation::study;

fn usage(message: &str) -> ExitCode {
    eprintln!(
        "study: {message}; study advice|baseline|cross-flow|years [JOBS] [--wrong], study years [JOBS] [--draw N] \
         [--hard]"
    );
    ExitCode::from(2)
}

#[expect(clippy::print_stdout, reason = "the table is this program's output")]
fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (mut wrong, mut hard, mut draw) = (false, false, 0_u64);
    let mut plain: Vec<&String> = Vec::new();
    let mut all = arguments.iter();
    while let Some(argument) = all.next() {
        match argument.as_str() {
            "--wrong" => wrong = true,
            "--hard" => hard = true,
            "--draw" => match all.next().map(|n| n.parse::<u32>()) {
                Some(Ok(n)) => draw = u64::from(n),
                _ => return usage("--draw wants a whole number"),
            },
            _ => plain.push(argument),
        }
    }
    let mut plain = plain.into_iter();
    let Some(which) = plain.next() else {
        return usage("which study?");
    };
    let jobs = match plain.next().map(|n| n.parse::<u64>()) {
        None => None,
        Some(Ok(n)) => Some(n),
        Some(Err(_)) => return usage("the number of jobs is not a number"),
    };
    let table = match which.as_str() {
        "advice" => study::run_loops(jobs.unwrap_or(200)).map(|t| t.text(wrong)),
        "baseline" => study::run_baselines(jobs.unwrap_or(200)).map(|t| t.text(wrong)),
        "cross-flow" => study::run_cross_flows(jobs.unwrap_or(200)).map(|t| t.text(wrong)),
        "years" => study::run_years(&study::YearsAsked {
            machines: jobs.unwrap_or(200),
            draw,
            mix: if hard {
                study::Mix::HARD
            } else {
                study::Mix::USUAL
            },
        })
        .map(|t| t.text()),
        other => return usage(&format!("no study `{other}`")),
    };
    match table {
        Ok(text) => {
            println!("{text}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("study: {error}");
            ExitCode::FAILURE
        }
    }
}
