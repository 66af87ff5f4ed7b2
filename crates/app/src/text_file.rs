//! Reading small text files, with problems named in a mechanic's words.

use std::io::{self, Read};
use std::path::Path;

use crate::error::AppError;

/// Largest profile, job or layout file [bytes]; a recording given by mistake is larger.
const LIMIT_BYTES: u64 = 4_000_000;

/// Text of a profile, job or layout file.
pub(crate) fn read_text(path: &Path) -> Result<String, AppError> {
    let meta = std::fs::metadata(path).map_err(|e| unreadable(path, &e))?;
    if meta.is_dir() {
        return Err(problem(
            path,
            "is a folder, a text file is needed",
            "name the file inside it",
        ));
    }
    if meta.len() > LIMIT_BYTES {
        return Err(problem(
            path,
            &format!(
                "has {} bytes, too many for a text file of this kind",
                meta.len()
            ),
            "check that this is no recording",
        ));
    }
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        // A pipe or device reports no length, so the limit holds while reading too.
        .and_then(|f| f.take(LIMIT_BYTES).read_to_end(&mut bytes))
        .map_err(|e| unreadable(path, &e))?;
    let text = match String::from_utf8(bytes) {
        Ok(text) => text,
        Err(e) => {
            let at = e.utf8_error().valid_up_to();
            let line = e.as_bytes()[..at].iter().filter(|&&b| b == b'\n').count() + 1;
            return Err(problem(
                path,
                &format!("is not UTF-8 text from line {line} on"),
                "save the file as UTF-8",
            ));
        }
    };
    // A byte order mark is no part of the text.
    Ok(text
        .strip_prefix('\u{feff}')
        .map(str::to_owned)
        .unwrap_or(text))
}

/// Largest recording or picture read whole [bytes].
const WHOLE_LIMIT_BYTES: u64 = 512_000_000;

/// A recording or picture as it is.
///
/// # Errors
/// [`AppError::Unreadable`].
pub fn read_bytes(path: &Path) -> Result<Vec<u8>, AppError> {
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|f| f.take(WHOLE_LIMIT_BYTES + 1).read_to_end(&mut bytes))
        .map_err(|e| unreadable(path, &e))?;
    if bytes.len() as u64 > WHOLE_LIMIT_BYTES {
        return Err(problem(
            path,
            "has more than 512 MB",
            "record a shorter stretch; a minute is plenty",
        ));
    }
    Ok(bytes)
}

/// The error for a path that cannot be opened.
pub(crate) fn unreadable(path: &Path, error: &io::Error) -> AppError {
    let (what, remedy) = reason(error);
    problem(path, &what, remedy)
}

/// What went wrong with a file, and the remedy.
pub(crate) fn reason(error: &io::Error) -> (String, &'static str) {
    match error.kind() {
        io::ErrorKind::NotFound => (
            "does not exist".to_owned(),
            "check the spelling and the folder",
        ),
        io::ErrorKind::PermissionDenied => (
            "may not be read".to_owned(),
            "give yourself the right to read it",
        ),
        io::ErrorKind::IsADirectory => ("is a folder".to_owned(), "name the file inside it"),
        _ => (
            format!("cannot be read: {error}"),
            "check the disk and the path",
        ),
    }
}

/// An [`AppError::Unreadable`].
pub(crate) fn problem(path: &Path, what: &str, remedy: &str) -> AppError {
    AppError::Unreadable {
        path: path.to_owned(),
        problem: what.to_owned(),
        remedy: remedy.to_owned(),
    }
}
