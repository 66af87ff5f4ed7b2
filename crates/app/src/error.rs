//! Why a use case did not answer.

use std::path::PathBuf;

use evenpull_job::FileErrors;

/// Who is to act on an error; the command line maps it to its exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorKind {
    /// The caller's files or arguments.
    BadInput,
    /// The readings carry no answer.
    Refused,
    /// The program itself.
    Fault,
}

/// Why a use case did not answer.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AppError {
    /// A profile, job or layout file has problems.
    #[error("{0}")]
    File(#[from] FileErrors),
    /// A file or folder cannot be read.
    #[error("{}: {problem}\n  remedy: {remedy}", path.display())]
    Unreadable {
        /// Path as given.
        path: PathBuf,
        /// What is wrong.
        problem: String,
        /// What to do.
        remedy: String,
    },
    /// A file or folder cannot be written.
    #[error("{}: {problem}\n  remedy: choose a folder that can be written", path.display())]
    Unwritable {
        /// Path as given.
        path: PathBuf,
        /// What is wrong.
        problem: String,
    },
    /// No file and no embedded profile of that name.
    #[error(
        "no profile `{name}`: no such file, and no embedded profile of that name\n  remedy: give \
         the path of a profile file, or one of {known}"
    )]
    NoProfile {
        /// Name as given.
        name: String,
        /// Embedded profiles.
        known: String,
    },
}

impl AppError {
    /// Who is to act.
    pub fn kind(&self) -> ErrorKind {
        ErrorKind::BadInput
    }
}
