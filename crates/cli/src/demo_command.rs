//! `evenpull demo`.

use std::fmt::Write as _;
use std::io::{self, IsTerminal, Write};

use evenpull_app::{AppError, BenchTrial, DemoOutcome, demo, demo_bench, write_assessment};

use crate::args::DemoArgs;
use crate::assess_command::now;
use crate::assess_text::assess_text;
use crate::exit::Exit;
use crate::paragraph::{entry, fixed};
use crate::progress::steps;
use crate::run::CommandError;
use crate::serve_command::{Offer, serve};

pub(crate) fn run(args: &DemoArgs) -> Result<Exit, CommandError> {
    // Held until the end: dropping it removes the folder.
    let passing = match &args.out {
        Some(_) => None,
        None => Some(tempfile::tempdir().map_err(|e| AppError::Unwritable {
            path: std::env::temp_dir(),
            problem: format!("no folder for the demonstration: {e}"),
        })?),
    };
    let folder = match (&args.out, &passing) {
        (Some(out), _) => out.as_path(),
        (None, Some(passing)) => passing.path(),
        (None, None) => return Ok(Exit::Fault),
    };
    let bar = steps("practice engine");
    let outcome = demo(folder, &mut |done, of| {
        bar.set_length(of as u64);
        bar.set_position(done as u64);
    })?;
    bar.finish_and_clear();
    if args.out.is_some() {
        let mut stderr = io::stderr().lock();
        writeln!(stderr, "written: the job in {}", folder.display())?;
        for path in write_assessment(&outcome.found, folder, &now())? {
            writeln!(stderr, "written: {}", path.display())?;
        }
    }
    io::stdout()
        .lock()
        .write_all(demo_text(&outcome).as_bytes())?;
    if args.once || !io::stdout().is_terminal() {
        return Ok(Exit::Fine);
    }
    let mut stderr = io::stderr().lock();
    writeln!(
        stderr,
        "\nThe same engine runs on the bench now; turn its screws yourself:"
    )?;
    drop(stderr);
    // A free port: the daily server may be running on its own.
    // An empty set of records beside it, so that every page can be tried; it goes with the folder.
    let records = tempfile::tempdir().map_err(|e| AppError::Unwritable {
        path: std::env::temp_dir(),
        problem: format!("no folder for the demonstration: {e}"),
    })?;
    serve(&Offer {
        port: 0,
        lan: false,
        ports: Vec::new(),
        folder: records.path(),
        bench: demo_bench()?,
    })
}

fn demo_text(outcome: &DemoOutcome) -> String {
    let mut text = entry(
        "",
        "A demonstration: an invented machine runs on the practice engine, its recordings are \
         read and assessed as any job. What was put in is shown only at the end.",
    );
    text.push('\n');
    text.push_str(&assess_text(&outcome.found));
    text.push_str("\nWHAT WAS PUT IN\n");
    for fault in &outcome.truth.faults {
        text.push_str(&entry("  - ", fault));
    }
    text.push_str("\nTHE ADVICE, TRIED ON THE PRACTICE ENGINE AT HOLD\n");
    if outcome.trials.is_empty() {
        text.push_str(&entry(
            "  ",
            "The advice turns no adjuster, so nothing was tried.",
        ));
    }
    for trial in &outcome.trials {
        text.push_str(&entry("  - ", &tried(trial)));
    }
    text
}

fn tried(t: &BenchTrial) -> String {
    let kpa: Vec<String> = t.depression_kpa.iter().map(|d| fixed(*d, 1)).collect();
    let mut line = format!(
        "`{}` {:+.2} turns: spread of depression {:.1} % before, {:.1} % after ({} kPa)",
        t.adjuster,
        t.turns,
        100.0 * t.spread_before,
        100.0 * t.spread_after,
        kpa.join(" / ")
    );
    if let Some(predicted) = t.predicted_spread {
        let _ = write!(line, "; the advice expected {:.1} %", 100.0 * predicted);
    }
    line
}
