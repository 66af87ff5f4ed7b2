//! `evenpull assess`.

use std::io::{self, Write};
use std::path::PathBuf;

use evenpull_app::{AssessOutcome, JobSource, assess_source, system_clock, write_assessment};

use crate::args::AssessArgs;
use crate::assess_text::assess_text;
use crate::exit::Exit;
use crate::progress::steps;
use crate::records_command::data_folder;
use crate::run::CommandError;

pub(crate) fn run(args: &AssessArgs) -> Result<Exit, CommandError> {
    let bar = steps("reading the job");
    let source = JobSource::of(&args.job);
    let references: Vec<JobSource> = args.reference.iter().map(|r| JobSource::of(r)).collect();
    let stored = |s: &JobSource| matches!(s, JobSource::Stored(_));
    // Jobs in folders need no records, and no place for them.
    let folder = if stored(&source) || references.iter().any(stored) {
        data_folder(&args.data)?
    } else {
        PathBuf::new()
    };
    let outcome = assess_source(
        &source,
        &references,
        &folder,
        &system_clock(),
        &mut |done, of| {
            bar.set_length(of as u64);
            bar.set_position(done as u64);
        },
    )?;
    bar.finish_and_clear();
    if let Some(folder) = &args.out {
        let mut stderr = io::stderr().lock();
        for path in write_assessment(&outcome, folder, &now())? {
            writeln!(stderr, "written: {}", path.display())?;
        }
    }
    let mut out = io::stdout().lock();
    if args.json {
        serde_json::to_writer_pretty(&mut out, &outcome.answer())?;
        writeln!(out)?;
    } else {
        out.write_all(assess_text(&outcome).as_bytes())?;
    }
    Ok(exit(&outcome))
}

/// Undetermined findings and a job without one usable reading end with 1.
pub(crate) fn exit(outcome: &AssessOutcome) -> Exit {
    let a = &outcome.assessment;
    if a.undetermined || a.causes.is_empty() {
        Exit::Undetermined
    } else {
        Exit::Fine
    }
}

/// Local date and time, as it is written into documents.
pub(crate) fn now() -> String {
    jiff::Zoned::now().strftime("%Y-%m-%d %H:%M").to_string()
}
