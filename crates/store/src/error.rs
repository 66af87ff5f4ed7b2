//! Why the records could not be read or kept.

use std::io;
use std::path::{Path, PathBuf};

use evenpull_job::{FileErrors, Refusal};

/// Why the records could not be read or kept.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    /// Another program has the data folder open for writing.
    #[error(
        "{}: the records are in use by {holder}\n  remedy: close that program first, then give \
         this again; the pages it serves do meanwhile what they have forms for, and importing is \
         not among that. Two may never write the same records",
        folder.display()
    )]
    InUse {
        /// Data folder.
        folder: PathBuf,
        /// Who holds it, as it wrote itself down.
        holder: String,
    },
    /// No records where they were looked for.
    #[error(
        "{}: there are no records in this folder\n  remedy: check the folder; `evenpull import` or \
         `evenpull records add-machine` starts new ones", folder.display()
    )]
    NoRecords {
        /// Data folder.
        folder: PathBuf,
    },
    /// The schema of the file is newer than the program.
    #[error(
        "{}: written by a newer program (schema {found}, this program knows {known}); nothing was \
         changed\n  remedy: use the newer program", file.display()
    )]
    NewerSchema {
        /// Database file.
        file: PathBuf,
        /// Version found.
        found: i64,
        /// Newest version known.
        known: i64,
    },
    /// The schema of the file is older, and the file was opened for reading only.
    #[error(
        "{}: written by an older program (schema {found}, current {known})\n  remedy: open it once \
         with a command that writes", file.display()
    )]
    OlderSchema {
        /// Database file.
        file: PathBuf,
        /// Version found.
        found: i64,
        /// Version wanted.
        known: i64,
    },
    /// The file is damaged or no database.
    #[error(
        "{}: the records are damaged: {problem}\n  remedy: change nothing in the folder and copy it \
         whole to another disk first; then either `evenpull restore BACKUP --data NEW_FOLDER`, or \
         `evenpull salvage NEW_FOLDER`, which takes over every record that can still be read \
         and says what cannot", file.display()
    )]
    Damaged {
        /// Database file.
        file: PathBuf,
        /// What was found.
        problem: String,
    },
    /// The disk is full.
    #[error(
        "{}: the disk is full, the last entry was not kept; everything before it is\n  remedy: free \
         some space on this disk and enter it again", path.display()
    )]
    DiskFull {
        /// What was being written.
        path: PathBuf,
    },
    /// A folder or file that cannot be written.
    #[error(
        "{}: cannot be written: {problem}\n  remedy: give yourself the right to write there, or name \
         another folder with `--data`", path.display()
    )]
    NotWritable {
        /// What was being written.
        path: PathBuf,
        /// What the system said.
        problem: String,
    },
    /// A folder or file that cannot be read.
    #[error("{}: {problem}\n  remedy: {remedy}", path.display())]
    Unreadable {
        /// What was being read.
        path: PathBuf,
        /// What is wrong.
        problem: String,
        /// What to do.
        remedy: String,
    },
    /// No record of that kind and number.
    #[error("there is no {what} {id}\n  remedy: `evenpull records` lists what there is")]
    Missing {
        /// Kind of record.
        what: &'static str,
        /// Number asked for.
        id: i64,
    },
    /// A value that cannot be kept as it is.
    #[error("{what}: {problem}\n  remedy: {remedy}")]
    Invalid {
        /// Which value.
        what: String,
        /// What is wrong with it.
        problem: String,
        /// What would be right.
        remedy: String,
    },
    /// Problems of a job or profile text.
    #[error("{0}")]
    Text(#[from] FileErrors),
    /// The order of work forbids it.
    #[error("{0}")]
    Refused(#[from] Refusal),
    /// Something else has the file locked for longer than is usual.
    #[error(
        "{}: another program keeps the records busy\n  remedy: close it and try again", file.display()
    )]
    Busy {
        /// Database file.
        file: PathBuf,
    },
    /// The database refused for a reason that the program should have ruled out.
    #[error("{}: the database refused: {problem}", file.display())]
    Database {
        /// Database file.
        file: PathBuf,
        /// What it said.
        problem: String,
    },
}

impl StoreError {
    /// A value that cannot be kept.
    pub(crate) fn invalid(
        what: impl Into<String>,
        problem: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self::Invalid {
            what: what.into(),
            problem: problem.into(),
            remedy: remedy.into(),
        }
    }

    /// What a driver's error means for the records in `file`.
    pub(crate) fn of_database(file: &Path, error: &sqlx::Error) -> Self {
        let file = file.to_owned();
        let code = match error {
            sqlx::Error::Database(e) => e.code().and_then(|c| c.parse::<u32>().ok()),
            _ => None,
        };
        let problem = error.to_string();
        // Primary result codes of SQLite; the upper bits only refine them.
        match code.map(|c| c & 0xff) {
            Some(5 | 6) => Self::Busy { file },
            Some(8) => Self::NotWritable {
                path: file,
                problem,
            },
            Some(14) => Self::Unreadable {
                path: file,
                problem: "the database cannot be opened".to_owned(),
                remedy: "check the folder and that you may read and write it".to_owned(),
            },
            Some(11 | 26) => Self::Damaged { file, problem },
            Some(13) => Self::DiskFull { path: file },
            // The file system failed while reading or writing.
            Some(10) => Self::Unreadable {
                path: file,
                problem: format!("the disk reports an error: {problem}"),
                remedy: "check the disk and its free space; what was acknowledged is kept"
                    .to_owned(),
            },
            _ => Self::Database { file, problem },
        }
    }

    /// A file that could not be written.
    pub(crate) fn of_writing(path: &Path, error: &io::Error) -> Self {
        let path = path.to_owned();
        match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::DiskFull { path },
            _ => Self::NotWritable {
                path,
                problem: error.to_string(),
            },
        }
    }

    /// A file that could not be read.
    pub(crate) fn of_reading(path: &Path, error: &io::Error) -> Self {
        let (problem, remedy) = match error.kind() {
            io::ErrorKind::NotFound => ("does not exist".to_owned(), "check the spelling"),
            io::ErrorKind::PermissionDenied => (
                "may not be read".to_owned(),
                "give yourself the right to read it",
            ),
            _ => (
                format!("cannot be read: {error}"),
                "check the disk and the path",
            ),
        };
        Self::Unreadable {
            path: path.to_owned(),
            problem,
            remedy: remedy.to_owned(),
        }
    }
}
