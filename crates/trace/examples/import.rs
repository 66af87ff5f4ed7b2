//! Imports a recording of two bodies and nothing more: `import FILE`, for `cargo xtask bench import`.
//!
//! Prints one line of JSON: `numbers` taken over and their `sum`, times in seconds and pressures in
//! kilopascal as in the file.

use std::fs::File;
use std::process::ExitCode;

use evenpull_trace::{LayoutHint, import};

fn sum(path: &str) -> Result<(usize, f64), String> {
    let file = File::open(path).map_err(|e| format!("{path}: {e}"))?;
    let bodies = ["left", "right"].map(str::to_owned);
    let recording = import(file, path, &LayoutHint::default(), &bodies, &mut |_| {})
        .map_err(|e| e.to_string())?;
    let mut total = 0.0;
    for channel in &recording.channels {
        total += channel.p_pa.iter().map(|p| f64::from(*p)).sum::<f64>() / 1000.0;
    }
    // The clock is kept as start and spacing.
    let n = recording.samples() as f64;
    total += 0.5 * n * (n - 1.0) * recording.dt_s;
    Ok((recording.samples() * (recording.channels.len() + 1), total))
}

#[expect(clippy::print_stdout, reason = "the line is this program's output")]
fn main() -> ExitCode {
    let answer = std::env::args()
        .nth(1)
        .ok_or_else(|| "give a recording".to_owned())
        .and_then(|path| sum(&path));
    match answer {
        Ok((numbers, sum)) => {
            println!("{{\"numbers\": {numbers}, \"sum\": {sum:e}}}");
            ExitCode::SUCCESS
        }
        Err(why) => {
            eprintln!("import: {why}");
            ExitCode::FAILURE
        }
    }
}
