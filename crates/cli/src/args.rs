//! What the command line takes.

use clap::{CommandFactory, Parser, Subcommand};

/// Reads how evenly the cylinders of an engine breathe, finds what was disturbed or is worn, and
/// says what to turn and what to leave sealed.
#[derive(Debug, Parser)]
#[command(name = "evenpull", version, max_term_width = 100)]
#[command(
    after_help = "Exit codes: 0 answered, 1 answered with a refusal or \"undetermined\", \
                        2 bad input, 3 program fault."
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Engine profiles: check a file, list the embedded ones, show one.
    #[command(subcommand)]
    Profile(ProfileCommand),
}

/// What to do with profiles.
#[derive(Debug, Subcommand)]
pub(crate) enum ProfileCommand {
    /// Read a profile and report every problem in it.
    Check {
        /// Path of a profile file, or name of an embedded profile.
        profile: String,
    },
    /// List the embedded profiles.
    List,
    /// Print the text of a profile, to start an own one from.
    Show {
        /// Name of an embedded profile, or path of a profile file.
        profile: String,
    },
}

/// The command line as clap sees it, for documents made from it.
pub fn command() -> clap::Command {
    Cli::command()
}
