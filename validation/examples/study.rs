//! Prints how the advice fares on practice machines; `study advice|baseline|cross-flow|years [JOBS] [--wrong]`.

use std::process::ExitCode;

use evenpull_validation::study;

fn usage(message: &str) -> ExitCode {
    eprintln!("study: {message}; study advice|baseline|cross-flow|years [JOBS] [--wrong]");
    ExitCode::from(2)
}

#[expect(clippy::print_stdout, reason = "the table is this program's output")]
fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let wrong = arguments.iter().any(|a| a == "--wrong");
    let mut plain = arguments.iter().filter(|a| *a != "--wrong");
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
        "years" => study::run_years(jobs.unwrap_or(200)).map(|t| t.text()),
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
