//! The binary and what it answered.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// What one run answered.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Answer {
    pub(crate) fn of(output: Output) -> Self {
        Self {
            code: output.status.code(),
            out: String::from_utf8(output.stdout).expect("standard output is UTF-8"),
            err: String::from_utf8(output.stderr).expect("standard error is UTF-8"),
        }
    }

    /// Bad input: exit code 2, nothing on standard output, every text on standard error, no panic.
    #[track_caller]
    pub(crate) fn refuses(&self, texts: &[&str]) {
        assert_eq!(self.code, Some(2), "{self:#?}");
        assert_eq!(self.out, "", "{self:#?}");
        for text in texts {
            assert!(self.err.contains(text), "wanted `{text}` in:\n{}", self.err);
        }
        assert!(!self.err.contains("program fault"), "{}", self.err);
        assert!(!self.err.contains("panicked"), "{}", self.err);
    }
}

/// Runs `evenpull` with the given arguments.
pub(crate) fn evenpull<S: AsRef<OsStr>>(args: &[S]) -> Answer {
    Answer::of(command().args(args).output().expect("the binary runs"))
}

/// The binary, to be given arguments and input.
pub(crate) fn command() -> Command {
    Command::new(env!("CARGO_BIN_EXE_evenpull"))
}

/// A folder of the open jobs.
pub(crate) fn open_job(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../examples/jobs")
        .join(name)
}

/// A path as an argument.
pub(crate) fn shown(path: &Path) -> String {
    path.display().to_string()
}
