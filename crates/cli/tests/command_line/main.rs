//! Runs the binary and looks at standard output, standard error and exit code.

mod bad_files;
mod practice;
mod profile;
mod program;
mod read;
