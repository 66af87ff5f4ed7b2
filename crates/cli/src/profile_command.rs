//! `evenpull profile check|list|show`.

use std::io::{self, Write};

use evenpull_app::{load_profile, profile_list};

use crate::args::ProfileCommand;
use crate::exit::Exit;
use crate::run::CommandError;

pub(crate) fn run(command: &ProfileCommand) -> Result<Exit, CommandError> {
    let mut out = io::stdout().lock();
    match command {
        ProfileCommand::List => {
            for p in profile_list() {
                writeln!(out, "{:<15} {}", p.id, p.summary)?;
            }
        }
        ProfileCommand::Show { profile } => {
            let loaded = load_profile(profile)?;
            out.write_all(loaded.text.as_bytes())?;
        }
        ProfileCommand::Check { profile } => {
            let loaded = load_profile(profile)?;
            let p = &loaded.profile;
            writeln!(out, "{}: fine", loaded.origin)?;
            writeln!(out, "  name       {}", p.name)?;
            writeln!(out, "  bodies     {}", p.bodies().join(", "))?;
            for a in p.adjusters() {
                let state = if a.kind.is_sealed() {
                    "sealed"
                } else {
                    "may be turned"
                };
                writeln!(
                    out,
                    "  adjuster   {:<15} {} ({state})",
                    a.name,
                    a.kind.words()
                )?;
            }
            for assumed in &p.assumed {
                writeln!(out, "  assumed    {}", assumed.text)?;
            }
        }
    }
    Ok(Exit::Fine)
}
