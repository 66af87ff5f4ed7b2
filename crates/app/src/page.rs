//! The written answer: files of an assessment.

use std::path::{Path, PathBuf};

use evenpull_job::{CautionWhen, cautions_for};
use evenpull_report::{Meta, Writing, page};

use crate::assess::AssessOutcome;
use crate::error::AppError;
use crate::written::{unwritable, write_text};

/// The page of an assessment, self-contained.
///
/// `written_at`: date and time as it shall be read; `writing`: decimal sign and unit of pressures.
pub fn assessment_page(outcome: &AssessOutcome, written_at: &str, writing: Writing) -> String {
    let name = outcome.loaded.folder.file_name();
    let meta = Meta {
        title: "Findings".to_owned(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        written_at: written_at.to_owned(),
        job_name: name.map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
        cautions: cautions_for(CautionWhen::EngineRuns)
            .map(|c| c.text.to_owned())
            .collect(),
        writing,
    };
    page(&outcome.assessment, &meta)
}

/// Writes `assessment.html` and `assessment.json` into `folder`, which is made if missing.
///
/// # Errors
/// [`AppError::Unwritable`].
pub fn write_assessment(
    outcome: &AssessOutcome,
    folder: &Path,
    written_at: &str,
) -> Result<Vec<PathBuf>, AppError> {
    std::fs::create_dir_all(folder).map_err(|e| unwritable(folder, &e))?;
    let json = serde_json::to_string_pretty(&outcome.answer())
        .map_err(|e| AppError::Json(e.to_string()))?;
    let files = [
        (
            "assessment.html",
            assessment_page(outcome, written_at, Writing::default()),
        ),
        ("assessment.json", json + "\n"),
    ];
    let mut written = Vec::new();
    for (name, text) in files {
        let path = folder.join(name);
        write_text(&path, &text)?;
        written.push(path);
    }
    Ok(written)
}
