//! The `evenpull` program.

use std::process::ExitCode;

fn main() -> ExitCode {
    evenpull_cli::run(std::env::args_os())
}
