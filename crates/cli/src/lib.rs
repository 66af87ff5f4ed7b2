//! The command line: parse, call the use case, print.
//!
//! Data goes to standard output, everything else to standard error.

mod args;
mod exit;
mod profile_command;
mod run;

pub use args::{Cli, command};
pub use exit::Exit;
pub use run::run;
