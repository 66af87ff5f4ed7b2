//! Why a use case did not answer.

use std::path::{Path, PathBuf};

use evenpull_engine::EngineError;
use evenpull_job::FileErrors;
use evenpull_live::SessionError;
use evenpull_report::SetError;
use evenpull_store::StoreError;
use evenpull_trace::{AnalyseError, ImportError};

use crate::practice::FaultError;
use crate::records::TurnDoubt;
use crate::serve::BenchRefusal;

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
    /// A file is no recording that can be read.
    #[error("{0}")]
    Import(#[from] ImportError),
    /// A recording carries no reading.
    #[error("{0}")]
    Analyse(#[from] AnalyseError),
    /// A fault the practice engine cannot show.
    #[error("{0}")]
    Fault(#[from] FaultError),
    /// The practice engine refuses its numbers, or nothing balances.
    #[error("practice engine: {0}\n  remedy: try another seed, a milder profile or another fault")]
    Engine(#[from] EngineError),
    /// The bench of the served pages does not do what is asked.
    #[error("{0}")]
    Bench(#[from] BenchRefusal),
    /// A live session cannot do what is asked now.
    #[error("{0}")]
    Live(#[from] SessionError),
    /// Turns that no screw makes.
    #[error("{turns} turns at once are no turn of a screw\n  remedy: turn by up to {limit} turns")]
    TurnsOutOfRange {
        /// Turns asked for.
        turns: f64,
        /// Most turns at once.
        limit: f64,
    },
    /// A turn that nobody makes, asked about before it is noted.
    #[error(
        "{turns} turns of {adjuster}: {doubt}\n  remedy: write the turns that were made; `--sure` \
         notes them as they are"
    )]
    DoubtfulTurn {
        /// Adjuster.
        adjuster: String,
        /// Turns as given.
        turns: f64,
        /// What speaks against them.
        doubt: TurnDoubt,
    },
    /// An odometer below that of an earlier visit.
    #[error(
        "odometer {km} km: lower than {stood} km on {on}, job {job}\n  remedy: write what it shows; \
         `--sure` keeps it all the same"
    )]
    LowOdometer {
        /// As given [km].
        km: i64,
        /// As it stood [km].
        stood: i64,
        /// Day and time of that visit.
        on: String,
        /// Job of that visit.
        job: i64,
    },
    /// A last day for an owner's data that is over.
    #[error("`{text}` is past\n  remedy: write {today} or a later day")]
    PastDay {
        /// Day as given.
        text: String,
        /// Today.
        today: String,
    },
    /// A day of a sale that is still to come.
    #[error("`{text}` is still to come\n  remedy: write {today} or an earlier day")]
    FutureDay {
        /// Day as given.
        text: String,
        /// Today.
        today: String,
    },
    /// A screw the machine does not have, or that is not turned.
    #[error("no screw `{name}` to turn on this machine\n  remedy: use one of {known}")]
    NoScrew {
        /// Name as given.
        name: String,
        /// Screws there are.
        known: String,
    },
    /// A number of the profile that the practice engine cannot use.
    #[error("practice engine: {0}\n  remedy: correct the profile")]
    Practice(String),
    /// A word that names no stage or step.
    #[error("`{word}` is no {what}\n  remedy: use one of {known}")]
    UnknownWord {
        /// Kind of word.
        what: String,
        /// Word as given.
        word: String,
        /// Words known.
        known: String,
    },
    /// A document could not be set.
    #[error("{0}")]
    Document(#[from] SetError),
    /// The records could not be read or kept.
    #[error("{0}")]
    Store(#[from] StoreError),
    /// The system refuses what the program needs to run.
    #[error("the system refuses to run a task: {0}")]
    Runtime(String),
    /// An answer could not be put into JSON.
    #[error("the answer could not be written as JSON: {0}")]
    Json(String),
    /// A problem of a passing copy, under the name the file has where it came from.
    #[error("{text}")]
    OfCopy {
        /// Who is to act.
        kind: ErrorKind,
        /// The problem.
        text: String,
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
    /// The error with `name` where it names the path of a passing copy, which says nothing to
    /// whoever gave the file and is gone by then.
    pub fn naming(self, copy: &Path, name: &str) -> Self {
        let shown = copy.display().to_string();
        let text = self.to_string();
        if !text.contains(&shown) {
            return self;
        }
        let inside = format!("{shown}{}", std::path::MAIN_SEPARATOR);
        Self::OfCopy {
            kind: self.kind(),
            text: text.replace(&inside, "").replace(&shown, name),
        }
    }

    /// Who is to act.
    pub fn kind(&self) -> ErrorKind {
        match self {
            Self::OfCopy { kind, .. } => *kind,
            // Pressures that cannot be are a wrong unit or scale; a missing channel a wrong file.
            Self::Analyse(
                AnalyseError::MissingChannel { .. } | AnalyseError::Implausible { .. },
            ) => ErrorKind::BadInput,
            Self::Analyse(_)
            | Self::Bench(BenchRefusal::NoReading)
            | Self::Live(
                SessionError::Zero(_) | SessionError::Compare(_) | SessionError::Accept(_),
            )
            | Self::Store(StoreError::Refused(_)) => ErrorKind::Refused,
            Self::Store(StoreError::Database { .. })
            | Self::Document(_)
            | Self::Json(_)
            | Self::Runtime(_) => ErrorKind::Fault,
            Self::File(_)
            | Self::Unreadable { .. }
            | Self::Unwritable { .. }
            | Self::Import(_)
            | Self::Store(_)
            | Self::UnknownWord { .. }
            | Self::Fault(_)
            | Self::Engine(_)
            | Self::Practice(_)
            | Self::Live(_)
            | Self::Bench(_)
            | Self::NoScrew { .. }
            | Self::DoubtfulTurn { .. }
            | Self::LowOdometer { .. }
            | Self::PastDay { .. }
            | Self::FutureDay { .. }
            | Self::TurnsOutOfRange { .. }
            | Self::NoProfile { .. } => ErrorKind::BadInput,
        }
    }
}
