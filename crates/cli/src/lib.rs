//! The command line: parse, call the use case, print.
//!
//! Data goes to standard output, everything else to standard error.

mod archive_command;
mod args;
mod assess_command;
mod assess_tables;
mod assess_text;
mod demo_command;
mod document_command;
mod exit;
mod listen_command;
mod paragraph;
mod practice_command;
mod profile_command;
mod progress;
mod read_command;
mod read_text;
mod records_args;
mod records_command;
mod records_text;
mod run;
mod serve_command;
mod years_command;

pub use args::{Cli, command};
pub use exit::Exit;
pub use run::run;
