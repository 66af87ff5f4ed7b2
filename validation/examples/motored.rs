//! Times the published motored cycle 30 on the engine model: `motored STEPS_PER_CYCLE`.
//!
//! Prints one line of JSON: `error` [-], the largest relative error at the published angles, and
//! `seconds`, the mean processor time of one run from rest to the end of cycle 30 (where the system
//! does not tell processor time, time on the clock).

use std::process::ExitCode;
use std::time::{Duration, Instant};

use evenpull_validation::motored;

/// Time spent measuring.
const MEASURE: Duration = Duration::from_secs(1);

/// Processor time used so far [s], from the first number (nanoseconds) of the scheduler's account.
fn processor_s() -> Option<f64> {
    let account = std::fs::read_to_string("/proc/self/schedstat").ok()?;
    let nanoseconds: f64 = account.split_whitespace().next()?.parse().ok()?;
    Some(nanoseconds * 1e-9)
}

fn measure(steps_per_cycle: usize) -> Result<(f64, f64), String> {
    let spec = motored::spec();
    let mut runner_pa = Vec::with_capacity(steps_per_cycle);
    let mut once =
        || motored::run(&spec, steps_per_cycle, &mut runner_pa).map_err(|error| error.to_string());
    once()?;
    let (start, used_before_s) = (Instant::now(), processor_s());
    let mut runs = 0_u32;
    while start.elapsed() < MEASURE {
        once()?;
        runs += 1;
    }
    let used_s = match (used_before_s, processor_s()) {
        (Some(before), Some(after)) => after - before,
        _ => start.elapsed().as_secs_f64(),
    };
    let error = motored::error(&runner_pa).ok_or("the steps miss a published angle")?;
    Ok((error, used_s / f64::from(runs)))
}

#[expect(clippy::print_stdout, reason = "the line is this program's output")]
fn main() -> ExitCode {
    let steps = std::env::args()
        .nth(1)
        .and_then(|text| text.parse().ok())
        .ok_or_else(|| "give the number of steps per cycle".to_owned());
    match steps.and_then(measure) {
        Ok((error, seconds)) => {
            println!("{{\"error\": {error:e}, \"seconds\": {seconds:e}}}");
            ExitCode::SUCCESS
        }
        Err(why) => {
            eprintln!("motored: {why}");
            ExitCode::FAILURE
        }
    }
}
