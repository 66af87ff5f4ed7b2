//! `evenpull practice`.

use std::io::{self, Write};

use evenpull_app::{PracticeRequest, load_profile, practice};

use crate::args::PracticeArgs;
use crate::exit::Exit;
use crate::progress::steps;
use crate::run::CommandError;

pub(crate) fn run(args: &PracticeArgs) -> Result<Exit, CommandError> {
    let profile = load_profile(&args.profile)?;
    let request = PracticeRequest {
        profile: &profile,
        faults: &args.fault,
        seed: args.seed,
    };
    let bar = steps("practice engine");
    let truth = practice(&request, &args.out, &mut |done, of| {
        bar.set_length(of as u64);
        bar.set_position(done as u64);
    })?;
    bar.finish_and_clear();
    let mut out = io::stdout().lock();
    writeln!(
        out,
        "{}: {} readings of the practice engine",
        args.out.display(),
        truth.readings.len()
    )?;
    writeln!(
        out,
        "what was put in stands in truth.json; try `evenpull assess {}` before you look",
        args.out.display()
    )?;
    Ok(Exit::Fine)
}
