//! Writing files, with problems named by their path.

use std::path::Path;

use crate::error::AppError;

/// Writes a small text file.
pub(crate) fn write_text(path: &Path, text: &str) -> Result<(), AppError> {
    std::fs::write(path, text).map_err(|e| unwritable(path, &e))
}

/// The error for a path that cannot be written.
pub(crate) fn unwritable(path: &Path, error: &std::io::Error) -> AppError {
    AppError::Unwritable {
        path: path.to_owned(),
        problem: format!("cannot be written: {error}"),
    }
}
