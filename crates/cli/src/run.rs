//! From arguments to exit code.

use std::ffi::OsString;
use std::io::{self, Write};
use std::panic::{self, AssertUnwindSafe};
use std::process::ExitCode;
use std::sync::{Arc, Mutex};

use clap::Parser;
use evenpull_app::{AppError, DocumentKind};
use evenpull_web::ServerError;

use crate::args::{Cli, Command};
use crate::exit::Exit;
use crate::{
    archive_command, assess_command, demo_command, document_command, listen_command,
    practice_command, profile_command, read_command, records_command, serve_command, years_command,
};

/// Why a command ended early.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CommandError {
    /// The use case did not answer.
    #[error("{0}")]
    App(#[from] AppError),
    /// The server did not run.
    #[error("{0}")]
    Server(#[from] ServerError),
    /// Arguments that do not fit together.
    #[error("{0}")]
    Usage(String),
    /// Standard output could not be written.
    #[error("standard output: {0}")]
    Output(#[from] io::Error),
}

impl From<serde_json::Error> for CommandError {
    /// Every answer can be put into JSON, so what fails is the output.
    fn from(error: serde_json::Error) -> Self {
        Self::Output(error.into())
    }
}

/// Runs the program with the given arguments, the first being its name.
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    match Cli::try_parse_from(args) {
        Ok(cli) => guarded(|| dispatch(cli)).into(),
        Err(error) => {
            // Help and version are answers; clap sends them to standard output itself.
            let exit = if error.use_stderr() {
                Exit::BadInput
            } else {
                Exit::Fine
            };
            match error.print() {
                Ok(()) => exit.into(),
                Err(_) => Exit::Fault.into(),
            }
        }
    }
}

fn dispatch(cli: Cli) -> Result<Exit, CommandError> {
    match cli.command {
        Command::Demo(args) => demo_command::run(&args),
        Command::Assess(args) => assess_command::run(&args),
        Command::Handover(args) => document_command::run(DocumentKind::Handover, &args),
        Command::Inspection(args) => document_command::run(DocumentKind::Inspection, &args),
        Command::Estimate(args) => document_command::estimate(&args),
        Command::JobCard(args) => document_command::run(DocumentKind::JobCard, &args),
        Command::WhySealed(args) => document_command::run(DocumentKind::WhySealed, &args),
        Command::Read(args) => read_command::run(&args),
        Command::Listen(args) => listen_command::run(&args),
        Command::Practice(args) => practice_command::run(&args),
        Command::Serve(args) => serve_command::run(&args),
        Command::Profile(command) => profile_command::run(&command),
        Command::Records(args) => records_command::run(&args),
        Command::History(args) => years_command::history(&args),
        Command::Library(args) => years_command::library(&args),
        Command::Export(args) => archive_command::export(&args),
        Command::Import(args) => archive_command::import(&args),
        Command::Backup(args) => archive_command::backup(&args),
        Command::Restore(args) => archive_command::restore(&args),
        Command::Check(args) => archive_command::check(&args),
        Command::Salvage(args) => archive_command::salvage(&args),
    }
}

/// Runs a command, prints its error, and turns a panic into a short message.
fn guarded(command: impl FnOnce() -> Result<Exit, CommandError>) -> Exit {
    let place = Arc::new(Mutex::new(String::new()));
    let seen = Arc::clone(&place);
    let before = panic::take_hook();
    panic::set_hook(Box::new(move |info| {
        if let Ok(mut text) = seen.lock() {
            *text = info.to_string();
        }
    }));
    let ended = panic::catch_unwind(AssertUnwindSafe(command));
    panic::set_hook(before);
    let mut stderr = io::stderr().lock();
    // A closed standard error leaves nobody to tell.
    let mut tell = |text: &str| drop(writeln!(stderr, "{text}"));
    match ended {
        Ok(Ok(exit)) => exit,
        Ok(Err(CommandError::App(error))) => {
            tell(&format!("evenpull: {error}"));
            Exit::of(&error)
        }
        Ok(Err(
            wrong @ (CommandError::Usage(_)
            | CommandError::Server(ServerError::Port { .. } | ServerError::NoNetwork)),
        )) => {
            tell(&format!("evenpull: {wrong}"));
            Exit::BadInput
        }
        // The reader of the pipe has seen enough.
        Ok(Err(CommandError::Output(e))) if e.kind() == io::ErrorKind::BrokenPipe => Exit::Fine,
        Ok(Err(other)) => {
            tell(&format!("evenpull: {other}"));
            Exit::Fault
        }
        Err(_) => {
            let text = place.lock().map(|t| t.clone()).unwrap_or_default();
            tell(&format!(
                "evenpull: program fault, please report it with the files that led to it\n  {text}"
            ));
            Exit::Fault
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_becomes_a_program_fault() {
        assert_eq!(guarded(|| panic!("broken inside")), Exit::Fault);
    }

    #[test]
    fn a_closed_pipe_is_no_fault() {
        let closed = || Err(io::Error::from(io::ErrorKind::BrokenPipe).into());
        assert_eq!(guarded(closed), Exit::Fine);
    }

    #[test]
    fn the_arguments_are_consistent() {
        crate::command().debug_assert();
    }
}
